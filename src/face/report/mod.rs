//! The report: one page of HTML for one meter and a stretch of time, which stands alone, prints, and can be checked.
//!
//! - [`Observer`] watches the readings go by and keeps what the page shows of them;
//! - [`page`] makes the page of that, of what was declared, and of the explanation: a pure function of its [`Report`].
//!
//! The page needs no script and nothing from outside. What people wrote is escaped wherever it stands.

pub(in crate::face) mod answer;
mod closing;
mod columns;
pub mod commissioning;
mod counts;
mod declared;
mod difference;
pub(in crate::face) mod figures;
mod heard;
mod line;
pub(in crate::face) mod log;
pub(in crate::face) mod plots;
mod pulse_flow;
mod seen;
pub(in crate::face) mod signs;
mod square;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use tallywell_witness::cause::Explanation;
use tallywell_witness::declared::Setting;
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::tally::Event;
use tallywell_witness::units::WallMillis;

pub use seen::{Heard, Observer, Seen};

use crate::face::{LOOK, plot};
use crate::store::evidence::sha256;
use crate::store::log::{LoggedDisagreement, Note};
use figures::instant;

/// Everything that the page of one meter says.
#[derive(Debug)]
pub struct Report<'a> {
    /// The site's name.
    pub site: &'a str,
    /// The meter as declared.
    pub facts: &'a MeterFacts,
    /// The stretch of time that it is about.
    pub span: (WallMillis, WallMillis),
    /// Do the witnesses agree, and if not, why; absent where nothing was read.
    pub explanation: Option<&'a Explanation>,
    /// The readings.
    pub seen: Seen,
    /// Disagreements that stood open in this time, oldest first.
    pub disagreements: Vec<LoggedDisagreement>,
    /// Events that lasted into this time, oldest first.
    pub events: Vec<Event>,
    /// Notes about this time, oldest first.
    pub notes: Vec<Note>,
    /// Maintenance: begin, and end where it has ended.
    pub maintenance: Vec<(WallMillis, Option<WallMillis>)>,
    /// The meter's own settings as last read, in their base units.
    pub settings: Vec<(Setting, f64)>,
    /// The lines that the meter's witnesses hang on.
    pub lines: Vec<LineFigures>,
    /// The files that declared all this.
    pub declarations: Vec<Declaration>,
    /// Whether the clock was held right by another, where known.
    pub clock_synchronised: Option<bool>,
    /// Whether the clock on the wall was set during this time.
    pub clock_was_set: bool,
    /// When the report was made.
    pub prepared: WallMillis,
    /// The program and its version.
    pub program: String,
}

/// How a line did over the time reported.
#[derive(Clone, Debug, PartialEq)]
pub struct LineFigures {
    /// Its name.
    pub name: String,
    /// The time over which it was counted.
    pub span: (WallMillis, WallMillis),
    /// Requests sent.
    pub transactions: u64,
    /// The share of its time in use.
    pub line_use: f64,
    /// What the figures say about the adapter.
    pub hint: Option<String>,
    /// Its devices.
    pub devices: Vec<DeviceFigures>,
}

/// How a device answered.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceFigures {
    /// Its name.
    pub name: String,
    /// Its address, where known.
    pub address: Option<u8>,
    /// Sound replies.
    pub replies: u64,
    /// Bad replies by kind, in words; only kinds that there were.
    pub faults: Vec<(String, u64)>,
    /// Milliseconds from the end of a request to the reply: half, 90 %, 99 %, all took no longer.
    pub reply_ms: [Option<f64>; 4],
    /// Milliseconds from the planned start of a request to the real one: 99 %, all were no later.
    pub lateness_ms: [Option<f64>; 2],
    /// Milliseconds, and the per cent of replies that had begun by then.
    pub reply_curve: Vec<(f64, f64)>,
}

/// A file that declared what was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declaration {
    /// Its path.
    pub path: String,
    /// The hash of its text.
    pub sha256: String,
    /// Since when it was in force; absent for a text that no run has used yet.
    pub since: Option<WallMillis>,
    /// The report was made with this very text.
    pub is_read_now: bool,
}

/// A page and its hash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// The whole file.
    pub html: String,
    /// The hash of its content part, which the page says too.
    pub content_sha256: String,
}

/// Makes the page.
#[must_use]
pub fn page(report: &Report<'_>) -> Page {
    let meter = &report.facts.meter;
    let title = format!("{}, meter {}: do its witnesses agree?", report.site, meter.name);
    let mut number = 0;
    let mut section = |title: &str, content: Markup| {
        number += 1;
        html! { section { h2 { span class="number" { (number) } " " (title) } div class="matter" { (content) } } }
    };
    let content = html! {
        (heading(report))
        @if let Some(explanation) = report.explanation {
            (answer::verdict(explanation))
            (section("Witness against witness", answer::tallies(&explanation.tallies)))
            (section("Why", answer::causes(explanation, meter)))
        } @else {
            div class="verdict undecided" {
                span class="mark" aria-hidden="true" { "?" }
                p class="sentence" { "Nothing was read of this meter in this time." }
            }
        }
        (section("Pictures", plots::of_readings(report)))
        (section("What was logged", logged(report)))
        (section("What was declared", declared::declared(report)))
        (section("What was read", heard::seen(report)))
        (section("The bus", line::lines(&report.lines)))
        (section("Before work on site", closing::cautions()))
        (section("How the numbers were reached", closing::method()))
        (section("What they rest on", closing::assumptions(report.explanation)))
    };
    finished(&title, &content)
}

fn logged(report: &Report<'_>) -> Markup {
    html! {
        h3 { "Disagreements" }
        (log::disagreements(&report.disagreements))
        h3 { "Events" }
        (log::events(&report.events))
        h3 { "Notes and maintenance" }
        (log::notes(&report.notes, &report.maintenance))
    }
}

fn heading(report: &Report<'_>) -> Markup {
    html! {
        header {
            p class="site" { (report.site) }
            h1 { "Meter " (report.facts.meter.name) ": do its witnesses agree?" }
            dl class="facts" {
                div { dt { "From" } dd { (instant(report.span.0)) } }
                div { dt { "To" } dd { (instant(report.span.1)) } }
                div { dt { "Made" } dd { (instant(report.prepared)) " by " (report.program) } }
            }
        }
    }
}

/// Puts the content into a page, with its hash.
fn finished(title: &str, content: &Markup) -> Page {
    // On a line of its own each, so that a line editor can cut the content out.
    let content = format!("{}\n{}\n{}\n", closing::CONTENT_BEGINS, content.0, closing::CONTENT_ENDS);
    let content_sha256 = sha256(content.as_bytes());
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(LOOK)) (PreEscaped(plot::STYLE)) (PreEscaped(STYLE)) }
            }
            body {
                main { "\n" (PreEscaped(&content)) (closing::check(&content_sha256)) }
            }
        }
    };
    Page { html: page.into_string(), content_sha256 }
}

/// The style sheet of the page.
const STYLE: &str = include_str!("report.css");

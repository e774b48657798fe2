//! The commissioning sheet: what stands on the line, how it is set, what a trial run found, and room for signatures.

mod trial;

use maud::{Markup, html};
use tallywell_witness::declared::{Framing, Line, Parity, Port, Setting, Table};
use tallywell_witness::plan::{LineLoad, LinePlan, Purpose};
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::sizing::Caution;
use tallywell_witness::trial::Verdict;
use tallywell_witness::trial::record::{AGREEMENT_ONLY, DeviceTold, Trial};
use tallywell_witness::units::WallMillis;

use super::figures::{count, instant, number, percent, time};
use super::{Declaration, LineFigures, Page, closing, declared, finished, line};

/// Everything that the sheet says.
#[derive(Debug)]
pub struct Sheet<'a> {
    /// The site's name.
    pub site: &'a str,
    /// The meter as declared.
    pub facts: &'a MeterFacts,
    /// The lines that its witnesses hang on, and what is read of them.
    pub lines: Vec<PlannedLine<'a>>,
    /// The meter's own settings as last read, in their base units.
    pub settings: Vec<(Setting, f64)>,
    /// How the lines did so far.
    pub timing: Vec<LineFigures>,
    /// The last trial run.
    pub trial: Option<Trial>,
    /// What the outputs will not do well.
    pub cautions: Vec<Caution>,
    /// What is doubtful about the files, a sentence each.
    pub doubts: Vec<String>,
    /// The files that declared all this.
    pub declarations: Vec<Declaration>,
    /// When the sheet was made.
    pub prepared: WallMillis,
    /// The program and its version.
    pub program: String,
}

/// A line and what is read of it.
#[derive(Debug)]
pub struct PlannedLine<'a> {
    /// As declared.
    pub line: &'a Line,
    /// The requests.
    pub plan: LinePlan,
    /// The share of the line's time that they need.
    pub load: LineLoad,
}

/// Makes the sheet.
#[must_use]
pub fn sheet(sheet: &Sheet<'_>) -> Page {
    let title = format!("{}, meter {}: commissioning", sheet.site, sheet.facts.meter.name);
    let mut number = 0;
    let mut section = |title: &str, content: Markup| {
        number += 1;
        html! { section { h2 { span class="number" { (number) } " " (title) } div class="matter" { (content) } } }
    };
    let content = html! {
        (heading(sheet))
        (verdict(sheet.trial.as_ref()))
        (section("Line and devices", lines(sheet)))
        (section("Settings", settings(sheet)))
        @if let Some(made) = &sheet.trial {
            (section("Loop and pulses, simulated", trial::outputs(made)))
            (section("Timed run", trial::run(made)))
        }
        (section("Reading plan", plans(&sheet.lines)))
        (section("How the bus answered", line::lines(&sheet.timing)))
        (section("Cautions", cautions(sheet)))
        (section("Before work on site", closing::cautions()))
        (section("Files that say so", declared::files(&sheet.declarations)))
        (section("Names and signatures", signatures(sheet.trial.as_ref())))
    };
    finished(&title, &content)
}

fn heading(sheet: &Sheet<'_>) -> Markup {
    html! {
        header {
            p class="site" { (sheet.site) }
            h1 { "Meter " (sheet.facts.meter.name) ": commissioning sheet" }
            dl class="facts" {
                @if let Some(trial) = &sheet.trial {
                    div { dt { "Trial run" } dd { (instant(trial.began)) " to " (instant(trial.ended)) } }
                    @if let Some(by) = &trial.by { div { dt { "By" } dd { (by) } } }
                }
                div { dt { "Sheet made" } dd { (instant(sheet.prepared)) " by " (sheet.program) } }
            }
        }
    }
}

/// How a verdict is marked, for eyes and without colour.
const fn mark(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::Pass => ("agree", "\u{2713}"),
        Verdict::Undecided => ("undecided", "?"),
        Verdict::Fail => ("disagree", "\u{2260}"),
    }
}

fn verdict(trial: Option<&Trial>) -> Markup {
    let (class, mark, sentence) = match trial {
        None => ("undecided", "?", "No trial run was made of this meter yet."),
        Some(trial) => {
            let (class, mark) = mark(trial.verdict);
            let sentence = match (trial.verdict, trial.has_reference()) {
                (Verdict::Pass, _) => "The trial run passed.",
                (Verdict::Undecided, _) => "The trial run is undecided: something was too near its limit to say.",
                (Verdict::Fail, _) => "The trial run failed.",
            };
            (class, mark, sentence)
        }
    };
    html! {
        div class=(format!("verdict {class}")) {
            span class="mark" aria-hidden="true" { (mark) }
            div {
                p class="sentence" { (sentence) }
                @if trial.is_some_and(|trial| !trial.has_reference()) { p { (AGREEMENT_ONLY) } }
            }
        }
    }
}

fn lines(sheet: &Sheet<'_>) -> Markup {
    let said: &[DeviceTold] = sheet.trial.as_ref().map(|trial| trial.devices.as_slice()).unwrap_or_default();
    html! {
        @for planned in &sheet.lines {
            p { b { "Line " (planned.line.name) } ": " (port(&planned.line.port)) ", " (characters(planned.line.framing)) }
        }
        div class="wide" role="region" aria-label="Devices" tabindex="0" { table {
            thead { tr { th { "Device" } th class="n" { "Address" } th { "Says of itself" } th { "Line" } } }
            tbody {
                @for planned in &sheet.lines {
                    @for (name, address) in devices(&planned.plan) {
                        tr {
                            td { (name) } td class="n" { (address) }
                            td { (said.iter().find(|it| it.device == name).map_or("not asked", |it| {
                                it.says.as_deref().unwrap_or("nothing: it has no identification")
                            })) }
                            td { (planned.line.name) }
                        }
                    }
                }
            }
        } }
        h3 { "The meter and its witnesses" }
        table class="pairs" {
            tbody { @for (what, value) in &declared::rows(sheet.facts) { tr { th scope="row" { (what) } td { (value) } } } }
        }
        h3 { "Registers" }
        (declared::registers(sheet.facts))
    }
}

/// The devices of a plan, each once.
fn devices(plan: &LinePlan) -> Vec<(&str, u8)> {
    let mut devices: Vec<(&str, u8)> = plan.devices.iter().map(|it| (it.device.as_str(), it.unit)).collect();
    devices.sort_by_key(|(_, unit)| *unit);
    devices.dedup();
    devices
}

fn port(port: &Port) -> String {
    match port {
        Port::Serial(path) => path.display().to_string(),
        Port::Tcp(address) => format!("gateway {address}, Modbus TCP"),
        Port::RtuOverTcp(address) => format!("gateway {address}, RTU over TCP"),
    }
}

fn characters(framing: Framing) -> String {
    let parity = match framing.parity {
        Parity::Even => "even parity",
        Parity::Odd => "odd parity",
        Parity::None => "no parity",
    };
    let stop_bits = if framing.stop_bits == 1 { "1 stop bit" } else { "2 stop bits" };
    format!("{} bit/s, {parity}, {stop_bits}", framing.baud)
}

fn settings(sheet: &Sheet<'_>) -> Markup {
    html! {
        @if sheet.settings.is_empty() {
            p { "None of the meter\u{2019}s own settings was read: its map declares none, or they did not answer. Compare them by \
                 hand, at the meter and at each receiver:" }
            div class="wide" role="region" aria-label="Settings to compare" tabindex="0" { table {
                thead { tr { th { "Setting" } th class="n" { "Declared" } th { "In the meter" } th { "In the receiver" } } }
                tbody {
                    @for setting in [Setting::FullScale, Setting::PulseVolume, Setting::PulseOnTime, Setting::Damping] {
                        @if let Some(value) = declared::declared_setting(sheet.facts, setting) {
                            @let (name, unit) = declared::setting_name(setting);
                            tr { td { (name) } td class="n" { (number(value)) (unit) } td {} td {} }
                        }
                    }
                }
            } }
        } @else {
            p { "As read back from the meter, beside what the receivers are declared to take them for:" }
            (declared::settings(sheet.facts, &sheet.settings))
        }
    }
}

fn plans(lines: &[PlannedLine<'_>]) -> Markup {
    html! {
        @for planned in lines {
            p {
                b { "Line " (planned.line.name) } ": " (percent(planned.load.fraction)) " of its time is needed; one turn of \
                everything takes " (milliseconds(planned.load.one_turn)) " ms."
                @if !planned.load.fits() { " " b class="disagree" { "It cannot carry that." } }
            }
            div class="wide" role="region" aria-label="Reading plan" tabindex="0" {
                table {
                    thead { tr {
                        th { "Device" } th { "Every" } th { "What" } th class="n" { "From" } th class="n" { "How many" }
                        th class="n" { "Wire ms" }
                    } }
                    tbody {
                        @for device in &planned.plan.devices {
                            @for request in &device.plan.requests {
                                tr {
                                    td { (device.device) @if device.purpose == Purpose::Settings { ", settings" } }
                                    td { (time(device.every)) }
                                    td { (table_name(request.request.table)) }
                                    td class="n" { (request.request.start) }
                                    td class="n" { (count(u64::from(request.request.count))) }
                                    td class="n" { (milliseconds(request.wire_time())) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

const fn table_name(table: Table) -> &'static str {
    match table {
        Table::Coil => "coils (01)",
        Table::Discrete => "discrete inputs (02)",
        Table::Holding => "holding registers (03)",
        Table::Input => "input registers (04)",
    }
}

fn milliseconds(time: std::time::Duration) -> String {
    number((time.as_secs_f64() * 1e4).round() / 10.0)
}

fn cautions(sheet: &Sheet<'_>) -> Markup {
    html! {
        @if sheet.cautions.is_empty() && sheet.doubts.is_empty() {
            p { "Nothing about the outputs and the files is doubtful." }
        }
        ul {
            @for caution in &sheet.cautions { li { b { (capitalised(&caution.found)) "." } " " (capitalised(&caution.advice)) "." } }
            @for doubt in &sheet.doubts { li { (capitalised(doubt)) } }
        }
    }
}

fn capitalised(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

fn signatures(trial: Option<&Trial>) -> Markup {
    let by = trial.and_then(|trial| trial.by.as_deref()).unwrap_or_default();
    html! {
        table class="sign" {
            thead { tr { th { "" } th { "Name" } th { "Company" } th { "Date" } th { "Signature" } } }
            tbody {
                tr { th { "Commissioned by" } td { (by) } td {} td {} td {} }
                @for who in ["Witnessed by", "Receiver (controller, biller)", "Owner or operator"] {
                    tr { th { (who) } td {} td {} td {} td {} }
                }
            }
        }
        p class="small blanks" {
            @for what in ["Seals found unbroken:", "Receivers back in automatic:", "Alarms and trips back in service:"] {
                span { (what) span class="blank" {} } " "
            }
        }
    }
}

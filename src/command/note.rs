//! `note`: what a person knows about a meter and no register tells.

use std::io::Write;
use std::path::Path;
use std::time::Duration;

use clap::{Args, ValueEnum};
use serde_json::Value;
use tallywell_witness::declared::Dimension;
use tallywell_witness::units::{WallMillis, parse};

use super::period::{self, Moment};
use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::daemon::socket::{self, Request, SocketError};
use crate::record::format_instant;
use crate::site;
use crate::store::log::{Note, NoteKind, ReadBy};
use crate::store::{self, Span, StoreReader};
use crate::wall;

/// How long a running daemon may take to keep a note.
const PATIENCE: Duration = Duration::from_secs(10);

/// A remark of so many characters reaches a daemon whatever they are.
const LONGEST_TEXT: usize = 2_000;

/// Keep a remark, a reading taken by hand, or the beginning or end of maintenance
#[derive(Debug, Args)]
#[command(after_help = "During maintenance readings are kept and judged by nothing.\n\
                        Exit status: 0 kept; 2 could not be done.\n\
                        Examples:\n  \
                        tallywell note --config s.toml --meter bore-1 \"strainer cleaned\"\n  \
                        tallywell note --config s.toml --meter bore-1 --reading \"18204.5 m3\" \\\n    \
                        --of display\n  \
                        tallywell note --config s.toml --meter bore-1 --maintenance begin")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter's name in the site file
    #[arg(long, value_name = "NAME")]
    meter: String,
    /// A remark
    #[arg(value_name = "TEXT", required_unless_present_any = ["reading", "maintenance"])]
    text: Option<String>,
    /// A reading taken by hand: a volume or a flow with its unit
    #[arg(long, value_name = "QUANTITY", requires = "of")]
    reading: Option<String>,
    /// Where the reading was taken
    #[arg(long, value_enum, requires = "reading")]
    of: Option<Of>,
    /// Maintenance begins or ends
    #[arg(long, value_enum, conflicts_with = "reading")]
    maintenance: Option<Maintenance>,
    /// The moment that it is about, if not now: 2025-03-01T08:00:00Z, or 2h ago
    #[arg(long, value_name = "TIME", value_parser = period::moment)]
    at: Option<Moment>,
    #[command(flatten)]
    format: FormatArgument,
}

/// Where a reading was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Of {
    /// The meter's own display
    Display,
    /// A bill
    Invoice,
    /// A tank, a scale or a reference meter
    Reference,
    /// The controller's or biller's display
    Receiver,
}

/// Which end of maintenance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Maintenance {
    /// Readings are kept and judged by nothing from here on
    Begin,
    /// Readings are judged again
    End,
}

/// Keeps a note.
///
/// # Errors
/// The site file is wrong or has no such meter; the reading has no unit; the store cannot be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    site::meter_facts(&loaded.site, &arguments.meter)?;
    let written = wall::now();
    let at = arguments.at.map_or(written, |moment| moment.wall);
    let note = Note { meter: arguments.meter.clone(), at, written, what: what(arguments)? };
    keep(&loaded.site.store.path, &note)?;
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", json(&note)?)?,
        Format::Text => {
            writeln!(out, "Noted of {} at {}: {}.", note.meter, period::short(at), in_words(&note.what))?;
            if let Some(caution) = caution(&loaded.site.store.path, &note) {
                writeln!(out, "{caution}")?;
            }
        }
    }
    Ok(Outcome::Good)
}

fn what(arguments: &Arguments) -> Result<NoteKind, anyhow::Error> {
    let text = match &arguments.text {
        Some(text) => text_of(text)?,
        None => String::new(),
    };
    if let (Some(reading), Some(of)) = (&arguments.reading, arguments.of) {
        let quantity = parse::quantity(reading, Dimension::Volume).or_else(|not_a_volume| {
            parse::quantity(reading, Dimension::Flow)
                .map_err(|_| anyhow::anyhow!("--reading: {not_a_volume}; {}", not_a_volume.instead()))
        })?;
        let of = match of {
            Of::Display => ReadBy::Display,
            Of::Invoice => ReadBy::Invoice,
            Of::Reference => ReadBy::Reference,
            Of::Receiver => ReadBy::Receiver,
        };
        return Ok(NoteKind::Reading { of, value: quantity.number, unit: quantity.unit.symbol, text });
    }
    Ok(match arguments.maintenance {
        Some(Maintenance::Begin) => NoteKind::MaintenanceBegins { text },
        Some(Maintenance::End) => NoteKind::MaintenanceEnds { text },
        None => NoteKind::Remark { text },
    })
}

/// A remark without the blanks around it.
fn text_of(written: &str) -> Result<String, anyhow::Error> {
    let text = written.trim();
    let length = text.chars().count();
    anyhow::ensure!(!text.is_empty(), "the remark is empty; write what is to be remembered");
    anyhow::ensure!(
        length <= LONGEST_TEXT,
        "the remark has {length} characters, and {LONGEST_TEXT} are the most; keep the long text in a file, and note where it is"
    );
    Ok(text.to_owned())
}

/// Through the daemon where one runs, so that it knows at once; straight into the store where none does.
pub(super) fn keep(path: &Path, note: &Note) -> Result<(), anyhow::Error> {
    let request = Request::Note { note: serde_json::to_value(note)? };
    match socket::ask(&socket::path_beside(path), &request, Some(PATIENCE), |_| true) {
        Ok(()) => Ok(()),
        Err(SocketError::NoDaemon | SocketError::TooLong(_)) => Ok(store::keep_note(path, note)?),
        Err(error) => Err(error.into()),
    }
}

/// What is odd about beginning or ending maintenance, where something is.
fn caution(path: &Path, note: &Note) -> Option<String> {
    let reader = StoreReader::open(path).ok()?;
    let before = Span { from: None, to: Some(WallMillis(note.at.0)) };
    let stood_open = reader.maintenance(&note.meter, before).ok()?.last().is_some_and(|(_, ended)| ended.is_none());
    match (&note.what, stood_open) {
        (NoteKind::MaintenanceBegins { .. }, true) => Some("Maintenance had begun before already.".to_owned()),
        (NoteKind::MaintenanceEnds { .. }, false) => Some("No maintenance had begun before that.".to_owned()),
        (NoteKind::MaintenanceBegins { .. }, false) => {
            Some("Until it ends, readings are kept and nothing is judged.".to_owned())
        }
        _ => None,
    }
}

fn in_words(what: &NoteKind) -> String {
    let with = |words: &str, text: &str| if text.is_empty() { words.to_owned() } else { format!("{words}, {text}") };
    match what {
        NoteKind::Remark { text } => text.trim_end_matches('.').to_owned(),
        NoteKind::Reading { of, value, unit, text } => {
            let of = match of {
                ReadBy::Display => "the display",
                ReadBy::Invoice => "an invoice",
                ReadBy::Reference => "a reference",
                ReadBy::Receiver => "the receiver",
            };
            with(&format!("{value} {unit} by {of}"), text)
        }
        NoteKind::MaintenanceBegins { text } => with("maintenance begins", text),
        NoteKind::MaintenanceEnds { text } => with("maintenance ends", text),
        NoteKind::Trial { result } => format!("a trial run: {}", result.verdict.word()),
    }
}

/// The note with its times as text.
fn json(note: &Note) -> Result<Value, serde_json::Error> {
    let mut value = serde_json::to_value(note)?;
    for (key, instant) in [("at", note.at), ("written", note.written)] {
        value[key] = Value::from(format_instant(instant));
    }
    Ok(value)
}

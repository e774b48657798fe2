//! `disagreements`: the log of disagreements, newest last.

use std::io::Write;

use clap::Args;
use tallywell_witness::cause::Code;
use tallywell_witness::cause::code::UnknownCode;

use super::period::{self, PeriodArguments};
use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::face::told;
use crate::site;
use crate::store::log::LoggedDisagreement;
use crate::store::{Span, StoreReader};

/// List the disagreements that stood open at some moment of the time asked for
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 none; 1 at least one, open or closed; 2 could not be done.\n\
                        Example: tallywell disagreements --config kestrel-creek.toml --from 7d")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// Only this meter's
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    #[command(flatten)]
    period: PeriodArguments,
    /// Only those with this cause, pulse-weight for instance
    #[arg(long, value_name = "CODE", value_parser = cause_code)]
    cause: Option<Code>,
    #[command(flatten)]
    format: FormatArgument,
}

/// Lists.
///
/// # Errors
/// The site file is wrong or has no such meter; the store cannot be read.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    if let Some(meter) = &arguments.meter {
        site::meter_facts(&loaded.site, meter)?;
    }
    let span = arguments.period.span()?;
    let reader = StoreReader::open(&loaded.site.store.path)?;
    let mut found = reader.disagreements(arguments.meter.as_deref(), span)?;
    let whatever_cause = found.len();
    if let Some(cause) = arguments.cause {
        found.retain(|logged| logged.cause.as_deref() == Some(cause.as_str()));
    }
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => {
            let list: Vec<_> = found
                .iter()
                .map(|logged| told::disagreement_json(&logged.disagreement, logged.cause.as_deref()))
                .collect();
            writeln!(out, "{:#}", serde_json::Value::from(list))?;
        }
        Format::Text if found.is_empty() => {
            out.write_all(none_in_words(arguments, span, whatever_cause).as_bytes())?;
        }
        Format::Text => out.write_all(in_words(&found, span).as_bytes())?,
    }
    Ok(if found.is_empty() { Outcome::Good } else { Outcome::Bad })
}

/// A cause of the catalogue: a word that is none would be found in no log.
fn cause_code(text: &str) -> Result<Code, String> {
    let known = || Code::ALL.iter().map(|code| code.as_str());
    text.parse().map_err(|unknown: UnknownCode| match site::nearest(text, known()) {
        Some(near) => format!("{unknown}; did you mean `{near}`?"),
        None => format!("{unknown}; the codes are {}", known().collect::<Vec<_>>().join(", ")),
    })
}

/// What was asked for and not found: nothing is said of what was not asked for.
fn none_in_words(arguments: &Arguments, span: Span, whatever_cause: usize) -> String {
    let of_meter = arguments.meter.as_ref().map(|meter| format!(" of {meter}")).unwrap_or_default();
    let with_cause = arguments.cause.map(|cause| format!(" with the cause {cause}")).unwrap_or_default();
    let none = format!("No disagreement{of_meter}{with_cause} was logged{}.\n", period::in_words(span));
    none + &match whatever_cause {
        0 => "Agreement is not accuracy: all witnesses share one sensor.\n".to_owned(),
        1 => "1 was, whose cause is another or not known.\n".to_owned(),
        others => format!("{others} were, whose causes are others or not known.\n"),
    }
}

fn in_words(found: &[LoggedDisagreement], span: Span) -> String {
    let mut text = String::new();
    for logged in found {
        text.push_str(&told::disagreement_text(&logged.disagreement, logged.cause.as_deref()));
        text.push('\n');
    }
    let open = found.iter().filter(|logged| logged.disagreement.closed.is_none()).count();
    let count = match (found.len(), open) {
        (1, 0) => "1 disagreement, closed".to_owned(),
        (1, _) => "1 disagreement, open".to_owned(),
        (all, 0) => format!("{all} disagreements, all closed"),
        (all, open) => format!("{all} disagreements, {open} open"),
    };
    text.push_str(&format!("{count}{}.\n", period::in_words(span)));
    text
}

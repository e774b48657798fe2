//! `explain`: do the witnesses agree, and if not, why: ranked causes with the evidence and what to check on site.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow, bail};
use clap::Args;
use tallywell_witness::cause::{Explainer, Explanation, OtherMeter};
use tallywell_witness::declared::Site;
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::Verdict;

use super::period::PeriodArguments;
use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::daemon::naming::{NamingError, explain_stored};
use crate::record::{CsvReader, Note};
use crate::site;
use crate::store::{Span, StoreReader};

mod text;

/// Say whether a meter's witnesses agree, and if not, why and what to check
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 they agree, or it cannot be decided; 1 they disagree;\n\
                  2 could not be done.\n\
                  Examples:\n  \
                  tallywell explain --config kestrel-creek.toml --meter bore-1\n  \
                  tallywell explain --config kestrel-creek.toml --meter bore-1 --csv june.csv\n  \
                  tallywell explain --config kestrel-creek.toml --meter bore-1 \\\n    \
                  --csv bore-1=june.csv --csv bore-2=june-2.csv")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter
    #[arg(long, value_name = "NAME")]
    meter: String,
    #[command(flatten)]
    period: PeriodArguments,
    /// Readings from a file instead of the store, with --from and --to as dates or times; METER=FILE for another meter of the site, whose signals may be crossed
    #[arg(long, value_name = "[METER=]FILE")]
    csv: Vec<String>,
    #[command(flatten)]
    format: FormatArgument,
}

/// Explains.
///
/// # Errors
/// The site file, the readings or the store cannot be read, or the meter is not declared.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let facts = site::meter_facts(&loaded.site, &arguments.meter)?;
    let span = arguments.period.span()?;
    if !arguments.csv.is_empty() && arguments.period.counts_from_now() {
        bail!(
            "a file's readings are of their own time, from which nobody counts back: \
             with --csv, write --from and --to as a date (2025-03-01) or a time (2025-03-01T08:00:00Z)"
        );
    }
    let mut remarks = Vec::new();
    let explanation = if arguments.csv.is_empty() {
        from_store(&loaded.site, &facts, span)?
    } else {
        from_files(&loaded.site, &facts, &arguments.csv, span, &mut remarks)?
    };
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => {
            for remark in &remarks {
                tracing::warn!("{remark}");
            }
            writeln!(out, "{}", serde_json::to_string_pretty(&explanation)?)?;
        }
        Format::Text => out.write_all(text::of(&explanation, &remarks).as_bytes())?,
    }
    Ok(if explanation.verdict == Verdict::Disagree { Outcome::Bad } else { Outcome::Good })
}

fn holds(span: Span, reading: &Reading) -> bool {
    span.from.is_none_or(|from| reading.wall.0 >= from.0) && span.to.is_none_or(|to| reading.wall.0 < to.0)
}

fn from_store(site: &Site, facts: &MeterFacts, span: Span) -> Result<Explanation, anyhow::Error> {
    let store = StoreReader::open(&site.store.path)
        .with_context(|| "there are no stored readings to explain; `--csv FILE` explains a file instead".to_owned())?;
    let name = &facts.meter.name;
    match explain_stored(site, &store, name, span) {
        Err(NamingError::NoReadings { .. }) => bail!(nothing_stored(&store, name, span)?),
        explained => Ok(explained?),
    }
}

/// Why there is nothing to explain, and what would help.
fn nothing_stored(store: &StoreReader, meter: &str, span: Span) -> Result<String, anyhow::Error> {
    let asked = if span == Span::ALL { "" } else { " in the time asked for" };
    Ok(match store.extent(meter)? {
        Some((first, last, count)) => format!(
            "the store holds no reading of {meter}{asked}; it holds {count} from {} to {}",
            crate::record::format_instant(first),
            crate::record::format_instant(last)
        ),
        None => format!("the store holds no reading of {meter} at all: has `tallywell run` polled it?"),
    })
}

/// A file and the meter that it is of.
struct MeterFile<'a> {
    meter: &'a str,
    path: PathBuf,
}

/// `FILE`, or `METER=FILE` where what stands before the sign is a meter of the site.
fn meter_file<'a>(site: &'a Site, meter: &'a str, argument: &str) -> Result<MeterFile<'a>, anyhow::Error> {
    if let Some((name, path)) = argument.split_once('=') {
        if let Some((known, _)) = site.meters.get_key_value(name) {
            return Ok(MeterFile { meter: known, path: PathBuf::from(path) });
        }
        if !Path::new(argument).exists() {
            let known: Vec<&str> = site.meters.keys().map(String::as_str).collect();
            bail!("--csv {argument}: the site declares no meter \"{name}\"; it declares {}", known.join(", "));
        }
    }
    Ok(MeterFile { meter, path: PathBuf::from(argument) })
}

fn from_files(
    site: &Site,
    facts: &MeterFacts,
    arguments: &[String],
    span: Span,
    remarks: &mut Vec<String>,
) -> Result<Explanation, anyhow::Error> {
    let own = &facts.meter.name;
    let files: Vec<MeterFile<'_>> =
        arguments.iter().map(|argument| meter_file(site, own, argument)).collect::<Result<_, _>>()?;
    let mut of_own = files.iter().filter(|file| file.meter == own);
    let Some(file) = of_own.next() else {
        bail!("no --csv file is of {own}, the meter to explain: give it as --csv FILE or --csv {own}=FILE");
    };
    if let Some(second) = of_own.next() {
        bail!(
            "two --csv files are of {own}: {} and {}; one meter a file, one file a meter",
            file.path.display(),
            second.path.display()
        );
    }
    let mut explainer = Explainer::new(facts);
    let remarks_before = remarks.len();
    let count = each_reading(&file.path, facts, span, remarks, |reading| explainer.push(reading))?;
    if count == 0 {
        bail!(no_reading(file, span, &remarks.split_off(remarks_before)));
    }
    let mut others = Vec::new();
    for file in files.iter().filter(|file| file.meter != own) {
        let facts = site::meter_facts(site, file.meter)?;
        let mut seen = OtherMeter::new(&facts);
        each_reading(&file.path, &facts, span, remarks, |reading| seen.push(reading))?;
        others.push(seen);
    }
    Ok(explainer.with_others(others).finish())
}

/// What is wrong with a file of which nothing is left: what would have been remarked beside an answer is all the answer.
fn no_reading(file: &MeterFile<'_>, span: Span, remarks: &[String]) -> String {
    let asked = if span == Span::ALL { "" } else { " in the time asked for" };
    let mut text = format!("{}: no reading{asked} could be used", file.path.display());
    for remark in remarks {
        text.push_str("\n  ");
        text.push_str(remark);
    }
    text
}

/// Rows that were left out are told one by one up to this many.
const TOLD_ONE_BY_ONE: u64 = 5;

fn each_reading(
    path: &Path,
    facts: &MeterFacts,
    span: Span,
    remarks: &mut Vec<String>,
    mut take: impl FnMut(&Reading),
) -> Result<u64, anyhow::Error> {
    let file = File::open(path).map_err(|error| anyhow!("{}: cannot be opened: {error}", path.display()))?;
    let mut reader =
        CsvReader::new(file, facts).with_context(|| format!("{} cannot be read as readings", path.display()))?;
    let (mut taken, mut left_out) = (0, 0);
    for row in &mut reader {
        match row {
            Ok(reading) if holds(span, &reading) => {
                take(&reading);
                taken += 1;
            }
            Ok(_) => {}
            Err(problem) if problem.fatal => bail!("{}: {problem}", path.display()),
            Err(problem) => {
                left_out += 1;
                if left_out <= TOLD_ONE_BY_ONE {
                    remarks.push(format!("{}: left out: {problem}", path.display()));
                }
            }
        }
    }
    if left_out > TOLD_ONE_BY_ONE {
        remarks.push(format!("{}: {left_out} rows were left out in all", path.display()));
    }
    remarks.extend(reader.notes().iter().map(|note: &Note| format!("{}: {note}", path.display())));
    Ok(taken)
}

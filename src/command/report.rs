//! `report`: one page of HTML for a meter and a stretch of time, with plots, to print and to hand over.

mod commissioning;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};
use tallywell_witness::declared::{Meter, Site, Source};
use tallywell_witness::units::WallMillis;

use super::period::PeriodArguments;
use super::timing::{self, Summed};
use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument, whole_file};
use crate::daemon::naming::{NamingError, explain_stored};
use crate::face::report::{Declaration, DeviceFigures, LineFigures, Observer, Page, Report, page};
use crate::record::format_instant;
use crate::site::{self, Loaded};
use crate::store::evidence::sha256;
use crate::store::log::HandedOut;
use crate::store::{self, StoreReader};
use crate::wall;

/// Make one page of HTML for a meter and a time, with plots, to print and to hand over
#[derive(Debug, Args)]
#[command(
    override_usage = "tallywell report [OPTIONS] --config <SITE.toml> --meter <NAME>\n         \
                        --out <FILE.html>",
    after_help = "The page needs no script and nothing from elsewhere, prints on A4, and says how\n\
                        to check it.\n\
                        Exit status: 0 done; 2 could not be done.\n\
                        Example: tallywell report --config kestrel-creek.toml --meter bore-1 --from 7d \\\n\
                        \x20        --out bore-1.html"
)]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter's name in the site file
    #[arg(long, value_name = "NAME")]
    meter: String,
    /// Make the commissioning sheet: line, devices, settings, reading plan,
    /// the last trial run, and room for signatures
    #[arg(long)]
    commissioning: bool,
    #[command(flatten)]
    period: PeriodArguments,
    /// The file to write
    #[arg(long, value_name = "FILE.html")]
    out: PathBuf,
    #[command(flatten)]
    format: FormatArgument,
}

/// Makes the page.
///
/// # Errors
/// The site file is wrong or has no such meter; the store cannot be read or holds nothing of that time; the file cannot
/// be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    if arguments.commissioning {
        return commissioning::run(arguments);
    }
    let loaded = site::load(&arguments.site.config)?;
    let facts = site::meter_facts(&loaded.site, &arguments.meter)?;
    let asked = arguments.period.span()?;
    let path = &loaded.site.store.path;
    let reader = StoreReader::open(path)?;
    let Some((first, last, _)) = reader.extent(&arguments.meter)? else {
        return Err(NamingError::NoReadings { meter: arguments.meter.clone() }.into());
    };
    // The last reading has to lie before the end.
    let after_last = WallMillis(last.0 + 1);
    let span = (asked.from.unwrap_or(first), asked.to.unwrap_or(after_last));
    let explanation = explain_stored(&loaded.site, &reader, &arguments.meter, asked)?;
    let mut observer = Observer::new(&facts, span.0.max(first), span.1.min(after_last));
    for reading in reader.readings(&arguments.meter, asked)? {
        observer.push(&reading?);
    }
    let report = Report {
        site: &loaded.site.name,
        facts: &facts,
        span,
        explanation: Some(&explanation),
        seen: observer.finish(),
        disagreements: reader.disagreements(Some(&arguments.meter), asked)?,
        events: reader.events(Some(&arguments.meter), asked)?,
        notes: reader.notes(Some(&arguments.meter), asked)?,
        maintenance: reader.maintenance(&arguments.meter, asked)?,
        settings: reader.settings(&arguments.meter)?,
        lines: lines(&loaded.site, &facts.meter, &timing::summed(&reader.line_hours(asked)?)),
        declarations: declarations(&loaded, &reader, span)?,
        clock_synchronised: clock_synchronised(&reader, span)?,
        clock_was_set: reader.clock_was_set(&arguments.meter, asked)?,
        prepared: wall::now(),
        program: format!("tallywell {}", env!("CARGO_PKG_VERSION")),
    };
    let more = json!({
        "from": format_instant(span.0),
        "to": format_instant(span.1),
        "verdict": explanation.verdict,
    });
    let words = [
        &format!("{} readings of {}", report.seen.readings, arguments.meter),
        "The hash is kept in the store; the page says how to check its own content.",
    ];
    hand_over(arguments, path, &page(&report), more, words)
}

/// Writes the page, keeps its hash, and says so. `more` is what the JSON document says beside file and hashes; `words` are what
/// the page holds, and what to do with it.
fn hand_over(arguments: &Arguments, store: &Path, page: &Page, more: Value, words: [&str; 2]) -> CommandResult {
    whole_file::write(&arguments.out, |out| Ok(out.write_all(page.html.as_bytes())?))?;
    let whole = sha256(page.html.as_bytes());
    let handed_out = HandedOut {
        at: wall::now(),
        what: format!("report {}", arguments.out.display()),
        meter: arguments.meter.clone(),
        sha256: whole.clone(),
    };
    if let Err(error) = store::keep_handed_out(store, &handed_out) {
        tracing::warn!("the file's hash could not be kept in the store: {error}");
    }
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => {
            let mut answer = json!({
                "file": arguments.out,
                "sha256": whole,
                "content_sha256": page.content_sha256,
                "meter": arguments.meter,
            });
            if let (Value::Object(answer), Value::Object(more)) = (&mut answer, more) {
                answer.extend(more);
            }
            writeln!(out, "{answer:#}")?;
        }
        Format::Text => {
            let [holds, next] = words;
            writeln!(out, "{}: {holds}\nSHA-256 {whole}\n{next}", arguments.out.display())?;
        }
    }
    Ok(Outcome::Good)
}

/// The lines that the meter's witnesses hang on.
fn lines(site: &Site, meter: &Meter, summed: &[Summed]) -> Vec<LineFigures> {
    summed.iter().filter(|summed| hangs_on(site, meter, &summed.line)).map(figures).collect()
}

fn hangs_on(site: &Site, meter: &Meter, line: &str) -> bool {
    sources(meter).any(|source| match source {
        Source::Entry { device, .. } => site.devices.get(device).is_some_and(|device| device.line == line),
        Source::File(_) => false,
    })
}

fn sources(meter: &Meter) -> impl Iterator<Item = &Source> {
    let bus = [&meter.flow, &meter.total, &meter.reverse_total].into_iter().flatten();
    let current = meter.current_loop.iter().map(|declared| &declared.current);
    bus.chain(current).chain(meter.pulse.iter().map(|declared| &declared.count))
}

fn figures(summed: &Summed) -> LineFigures {
    let report = summed.report();
    let devices = report.devices.iter().map(|device| {
        let (reply, late) = (&device.reply_ms, &device.lateness_ms);
        DeviceFigures {
            name: device.device.clone(),
            address: device.address,
            replies: device.replies,
            faults: timing::faults(device).collect(),
            reply_ms: [reply.p50, reply.p90, reply.p99, reply.max],
            lateness_ms: [late.p99, late.max],
            reply_curve: reply_curve(summed, &device.device),
        }
    });
    LineFigures {
        name: summed.line.clone(),
        span: (summed.from, summed.to),
        transactions: report.transactions,
        line_use: report.line_use,
        hint: report.hint,
        devices: devices.collect(),
    }
}

/// Milliseconds, and the per cent of replies that had begun by then.
fn reply_curve(summed: &Summed, device: &str) -> Vec<(f64, f64)> {
    let Some(timing) = summed.timing.devices.get(device) else { return Vec::new() };
    (0..=200)
        .map(|step| f64::from(step) / 200.0)
        .filter_map(|share| Some((timing.reply.quantile(share)?.as_secs_f64() * 1e3, share * 100.0)))
        .collect()
}

/// The files that were in force in this time, and whether they are those that the report was made with.
fn declarations(
    loaded: &Loaded,
    reader: &StoreReader,
    span: (WallMillis, WallMillis),
) -> Result<Vec<Declaration>, store::StoreError> {
    let now: BTreeMap<String, String> =
        loaded.sources.iter().map(|(path, text)| (path.display().to_string(), sha256(text.as_bytes()))).collect();
    let runs = reader.runs()?;
    // Of the runs that began before this time the last was in force when it began.
    let before = runs.iter().rposition(|(run, _)| run.began <= span.0).unwrap_or(0);
    let mut all: Vec<Declaration> = Vec::new();
    for (run, declared) in runs.iter().skip(before).filter(|(run, _)| run.began < span.1) {
        for it in declared {
            if !all.iter().any(|known| known.path == it.path && known.sha256 == it.sha256) {
                all.push(Declaration {
                    path: it.path.clone(),
                    sha256: it.sha256.clone(),
                    since: Some(run.began),
                    is_read_now: now.values().any(|hash| *hash == it.sha256),
                });
            }
        }
    }
    for (path, hash) in &now {
        if !all.iter().any(|known| known.sha256 == *hash) {
            all.push(Declaration { path: path.clone(), sha256: hash.clone(), since: None, is_read_now: true });
        }
    }
    Ok(all)
}

/// Whether the clock was held right in every run of this time; unknown if it is of one.
fn clock_synchronised(reader: &StoreReader, span: (WallMillis, WallMillis)) -> Result<Option<bool>, store::StoreError> {
    let runs = reader.runs()?;
    let before = runs.iter().rposition(|(run, _)| run.began <= span.0).unwrap_or(0);
    let known: Vec<Option<bool>> =
        runs.iter().skip(before).filter(|(run, _)| run.began < span.1).map(|(run, _)| run.clock_synchronised).collect();
    Ok(if known.contains(&Some(false)) {
        Some(false)
    } else if known.is_empty() || known.contains(&None) {
        None
    } else {
        Some(true)
    })
}

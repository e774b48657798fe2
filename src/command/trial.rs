//! `trial`: a guided trial run of one meter: simulated currents and pulses, then a timed volume, each with its uncertainty.

mod cautions;
mod console;
mod looking;
mod steps;
mod text;

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use tallywell_witness::declared::Site;
use tallywell_witness::trial::Verdict;
use tallywell_witness::trial::record::Trial;
use tallywell_witness::units::parse;

use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument, note};
use crate::site;
use crate::store::log::{Note, NoteKind};
use crate::wall;
use console::Console;
use looking::Looking;
use steps::Steps;

/// Try one meter's outputs: simulated currents and pulses, then a timed volume
#[derive(Debug, Args)]
#[command(after_help = "It asks, reads, and judges; whatever is to be set at the meter, you set. It\n\
                  works beside a running daemon and without one. The time is marked as\n\
                  maintenance; the result is kept in the store, and `report --commissioning`\n\
                  prints it.\n\
                  Exit status: 0 passed, or too near a limit to say; 1 failed; 2 could not be\n\
                  done.\n\
                  Example: tallywell trial --config kestrel-creek.toml --meter bore-1")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter's name in the site file
    #[arg(long, value_name = "NAME")]
    meter: String,
    /// Take the answers from this file instead of asking: TOML, an answer
    /// for each question's name
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// What a simulated current may be off, such as "0.05 mA", instead of
    /// what the meter's tolerance lets pass
    #[arg(long, value_name = "CURRENT", value_parser = milliamperes)]
    limit_current: Option<f64>,
    /// What two volumes may differ by, such as "0.5 %", instead of what the
    /// meter's tolerances let pass
    #[arg(long, value_name = "SHARE", value_parser = share)]
    limit_volume: Option<f64>,
    #[command(flatten)]
    format: FormatArgument,
}

/// What a trial holds deviations against, where that is not the meter's own tolerance.
#[derive(Clone, Copy, Debug, Default)]
struct Limits {
    current_ma: Option<f64>,
    volume: Option<f64>,
}

/// Makes the trial.
///
/// # Errors
/// The site file or the answers are wrong, the port cannot be used, or it was broken off.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let facts = site::meter_facts(&loaded.site, &arguments.meter)?;
    let mut console = match &arguments.answers {
        Some(file) => Console::answered(file)?,
        None => Console::at_a_terminal()?,
    };
    let looking = Looking::new(&loaded.site, &facts)?;
    let limits = Limits { current_ma: arguments.limit_current, volume: arguments.limit_volume };
    console.say(&text::beginning(&loaded.site.name, &facts, looking.through()));
    cautions::LIST.iter().for_each(|caution| console.say(&text::item(caution)));
    if !console.agrees("understood", "Is all of this seen to?", None)? {
        anyhow::bail!("nothing was begun: see to the cautions first");
    }
    let by = console.ask("by", "Who makes the trial? (a name for the sheet, or nothing)", Some(""))?;
    let began = wall::now();
    keep(&loaded.site, &arguments.meter, NoteKind::MaintenanceBegins { text: "trial run".to_owned() })?;
    console.say("From here on the time is marked as maintenance: readings are kept and judged by nothing.\n");

    let mut steps = Steps::new(&facts, looking, limits, &mut console);
    let made = steps.all();
    let (parts, simulated) = (steps.parts, steps.simulated_ma.is_some());
    let ended = wall::now();
    let marked = keep(&loaded.site, &arguments.meter, NoteKind::MaintenanceEnds { text: "trial run".to_owned() });
    if let Err(stopped) = made {
        let simulated = if simulated { "; the meter may still simulate: set it to measure" } else { "" };
        let closed = if marked.is_ok() { "maintenance was ended" } else { "maintenance stands open" };
        return Err(anyhow::Error::from(stopped).context(format!("the trial was broken off{simulated} ({closed})")));
    }
    marked?;
    let by = Some(by).filter(|by| !by.is_empty());
    let trial = Trial { meter: arguments.meter.clone(), began, ended, by, ..parts }.judged();
    keep(&loaded.site, &arguments.meter, NoteKind::Trial { result: Box::new(trial.clone()) })?;
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", text::json(&trial)?)?,
        Format::Text => out.write_all(text::of(&trial).as_bytes())?,
    }
    Ok(if trial.verdict == Verdict::Fail { Outcome::Bad } else { Outcome::Good })
}

/// Keeps a note about now.
fn keep(site: &Site, meter: &str, what: NoteKind) -> Result<(), anyhow::Error> {
    let now = wall::now();
    let path: &Path = &site.store.path;
    note::keep(path, &Note { meter: meter.to_owned(), at: now, written: now, what })
}

fn milliamperes(text: &str) -> anyhow::Result<f64> {
    let current = parse::current(text).map_err(|error| anyhow::anyhow!("{error}: {}", error.instead()))?;
    above_zero(text, current.0)
}

fn share(text: &str) -> anyhow::Result<f64> {
    above_zero(text, parse::fraction(text).map_err(|error| anyhow::anyhow!("{error}: {}", error.instead()))?)
}

fn above_zero(text: &str, number: f64) -> anyhow::Result<f64> {
    anyhow::ensure!(number > 0.0 && number.is_finite(), "`{text}` must be above zero");
    Ok(number)
}

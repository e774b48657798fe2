//! `check`: everything that is wrong with a site file and its maps; what will be read, when, and how much of each line's
//! time that takes.

mod heard;
mod json;
mod text;

use clap::Args;
use std::collections::BTreeMap;
use std::io::Write;
use tallywell_witness::declared::{LineMode, Table};
use tallywell_witness::plan::{LineLoad, LinePlan, OnLine, PlanError, Remedy, what_would_fit};
use tallywell_witness::sizing::{self, Caution, Concern};

use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::site::{self, Loaded};
use heard::Heard;

/// Check a site file and its register maps, and show what will be read
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 sound, cautions included; 1 a line cannot carry its load;\n\
                        2 errors.\n\
                        Example: tallywell check --config kestrel-creek.toml")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    #[command(flatten)]
    format: FormatArgument,
}

/// Checks, and prints the read plan.
///
/// # Errors
/// Everything that is wrong with the files, at once.
pub fn run(arguments: &Arguments) -> CommandResult {
    let mut out = std::io::stdout().lock();
    let loaded = match site::load(&arguments.site.config) {
        Ok(loaded) => loaded,
        Err(problems) => {
            if arguments.format.format == Format::Json {
                writeln!(out, "{:#}", json::of_problems(&problems))?;
            }
            return Err(problems.into());
        }
    };
    let checked = Checked { lines: planned(&loaded)?, outputs: outputs(&loaded)?, loaded };
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", json::of_checked(&checked))?,
        Format::Text => out.write_all(text::of_checked(&checked, site::wants_colour(&out)).as_bytes())?,
    }
    let all_fit = checked.lines.iter().all(PlannedLine::fits);
    Ok(if all_fit { Outcome::Good } else { Outcome::Bad })
}

/// Files without errors, and what follows from them.
struct Checked {
    loaded: Loaded,
    lines: Vec<PlannedLine>,
    /// What each meter's outputs will not do well, by the meter's name.
    outputs: BTreeMap<String, Vec<Caution>>,
}

/// What is read on one line, and whether that can be.
struct PlannedLine {
    plan: LinePlan,
    load: LineLoad,
    /// Another master asks, so the plan only says what is followed.
    listens: bool,
    /// What was heard of it.
    heard: Option<Heard>,
    /// What would let it fit, where it does not.
    remedies: Vec<Remedy>,
}

impl PlannedLine {
    fn fits(&self) -> bool {
        self.listens || self.load.fits()
    }
}

fn planned(loaded: &Loaded) -> Result<Vec<PlannedLine>, PlanError> {
    let kept = heard::kept(&loaded.site);
    OnLine::each(&loaded.site)
        .iter()
        .map(|on| {
            let plan = on.plan()?;
            let listens = on.line().mode == LineMode::Listen;
            let remedies = if listens { Vec::new() } else { what_would_fit(on, &plan)? };
            let heard = if listens { heard::on(&loaded.site, &plan.line, &kept)? } else { None };
            Ok(PlannedLine { load: plan.load(), plan, listens, heard, remedies })
        })
        .collect()
}

fn outputs(loaded: &Loaded) -> anyhow::Result<BTreeMap<String, Vec<Caution>>> {
    let meters = loaded.site.meters.keys();
    meters
        .map(|name| {
            let mut cautions = sizing::cautions(&site::meter_facts(&loaded.site, name)?);
            // Pulses that cannot carry the flow are shown among the cautions of the file, where they are written.
            cautions.retain(|caution| caution.concern != Concern::PulsesCannotCarry);
            Ok((name.clone(), cautions))
        })
        .collect()
}

/// The function code that reads a table (MODBUS Application Protocol V1.1b3 §6.1 to §6.4).
const fn function_code(table: Table) -> u8 {
    match table {
        Table::Coil => 1,
        Table::Discrete => 2,
        Table::Holding => 3,
        Table::Input => 4,
    }
}

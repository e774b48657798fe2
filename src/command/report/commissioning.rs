//! `report --commissioning`: the sheet of one meter, with its last trial run.

use serde_json::json;
use tallywell_witness::plan::{PlanError, line_plan};
use tallywell_witness::sizing;
use tallywell_witness::trial::record::Trial;
use tallywell_witness::units::WallMillis;

use super::{Arguments, declarations, hand_over, hangs_on, lines};
use crate::command::{CommandResult, timing};
use crate::face::report::commissioning::{PlannedLine, Sheet, sheet};
use crate::site;
use crate::store::StoreReader;
use crate::store::log::NoteKind;
use crate::wall;

/// Makes the sheet.
///
/// # Errors
/// The site file is wrong or has no such meter; the store cannot be read; the file cannot be written.
pub(super) fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let facts = site::meter_facts(&loaded.site, &arguments.meter)?;
    let asked = arguments.period.span()?;
    let path = &loaded.site.store.path;
    let reader = StoreReader::open(path)?;
    let trial: Option<Trial> =
        reader.notes(Some(&arguments.meter), asked)?.into_iter().rev().find_map(|note| match note.what {
            NoteKind::Trial { result } => Some(*result),
            _ => None,
        });
    let planned: Result<Vec<PlannedLine<'_>>, PlanError> = loaded
        .site
        .lines
        .values()
        .filter(|line| hangs_on(&loaded.site, &facts.meter, &line.name))
        .map(|line| {
            let plan = line_plan(&loaded.site, &line.name)?;
            Ok(PlannedLine { line, load: plan.load(), plan })
        })
        .collect();
    let mut settings = reader.settings(&arguments.meter)?;
    if let Some(trial) = &trial {
        // What the trial read is of its own time; the daemon's last reading may be later.
        for (setting, value) in &trial.settings {
            if settings.iter().all(|(known, _)| known != setting) {
                settings.push((*setting, *value));
            }
        }
    }
    let now = wall::now();
    let since = trial.as_ref().map_or(now, |trial| trial.began);
    let made = sheet(&Sheet {
        site: &loaded.site.name,
        lines: planned?,
        settings,
        timing: lines(&loaded.site, &facts.meter, &timing::summed(&reader.line_hours(asked)?)),
        cautions: sizing::cautions(&facts),
        doubts: loaded.cautions.iter().map(doubt).collect(),
        declarations: declarations(&loaded, &reader, (since, WallMillis(now.0 + 1)))?,
        prepared: now,
        program: format!("tallywell {}", env!("CARGO_PKG_VERSION")),
        facts: &facts,
        trial: trial.clone(),
    });
    let verdict = trial.as_ref().map_or("no trial run yet", |trial| trial.verdict.word());
    let words = [
        &format!("commissioning of {}, trial run: {verdict}", arguments.meter),
        "Print it on A4 and have it signed; the hash is kept in the store.",
    ];
    hand_over(arguments, path, &made, json!({ "trial": trial.map(|trial| trial.verdict) }), words)
}

/// A caution about the files as one sentence.
fn doubt(problem: &site::Problem) -> String {
    let at = problem.line_and_column().map(|(line, _)| format!(", line {line}")).unwrap_or_default();
    let instead = problem.instead().map(|instead| format!(": {instead}")).unwrap_or_default();
    format!("{}{instead} ({}{at}).", problem.message(), problem.path().display())
}

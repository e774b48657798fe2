//! Putting a batch of what waits into the database, in one transaction.

use std::collections::HashMap;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::evidence::{Run, put_run};
use super::queue::{Batch, Lasting, Waiting};
use super::standing::Standing;
use super::{log, outbox, timing};

/// What the writer knows of the database without asking it. Forgotten whenever a transaction fails.
#[derive(Debug, Default)]
pub(super) struct Known {
    meters: HashMap<String, (i64, i64)>,
    /// The numbers in the database of the runs that were begun.
    runs: HashMap<usize, i64>,
}

/// Puts all of a batch in, or nothing; `runs` are those that were begun since the process did, and `standing` is what a new
/// database is to be told before.
pub(super) fn put_batch(
    connection: &mut Connection,
    batch: &Batch,
    standing: Option<&Standing>,
    runs: &[Run],
    known: &mut Known,
) -> rusqlite::Result<()> {
    if batch.is_empty() && standing.is_none() {
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    if let Some(standing) = standing {
        standing.put(&transaction)?;
    }
    for lasting in &batch.lasting {
        put_lasting(&transaction, lasting, known)?;
    }
    // A run is put in with its first reading, or when the batch holds it: it must be known though nothing was read.
    for place in 1..=runs.len() {
        if batch.lasting.iter().any(|lasting| matches!(lasting, Lasting::Run(run) if *run == runs[place - 1])) {
            run_number(&transaction, place, runs, known)?;
        }
    }
    for reading in &batch.readings {
        put_reading(&transaction, reading, runs, known)?;
    }
    transaction.commit()
}

fn put_lasting(to: &Connection, lasting: &Lasting, known: &mut Known) -> rusqlite::Result<()> {
    match lasting {
        Lasting::Run(_) => Ok(()),
        Lasting::Disagreement(it, cause) => log::put_disagreement(to, it, cause.as_deref()),
        Lasting::Event(it) => log::put_event(to, it),
        Lasting::Step(meter, it) => log::put_step(to, meter_number(to, meter, known)?.0, it),
        Lasting::Note(it) => log::put_note(to, it),
        Lasting::Setting { meter, setting, at, value } => log::put_setting(to, meter, *setting, *at, *value),
        Lasting::Hour(it) => log::put_hour(to, it),
        Lasting::TallyState { meter, version, at, body } => log::put_tally_state(to, meter, *version, *at, body),
        Lasting::LineHour(it) => timing::put_line_hour(to, it),
        Lasting::HandedOut(it) => log::put_handed_out(to, it),
        Lasting::Outgoing(it) => outbox::put(to, it),
        Lasting::Taken(through) => outbox::taken(to, *through),
    }
}

fn put_reading(to: &Connection, it: &Waiting, runs: &[Run], known: &mut Known) -> rusqlite::Result<()> {
    let run = run_number(to, it.run, runs, known)?;
    let (meter, sequence) = meter_number(to, &it.meter, known)?;
    to.prepare_cached("INSERT INTO reading (meter, run, sequence, at, wall, witnesses) VALUES (?, ?, ?, ?, ?, ?)")?
        .execute(params![meter, run, sequence, it.at, it.wall, it.witnesses])?;
    if let Some((_, next)) = known.meters.get_mut(&it.meter) {
        *next = sequence + 1;
    }
    Ok(())
}

/// The number of a run in the database, where it is put in if it is not there yet. `place` counts from 1; 0 stands for
/// readings that came before any run was begun.
fn run_number(to: &Connection, place: usize, runs: &[Run], known: &mut Known) -> rusqlite::Result<i64> {
    if let Some(number) = known.runs.get(&place) {
        return Ok(*number);
    }
    let run = place.checked_sub(1).and_then(|place| runs.get(place)).cloned().unwrap_or_default();
    let there = to
        .prepare_cached("SELECT id FROM run WHERE boot = ? AND began = ? AND program = ?")?
        .query_row(params![run.boot, run.began.0, run.program], |row| row.get(0))
        .optional()?;
    let number = match there {
        Some(number) => number,
        None => put_run(to, &run)?,
    };
    known.runs.insert(place, number);
    Ok(number)
}

/// The number of a meter and of its next reading.
fn meter_number(to: &Connection, name: &str, known: &mut Known) -> rusqlite::Result<(i64, i64)> {
    if let Some(numbers) = known.meters.get(name) {
        return Ok(*numbers);
    }
    to.prepare_cached("INSERT OR IGNORE INTO meter (name) VALUES (?)")?.execute([name])?;
    let meter: i64 = to.prepare_cached("SELECT id FROM meter WHERE name = ?")?.query_row([name], |row| row.get(0))?;
    let next: i64 = to
        .prepare_cached(
            "SELECT max(coalesce((SELECT max(sequence) FROM reading WHERE meter = ?1), 0),
                        coalesce((SELECT max(first_sequence + readings - 1) FROM stretch WHERE meter = ?1), 0)) + 1",
        )?
        .query_row([meter], |row| row.get(0))?;
    known.meters.insert(name.to_owned(), (meter, next));
    Ok((meter, next))
}

//! How long readings are kept, how much room they take, and when they are sealed.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use rusqlite::{Connection, params};
use tallywell_witness::reading::Reading;
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::connection::LOG_PAGES;
use super::options::Options;
use super::stretch::{self, Meanings};
use super::{outbox, row};
use crate::wall;

/// Readings sealed together: a little more than an hour at one a second. Longer stretches compress hardly better.
const READINGS_A_STRETCH: i64 = 4096;
/// Readings older than this are sealed in shorter stretches too.
const SEALED_AFTER_MILLIS: i64 = 24 * 3_600_000;
/// But not in shorter ones than this.
const FEWEST_A_STRETCH: i64 = 256;
/// Old stretches that go at once, for each meter: no transaction is long.
const STRETCHES_AT_ONCE: i64 = 4;

/// What the writer remembers of its tidying.
#[derive(Debug, Default)]
pub(super) struct Keep {
    last: Option<Instant>,
}

impl Keep {
    /// To be called after each transaction; works now and then.
    pub(super) fn after_commit(
        &mut self,
        connection: &mut Connection,
        options: &Options,
        meanings: &HashMap<String, Meanings>,
    ) -> rusqlite::Result<()> {
        if self.last.is_some_and(|last| last.elapsed() < options.tidy_every) {
            return Ok(());
        }
        self.last = Some(Instant::now());
        seal_all(connection, meanings)?;
        if let Some(keep_readings) = options.keep_readings {
            forget_older(connection, keep_readings)?;
        }
        let gone = outbox::shrink(connection, options.outbox)?;
        if gone > 0 {
            tracing::warn!("the broker has not taken its messages for long: {gone} of them gave way, readings first");
        }
        if let Some(largest) = options.largest {
            shrink_to(connection, largest)?;
        }
        give_back(connection)
    }
}

fn seal_all(connection: &mut Connection, meanings: &HashMap<String, Meanings>) -> rusqlite::Result<()> {
    let unsealed: Vec<(i64, String, i64, i64)> = connection
        .prepare_cached(
            "SELECT reading.meter, name, count(*), min(wall) FROM reading JOIN meter ON meter.id = reading.meter
             GROUP BY reading.meter",
        )?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let plain = Meanings::default();
    for (meter, name, mut count, oldest) in unsealed {
        let is_old = oldest < wall::now().0 - SEALED_AFTER_MILLIS;
        while count >= READINGS_A_STRETCH || is_old && count >= FEWEST_A_STRETCH {
            let sealed = seal_one(connection, meter, meanings.get(&name).unwrap_or(&plain))?;
            if sealed == 0 {
                break;
            }
            count -= sealed;
        }
    }
    Ok(())
}

/// A stretch that is about to be sealed.
#[derive(Debug, Default)]
struct Rows {
    readings: Vec<Reading>,
    run: i64,
    first_sequence: i64,
    first_arrival: i64,
    last_arrival: i64,
}

/// Seals the oldest readings of a meter that share a run; returns how many.
fn seal_one(connection: &mut Connection, meter: i64, meanings: &Meanings) -> rusqlite::Result<i64> {
    let transaction = connection.transaction()?;
    let rows = oldest_rows(&transaction, meter)?;
    if rows.readings.is_empty() && rows.first_arrival > 0 {
        tracing::error!("a reading was found damaged on the disk, and is left out from now on");
        transaction.prepare_cached("DELETE FROM reading WHERE arrival = ?")?.execute([rows.first_arrival])?;
        transaction.commit()?;
        return Ok(1);
    }
    let Some(sealed) = stretch::seal(&rows.readings, meanings).filter(|_| !rows.readings.is_empty()) else {
        return Ok(0);
    };
    let walls = || rows.readings.iter().map(|reading| reading.wall.0);
    let ahead = || rows.readings.iter().map(|reading| reading.wall.0.saturating_sub(reading.at.0));
    let count = rows.readings.len() as i64;
    transaction
        .prepare_cached(
            "INSERT INTO stretch
                 (meter, run, first_sequence, readings, earliest, latest, ahead_least, ahead_most, columns)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            meter,
            rows.run,
            rows.first_sequence,
            count,
            walls().min(),
            walls().max(),
            ahead().min(),
            ahead().max(),
            sealed
        ])?;
    transaction.prepare_cached("DELETE FROM reading WHERE arrival BETWEEN ? AND ? AND meter = ?")?.execute([
        rows.first_arrival,
        rows.last_arrival,
        meter,
    ])?;
    transaction.commit()?;
    Ok(count)
}

fn oldest_rows(connection: &Connection, meter: i64) -> rusqlite::Result<Rows> {
    let mut query = connection.prepare_cached(
        "SELECT arrival, sequence, run, at, wall, witnesses FROM reading WHERE meter = ? ORDER BY arrival LIMIT ?",
    )?;
    let mut found = query.query([meter, READINGS_A_STRETCH])?;
    let mut rows = Rows::default();
    while let Some(row) = found.next()? {
        let (arrival, sequence, run): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        if rows.readings.is_empty() {
            (rows.run, rows.first_sequence, rows.first_arrival) = (run, sequence, arrival);
        } else if run != rows.run || sequence != rows.first_sequence + rows.readings.len() as i64 {
            break;
        }
        let times = Reading { at: SteadyMillis(row.get(3)?), wall: WallMillis(row.get(4)?), ..Reading::default() };
        // A damaged row is where this stretch ends; it goes when it comes first.
        let Some(reading) = row::decode(row.get_ref(5)?.as_blob()?, times) else { break };
        rows.readings.push(reading);
        rows.last_arrival = arrival;
    }
    Ok(rows)
}

/// Lets readings go after which the meter has been read for as long as they are kept. The clock on the wall has no say: set
/// years ahead it would make everything old, and what a box without a clock takes for 1970 is not old either.
fn forget_older(connection: &mut Connection, keep_readings: Duration) -> rusqlite::Result<()> {
    let keep = i64::try_from(keep_readings.as_millis()).unwrap_or(i64::MAX);
    let transaction = connection.transaction()?;
    // How long a stretch lasted by the clock that never jumps: less than by the one on the wall where that was set. What
    // lies between two stretches is left out: readings are rather kept a little longer.
    transaction
        .prepare_cached(
            "DELETE FROM stretch WHERE id IN (
                 SELECT id FROM (
                     SELECT id,
                         row_number() OVER (PARTITION BY meter ORDER BY first_sequence) AS place,
                         coalesce(sum(max(0, latest - earliest - (ahead_most - ahead_least))) OVER (
                             PARTITION BY meter ORDER BY first_sequence
                             ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING), 0)
                         + coalesce(unsealed.lasted, 0) AS read_after
                     FROM stretch LEFT JOIN (
                         SELECT meter, sum(lasted) AS lasted FROM (
                             SELECT meter, max(at) - min(at) AS lasted FROM reading GROUP BY meter, run)
                         GROUP BY meter) AS unsealed USING (meter))
                 WHERE read_after >= ? AND place <= ?)",
        )?
        .execute([keep, STRETCHES_AT_ONCE])?;
    transaction
        .prepare_cached(
            "DELETE FROM reading WHERE arrival IN (
                 SELECT arrival FROM (
                     SELECT arrival, at, max(at) OVER (PARTITION BY meter, run) AS newest FROM reading)
                 WHERE newest - at >= ? ORDER BY arrival LIMIT ?)",
        )?
        .execute([keep, READINGS_A_STRETCH])?;
    // Steps stay as long as the readings that show them.
    transaction
        .prepare_cached(
            "DELETE FROM step WHERE at < (
                 SELECT min(earliest) FROM (
                     SELECT min(earliest) AS earliest FROM stretch WHERE stretch.meter = step.meter
                     UNION ALL SELECT min(wall) FROM reading WHERE reading.meter = step.meter))",
        )?
        .execute([])?;
    transaction.commit()
}

/// Lets the oldest readings go until what is left fits, the write-ahead log included. The oldest are those that were sealed
/// first, whatever the clock on the wall said.
fn shrink_to(connection: &mut Connection, largest: u64) -> rusqlite::Result<()> {
    let page = number(connection, "PRAGMA page_size")?;
    let largest = i64::try_from(largest).unwrap_or(i64::MAX) / page.max(1);
    // The log may grow to twice its bound, by a transaction that begins just below it. A small store has a shorter one.
    let log = LOG_PAGES.min(largest / 8);
    connection.pragma_update(None, "wal_autocheckpoint", log)?;
    connection.pragma_update(None, "journal_size_limit", log * page)?;
    let most = largest - (2 * LOG_PAGES).min(largest / 3);
    loop {
        let used = number(connection, "PRAGMA page_count")? - number(connection, "PRAGMA freelist_count")?;
        if used <= most {
            break;
        }
        let transaction = connection.transaction()?;
        let mut gone =
            transaction.prepare_cached("DELETE FROM stretch WHERE id = (SELECT min(id) FROM stretch)")?.execute([])?;
        if gone == 0 {
            gone = transaction
                .prepare_cached(
                    "DELETE FROM reading WHERE arrival IN (SELECT arrival FROM reading ORDER BY arrival LIMIT 1000)",
                )?
                .execute([])?;
        }
        if gone == 0 {
            gone = transaction
                .prepare_cached("DELETE FROM step WHERE rowid IN (SELECT rowid FROM step ORDER BY at LIMIT 1000)")?
                .execute([])?;
        }
        transaction.commit()?;
        if gone == 0 {
            tracing::warn!(
                "the store is larger than `largest` though it holds no readings: what is kept for ever takes the room"
            );
            break;
        }
    }
    let surplus = number(connection, "PRAGMA page_count")? - most;
    if surplus > 0 { vacuum(connection, surplus) } else { Ok(()) }
}

/// Gives pages back to the file system where many lie idle; a few are kept for what comes.
fn give_back(connection: &Connection) -> rusqlite::Result<()> {
    let (pages, idle) = (number(connection, "PRAGMA page_count")?, number(connection, "PRAGMA freelist_count")?);
    if idle > 1024 && idle > pages / 4 { vacuum(connection, idle - pages / 8) } else { Ok(()) }
}

fn vacuum(connection: &Connection, pages: i64) -> rusqlite::Result<()> {
    // It frees a page with each row that it is asked for.
    let mut query = connection.prepare(&format!("PRAGMA incremental_vacuum({pages})"))?;
    let mut rows = query.query([])?;
    while rows.next()?.is_some() {}
    Ok(())
}

fn number(connection: &Connection, pragma: &str) -> rusqlite::Result<i64> {
    connection.query_row(pragma, [], |row| row.get(0))
}

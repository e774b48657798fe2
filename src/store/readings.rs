//! Reading what was stored, as one stream on one time line.

use std::collections::{HashMap, VecDeque};

use rusqlite::{OptionalExtension, params};
use tallywell_witness::reading::Reading;
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::connection::StoreReader;
use super::error::StoreError;
use super::row;
use super::stretch;
use crate::record::Quantity;

/// Rows read at once from those not yet sealed.
const ROWS_AT_ONCE: i64 = 1024;

/// A stretch of wall time: from the first instant on, before the second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// Included; from the beginning if absent.
    pub from: Option<WallMillis>,
    /// Excluded; to the end if absent.
    pub to: Option<WallMillis>,
}

impl Span {
    /// Everything.
    pub const ALL: Self = Self { from: None, to: None };

    /// As two numbers.
    pub(super) fn bounds(self) -> (i64, i64) {
        (self.from.map_or(i64::MIN, |from| from.0), self.to.map_or(i64::MAX, |to| to.0))
    }

    fn holds(self, instant: WallMillis) -> bool {
        let (from, to) = self.bounds();
        from <= instant.0 && instant.0 < to
    }
}

impl StoreReader {
    /// The names of the meters that have ever been stored.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn meters(&self) -> Result<Vec<String>, StoreError> {
        let read = || {
            let mut query = self.connection.prepare_cached("SELECT name FROM meter ORDER BY name")?;
            let names = query.query_map([], |row| row.get(0))?;
            names.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }

    /// The readings of a meter in `span`, in the order in which they were taken; none for a meter that is not known.
    ///
    /// `at` lies on one time line: where the steady clock began anew (the machine was started again), it goes on by what
    /// the clock on the wall says. Bounded memory; the daemon may write, seal and prune meanwhile.
    ///
    /// An item that is a [`StoreError::Row`] stands for readings that are damaged on the disk; those after it still come.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn readings(&self, meter: &str, span: Span) -> Result<Readings<'_>, StoreError> {
        let meter = self
            .connection
            .query_row("SELECT id FROM meter WHERE name = ?", [meter], |row| row.get(0))
            .optional()
            .map_err(|source| self.of(source))?;
        Ok(Readings {
            reader: self,
            meter,
            span,
            sequence: 0,
            arrival: i64::MIN,
            waiting: VecDeque::new(),
            boots: HashMap::new(),
            line: TimeLine::default(),
            ended: false,
        })
    }

    /// The wall time of the earliest and the latest reading of a meter, and how many there are.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn extent(&self, meter: &str) -> Result<Option<(WallMillis, WallMillis, u64)>, StoreError> {
        self.connection
            .query_row(
                "SELECT min(earliest), max(latest), sum(readings) FROM (
                     SELECT earliest, latest, readings FROM stretch JOIN meter ON meter.id = meter WHERE name = ?1
                     UNION ALL
                     SELECT wall, wall, 1 FROM reading JOIN meter ON meter.id = meter WHERE name = ?1)",
                [meter],
                |row| {
                    let (earliest, latest, count): (Option<i64>, Option<i64>, Option<i64>) =
                        (row.get(0)?, row.get(1)?, row.get(2)?);
                    Ok(earliest.zip(latest).zip(count).map(|((earliest, latest), count)| {
                        (WallMillis(earliest), WallMillis(latest), count.unsigned_abs())
                    }))
                },
            )
            .map_err(|source| self.of(source))
    }

    /// True where the clock on the wall was set while the readings of `span` were taken: then wall time alone misleads.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn clock_was_set(&self, meter: &str, span: Span) -> Result<bool, StoreError> {
        /// What a clock may drift against another, or be slewed, within one stretch.
        const DRIFT_MILLIS: i64 = 1_000;
        let read = || {
            let (from, to) = span.bounds();
            let mut query = self.connection.prepare_cached(
                "SELECT boot, earliest, latest, ahead_least, ahead_most FROM (
                     SELECT run, first_sequence AS place, earliest, latest, ahead_least, ahead_most
                     FROM stretch JOIN meter ON meter.id = meter WHERE name = ?1 AND latest >= ?2 AND earliest < ?3
                     UNION ALL
                     SELECT run, min(sequence), min(wall), max(wall), min(wall - at), max(wall - at)
                     FROM reading JOIN meter ON meter.id = meter WHERE name = ?1 AND wall >= ?2 AND wall < ?3
                     GROUP BY run)
                 JOIN run ON run.id = run ORDER BY place",
            )?;
            let mut rows = query.query(params![meter, from, to])?;
            let mut before: Option<(String, i64, i64, i64)> = None;
            while let Some(row) = rows.next()? {
                let (boot, earliest, latest): (String, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
                let (mut least, mut most): (i64, i64) = (row.get(3)?, row.get(4)?);
                if let Some((boot_before, latest_before, least_before, most_before)) = &before {
                    if earliest <= *latest_before {
                        return Ok(true);
                    }
                    if boot == *boot_before {
                        least = least.min(*least_before);
                        most = most.max(*most_before);
                    }
                }
                if most - least > DRIFT_MILLIS {
                    return Ok(true);
                }
                before = Some((boot, latest, least, most));
            }
            Ok(false)
        };
        read().map_err(|source| self.of(source))
    }
}

/// The readings of one meter, one after another.
#[derive(Debug)]
pub struct Readings<'a> {
    reader: &'a StoreReader,
    meter: Option<i64>,
    span: Span,
    /// Of the last reading taken from the database.
    sequence: i64,
    /// Of the last unsealed row taken from the database.
    arrival: i64,
    /// Read and not yet handed out, with their runs.
    waiting: VecDeque<Result<(i64, Reading), StoreError>>,
    boots: HashMap<i64, String>,
    line: TimeLine,
    ended: bool,
}

impl Readings<'_> {
    /// Reads some more from the database.
    fn read_on(&mut self) -> Result<(), StoreError> {
        let Some(meter) = self.meter else {
            self.ended = true;
            return Ok(());
        };
        // One transaction, so that a stretch is not sealed between the two looks.
        let transaction = self.reader.connection.unchecked_transaction().map_err(|source| self.reader.of(source))?;
        let mut count = self.read_sealed(meter)?;
        if count == 0 {
            count = self.read_rows(meter)?;
        }
        transaction.finish().map_err(|source| self.reader.of(source))?;
        if count == 0 {
            self.ended = true;
        }
        Ok(())
    }

    /// Reads the next sealed stretch; returns how many readings it has.
    fn read_sealed(&mut self, meter: i64) -> Result<usize, StoreError> {
        let of = |source| self.reader.of(source);
        let (from, to) = self.span.bounds();
        let mut query = self
            .reader
            .connection
            .prepare_cached(
                "SELECT first_sequence, readings, run, columns FROM stretch
                 WHERE meter = ?1 AND first_sequence > ?2 - 100000 AND first_sequence + readings > ?2 + 1
                     AND latest >= ?3 AND earliest < ?4
                 ORDER BY first_sequence LIMIT 1",
            )
            .map_err(of)?;
        let mut rows = query.query(params![meter, self.sequence, from, to]).map_err(of)?;
        let Some(found) = rows.next().map_err(of)? else { return Ok(0) };
        let (first, count32, run): (i64, u32, i64) =
            (found.get(0).map_err(of)?, found.get(1).map_err(of)?, found.get(2).map_err(of)?);
        let count = count32 as usize;
        let sealed = found.get_ref(3).and_then(|value| Ok(value.as_blob()?)).map_err(of)?;
        let Some(readings) = stretch::open(sealed, count) else {
            self.waiting.push_back(Err(self.damaged(format!("{count} readings (numbers from {first})"))));
            self.sequence = first + i64::from(count32) - 1;
            return Ok(count);
        };
        for (sequence, reading) in (first..).zip(readings) {
            if sequence > self.sequence {
                self.sequence = sequence;
                if self.span.holds(reading.wall) {
                    self.waiting.push_back(Ok((run, reading)));
                }
            }
        }
        Ok(count)
    }

    /// Reads the next rows not yet sealed; returns how many there were.
    fn read_rows(&mut self, meter: i64) -> Result<usize, StoreError> {
        let of = |source| self.reader.of(source);
        let mut query = self
            .reader
            .connection
            .prepare_cached(
                "SELECT arrival, sequence, run, at, wall, witnesses FROM reading
                 WHERE meter = ? AND arrival > ? AND sequence > ? ORDER BY arrival LIMIT ?",
            )
            .map_err(of)?;
        let mut rows = query.query(params![meter, self.arrival, self.sequence, ROWS_AT_ONCE]).map_err(of)?;
        let mut count = 0;
        while let Some(found) = rows.next().map_err(of)? {
            count += 1;
            self.arrival = found.get(0).map_err(of)?;
            self.sequence = found.get(1).map_err(of)?;
            let times = Reading {
                at: SteadyMillis(found.get(3).map_err(of)?),
                wall: WallMillis(found.get(4).map_err(of)?),
                ..Reading::default()
            };
            if !self.span.holds(times.wall) {
                continue;
            }
            let bytes = found.get_ref(5).and_then(|value| Ok(value.as_blob()?)).map_err(of)?;
            self.waiting.push_back(match row::decode(bytes, times) {
                Some(reading) => Ok((found.get(2).map_err(of)?, reading)),
                None => Err(self.damaged(format!("a reading (number {})", self.sequence))),
            });
        }
        Ok(count)
    }

    fn damaged(&self, what: String) -> StoreError {
        StoreError::Row { path: self.reader.path.clone(), what }
    }

    /// The start of the machine in which a run was.
    fn boot_of(&mut self, run: i64) -> Result<&str, StoreError> {
        if !self.boots.contains_key(&run) {
            let boot = self
                .reader
                .connection
                .query_row("SELECT boot FROM run WHERE id = ?", [run], |row| row.get(0))
                .optional()
                .map_err(|source| self.reader.of(source))?
                .unwrap_or_default();
            self.boots.insert(run, boot);
        }
        Ok(self.boots.get(&run).map_or("", String::as_str))
    }

    /// Puts a reading on the one time line.
    fn placed(&mut self, run: i64, reading: Reading) -> Result<Reading, StoreError> {
        let boot = self.boot_of(run)?.to_owned();
        Ok(self.line.place(&boot, reading))
    }

    /// The next reading with its run, `at` on the clock on which it was taken.
    fn taken(&mut self) -> Option<Result<(i64, Reading), StoreError>> {
        loop {
            if let Some(waiting) = self.waiting.pop_front() {
                return Some(waiting);
            }
            if self.ended {
                return None;
            }
            if let Err(error) = self.read_on() {
                self.ended = true;
                return Some(Err(error));
            }
        }
    }

    /// The same readings as they were taken: each with the start of the machine on whose steady clock `at` lies.
    pub fn as_taken(mut self) -> impl Iterator<Item = Result<(String, Reading), StoreError>> {
        std::iter::from_fn(move || {
            let taken = self.taken()?;
            Some(taken.and_then(|(run, reading)| Ok((self.boot_of(run)?.to_owned(), reading))))
        })
    }
}

impl Iterator for Readings<'_> {
    type Item = Result<Reading, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        let taken = self.taken()?;
        Some(taken.and_then(|(run, reading)| self.placed(run, reading)))
    }
}

/// One time line out of the steady clocks of several starts of the machine.
#[derive(Debug, Default)]
struct TimeLine {
    /// The boot, the place on the line and the wall time of the last reading.
    last: Option<(String, i64, i64)>,
    shift: i64,
}

impl TimeLine {
    fn place(&mut self, boot: &str, mut reading: Reading) -> Reading {
        if let Some((last_boot, last_at, last_wall)) = &mut self.last {
            if last_boot != boot || reading.at.0.saturating_add(self.shift) <= *last_at {
                let step = reading.wall.0.saturating_sub(*last_wall).max(1);
                self.shift = last_at.saturating_add(step).saturating_sub(reading.at.0);
                boot.clone_into(last_boot);
            }
        } else {
            self.last = Some((boot.to_owned(), 0, 0));
        }
        if self.shift != 0 {
            reading.at.0 = reading.at.0.saturating_add(self.shift);
            for quantity in Quantity::ALL {
                if let Some(sample) = quantity.place(&mut reading) {
                    sample.at.0 = sample.at.0.saturating_add(self.shift);
                }
            }
        }
        if let Some((_, last_at, last_wall)) = &mut self.last {
            *last_at = reading.at.0;
            *last_wall = reading.wall.0;
        }
        reading
    }
}

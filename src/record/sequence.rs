//! Readings in the order of a time line that never goes back, from rows whose times may.

use std::collections::VecDeque;

use tallywell_witness::reading::{Reading, Sample};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::format_instant;
use super::notes::{Notebook, Oddity, RowProblem};
use super::quantity::Quantity;

/// A step back of more than this is not taken for a clock that was set: 2 h covers the end of summer time, twice.
const LARGEST_SET_BACK_MILLIS: i64 = 7_200_000;

/// A row and where it stood. Its `at` is its wall time until it has its place on the time line.
#[derive(Clone, Debug)]
pub(super) struct Row {
    pub(super) line: u64,
    pub(super) reading: Reading,
    /// Its `at` comes from a clock that nobody sets.
    pub(super) steady: bool,
}

/// Puts rows on the time line.
///
/// One row is held back, so that a row of the same time can complete it; and a row whose time goes back is held until
/// the next one says whether it strayed or the clock was set.
#[derive(Debug, Default)]
pub(super) struct Sequence {
    held: Option<Row>,
    suspect: Option<Row>,
    /// Added to wall time to give time on the line.
    shift: i64,
    /// The last step forward in milliseconds.
    step: i64,
    ready: VecDeque<Result<Reading, RowProblem>>,
}

impl Sequence {
    /// The next reading whose place is certain.
    pub(super) fn pop(&mut self) -> Option<Result<Reading, RowProblem>> {
        self.ready.pop_front()
    }

    /// Takes the next row of the file. In the usual case returns the row before it at once.
    pub(super) fn push(&mut self, row: Row, notes: &mut Notebook) -> Option<Reading> {
        if self.suspect.is_none()
            && let Some(held) = &mut self.held
        {
            let step = time(&row).0 - time(held).0;
            if step > 0 {
                self.step = step;
                let shift = if row.steady { 0 } else { self.shift };
                let mut reading = row.reading;
                shift_times(&mut reading, shift);
                return Some(std::mem::replace(held, Row { reading, ..row }).reading);
            }
        }
        self.push_unusual(row, notes);
        None
    }

    /// No more rows follow.
    pub(super) fn finish(&mut self) {
        self.settle_suspect_as_stray();
        if let Some(held) = self.held.take() {
            self.ready.push_back(Ok(held.reading));
        }
    }

    fn push_unusual(&mut self, mut row: Row, notes: &mut Notebook) {
        if let Some(suspect) = self.suspect.take() {
            let newest = self.held.as_ref().map_or(WallMillis(i64::MIN), time);
            let goes_on = time(&row) > time(&suspect) && time(&row) <= newest;
            self.suspect = Some(suspect);
            if goes_on {
                self.settle_suspect_as_set_clock(notes);
            } else {
                self.settle_suspect_as_stray();
            }
        }
        let Some(held) = &mut self.held else {
            shift_times(&mut row.reading, if row.steady { 0 } else { self.shift });
            self.held = Some(row);
            return;
        };
        let back = time(held).0 - time(&row).0;
        if back == 0 {
            shift_times(&mut row.reading, if row.steady { 0 } else { self.shift });
            self.same_time(&row, notes);
        } else if back < 0 {
            self.step = -back;
            shift_times(&mut row.reading, if row.steady { 0 } else { self.shift });
            let before = std::mem::replace(held, row);
            self.ready.push_back(Ok(before.reading));
        } else if back <= LARGEST_SET_BACK_MILLIS && !row.steady {
            self.suspect = Some(row);
        } else {
            let problem = went_back(&row, held);
            self.ready.push_back(Err(problem));
        }
    }

    fn same_time(&mut self, row: &Row, notes: &mut Notebook) {
        let Some(held) = &mut self.held else { return };
        if same(&held.reading, &row.reading) {
            notes.met(row.line, Oddity::Repeated);
        } else if complete(&mut held.reading, &row.reading) {
            notes.met(row.line, Oddity::Completed);
        } else {
            self.ready.push_back(Err(RowProblem::row(
                row.line,
                format!("has the same time as the row before it (line {}) and other values", held.line),
            )));
        }
    }

    fn settle_suspect_as_stray(&mut self) {
        if let (Some(suspect), Some(held)) = (self.suspect.take(), &self.held) {
            self.ready.push_back(Err(went_back(&suspect, held)));
        }
    }

    fn settle_suspect_as_set_clock(&mut self, notes: &mut Notebook) {
        let (Some(mut suspect), Some(held)) = (self.suspect.take(), self.held.take()) else { return };
        notes.met(suspect.line, Oddity::ClockSetBack);
        self.shift = held.reading.at.0 + self.step.max(1) - suspect.reading.at.0;
        shift_times(&mut suspect.reading, self.shift);
        self.ready.push_back(Ok(held.reading));
        self.held = Some(suspect);
    }
}

/// What orders the rows: the steady clock where the file has it, else the wall clock.
const fn time(row: &Row) -> WallMillis {
    if row.steady { WallMillis(row.reading.at.0) } else { row.reading.wall }
}

fn went_back(row: &Row, held: &Row) -> RowProblem {
    RowProblem::row(
        row.line,
        format!(
            "its time {} is earlier than that of the row before it ({}, line {})",
            format_instant(row.reading.wall),
            format_instant(held.reading.wall),
            held.line
        ),
    )
}

fn shift_times(reading: &mut Reading, shift: i64) {
    if shift == 0 {
        return;
    }
    reading.at = SteadyMillis(reading.at.0 + shift);
    for quantity in Quantity::ALL {
        if let Some(sample) = quantity.place(reading) {
            sample.at = SteadyMillis(sample.at.0 + shift);
        }
    }
}

/// Equality in which a NaN equals itself.
fn same(one: &Reading, other: &Reading) -> bool {
    one.status == other.status
        && one.running == other.running
        && Quantity::ALL.into_iter().all(|quantity| match (quantity.of(one), quantity.of(other)) {
            (None, None) => true,
            (Some(one), Some(other)) => same_sample(one, other),
            _ => false,
        })
}

fn same_sample(one: Sample, other: Sample) -> bool {
    (one.value.total_cmp(&other.value).is_eq() || one.value == other.value)
        && one.at == other.at
        && one.raw == other.raw
}

/// Puts into `reading` what only `other` has; false, and nothing done, if they contradict each other.
fn complete(reading: &mut Reading, other: &Reading) -> bool {
    let contradicts = Quantity::ALL.into_iter().any(|quantity| match (quantity.of(reading), quantity.of(other)) {
        (Some(one), Some(other)) => !same_sample(one, other),
        _ => false,
    });
    let status_contradicts = matches!((reading.status, other.status), (Some(one), Some(other)) if one != other);
    let running_contradicts = matches!((reading.running, other.running), (Some(one), Some(other)) if one != other);
    if contradicts || status_contradicts || running_contradicts {
        return false;
    }
    for quantity in Quantity::ALL {
        let place = quantity.place(reading);
        *place = place.or(quantity.of(other));
    }
    reading.status = reading.status.or(other.status);
    reading.running = reading.running.or(other.running);
    true
}

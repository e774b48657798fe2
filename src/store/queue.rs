//! What waits to be written, bounded, with a stated order of what is dropped.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tallywell_witness::declared::Setting;
use tallywell_witness::reading::Reading;
use tallywell_witness::tally::{Disagreement, Event, HourlySummary, Step};
use tallywell_witness::units::WallMillis;

use super::evidence::Run;
use super::log::{HandedOut, Note};
use super::outbox::{Outgoing, Weight};
use super::row;
use super::timing::LineHour;

/// A reading on its way, already as bytes.
#[derive(Clone, Debug)]
pub(super) struct Waiting {
    pub(super) meter: String,
    /// Counts the runs since this process began.
    pub(super) run: usize,
    pub(super) at: i64,
    pub(super) wall: i64,
    pub(super) witnesses: Vec<u8>,
}

/// Something that is kept for ever.
#[derive(Clone, Debug)]
pub(super) enum Lasting {
    Run(Run),
    Disagreement(Box<Disagreement>, Option<String>),
    Event(Box<Event>),
    Step(String, Step),
    Note(Note),
    Setting {
        meter: String,
        setting: Setting,
        at: WallMillis,
        value: f64,
    },
    Hour(Box<HourlySummary>),
    TallyState {
        meter: String,
        version: u32,
        at: WallMillis,
        body: Vec<u8>,
    },
    LineHour(LineHour),
    HandedOut(HandedOut),
    Outgoing(Outgoing),
    /// A broker has taken everything up to this number.
    Taken(i64),
}

/// What one transaction takes.
#[derive(Debug, Default)]
pub(super) struct Batch {
    pub(super) lasting: Vec<Lasting>,
    pub(super) readings: Vec<Waiting>,
}

impl Batch {
    pub(super) fn is_empty(&self) -> bool {
        self.lasting.is_empty() && self.readings.is_empty()
    }
}

/// What the queue has dropped and still holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Losses {
    pub(super) readings: u64,
    pub(super) lasting: u64,
}

#[derive(Debug, Default)]
struct Inside {
    lasting: VecDeque<Lasting>,
    readings: VecDeque<Waiting>,
    runs: usize,
    losses: Losses,
    /// Transactions asked for, begun and done: who waits for a flush waits for its number to be done.
    asked: u64,
    begun: u64,
    done: u64,
    ending: bool,
}

/// The queue between those who have something to keep and the one writer. Putting in never waits for the disk.
#[derive(Debug)]
pub(super) struct Queue {
    inside: Mutex<Inside>,
    changed: Condvar,
    most_readings: usize,
    most_lasting: usize,
}

impl Queue {
    pub(super) fn new(most_readings: usize, most_lasting: usize) -> Self {
        Self { inside: Mutex::default(), changed: Condvar::new(), most_readings, most_lasting }
    }

    /// A panic elsewhere leaves a whole queue behind: every change under the lock is complete in itself.
    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts in a reading; false where an older one had to go for it.
    pub(super) fn put_reading(&self, meter: &str, reading: &Reading) -> bool {
        let witnesses = row::encode(reading);
        let mut inside = self.lock();
        let full = inside.readings.len() >= self.most_readings;
        if full {
            inside.readings.pop_front();
            inside.losses.readings += 1;
        }
        let run = inside.runs;
        inside.readings.push_back(Waiting {
            meter: meter.to_owned(),
            run,
            at: reading.at.0,
            wall: reading.wall.0,
            witnesses,
        });
        !full
    }

    /// Puts in what is kept for ever. Of each meter's tallies only the newest memory waits. When even this queue is
    /// full, readings for a broker give way first, then steps between counts, since their disagreement says their sum;
    /// then the oldest.
    pub(super) fn put_lasting(&self, lasting: Lasting) {
        let mut inside = self.lock();
        if let Lasting::TallyState { meter, .. } = &lasting {
            inside
                .lasting
                .retain(|waiting| !matches!(waiting, Lasting::TallyState { meter: other, .. } if other == meter));
        }
        if inside.lasting.len() >= self.most_lasting {
            let is_light = |waiting: &Lasting| {
                matches!(waiting, Lasting::Outgoing(Outgoing { weight: Weight::Reading, .. }) | Lasting::Taken(_))
            };
            let place = inside.lasting.iter().position(is_light);
            let place = place.or_else(|| inside.lasting.iter().position(|it| matches!(it, Lasting::Step(..))));
            let place = place.or_else(|| inside.lasting.iter().position(|waiting| !matches!(waiting, Lasting::Run(_))));
            if let Some(place) = place {
                inside.lasting.remove(place);
                inside.losses.lasting += 1;
            }
        }
        if matches!(lasting, Lasting::Run(_)) {
            inside.runs += 1;
        }
        inside.lasting.push_back(lasting);
    }

    /// What was dropped so far, and what waits.
    pub(super) fn losses(&self) -> (Losses, usize) {
        let inside = self.lock();
        (inside.losses, inside.readings.len() + inside.lasting.len())
    }

    /// Waits until a transaction is due: after `pause`, or at once where somebody asks for it or the queue is half full.
    /// False at the end.
    pub(super) fn wait(&self, pause: Duration) -> bool {
        let due = Instant::now() + pause;
        let mut inside = self.lock();
        loop {
            let left = due.saturating_duration_since(Instant::now());
            if inside.ending || inside.asked > inside.begun || inside.readings.len() > self.most_readings / 2 {
                break;
            }
            if left.is_zero() {
                break;
            }
            inside = self.changed.wait_timeout(inside, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        inside.begun = inside.asked;
        !inside.ending
    }

    /// Takes everything that waits.
    pub(super) fn take(&self, into: &mut Batch) {
        let mut inside = self.lock();
        into.lasting.extend(inside.lasting.drain(..));
        into.readings.extend(inside.readings.drain(..));
    }

    /// Says that everything taken so far is on the disk.
    pub(super) fn committed(&self) {
        let mut inside = self.lock();
        inside.done = inside.begun;
        drop(inside);
        self.changed.notify_all();
    }

    /// Counts readings that were taken and could never be stored.
    pub(super) fn lost(&self, readings: u64, lasting: u64) {
        let mut inside = self.lock();
        inside.losses.readings += readings;
        inside.losses.lasting += lasting;
    }

    /// Asks for a transaction, and waits until it is on the disk; false if it is not within `patience`.
    pub(super) fn flush(&self, patience: Duration) -> bool {
        let due = Instant::now() + patience;
        let mut inside = self.lock();
        inside.asked += 1;
        let mine = inside.asked;
        self.changed.notify_all();
        while inside.done < mine {
            let left = due.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            inside = self.changed.wait_timeout(inside, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        true
    }

    /// Tells the writer to come to its end.
    pub(super) fn end(&self) {
        self.lock().ending = true;
        self.changed.notify_all();
    }
}

//! Where a tally of counts stood, hour by hour, over the last day: what a disagreement is weighed against.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::band::Band;
use super::finding::Moment;

/// One mark an hour...
const MARK_EVERY_MS: i64 = 3_600_000;
/// ...over a day.
const WINDOW_S: f64 = 86_400.0;

/// Where the tally stood at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// When.
    pub moment: Moment,
    /// Where the difference could lie.
    pub band: Band,
    /// Steps and restarts so far number the stretches between them.
    pub epoch: u32,
    /// Litres by the register since the beginning.
    pub register: f64,
    /// Litres by the pulses since the beginning.
    pub pulses: f64,
    /// Steps so far.
    pub steps: u64,
}

impl Place {
    fn volume_to(&self, later: &Self) -> f64 {
        (later.register - self.register).abs().min((later.pulses - self.pulses).abs())
    }
}

/// The marks of the last day, oldest first, and the very first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Marks {
    places: VecDeque<Place>,
    start: Option<Place>,
    begun: Option<Moment>,
    first_day: Option<f64>,
    latest_steps: u64,
}

impl Marks {
    /// Takes note of where the tally stands; true if an old mark was forgotten.
    pub fn keep(&mut self, place: Place) -> bool {
        self.latest_steps = place.steps;
        let begun = *self.begun.get_or_insert(place.moment);
        self.start.get_or_insert(place);
        if self.first_day.is_none() && place.moment.steady.since(begun.steady).0 > WINDOW_S {
            self.first_day = Some(place.register.abs().min(place.pulses.abs()));
        }
        if !self.is_due(place.moment) {
            return false;
        }
        self.places.push_back(place);
        let mut forgot = false;
        while self.places.get(1).is_some_and(|next| place.moment.steady.since(next.moment.steady).0 >= WINDOW_S) {
            self.places.pop_front();
            forgot = true;
        }
        forgot
    }

    /// Whether the next mark is due.
    #[must_use]
    pub fn is_due(&self, now: Moment) -> bool {
        self.places.back().is_none_or(|last| now.steady.0 - last.moment.steady.0 >= MARK_EVERY_MS)
    }

    /// The last band of an epoch holds for all of it.
    pub fn epoch_ended(&mut self, epoch: u32, band: Band) {
        for place in self.places.iter_mut().chain(&mut self.start).filter(|place| place.epoch == epoch) {
            place.band = band;
        }
    }

    /// Whether nothing stepped since the oldest mark.
    #[must_use]
    pub fn all_of_epoch(&self, epoch: u32) -> bool {
        self.places.front().is_none_or(|oldest| oldest.epoch == epoch)
    }

    /// The mark from which the difference certainly moved farthest, and how far.
    #[must_use]
    pub fn largest_move(&self, now: Place) -> (Place, f64) {
        self.places
            .iter()
            .filter(|place| place.epoch != now.epoch)
            .map(|place| (*place, place.band.certain_move_to(now.band)))
            .fold((now, 0.0), |largest: (Place, f64), next| if next.1.abs() > largest.1.abs() { next } else { largest })
    }

    /// The volume since the oldest mark, in litres.
    #[must_use]
    pub fn volume_in_window(&self, now: Place) -> f64 {
        self.places.front().map_or(0.0, |oldest| oldest.volume_to(&now))
    }

    /// Steps since the oldest mark.
    #[must_use]
    pub fn steps_in_window(&self) -> u64 {
        self.places.front().map_or(0, |oldest| self.latest_steps - oldest.steps)
    }

    /// Less than a day was seen so far.
    #[must_use]
    pub const fn is_first_day(&self) -> bool {
        self.first_day.is_none()
    }

    /// The volume of the first day, or unlimited while it is not over.
    #[must_use]
    pub fn first_day_volume(&self) -> f64 {
        self.first_day.unwrap_or(f64::INFINITY)
    }

    /// The band at the beginning; the present one while that epoch goes on.
    #[must_use]
    pub fn start_band(&self, epoch: u32, band: Band) -> Band {
        self.start.filter(|start| start.epoch != epoch).map_or(band, |start| start.band)
    }

    /// The past is forgotten but for the beginning: a disagreement closed.
    pub fn restart(&mut self, now: Place) {
        self.places.clear();
        self.places.push_back(now);
    }

    /// The past cannot be compared any more.
    pub fn clear(&mut self) {
        self.places.clear();
        self.start = None;
    }
}

//! What flowed around an observation of two counts: how much at least and at most, how fast, and how many pulses may wait.
//!
//! What is never assumed is that the flow between two readings is like the flow at them: a pump starts and stops in
//! between, water swings back. A volume at an instant lies between what the register showed at the last reading that was
//! surely before it, and at the first that surely shows what came after: that holds whatever the flow did. Only where the
//! flow has been steady at every reading of late, by every witness, is it taken to be so between them, too.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::band::RateBounds;
use super::count_tally::{CountObservation, CountRules};

/// The flow counts as steady if its rates differ by no more than this share...
const STEADY_SHARE: f64 = 0.15;
/// ...now, and have done so for a while: what is remembered of their spread fades by this factor an observation.
const SPREAD_FADES: f64 = 0.8;
/// A rate read from a register's own steps is good if one step is no more than this share of the change.
const RATE_RESOLUTION: f64 = 0.05;
/// The longest queue of pulses that an output is thought to keep.
const LONGEST_QUEUE: f64 = 1000.0;
/// The share of the output's fastest rate that it is sure to keep up.
const OUTPUT_RATE_SURE: f64 = 0.98;
/// Between readings the flow is never more than this many times the largest that was ever read.
const LARGEST_BETWEEN: f64 = 1.25;
/// A register is renewed, and not looked at again, within this share of its age.
const RENEWED_SHARE: f64 = 0.9;
/// Observations are no nearer than this share of the time by which a pulse can be late, so that few are enough.
const REACH_SHARE: f64 = 0.25;
/// So many observations after one are waited for, and so many are kept in all.
const WAITED_FOR: usize = 4;
const KEPT: usize = 12;

/// The observations of the last seconds: those that surround the one that is judged next.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Around {
    kept: VecDeque<CountObservation>,
    /// The place of the first that is not judged yet.
    next: usize,
    spread: f64,
    /// The largest rate read so far, L/s.
    largest: f64,
    /// Pulses that wait at most.
    queue: f64,
}

/// One observation and what surrounds it.
#[derive(Clone, Copy, Debug)]
pub struct Surrounded {
    /// The one before, or the same where there is none.
    pub before: CountObservation,
    /// The one to be judged.
    pub middle: CountObservation,
    /// Litres, against what the register showed, that had gone by at least when the counter was read...
    pub least: f64,
    /// ...and at most.
    pub most: f64,
    /// The seconds over which these are known.
    pub window_s: f64,
    /// Bounds of the rate; `None` where it was not steady.
    pub rate: Option<RateBounds>,
    /// Pulses that may still wait in the output.
    pub queued: f64,
}

impl Default for Around {
    fn default() -> Self {
        Self { kept: VecDeque::new(), next: 0, spread: 1.0, largest: 0.0, queue: 0.0 }
    }
}

impl Around {
    /// Nothing is kept.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// Takes the next observation; false if it is too near to the last to tell anything new.
    pub fn take(&mut self, next: &CountObservation, rules: &CountRules) -> bool {
        if let Some(last) = self.kept.back() {
            let spacing = (RENEWED_SHARE * rules.register_age_s).max(REACH_SHARE * rules.pulse_delay_s);
            if next.register_at - last.register_at < spacing {
                return false;
            }
        }
        self.kept.push_back(*next);
        true
    }

    /// Drops what was read after an instant, in milliseconds of the steady clock, and not judged yet.
    pub fn drop_after(&mut self, sound_at: i64) {
        while self.kept.len() > self.next && self.kept.back().is_some_and(|it| it.moment.steady.0 > sound_at) {
            self.kept.pop_back();
        }
    }

    /// What comes does not follow from what was.
    pub fn clear(&mut self) {
        self.kept.clear();
        self.next = 0;
        self.queue = 0.0;
        self.spread = 1.0;
    }

    /// The next observation that can be judged, for what came after it is known. Two readings farther apart than `gap_s`
    /// say nothing of the rate between them.
    pub fn surrounded(&mut self, rules: &CountRules, gap_s: f64) -> Option<Surrounded> {
        let place = self.next;
        let middle = *self.kept.get(place)?;
        let newest = self.kept.back()?;
        let read_at = middle.register_at + middle.skew_s;
        let latest = read_at + middle.skew_uncertainty_s + rules.register_age_s;
        let is_after = |it: &CountObservation| it.register_at >= latest;
        if place + 1 == self.kept.len() || !(is_after(newest) || self.kept.len() - place > WAITED_FOR) {
            return None;
        }
        let earliest = read_at - middle.skew_uncertainty_s - rules.pulse_delay_s;
        let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
        let (mut is_known_before, mut is_known_after) = (false, false);
        let mut window_s = 0.0;
        for it in self.kept.range(..=place).rev() {
            least = least.min(it.litres + it.register_low);
            window_s = middle.register_at - it.register_at;
            is_known_before = it.register_at <= earliest;
            if is_known_before {
                break;
            }
        }
        for it in self.kept.range(place..) {
            most = most.max(it.litres + it.register_high);
            is_known_after = is_after(it);
            if is_known_after {
                window_s += it.register_at - middle.register_at;
                break;
            }
        }
        let before = self.kept[place.saturating_sub(1)];
        let after = self.kept[place + 1];
        let rate = self.rate_bounds([&before, &middle, &after], rules.register_age_s, gap_s);
        let flowed = most - least;
        let queued = self.queued(&before, &middle, rate, flowed, rules);
        self.next += 1;
        self.forget(earliest);
        Some(Surrounded {
            before,
            middle,
            least: if is_known_before { least - middle.litres } else { f64::NEG_INFINITY },
            most: if is_known_after { most - middle.litres } else { f64::INFINITY },
            window_s,
            rate,
            queued,
        })
    }

    /// Keeps what may still be needed: the last that was surely before anything that is judged from now on.
    fn forget(&mut self, earliest: f64) {
        let is_needless = |kept: &VecDeque<CountObservation>| kept.get(1).is_some_and(|it| it.register_at <= earliest);
        while self.next > 1 && (is_needless(&self.kept) || self.kept.len() > KEPT) {
            self.kept.pop_front();
            self.next -= 1;
        }
    }

    /// Bounds of the rate around the middle observation, from all witnesses at it and at its neighbours; `None` where the
    /// flow was not steady of late, for then it can be anything in between.
    fn rate_bounds(&mut self, three: [&CountObservation; 3], register_age_s: f64, gap_s: f64) -> Option<RateBounds> {
        let [before, middle, after] = three;
        let mut low = f64::INFINITY;
        let mut high = 0.0_f64;
        let mut turns_back = false;
        for flows in three.into_iter().filter_map(|it| it.flows) {
            turns_back |= flows.0 < 0.0;
            low = low.min(flows.0.abs());
            high = high.max(flows.1.abs());
        }
        let neighbours = [(before, middle), (middle, after)];
        let ends = self.kept.front().zip(self.kept.back());
        for (earlier, later) in neighbours.into_iter().chain(ends) {
            let elapsed = later.register_at - earlier.register_at;
            if elapsed <= 0.0 {
                continue;
            }
            let litres = (later.litres - earlier.litres).abs();
            let step = later.register_high - later.register_low;
            if step <= RATE_RESOLUTION * litres {
                low = low.min(litres / elapsed);
                high = high.max(litres / elapsed);
            } else if later.flows.is_none() {
                low = 0.0;
            } else {
                // Flows that are damped show flow long after it has stopped.
                low = low.min((litres + step) / (elapsed - register_age_s).max(0.0));
                high = high.max((litres - step) / (elapsed + register_age_s));
            }
        }
        let is_heard = neighbours.iter().all(|(earlier, later)| later.register_at - earlier.register_at <= gap_s);
        self.largest = self.largest.max(high);
        let now = if turns_back {
            1.0
        } else if high > 0.0 && low.is_finite() {
            (high - low) / high
        } else {
            0.0
        };
        self.spread = now.max(SPREAD_FADES * self.spread);
        if !is_heard || !low.is_finite() || self.spread > STEADY_SHARE {
            return None;
        }
        let spread = 2.0 * self.spread;
        Some(RateBounds { low: (low * (0.9 - spread)).max(0.0), high: high * (1.1 + spread) })
    }

    /// Pulses that may wait at the middle observation. Whatever flowed while the output may have been too slow for it may
    /// all have come at the end; what waits then leaves at the output's rate. The register tells what was due but for its
    /// rounding and its age, which is allowed for once: its errors do not add up.
    fn queued(
        &mut self,
        before: &CountObservation,
        middle: &CountObservation,
        rate: Option<RateBounds>,
        flowed: f64,
        rules: &CountRules,
    ) -> f64 {
        let surely = OUTPUT_RATE_SURE * rules.fastest_pulses;
        let elapsed = middle.register_at - before.register_at;
        let due = (middle.litres - before.litres).abs() / rules.pulse_volume;
        let left = (self.queue + due - surely * elapsed).clamp(0.0, LONGEST_QUEUE);
        let quickest = rate.map_or(LARGEST_BETWEEN * self.largest, |rate| rate.high);
        let may_lag = quickest > surely * rules.pulse_volume;
        self.queue = if may_lag { left.max((flowed / rules.pulse_volume).min(LONGEST_QUEUE)) } else { left };
        self.queue
    }
}

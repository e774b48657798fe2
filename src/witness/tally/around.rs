//! What flowed around an observation of two counts: how much at least and at most, how fast, and how many pulses may wait.
//!
//! What is never assumed is that the flow between two readings is like the flow at them: a pump starts and stops in
//! between, water swings back. A volume at an instant lies between what the register showed at the last reading that was
//! surely before it, and at the first that surely shows what came after: that holds whatever the flow did. Only where the
//! flow has been steady at every reading of late, by every witness, is it taken to be so between them, too.

use serde::{Deserialize, Serialize};

use super::band::RateBounds;
use super::count_tally::{CountObservation, CountRules};
use super::extremes::{larger, smaller};

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
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Around {
    kept: Vec<CountObservation>,
    /// The place of the first that is not judged yet.
    next: usize,
    pace: Pace,
}

/// What is remembered of the rate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Pace {
    /// How far the rates lay apart of late, as a share.
    spread: f64,
    /// The largest rate read so far, L/s.
    largest: f64,
    /// Pulses that wait at most.
    queue: f64,
}

/// One observation and what surrounds it.
#[derive(Clone, Copy, Debug)]
pub struct Surrounded {
    /// The one to be judged.
    pub middle: CountObservation,
    /// Since the one before: litres by the register...
    pub moved_litres: f64,
    /// ...pulses...
    pub moved_pulses: f64,
    /// ...seconds...
    pub elapsed_s: f64,
    /// ...and the flows at that one, L/s.
    pub flows_before: Option<(f64, f64)>,
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

impl Default for Pace {
    fn default() -> Self {
        Self { spread: 1.0, largest: 0.0, queue: 0.0 }
    }
}

impl Around {
    /// Nothing is kept.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// Takes the next observation; false if it is too near to the last to tell anything new.
    #[inline]
    pub fn take(&mut self, next: CountObservation, rules: &CountRules) -> bool {
        if let Some(last) = self.kept.last() {
            let spacing = (RENEWED_SHARE * rules.register_age_s).max(REACH_SHARE * rules.pulse_delay_s);
            if next.register_at - last.register_at < spacing {
                return false;
            }
        }
        self.kept.push(next);
        true
    }

    /// Drops what was read after an instant, in milliseconds of the steady clock, and not judged yet.
    pub fn drop_after(&mut self, sound_at: i64) {
        while self.kept.len() > self.next && self.kept.last().is_some_and(|it| it.moment.steady.0 > sound_at) {
            self.kept.pop();
        }
    }

    /// What comes does not follow from what was.
    pub fn clear(&mut self) {
        self.kept.clear();
        self.next = 0;
        self.pace = Pace { largest: self.pace.largest, ..Pace::default() };
    }

    /// The next observation that can be judged, for what came after it is known. Two readings farther apart than `gap_s`
    /// say nothing of the rate between them.
    pub fn surrounded(&mut self, rules: &CountRules, gap_s: f64) -> Option<Surrounded> {
        let place = self.next;
        let kept = self.kept.as_slice();
        let [middle, after, ..] = kept.get(place..)? else { return None };
        let newest = &kept[kept.len() - 1];
        let read_at = middle.register_at + middle.skew_s;
        let latest = read_at + middle.skew_uncertainty_s + rules.register_age_s;
        if newest.register_at < latest && kept.len() - place <= WAITED_FOR {
            return None;
        }
        let earliest = read_at - middle.skew_uncertainty_s - rules.pulse_delay_s;
        let mut first = middle;
        let mut least = middle.litres + middle.register_low;
        for earlier in kept[..place].iter().rev() {
            if first.register_at <= earliest {
                break;
            }
            first = earlier;
            least = smaller(least, first.litres + first.register_low);
        }
        let mut last = middle;
        let mut most = middle.litres + middle.register_high;
        for later in &kept[place + 1..] {
            if last.register_at >= latest {
                break;
            }
            last = later;
            most = larger(most, last.litres + last.register_high);
        }
        let before = &kept[place.saturating_sub(1)];
        let ends = [&kept[0], newest];
        let rate = self.pace.rate_bounds([before, middle, after], ends, rules.register_age_s, gap_s);
        let moved_litres = middle.litres - before.litres;
        let elapsed_s = middle.register_at - before.register_at;
        let queued = self.pace.queued(moved_litres.abs(), elapsed_s, rate, most - least, rules);
        let surrounded = Surrounded {
            middle: *middle,
            moved_litres,
            moved_pulses: middle.pulses - before.pulses,
            elapsed_s,
            flows_before: before.flows,
            least: if first.register_at <= earliest { least - middle.litres } else { f64::NEG_INFINITY },
            most: if last.register_at >= latest { most - middle.litres } else { f64::INFINITY },
            window_s: last.register_at - first.register_at,
            rate,
            queued,
        };
        self.next += 1;
        self.forget(earliest);
        Some(surrounded)
    }

    /// Keeps what may still be needed: the last that was surely before anything that is judged from now on.
    fn forget(&mut self, earliest: f64) {
        let mut needless = 0;
        while needless + 1 < self.next
            && (self.kept[needless + 1].register_at <= earliest || self.kept.len() - needless > KEPT)
        {
            needless += 1;
        }
        if needless > 0 {
            self.kept.drain(..needless);
            self.next -= needless;
        }
    }
}

impl Pace {
    /// Bounds of the rate around the middle of three observations, from all witnesses at it and at its neighbours, and from
    /// the register between the ends of what is kept; `None` where the flow was not steady of late, for then it can be
    /// anything in between.
    fn rate_bounds(
        &mut self,
        three: [&CountObservation; 3],
        ends: [&CountObservation; 2],
        register_age_s: f64,
        gap_s: f64,
    ) -> Option<RateBounds> {
        let [before, middle, after] = three;
        let mut rates = Rates { low: f64::INFINITY, high: 0.0, turns_back: false };
        rates.show(before);
        rates.show(middle);
        rates.show(after);
        rates.move_by(before, middle, register_age_s);
        rates.move_by(middle, after, register_age_s);
        rates.move_by(ends[0], ends[1], register_age_s);
        let Rates { low, high, turns_back } = rates;
        let is_heard =
            middle.register_at - before.register_at <= gap_s && after.register_at - middle.register_at <= gap_s;
        self.largest = larger(self.largest, high);
        let now = if turns_back {
            1.0
        } else if high > 0.0 && low.is_finite() {
            (high - low) / high
        } else {
            0.0
        };
        self.spread = larger(now, SPREAD_FADES * self.spread);
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
        moved_litres: f64,
        elapsed_s: f64,
        rate: Option<RateBounds>,
        flowed: f64,
        rules: &CountRules,
    ) -> f64 {
        let surely = OUTPUT_RATE_SURE * rules.fastest_pulses;
        let due = moved_litres / rules.pulse_volume;
        let left = (self.queue + due - surely * elapsed_s).clamp(0.0, LONGEST_QUEUE);
        let quickest = rate.map_or(LARGEST_BETWEEN * self.largest, |rate| rate.high);
        let may_lag = quickest > surely * rules.pulse_volume;
        self.queue = if may_lag { larger(left, smaller(LONGEST_QUEUE, flowed / rules.pulse_volume)) } else { left };
        self.queue
    }
}

/// The smallest and the largest rate that anything tells, L/s.
struct Rates {
    low: f64,
    high: f64,
    /// A flow ran back.
    turns_back: bool,
}

impl Rates {
    /// What the flows show at an observation.
    fn show(&mut self, at: &CountObservation) {
        if let Some((low, high)) = at.flows {
            self.turns_back |= low < 0.0;
            self.low = smaller(self.low, low.abs());
            self.high = larger(self.high, high.abs());
        }
    }

    /// What the register moved by between two.
    fn move_by(&mut self, earlier: &CountObservation, later: &CountObservation, register_age_s: f64) {
        let elapsed = later.register_at - earlier.register_at;
        if elapsed <= 0.0 {
            return;
        }
        let litres = (later.litres - earlier.litres).abs();
        let step = later.register_high - later.register_low;
        if step <= RATE_RESOLUTION * litres {
            let rate = litres / elapsed;
            self.low = smaller(self.low, rate);
            self.high = larger(self.high, rate);
        } else if later.flows.is_none() {
            self.low = 0.0;
        } else {
            // Flows that are damped show flow long after it has stopped, and none long after it has started.
            let (shortest, longest) = (elapsed - register_age_s, elapsed + register_age_s);
            if shortest > 0.0 && litres + step < self.low * shortest {
                self.low = (litres + step) / shortest;
            }
            if litres - step > self.high * longest {
                self.high = (litres - step) / longest;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::count_tally::{CountChange, CountTally};
    use super::super::finding::{Between, Moment};
    use super::*;
    use crate::units::{SteadyMillis, WallMillis};

    /// From one step of the simulated meter to the next, in seconds.
    const CYCLE_S: f64 = 0.02;

    fn rules(fastest_pulses: f64, register_age_s: f64) -> CountRules {
        CountRules {
            between: Between::TotalPulse,
            pulse_volume: 25.0,
            register_age_s,
            pulse_delay_s: 0.3,
            fastest_pulses,
            volume_share: 0.001,
            unseen_reverse: 0.0,
            near_zero: 0.0,
        }
    }

    /// A meter, and how it is read. Times in seconds.
    struct Read<'f> {
        /// (L/s, for so long).
        flows: &'f [(f64, f64)],
        poll_s: f64,
        age_s: f64,
        /// The output's fastest rate over what the largest flow asks for.
        spare: f64,
        damping_s: f64,
        /// A pulse is counted so late.
        late_s: f64,
        /// The counter is read so much later than the register.
        skew_s: f64,
        /// Pulses that never arrive from the middle on.
        lost: f64,
    }

    /// The steps that a tally makes of a meter that renews its register by its own clock, sends its pulses no faster than
    /// it can, and is polled out of time.
    fn steps(read: &Read) -> Vec<CountChange> {
        let largest = read.flows.iter().map(|(flow, _)| *flow).fold(0.0, f64::max);
        let rules = rules(read.spare * largest / 25.0, read.age_s);
        let interval = 1.0 / rules.fastest_pulses;
        let (mut volume, mut register, mut shown_flow, mut sent, mut free) = (12.5, 0.0, 0.0, 0.0, 0.0_f64);
        let (mut time, mut renewed, mut end) = (0.0, f64::NEG_INFINITY, 0.0);
        // What stands in the registers and at the output at every cycle.
        let mut shown = Vec::new();
        for (flow, seconds) in read.flows {
            end += seconds;
            while time < end {
                time += CYCLE_S;
                volume += flow * CYCLE_S;
                shown_flow += (flow - shown_flow) * (1.0 - (-CYCLE_S / read.damping_s).exp());
                if time - renewed >= read.age_s {
                    renewed = time;
                    register = f64::floor(volume);
                }
                while sent < f64::floor(volume / 25.0) && free <= time {
                    sent += 1.0;
                    free = free.max(time - CYCLE_S) + interval;
                }
                shown.push((register, shown_flow, sent));
            }
        }
        let at = |time: f64| shown[((time / CYCLE_S) as usize).min(shown.len() - 1)];
        let mut tally = CountTally::new(rules);
        let mut changes = Vec::new();
        for poll in 1.. {
            let poll = f64::from(poll);
            let time = read.poll_s * (poll + 0.3 * (0.618 * poll).fract());
            if time + read.skew_s > end {
                break;
            }
            let ((register, flow, _), (_, _, sent)) = (at(time), at((time + read.skew_s - read.late_s).max(0.0)));
            let steady = SteadyMillis((time * 1000.0) as i64);
            let observation = CountObservation {
                moment: Moment { steady, wall: WallMillis(steady.0) },
                pulses: if time > 0.5 * end { sent - read.lost } else { sent },
                litres: register,
                register_low: -0.5,
                register_high: 1.0,
                register_at: time,
                skew_s: read.skew_s,
                skew_uncertainty_s: 0.05,
                flows: Some((flow, flow)),
            };
            tally.push(observation, 5.0_f64.max(3.5 * read.poll_s), &mut changes);
        }
        changes.retain(|change| matches!(change, CountChange::Step(_)));
        changes
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        /// Flows that start and stop at once, a register that is as old as it may be, pulses that wait, a flow register
        /// that is damped: whatever comes together, no pulse is called lost or gained.
        #[test]
        fn no_flow_makes_a_step(
            flows in prop::collection::vec((prop_oneof![Just(0.0), 0.0..500.0_f64], 15.0..90.0_f64), 4..10),
            poll_s in 0.3..3.0_f64,
            age_s in 0.0..1.0_f64,
            spare in 0.8..3.0_f64,
            damping_s in 0.1..8.0_f64,
            late_s in 0.0..0.28_f64,
            skew_s in 0.0..0.5_f64,
        ) {
            let flows = &flows;
            let steps = steps(&Read { flows, poll_s, age_s, spare, damping_s, late_s, skew_s, lost: 0.0 });
            prop_assert!(steps.is_empty(), "{steps:?}");
        }
    }

    /// The same meter at a flow of 2.4 pulses a second loses four pulses: they are found, and are not found to be more.
    #[test]
    fn a_few_lost_pulses_are_found_among_starts_and_stops() {
        let flows = &[(0.0, 30.0), (60.0, 90.0), (0.0, 45.0), (60.0, 90.0), (0.0, 30.0)];
        let steps = steps(&Read {
            flows,
            poll_s: 1.0,
            age_s: 0.2,
            spare: 1.5,
            damping_s: 2.0,
            late_s: 0.1,
            skew_s: 0.1,
            lost: 4.0,
        });
        let [CountChange::Step(step)] = steps.as_slice() else { panic!("{steps:?}") };
        assert!(step.most <= -4 && -4 <= step.least, "{step:?}");
    }
}

//! A total or a counter made continuous.
//!
//! A step within what the meter can pass is flow. A step that is not, and that the next value takes back, was a value
//! read in halves. One that stays is a reset, a roll-over or a preset. Steps that keep the same size are no steps: the
//! unit is another than declared.

use crate::tally::{LEAST_SHARE, USUAL_WIDTHS};
use crate::units::WallMillis;

/// What a lasting step looked like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cause) struct Step {
    /// When, in seconds since the first reading.
    pub at: f64,
    /// When, on the wall.
    pub wall: WallMillis,
    /// The value before.
    pub from: f64,
    /// The value after.
    pub to: f64,
}

impl Step {
    /// The modulus that explains the step as a roll-over, if there is a usual one just above the value before: a power
    /// of two or ten, in raw counts of `scale`.
    pub fn modulus(&self, scale: f64, tolerance: f64) -> Option<f64> {
        let counts = self.from / scale;
        let powers_of_two = [16.0, 20.0, 24.0, 31.0, 32.0].map(f64::exp2);
        let powers_of_ten = [4, 5, 6, 7, 8, 9].map(|exponent| 10_f64.powi(exponent));
        powers_of_two
            .into_iter()
            .chain(powers_of_ten)
            .find(|modulus| counts < *modulus && (modulus - counts) * scale <= tolerance && self.to.abs() <= tolerance)
    }
}

/// The most lasting steps that are remembered one by one.
const STEPS_KEPT: usize = 64;

#[derive(Clone, Copy, Debug)]
struct Seen {
    value: f64,
    at: f64,
    wall: WallMillis,
}

/// Makes one counting series continuous.
#[derive(Clone, Debug)]
pub(in crate::cause) struct CounterRepair {
    /// The value at which it goes back to zero, as declared.
    modulus: Option<f64>,
    /// It goes back at the usual width that is next above its values.
    is_width_undeclared: bool,
    /// The worth of one count of the upper register of a pair, where it has two integer registers.
    upper_half: Option<f64>,
    /// May fall: a net total.
    falls: bool,
    /// Units a second that are surely not exceeded.
    rate: f64,
    offset: f64,
    last: Option<Seen>,
    changed_at: f64,
    recent_rate: f64,
    accepted: u32,
    pending: Option<Seen>,
    /// The value before the pending one, where that one was not trusted either.
    pending_before: Option<Seen>,
    /// Values that were read in halves, or otherwise came and went.
    pub spikes: u32,
    /// The first and the last of them.
    pub spike_at: Option<(WallMillis, WallMillis)>,
    /// How many spikes were off by the worth of the upper register.
    pub half_spikes: u32,
    /// Lasting steps, the first ones.
    pub steps: Vec<Step>,
    /// All lasting steps.
    pub step_count: u32,
    /// Declared roll-overs that were passed.
    pub wraps: u32,
    /// Values that were not numbers.
    pub nonsense: u32,
}

impl CounterRepair {
    pub fn new(modulus: Option<f64>, upper_half: Option<f64>, falls: bool, rate: f64) -> Self {
        Self {
            modulus,
            is_width_undeclared: false,
            upper_half,
            falls,
            rate,
            offset: 0.0,
            last: None,
            changed_at: 0.0,
            recent_rate: 0.0,
            accepted: 0,
            pending: None,
            pending_before: None,
            spikes: 0,
            spike_at: None,
            half_spikes: 0,
            steps: Vec::new(),
            step_count: 0,
            wraps: 0,
            nonsense: 0,
        }
    }

    /// The same for a counter whose width nobody declared.
    pub fn of_undeclared_width(self) -> Self {
        Self { modulus: None, is_width_undeclared: true, ..self }
    }

    /// Steps that the meter can pass in `seconds`; registers are up to a second and a half apart.
    pub fn allowed(&self, seconds: f64, slack: f64) -> f64 {
        self.rate * (seconds.max(0.0) + 1.5) + slack
    }

    /// Takes the next value as it comes and lets the series go on from where it stood.
    pub fn begin_anew(&mut self, next: f64) {
        if let Some(last) = self.last.as_mut() {
            self.offset += last.value - next;
            last.value = next;
            self.pending = None;
        }
    }

    /// The next value as read; `slack` is what rounding may add to a step. Returns the continuous value, or `None` where
    /// this value cannot be trusted (yet).
    pub fn push(&mut self, value: f64, at: f64, wall: WallMillis, slack: f64) -> Option<f64> {
        if !value.is_finite() {
            self.nonsense += 1;
            return None;
        }
        let Some(last) = self.last else {
            self.last = Some(Seen { value, at, wall });
            self.changed_at = at;
            return Some(value + self.offset);
        };
        let seen = Seen { value, at, wall };
        let before = self.pending_before.take();
        if let Some(step) = self.as_flow(last.value, value, at - self.changed_at.min(at), slack) {
            // What lies between its neighbours did not jump away: the flow had only just begun.
            if let Some(spike) = self.pending.take()
                && (spike.value - last.value) * (value - spike.value) < 0.0
            {
                self.count_spike(spike, last.value, slack);
            }
            return Some(self.accept(seen, step));
        }
        let Some(pending) = self.pending else {
            self.pending = Some(seen);
            return None;
        };
        let first_step = pending.value - last.value;
        let second_step = value - pending.value;
        let (first_dt, second_dt) = ((pending.at - last.at).max(0.1), (at - pending.at).max(0.1));
        let alike = second_step * first_dt / (first_step * second_dt);
        if (0.2..5.0).contains(&alike) && (first_step > 0.0 || self.falls) {
            // Not a step but a rate: the unit is another than declared.
            self.rate = self.rate.max(3.0 * (first_step / first_dt).abs().max((second_step / second_dt).abs()));
            self.pending = None;
            return Some(self.accept(seen, value - last.value));
        }
        if self.as_flow(pending.value, value, at - pending.at, slack).is_some() {
            self.count_step(last, pending);
            let step = value - pending.value;
            return Some(self.accept(seen, step));
        }
        if let Some(before) = before {
            let earlier_step = pending.value - before.value;
            let earlier_dt = (pending.at - before.at).max(0.1);
            let alike = second_step * earlier_dt / (earlier_step * second_dt);
            if (0.2..5.0).contains(&alike) && (second_step > 0.0 || self.falls) {
                // A step, and from there on another rate: the unit changed.
                self.rate = self.rate.max(3.0 * (second_step / second_dt).abs().max((earlier_step / earlier_dt).abs()));
                self.count_step(last, before);
                return Some(self.accept(seen, value - before.value));
            }
        }
        self.pending_before = Some(pending);
        self.pending = Some(seen);
        None
    }

    /// Goes on from `after` as if the series had come there by flow.
    fn count_step(&mut self, last: Seen, after: Seen) {
        self.step_count += 1;
        if self.steps.len() < STEPS_KEPT {
            self.steps.push(Step { at: after.at, wall: after.wall, from: last.value, to: after.value });
        }
        self.offset += last.value - after.value + self.recent_rate * (after.at - last.at).clamp(0.0, 30.0);
        self.pending = None;
        self.last = Some(after);
        self.changed_at = after.at;
    }

    /// The step from `before` to `after` if flow can have made it, a declared roll-over included.
    fn as_flow(&self, before: f64, after: f64, seconds: f64, slack: f64) -> Option<f64> {
        let allowed = self.allowed(seconds, slack);
        let fall = if self.falls { allowed } else { slack };
        let step = after - before;
        let halves_apart = self.upper_half.is_some_and(|half| {
            let expected = self.recent_rate * seconds;
            // As long as the rate is not known, a whole upper register may well be flow.
            self.accepted >= 8
                && half > 4.0 * (expected.abs() + slack)
                && (step.abs() - half).abs() < 2.0 * expected.abs() + slack
        });
        if !halves_apart && step <= allowed && step >= -fall {
            return Some(step);
        }
        let usual = USUAL_WIDTHS.into_iter().find(|width| self.is_width_undeclared && before <= *width);
        let allowed = usual.map_or(allowed, |width| allowed.min(LEAST_SHARE * width));
        self.modulus
            .or(usual)
            .map(|modulus| if step < 0.0 { step + modulus } else { step - modulus })
            .filter(|wrapped| *wrapped <= allowed && *wrapped >= -fall)
    }

    fn accept(&mut self, seen: Seen, step: f64) -> f64 {
        self.accepted = self.accepted.saturating_add(1);
        if let Some(last) = self.last {
            let raw_step = seen.value - last.value;
            if raw_step != step {
                self.wraps += 1;
                self.offset += step - raw_step;
            }
            let seconds = seen.at - last.at;
            if seconds > 0.0 {
                let weight = (seconds / 60.0).min(0.5);
                self.recent_rate += weight * (step / seconds - self.recent_rate);
            }
            if raw_step != 0.0 {
                self.changed_at = seen.at;
            }
        }
        self.last = Some(seen);
        seen.value + self.offset
    }

    fn count_spike(&mut self, spike: Seen, level: f64, slack: f64) {
        self.spikes += 1;
        let first = self.spike_at.map_or(spike.wall, |(first, _)| first);
        self.spike_at = Some((first, spike.wall));
        let expected = self.recent_rate.abs() * 30.0 + slack;
        if self.upper_half.is_some_and(|half| ((spike.value - level).abs() - half).abs() < expected) {
            self.half_spikes += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(repair: &mut CounterRepair, values: &[f64]) -> Vec<Option<f64>> {
        let at = |index: usize| f64::from(u32::try_from(index).expect("few values"));
        values.iter().enumerate().map(|(i, value)| repair.push(*value, at(i), WallMillis(0), 3.0)).collect()
    }

    #[test]
    fn a_declared_roll_over_is_passed_in_silence() {
        let mut repair = CounterRepair::new(Some(65_536.0), None, false, 10.0);
        let out = run(&mut repair, &[65_530.0, 65_535.0, 3.0, 8.0]);
        assert_eq!(out.last(), Some(&Some(65_544.0)));
        assert_eq!((repair.wraps, repair.step_count, repair.spikes), (1, 0, 0));
    }

    #[test]
    fn a_roll_over_at_a_usual_width_is_passed_where_no_width_is_declared() {
        let mut repair = CounterRepair::new(None, None, false, 10.0).of_undeclared_width();
        let out = run(&mut repair, &[4_294_967_290.0, 4_294_967_295.0, 3.0, 8.0]);
        assert_eq!(out.last(), Some(&Some(4_294_967_304.0)));
        assert_eq!((repair.wraps, repair.step_count, repair.spikes), (1, 0, 0));
        let mut repair = CounterRepair::new(None, None, false, 10.0).of_undeclared_width();
        run(&mut repair, &[60_000.0, 60_005.0, 3.0, 8.0, 12.0]);
        assert_eq!((repair.wraps, repair.step_count), (0, 1), "too far from any width");
    }

    #[test]
    fn a_value_in_halves_is_skipped_and_a_reset_is_bridged() {
        let mut repair = CounterRepair::new(None, Some(65_536.0), false, 10.0);
        let out = run(&mut repair, &[131_070.0, 131_075.0, 65_540.0, 131_080.0, 0.0, 5.0, 10.0]);
        assert_eq!(out[2], None);
        assert_eq!((repair.spikes, repair.half_spikes, repair.step_count), (1, 1, 1));
        let end = out[6].expect("trusted again");
        assert!((131_085.0..131_100.0).contains(&end), "{end}");
    }

    #[test]
    fn steady_steps_of_another_unit_are_a_rate() {
        let mut repair = CounterRepair::new(None, None, false, 10.0);
        let out = run(&mut repair, &[0.0, 4000.0, 8100.0, 12_050.0]);
        assert_eq!(out[3], Some(12_050.0));
        assert_eq!(repair.step_count, 0);
    }
}

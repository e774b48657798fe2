//! Set membership: all places at which the difference between two counts can lie, given what each observation allows.

use serde::{Deserialize, Serialize};

use super::extremes::{larger, smaller};

/// A closed interval for the constant difference between two counts, in pulses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// The least difference that is still possible.
    pub low: f64,
    /// The largest.
    pub high: f64,
}

impl Band {
    /// Anything is possible. (Finite, so that a stored state reads back.)
    pub const ANYTHING: Self = Self { low: -1e300, high: 1e300 };

    /// What both allow; `None` if no difference satisfies both.
    #[must_use]
    pub fn intersection(self, other: Self) -> Option<Self> {
        let both = Self { low: larger(self.low, other.low), high: smaller(self.high, other.high) };
        (both.low <= both.high).then_some(both)
    }

    /// How far the difference certainly moved from this band to `later`; 0 where they overlap.
    #[must_use]
    pub fn certain_move_to(self, later: Self) -> f64 {
        if later.low > self.high {
            later.low - self.high
        } else if later.high < self.low {
            later.high - self.low
        } else {
            0.0
        }
    }

    /// How far the difference can have moved at most from this band to `later`, upwards or downwards.
    #[must_use]
    pub fn farthest_move_to(self, later: Self, is_upwards: bool) -> f64 {
        if is_upwards { later.high - self.low } else { later.low - self.high }
    }

    /// The whole pulses that can have been lost (-) or gained (+) between this band and `later`, the smaller number
    /// first. Where no whole number fits, the nearest ones on either side.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "saturates, which is as good as true")]
    pub fn whole_pulses_to(self, later: Self) -> (i64, i64) {
        let sign = self.certain_move_to(later).signum();
        let (nearest, farthest) = if sign > 0.0 {
            (later.low - self.high, later.high - self.low)
        } else {
            (self.low - later.high, self.high - later.low)
        };
        let (mut least, mut most) = (nearest.ceil(), farthest.floor());
        if least > most {
            (least, most) = (nearest.floor().max(1.0), farthest.ceil());
        }
        ((sign * least.max(1.0)) as i64, (sign * most.max(1.0)) as i64)
    }
}

/// Bounds of the rate at which volume flows, around one observation, in litres a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateBounds {
    /// Never less.
    pub low: f64,
    /// Never more.
    pub high: f64,
}

/// What one observation of a register and a counter allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowance {
    /// Litres for one pulse.
    pub pulse_volume: f64,
    /// The true volume lies between register + `register_low` and register + `register_high`, in litres.
    pub register_low: f64,
    /// See `register_low`.
    pub register_high: f64,
    /// The counter was sampled so many seconds after the register; negative: before.
    pub skew_s: f64,
    /// The skew is known to this, one way or the other.
    pub skew_uncertainty_s: f64,
    /// The register's value may be so old.
    pub register_age_s: f64,
    /// A pulse may be counted so late.
    pub pulse_delay_s: f64,
    /// Pulses that may still wait in the output.
    pub queued: f64,
    /// Bounds of the rate; `None` where it is not steady enough to bound.
    pub rate: Option<RateBounds>,
    /// Litres, against what the register showed, that had gone by at least when the counter was read, whatever the flow
    /// did; minus infinity where that is not known.
    pub least: f64,
    /// At most; infinity where that is not known.
    pub most: f64,
}

impl Allowance {
    /// The places at which the difference can lie when `pulses` pulses and `litres` litres were read.
    ///
    /// With phase c in pulses, N = floor(V(s')/v + c) and T = V(t') - rho, where s' is up to the delay before s and t' up
    /// to the register's age before t: c lies in N - T/v + [0, 1) - rho/v - (V(s') - V(t'))/v.
    #[must_use]
    pub fn band(&self, pulses: f64, litres: f64) -> Band {
        let earliest = self.skew_s - self.skew_uncertainty_s - self.pulse_delay_s;
        let latest = self.skew_s + self.skew_uncertainty_s + self.register_age_s;
        let (mut least, mut most) = (self.least, self.most);
        if let Some(rate) = self.rate {
            let volume = |seconds: f64, bounds: [f64; 2]| seconds * bounds[usize::from(seconds < 0.0)];
            most = smaller(most, self.register_high + volume(latest, [rate.high, rate.low]));
            least = larger(least, self.register_low + volume(earliest, [rate.low, rate.high]));
        }
        Band {
            low: (pulses - (litres + most) / self.pulse_volume).max(Band::ANYTHING.low),
            high: (pulses + 1.0 - (litres + least) / self.pulse_volume + self.queued).min(Band::ANYTHING.high),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// A register cut off at its resolution and a counter, each sampled as late as is allowed for, from a flow that is
        /// known exactly and changes at once: the true phase is always among the differences that are called possible.
        #[test]
        fn the_true_difference_is_always_possible(
            phase in 0.0..1.0_f64,
            pulse_volume in 0.1..100.0_f64,
            resolution_share in 0.001..3.0_f64,
            rate in 0.0..50.0_f64,
            moment in 100.0..1e5_f64,
            skew in -2.0..2.0_f64,
            slip in -0.05..0.05_f64,
            age in 0.0..1.0_f64,
            delay in 0.0..0.3_f64,
            rounds in any::<bool>(),
            bounded in any::<bool>(),
            change in -3.0..3.0_f64,
            later in 0.0..50.0_f64,
        ) {
            let resolution = resolution_share * pulse_volume;
            // A flow that is not bounded may have changed to any other, at any instant.
            let later = if bounded { rate } else { later };
            let volume = |time: f64| rate * time + (later - rate) * (time - moment - change).max(0.0);
            let shown = |time: f64| {
                let steps = volume(time - age) / resolution;
                resolution * if rounds { steps.round() } else { steps.floor() }
            };
            let litres = shown(moment);
            let pulses = (volume(moment + skew + slip - delay) / pulse_volume + phase).floor();
            let allowance = Allowance {
                pulse_volume,
                register_low: -0.5 * resolution,
                register_high: resolution,
                skew_s: skew,
                skew_uncertainty_s: 0.05,
                register_age_s: 1.0,
                pulse_delay_s: 0.3,
                queued: 0.0,
                rate: bounded.then_some(RateBounds { low: 0.9 * rate, high: 1.1 * rate }),
                least: shown(moment + skew - 0.35) - 0.5 * resolution - litres,
                most: shown(moment + skew + 1.05) + resolution - litres,
            };
            let band = allowance.band(pulses, litres);
            prop_assert!(band.low - 1e-6 <= phase && phase <= band.high + 1e-6, "{phase} outside {band:?}");
        }

        /// Whole pulses lost or gained between two observations lie within the bounds that are told.
        #[test]
        fn lost_and_gained_pulses_lie_within_their_bounds(
            low in -5.0..5.0_f64,
            width in 0.0..3.0_f64,
            later_width in 0.0..3.0_f64,
            place in 0.0..1.0_f64,
            later_place in 0.0..1.0_f64,
            pulses in -50_i32..50,
        ) {
            let before = Band { low, high: low + width };
            let truth = low + place * width + f64::from(pulses);
            let later = Band { low: truth - later_place * later_width, high: truth + (1.0 - later_place) * later_width };
            if before.intersection(later).is_none() {
                let (least, most) = before.whole_pulses_to(later);
                prop_assert!(least.signum() == most.signum() && least.abs() <= most.abs());
                let pulses = i64::from(pulses);
                prop_assert!(least.abs() <= pulses.abs() && pulses.abs() <= most.abs(), "{pulses} not in {least}..{most}");
                prop_assert_eq!(pulses.signum(), least.signum());
            }
        }
    }
}

//! The sequential test for a shift of unknown size: a bank of CUSUMs of independent blocks.
//!
//! One CUSUM is exactly optimal for the one shift that it is matched to (Moustakides 1986). Members matched to shifts a
//! factor of the square root of two apart stay near that optimum over the whole range, in constant memory.

use serde::{Deserialize, Serialize};

use super::run_length::threshold_for;

/// The shifts to which the members are matched, in standard deviations of a block.
pub const SHIFTS: [f64; MEMBERS] = [
    0.25,
    0.353_553_390_593_273_8,
    0.5,
    std::f64::consts::FRAC_1_SQRT_2,
    1.0,
    std::f64::consts::SQRT_2,
    2.0,
    2.828_427_124_746_190_3,
    4.0,
];

/// How many CUSUMs one bank holds.
pub const MEMBERS: usize = 9;

/// A block counts for no more than this many standard deviations, so that one bad block alone decides nothing.
pub const LARGEST_SCORE: f64 = 6.0;

/// One-sided page test: `S = max(0, S + z - k)`, alarm at `S > h`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    /// The sum so far, in standard deviations.
    pub sum: f64,
}

impl Cusum {
    /// Takes a block's score and says whether the sum is above the threshold.
    pub fn push(&mut self, score: f64, reference: f64, threshold: f64) -> bool {
        self.sum = (self.sum + score - reference).max(0.0);
        self.sum > threshold
    }
}

/// Thresholds of a bank's members.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thresholds(pub [f64; MEMBERS]);

/// Blocks in control until a false alarm of one bank, on average, for which [`OPERATING_THRESHOLDS`] are made.
///
/// One false alarm is wanted in a hundred meter-years over all tallies together: 100 years of at most 1.6 million blocks,
/// four tallies that are judged by blocks, two sides each, and each block taken to two banks (that of all flows and that
/// of like ones). The members of a bank often alarm together: simulated, its run length is twice what is asked for.
pub const OPERATING_RUN_LENGTH: f64 = 2e9;

/// Thresholds at which a bank has at least [`OPERATING_RUN_LENGTH`]: each member's exact run length is that times the
/// number of members, so that their alarms together come no more often.
pub const OPERATING_THRESHOLDS: Thresholds = Thresholds([
    79.336_735, 57.710_515, 41.843_668, 30.232_962, 21.738_479, 15.784_010, 11.138_745, 7.752_444, 5.356_724,
]);

impl Thresholds {
    /// Thresholds at which a bank runs for at least `in_control` blocks until a false alarm, on average.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "nine")]
    pub fn for_run_length(in_control: f64) -> Self {
        Self(SHIFTS.map(|shift| threshold_for(shift / 2.0, in_control * MEMBERS as f64)))
    }
}

/// A bank of one-sided CUSUMs that watches for a shift upwards.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Bank {
    members: [Cusum; MEMBERS],
    /// Blocks since the sums of all members were last zero: where the shift most likely began.
    pub blocks_since_zero: u32,
}

impl Bank {
    /// Takes a block's score (its excess over the dead zone in standard deviations of a block); true is an alarm.
    pub fn push(&mut self, score: f64, thresholds: &Thresholds) -> bool {
        let score = score.min(LARGEST_SCORE);
        let mut alarm = false;
        let mut zero = true;
        for ((member, shift), threshold) in self.members.iter_mut().zip(SHIFTS).zip(thresholds.0) {
            alarm |= member.push(score, shift / 2.0, threshold);
            zero &= member.sum == 0.0;
        }
        self.blocks_since_zero = if zero { 0 } else { self.blocks_since_zero.saturating_add(1) };
        alarm
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::super::run_length::average_run_length;
    use super::*;

    /// Lucas and Crosier (1982), Technometrics 24(3), Table 5: k = 0.5, h = 5, alarm at the seventh block, and at the
    /// third with a head start of h/2.
    #[test]
    fn worked_trace() {
        let scores = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
        for (start, sums, alarm_at) in
            [(0.0, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 6), (2.5, [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], 2)]
        {
            let mut cusum = Cusum { sum: start };
            let alarms: Vec<bool> = scores.iter().map(|score| cusum.push(*score, 0.5, 5.0)).collect();
            assert_eq!(alarms.iter().position(|alarm| *alarm), Some(alarm_at));
            let mut cusum = Cusum { sum: start };
            for (score, sum) in scores.iter().zip(sums) {
                cusum.push(*score, 0.5, 5.0);
                assert!((cusum.sum - sum).abs() < 1e-9, "{} instead of {sum}", cusum.sum);
            }
        }
    }

    #[test]
    fn operating_thresholds_have_the_run_length_they_say() {
        for (shift, threshold) in SHIFTS.into_iter().zip(OPERATING_THRESHOLDS.0) {
            let exact = average_run_length(shift / 2.0, threshold, 0.0) / 9.0;
            assert!((exact / OPERATING_RUN_LENGTH).ln().abs() < 0.01, "{exact} blocks for a shift of {shift}");
        }
    }

    #[test]
    fn one_block_alone_never_decides() {
        let mut bank = Bank::default();
        assert!(!bank.push(1e9, &OPERATING_THRESHOLDS));
        assert!(bank.push(1e9, &OPERATING_THRESHOLDS));
    }
}

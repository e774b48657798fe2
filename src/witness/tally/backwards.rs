//! A current that shows reverse flow as forward, for as short a time as a pipe runs back after a pump stops: too short for
//! blocks, which wait until no lag can have done it.
//!
//! Here a lag is ruled out otherwise. Let the loop show a mean of the flow's last minute, with any weights. Behind a stop,
//! forward flow is in it with the weight of all delays longer than the stop is ago, which can only fall. Once the current
//! was down, it cannot come up again by that: not by more than what was left, times what the flow before the stop varied by.

use serde::{Deserialize, Serialize};

use super::extremes::{larger, smaller};
use super::finding::Moment;
use super::lately::LONGEST_LAG_S;

/// It has to last so long, in seconds.
const LASTS_S: f64 = 10.0;
/// The current is that of the flow's mirror image to this share of it, and twice what is let pass.
const MIRRORS: f64 = 0.15;
/// The flow before a stop counts as one flow if it varies by no more than this factor.
const VARIES: f64 = 3.0;

/// Watches flow and current for reverse flow that is shown as forward. Flows are in L/s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BackwardsWatch {
    run: Option<Run>,
    /// The last forward flow.
    forward: Option<Moment>,
    /// When the current was lowest since, and how much forward flow was left in it at most.
    down: Option<(Moment, f64)>,
    since: Option<Moment>,
    last: Option<Moment>,
}

/// Forward flow that varies by [`VARIES`] at most.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Run {
    began: Moment,
    ended: Moment,
    lowest: f64,
    highest: f64,
}

impl BackwardsWatch {
    /// Takes what the register and the loop show of one moment; says since when the loop has been showing a reverse flow as
    /// forward, if it surely does. Over a gap longer than `gap_s` nothing is known.
    pub fn push(&mut self, now: Moment, flow: f64, by_loop: f64, let_pass: f64, gap_s: f64) -> Option<Moment> {
        if self.last.replace(now).is_some_and(|last| now.steady.since(last.steady).0 > gap_s) {
            *self = Self { last: Some(now), ..Self::default() };
        }
        if flow > let_pass {
            self.forward = Some(now);
            (self.down, self.since) = (None, None);
            self.run(now, flow);
            return None;
        }
        let left = by_loop.max(0.0) + (-flow).max(0.0);
        if self.down.is_none_or(|(_, before)| left < before) {
            self.down = Some((now, left));
        }
        let mirrored = flow < -2.0 * let_pass && (by_loop + flow).abs() < MIRRORS * -flow + 2.0 * let_pass;
        if !mirrored || by_loop <= self.most_by_lag(now, let_pass) {
            self.since = None;
            return None;
        }
        let since = *self.since.get_or_insert(now);
        (now.steady.since(since.steady).0 >= LASTS_S).then_some(since)
    }

    /// The next readings do not follow from the last.
    pub fn interrupt(&mut self) {
        *self = Self::default();
    }

    fn run(&mut self, now: Moment, flow: f64) {
        match &mut self.run {
            Some(run) if flow * VARIES < run.highest => {}
            Some(run) if run.lowest * VARIES >= flow => {
                run.ended = now;
                run.lowest = smaller(run.lowest, flow);
                run.highest = larger(run.highest, flow);
            }
            slot => *slot = Some(Run { began: now, ended: now, lowest: flow, highest: flow }),
        }
    }

    /// The most that the loop can show now of flow that was forward.
    fn most_by_lag(&self, now: Moment, let_pass: f64) -> f64 {
        let Some(forward) = self.forward else { return f64::INFINITY };
        let after = |moment: Moment, later: Moment| later.steady.since(moment.steady).0;
        if after(forward, now) > LONGEST_LAG_S {
            return 2.0 * let_pass;
        }
        let (Some(run), Some((down, left))) = (self.run, self.down) else { return f64::INFINITY };
        // Delays that reach behind the stop now reached behind the last full flow when the current was down.
        let reaches = after(run.began, run.ended) >= LONGEST_LAG_S && after(down, now) >= after(run.ended, forward);
        if reaches { VARIES * (left + let_pass) + let_pass } else { f64::INFINITY }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::{SteadyMillis, WallMillis};

    /// A pump that runs, stops within `ramp` seconds, and lets the pipe run back; then rests.
    fn flow(second: i64, ramp: f64) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "minutes")]
        let after = second as f64 - 200.0;
        if after < 0.0 {
            20.0 + (after / 17.0).sin()
        } else if after < ramp {
            20.0 * (1.0 - after / ramp)
        } else if after < ramp + 50.0 {
            -4.0 * ((after - ramp) / 50.0 * std::f64::consts::PI).sin()
        } else {
            0.0
        }
    }

    fn seen(by_register: impl Fn(i64) -> f64, by_loop: impl Fn(i64) -> f64) -> Option<i64> {
        let mut watch = BackwardsWatch::default();
        (0..400).find(|second| {
            let now = Moment { steady: SteadyMillis(second * 1000), wall: WallMillis(second * 1000) };
            watch.push(now, by_register(*second), by_loop(*second), 0.1, 10.0).is_some()
        })
    }

    #[test]
    fn a_mirrored_current_is_seen_within_the_spell() {
        for ramp in [2.0, 8.0] {
            let told = seen(|second| flow(second, ramp), |second| flow(second, ramp).abs());
            assert!(told.is_some_and(|second| second < 250), "{told:?}");
        }
    }

    proptest! {
        /// A loop, or a register, that shows any mean of the last minute of the flow, while the other shows it as it is.
        #[test]
        fn no_lag_looks_like_it(
            ramp in 1.0..40.0_f64,
            weights in proptest::collection::vec((0_i64..=60, 0.0..1.0_f64), 1..6),
            of_register in any::<bool>(),
        ) {
            let sum: f64 = weights.iter().map(|(_, weight)| weight).sum::<f64>() + 1e-9;
            let shown = |flow: f64| flow.max(0.0);
            let late = |second: i64, what: &dyn Fn(f64) -> f64| {
                weights.iter().map(|(delay, weight)| weight / sum * what(flow(second - delay, ramp))).sum::<f64>()
            };
            let told = if of_register {
                seen(|second| late(second, &|flow| flow), |second| shown(flow(second, ramp)))
            } else {
                seen(|second| flow(second, ramp), |second| late(second, &shown))
            };
            prop_assert_eq!(told, None);
        }
    }
}

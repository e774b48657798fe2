//! What went by lately, by two witnesses: the most that a lag of either, of whatever shape, can do to a difference of
//! their volumes.
//!
//! Let one witness show the other's flow through a filter that never looks farther back than [`LONGEST_LAG_S`] (a late
//! sample, a sliding mean, a damping that has died away by then). Such a filter is a mean of delays, so that what it does
//! to the volumes between two instants is a mean of what the delays do, and never more than the worst of them does. What a
//! delay of `d` does is the volume of the last `d` seconds before the end less that before the beginning.

use serde::{Deserialize, Serialize};

use super::extremes::larger;
use super::finding::Moment;
use crate::units::SteadyMillis;

/// Delays up to so many seconds are looked at.
pub const LONGEST_LAG_S: f64 = 60.0;
/// The delays, equally spaced.
const DELAYS_S: [f64; DELAYS] = [10.0, 20.0, 30.0, 40.0, 50.0, LONGEST_LAG_S];
const DELAYS: usize = 6;
/// Places that are kept, and the milliseconds from one to the next at least: they reach as far back as the longest delay.
const KEPT: usize = 8;
const SPACING_MS: i64 = 9000;

/// What went by in the last seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Recent {
    /// Litres for each delay, by each witness.
    gone: [[f64; 2]; DELAYS],
    /// The whole time was watched.
    is_known: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Kept {
    at: SteadyMillis,
    volumes: [f64; 2],
    /// The mean flows since the place before.
    flows: [f64; 2],
}

/// The volumes of the last minute.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Lately {
    /// A ring; the newest is the one before `next`.
    kept: [Kept; KEPT],
    next: usize,
    count: usize,
}

impl Lately {
    /// Takes the volumes at the next moment; true if this is one of the places that are kept.
    pub fn push(&mut self, moment: Moment, volumes: [f64; 2]) -> bool {
        let at = moment.steady;
        let mut flows = [0.0; 2];
        if self.count > 0 {
            let newest = &self.kept[before(self.next)];
            if at.0 - newest.at.0 < SPACING_MS {
                return false;
            }
            let elapsed = at.since(newest.at).0;
            flows = [0, 1].map(|witness: usize| (volumes[witness] - newest.volumes[witness]) / elapsed);
        }
        self.kept[self.next % KEPT] = Kept { at, volumes, flows };
        self.next = (self.next + 1) % KEPT;
        self.count = (self.count + 1).min(KEPT);
        true
    }

    /// What comes does not follow from what was.
    pub const fn clear(&mut self) {
        self.count = 0;
    }

    /// What went by in the last seconds until a moment, as far as that is known.
    #[must_use]
    pub fn recent(&self, moment: Moment, volumes: [f64; 2]) -> Recent {
        let mut recent = Recent::default();
        let Some(newest) = self.count.checked_sub(1).map(|_| &self.kept[before(self.next)]) else { return recent };
        // What goes on from the newest place until now, and from each place back to the one before it.
        let (mut place, mut left) = (before(self.next), self.count - 1);
        let mut ago = moment.steady.since(newest.at).0;
        let mut flows = [0, 1].map(|witness: usize| (volumes[witness] - newest.volumes[witness]) / larger(ago, 1e-3));
        let (mut later, mut gone) = (0.0, [0.0; 2]);
        for (filled, (delay, of_delay)) in DELAYS_S.into_iter().zip(&mut recent.gone).enumerate() {
            while delay > ago {
                let kept = &self.kept[place];
                gone = [0, 1].map(|witness: usize| volumes[witness] - kept.volumes[witness]);
                (later, flows) = (ago, kept.flows);
                if left == 0 {
                    for rest in &mut recent.gone[filled..] {
                        *rest = gone;
                    }
                    return recent;
                }
                (place, left) = (before(place), left - 1);
                ago = moment.steady.since(self.kept[place].at).0;
            }
            let since = delay - later;
            *of_delay = [gone[0] + flows[0] * since, gone[1] + flows[1] * since];
        }
        recent.is_known = true;
        recent
    }
}

impl Recent {
    /// How far the flows were from being steady, in litres: a moment of little unrest is a good one to begin from.
    #[must_use]
    pub fn unrest(&self) -> f64 {
        if !self.is_known {
            return f64::INFINITY;
        }
        let levels = self.gone[0].map(|gone| gone / DELAYS_S[0]);
        let mut unrest = [0.0; 2];
        for (gone, delay_s) in self.gone.iter().zip(DELAYS_S) {
            for witness in 0..2 {
                unrest[witness] = larger(unrest[witness], (gone[witness] - levels[witness] * delay_s).abs());
            }
        }
        larger(unrest[0], unrest[1])
    }
}

/// The most that a lag can have done to the difference of the volumes between two moments, in litres; `known_to` is what
/// the volumes themselves are known to.
#[must_use]
pub fn worst_lag(begin: &Recent, end: &Recent, known_to: f64) -> f64 {
    let mut worst = [0.0; 2];
    for (begin, end) in begin.gone.iter().zip(&end.gone) {
        for witness in 0..2 {
            worst[witness] = larger(worst[witness], (end[witness] - begin[witness]).abs());
        }
    }
    (larger(worst[0], worst[1]) - known_to).max(0.0)
}

/// The place before one in the ring.
const fn before(place: usize) -> usize {
    (place + KEPT - 1) % KEPT
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::WallMillis;

    proptest! {
        /// One witness sees a flow that wanders by the minute, the other the same flow late, or as a sliding mean: their
        /// difference between any two moments is within the bound, but for what a jump between
        /// two of the delays hides.
        #[test]
        fn a_lag_does_no_more_than_is_allowed_for(
            flows in proptest::collection::vec(0.0..30.0_f64, 10..20),
            lag in 0_usize..60,
            is_mean in any::<bool>(),
            jumps in any::<bool>(),
            begin in 70_usize..120,
            lasts in 20_usize..200,
        ) {
            let flow = |second: usize| {
                let place = (second as f64 / 30.0).min(flows.len() as f64 - 1.001);
                let (one, share) = (place.floor() as usize, if jumps { 0.0 } else { place.fract() });
                flows[one] + share * (flows[one + 1] - flows[one])
            };
            let shown = |second: usize| {
                let back = |ago: usize| flow(second.saturating_sub(ago));
                if is_mean { (0..=lag).map(back).sum::<f64>() / (lag + 1) as f64 } else { back(lag) }
            };
            let mut lately = Lately::default();
            let mut volumes = [0.0; 2];
            let mut at_begin = None;
            for second in 0..=begin + lasts {
                let at = second as i64 * 1000;
                let moment = Moment { steady: SteadyMillis(at), wall: WallMillis(at) };
                lately.push(moment, volumes);
                if second == begin {
                    at_begin = Some((volumes, lately.recent(moment, volumes)));
                }
                if second == begin + lasts {
                    let (before, recent) = at_begin.unwrap();
                    let worst = worst_lag(&recent, &lately.recent(moment, volumes), 0.0);
                    let difference = (volumes[1] - before[1]) - (volumes[0] - before[0]);
                    // Between two of the places, 9 s apart, the flow is taken for steady, at either end; and between two of
                    // the delays, 10 s apart, one may do more than both. Flows change by 1 L/s in a second, or jump by 30.
                    let unseen = if jumps {
                        2.0 * 30.0 * 9.0 / 4.0 + 30.0 * 10.0 / 2.0
                    } else {
                        2.0 * 9.0 * 9.0 / 8.0 + 2.0 * 10.0 * 10.0 / 8.0
                    };
                    prop_assert!(difference.abs() <= worst + unseen, "{difference} L, allowed {worst} L");
                }
                volumes[0] += flow(second);
                volumes[1] += shown(second);
            }
        }
    }
}

//! Blocks: short stretches of about the same flow, with everything that the hypotheses need to know of them.
//!
//! Their number is bounded. When there are too many, the neighbours that differ least are joined.

use crate::units::WallMillis;

use super::damping::{CURRENT_LAGS, FLOW_LAGS};

/// What a current means before any scaling, after NE 43 as declared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum CurrentState {
    /// Between the fault limits.
    Signal,
    /// At or below the lower fault limit, but not nothing.
    LowFault,
    /// At or above the upper fault limit.
    HighFault,
    /// As good as none.
    Open,
}

/// One stretch. Cumulative figures are at its end; sums are over it.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub from: f64,
    pub to: f64,
    pub wall_from: WallMillis,
    pub wall_to: WallMillis,
    /// Litres forward and backward by the flow register, and the variance of sampling it only now and then.
    pub forward: f64,
    pub reverse: f64,
    pub sampling_variance: f64,
    /// Seconds in which the flow was known.
    pub flow_seconds: f64,
    pub flow_first: f64,
    pub flow_last: f64,
    pub flow_low: f64,
    pub flow_high: f64,
    /// Litres, continuous, at the end.
    pub total: Option<f64>,
    /// The total's resolution there, in litres.
    pub total_resolution: f64,
    /// Reverse litres, continuous, at the end.
    pub reverse_total: Option<f64>,
    /// Pulses, continuous, at the end.
    pub pulses: Option<f64>,
    /// How much later than the total the pulses were sampled, times the flow: litres.
    pub skew_litres: f64,
    /// The receiver's total in litres, continuous, at the end.
    pub receiver_total: Option<f64>,
    /// Pulses that wait in the output at its declared top rate, at the end.
    pub queued: f64,
    /// Current and flow at the same moments.
    pub current_state: CurrentState,
    pub current_samples: f64,
    pub current_sum: f64,
    pub current_squares: f64,
    pub current_low: f64,
    pub current_high: f64,
    pub product_sum: f64,
    pub flow_squares: f64,
    pub flow_lagged: [f64; FLOW_LAGS.len()],
    pub current_lagged: [f64; CURRENT_LAGS.len()],
    /// The receiver's flow, L/s, beside the current at the same moments.
    pub receiver_samples: f64,
    pub receiver_sum: f64,
    pub receiver_current_sum: f64,
    /// The registers stood still, perhaps wrongly.
    pub still: bool,
    /// No pulse came although several were due.
    pub drought: bool,
    /// A lasting step of the total or the counter lies inside: nothing continues across it.
    pub total_broken: bool,
    pub pulses_broken: bool,
}

impl Block {
    pub fn seconds(&self) -> f64 {
        self.to - self.from
    }

    pub fn flow_mean(&self) -> f64 {
        if self.flow_seconds > 0.0 { (self.forward - self.reverse) / self.flow_seconds } else { self.flow_last }
    }

    pub fn current_mean(&self) -> f64 {
        self.current_sum / self.current_samples.max(1.0)
    }

    fn may_join(&self, next: &Self, whatever_the_drought: bool) -> bool {
        self.current_state == next.current_state
            && self.still == next.still
            && (whatever_the_drought || self.drought == next.drought)
            && !self.total_broken
            && !next.total_broken
            && !self.pulses_broken
            && !next.pulses_broken
    }

    fn join(&mut self, next: Self) {
        self.to = next.to;
        self.wall_to = next.wall_to;
        self.forward += next.forward;
        self.reverse += next.reverse;
        self.sampling_variance += next.sampling_variance;
        self.flow_seconds += next.flow_seconds;
        self.flow_last = next.flow_last;
        self.flow_low = self.flow_low.min(next.flow_low);
        self.flow_high = self.flow_high.max(next.flow_high);
        self.total = next.total;
        self.total_resolution = next.total_resolution;
        self.reverse_total = next.reverse_total;
        self.pulses = next.pulses;
        self.skew_litres = next.skew_litres;
        self.receiver_total = next.receiver_total;
        self.queued = next.queued;
        self.current_samples += next.current_samples;
        self.current_sum += next.current_sum;
        self.current_squares += next.current_squares;
        self.current_low = self.current_low.min(next.current_low);
        self.current_high = self.current_high.max(next.current_high);
        self.product_sum += next.product_sum;
        self.flow_squares += next.flow_squares;
        for (sum, more) in self.flow_lagged.iter_mut().zip(next.flow_lagged) {
            *sum += more;
        }
        for (sum, more) in self.current_lagged.iter_mut().zip(next.current_lagged) {
            *sum += more;
        }
        self.receiver_samples += next.receiver_samples;
        self.receiver_sum += next.receiver_sum;
        self.receiver_current_sum += next.receiver_current_sum;
    }
}

/// The most blocks that are kept.
const MOST: usize = 6000;

/// The blocks of a stretch, at most a few thousand whatever its length.
#[derive(Clone, Debug, Default)]
pub(super) struct BlockSeries {
    pub blocks: Vec<Block>,
    /// Each time that neighbours had to be joined, blocks may last twice as long.
    pub halvings: u32,
}

impl BlockSeries {
    pub fn push(&mut self, block: Block) {
        self.blocks.push(block);
        if self.blocks.len() >= MOST {
            self.join_alike(false);
            // Pulses that come and go all the time are no reason to keep each.
            if self.blocks.len() > MOST / 8 * 7 {
                self.join_alike(true);
            }
        }
    }

    /// Joins neighbours, those with the most similar flow first, until half as many are left (or no more may be).
    fn join_alike(&mut self, whatever_the_drought: bool) {
        self.halvings += u32::from(!whatever_the_drought);
        let mut differences: Vec<f64> = self
            .blocks
            .windows(2)
            .filter(|pair| pair[0].may_join(&pair[1], whatever_the_drought))
            .map(|pair| unlikeness(&pair[0], &pair[1]))
            .collect();
        if differences.is_empty() {
            return;
        }
        // Pairs are joined without overlap, so that the limit lies above the median wanted.
        let rank = (differences.len() * 3 / 4).min(differences.len() - 1);
        let (_, limit, _) = differences.select_nth_unstable_by(rank, f64::total_cmp);
        let limit = *limit;
        let mut joined: Vec<Block> = Vec::with_capacity(self.blocks.len() / 2);
        let mut may_grow = false;
        for block in self.blocks.drain(..) {
            match joined.last_mut() {
                Some(last)
                    if may_grow && last.may_join(&block, whatever_the_drought) && unlikeness(last, &block) <= limit =>
                {
                    last.join(block);
                    may_grow = false;
                }
                _ => {
                    joined.push(block);
                    may_grow = true;
                }
            }
        }
        self.blocks = joined;
    }
}

/// How much is lost by joining two neighbours: the square of the flow's difference, weighted as variances add.
fn unlikeness(left: &Block, right: &Block) -> f64 {
    let (a, b) = (left.seconds().max(0.1), right.seconds().max(0.1));
    let difference = left.flow_mean() - right.flow_mean();
    difference * difference * a * b / (a + b) + 1e-9 * (a + b)
}

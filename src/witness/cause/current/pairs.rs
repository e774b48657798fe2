//! Pairs of flow and current for each block, seen through one difference of damping.

use crate::cause::block::{Block, CurrentState};
use crate::cause::damping::{CURRENT_LAGS, FLOW_LAGS};
use crate::cause::gather::Gathered;

use super::line::log_density;

/// How much more the loop is damped than the bus.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Lag {
    /// The loop is slower by this place of [`FLOW_LAGS`].
    Loop(usize),
    /// The bus is slower by this place of [`CURRENT_LAGS`].
    Bus(usize),
}

impl Lag {
    pub fn all() -> impl Iterator<Item = Self> {
        (0..FLOW_LAGS.len()).map(Self::Loop).chain((0..CURRENT_LAGS.len()).map(Self::Bus))
    }

    /// Seconds, negative where the bus is slower.
    pub fn seconds(self) -> f64 {
        match self {
            Self::Loop(index) => FLOW_LAGS[index],
            Self::Bus(index) => -CURRENT_LAGS[index],
        }
    }
}

/// What input and output depart from a straight line within their accuracy, in milliamperes.
const LINEARITY: f64 = 0.004;
/// The most that a standing current is noisy, in milliamperes.
const STILL_NOISE: f64 = 0.02;

/// A current so far below that of the lowest flow shown tells of flow backwards, in milliamperes.
const BELOW_IS_BACKWARDS: f64 = 0.05;

/// One block as the loop's hypotheses see it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pair {
    pub block: usize,
    /// The flow that the registers say, L/s.
    pub flow: f64,
    /// The current, milliamperes.
    pub current: f64,
    /// Variance of the current about what the flow makes of it.
    pub variance: f64,
    /// Variance of a current that stands, whatever the flow does.
    pub still_variance: f64,
    pub state: CurrentState,
    pub seconds: f64,
    pub flow_low: f64,
    pub flow_high: f64,
}

/// What the current should be for a flow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    pub at_4_ma: f64,
    /// Milliamperes for one L/s.
    pub slope: f64,
    pub low: f64,
    pub high: f64,
    /// The input's accuracy as a fraction of 16 mA.
    pub accuracy: f64,
    /// The shift arises in the meter, before its limits; else in the loop or the input, after them.
    pub shifted_before_limits: bool,
}

impl Scale {
    pub fn of(gathered: &Gathered) -> Option<Self> {
        let declared = gathered.facts.meter.current_loop.as_ref()?;
        let span = declared.span().0;
        (span.abs() > 0.0).then_some(Self {
            at_4_ma: declared.at_4_ma.0,
            slope: 16.0 / span,
            low: declared.saturates.0.0,
            high: declared.saturates.1.0,
            accuracy: declared.accuracy.max(1e-4),
            shifted_before_limits: false,
        })
    }

    /// The current of a steady flow, for a loop that shows `gain` times the flow and is shifted by `offset`.
    pub fn current(&self, flow: f64, gain: f64, offset: f64) -> f64 {
        let raw = self.unlimited(flow, gain);
        if self.shifted_before_limits {
            (raw + offset).clamp(self.low, self.high)
        } else {
            raw.clamp(self.low, self.high) + offset
        }
    }

    /// The current that a flow asks for, whatever the limits.
    pub fn unlimited(&self, flow: f64, gain: f64) -> f64 {
        4.0 + self.slope * (gain * flow - self.at_4_ma)
    }

    /// The mean current of a block, within the limits.
    pub fn of_block(&self, pair: &Pair, gain: f64, offset: f64) -> Limited {
        self.of_block_below(pair, gain, offset, self.high)
    }

    /// The mean current of a block whose current cannot rise above `stop`.
    pub fn of_block_below(&self, pair: &Pair, gain: f64, offset: f64, stop: f64) -> Limited {
        let (before, after) = if self.shifted_before_limits { (offset, 0.0) } else { (0.0, offset) };
        let raw = self.unlimited(pair.flow, gain) + before;
        // Turbulence fills the range between the extremes more densely in its middle.
        let width = 0.8 * ((pair.flow_high - pair.flow_low) * self.slope * gain).abs();
        let mut limited = Limited::uniform(raw, width, self.low, stop);
        limited.mean += after;
        limited
    }

    /// Log density of a block's current.
    pub fn log_density(&self, pair: &Pair, gain: f64, offset: f64) -> f64 {
        let limited = self.of_block(pair, gain, offset);
        log_density(pair.current - limited.mean, pair.variance + limited.variance)
    }
}

/// The mean of a current that its limits cut, and how uncertain it is for that.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Limited {
    pub mean: f64,
    pub variance: f64,
    /// What the limits took off or added.
    pub cut: f64,
}

impl Limited {
    /// For a current spread evenly over `width` about `mean`, and cut at both ends.
    fn uniform(mean: f64, width: f64, low: f64, high: f64) -> Self {
        let beyond = |over: f64| {
            if over <= -0.5 * width {
                0.0
            } else if over >= 0.5 * width {
                over
            } else {
                (over + 0.5 * width).powi(2) / (2.0 * width)
            }
        };
        let (above, below) = (beyond(mean - high), beyond(low - mean));
        let straddles = [mean - high, low - mean].into_iter().any(|over| over.abs() < 0.5 * width);
        let spread = if straddles { 0.1 * width } else { 0.0 };
        Self { mean: mean - above + below, variance: spread * spread, cut: above + below }
    }
}

/// The flow register shows this many times the truth, from a block on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cause) struct FlowScale {
    pub ratio: f64,
    pub since: usize,
}

impl FlowScale {
    pub const TRUE: Self = Self { ratio: 1.0, since: 0 };

    fn at(self, block: usize) -> f64 {
        if block >= self.since { self.ratio } else { 1.0 }
    }
}

/// The sample noise of a current about its flow: the median over blocks of the spread within them.
fn sample_variance(gathered: &Gathered, scale: &Scale) -> f64 {
    let mut spreads: Vec<f64> = gathered
        .blocks
        .iter()
        .filter(|block| block.current_samples >= 3.0 && block.current_state == CurrentState::Signal && !block.still)
        .map(|block| {
            let n = block.current_samples;
            let current = block.current_squares / n - (block.current_sum / n).powi(2);
            let flow_sum = block.flow_lagged[0];
            let flow = block.flow_squares / n - (flow_sum / n).powi(2);
            let both = block.product_sum / n - block.current_sum / n * flow_sum / n;
            let slope = if flow > 0.0 { (both / flow).clamp(0.0, 5.0 * scale.slope.abs()) } else { 0.0 };
            (current - slope * both).max(0.0) * n / (n - 2.0)
        })
        .collect();
    if spreads.is_empty() {
        return 0.02 * 0.02;
    }
    let middle = spreads.len() / 2;
    let (_, median, _) = spreads.select_nth_unstable_by(middle, f64::total_cmp);
    median.clamp(1e-6, 0.25)
}

/// The pairs through one difference of damping, with the flow divided by what its register shows too much.
pub(super) fn pairs(gathered: &Gathered, scale: &Scale, lag: Lag, flow_scale: FlowScale, gain: f64) -> Vec<Pair> {
    let noise = sample_variance(gathered, scale);
    // Neither the moments of sampling nor the damping are known exactly: so many seconds may lie between the two.
    let apart = 1.0 + 0.4 * gathered.poll + 0.25 * lag.seconds().abs();
    gathered
        .blocks
        .iter()
        .enumerate()
        .filter(|(_, block)| block.current_samples > 0.0 && !block.still && block.seconds() > 0.0)
        .filter(|(_, block)| !is_backwards_unseen(gathered, scale, block))
        .map(|(index, block)| {
            let n = block.current_samples;
            let shown = flow_scale.at(index);
            let (flow, current) = match lag {
                Lag::Loop(place) => (block.flow_lagged[place] / n, block.current_sum / n),
                Lag::Bus(place) => (block.flow_lagged[0] / n, block.current_lagged[place] / n),
            };
            let moved = (block.flow_last - block.flow_first).abs() / shown.abs();
            let range = (block.flow_high - block.flow_low) / shown.abs();
            let slope = scale.slope.abs() * gain.abs();
            let timing = apart * moved.max(0.2 * range) * slope / block.seconds().max(0.5 * gathered.poll).max(apart);
            Pair {
                block: index,
                flow: flow / shown,
                current,
                variance: noise / n + timing * timing + LINEARITY * LINEARITY,
                still_variance: noise.min(STILL_NOISE * STILL_NOISE) / n + LINEARITY * LINEARITY,
                state: block.current_state,
                seconds: block.seconds(),
                flow_low: block.flow_low / shown,
                flow_high: block.flow_high / shown,
            }
        })
        .collect()
}

/// The register has no sign and shows the least it can, and the current is below that: it may well flow backwards.
fn is_backwards_unseen(gathered: &Gathered, scale: &Scale, block: &Block) -> bool {
    let current = block.current_sum / block.current_samples;
    let below = scale.unlimited(block.flow_high, 1.0) - BELOW_IS_BACKWARDS;
    gathered.facts.may_hide_reverse(block.flow_high) && (scale.low - BELOW_IS_BACKWARDS..below).contains(&current)
}

/// Scales the variances to what neighbours differ by, beyond what their flows do; says by how much.
pub(super) fn calibrate(pairs: &mut [Pair], scale: &Scale, gain: f64) -> f64 {
    let mut ratios: Vec<f64> = pairs
        .windows(2)
        .filter(|pair| pair[0].state == CurrentState::Signal && pair[1].state == CurrentState::Signal)
        .map(|pair| {
            let due = scale.of_block(&pair[1], gain, 0.0).mean - scale.of_block(&pair[0], gain, 0.0).mean;
            let surprise = pair[1].current - pair[0].current - due;
            surprise * surprise / (pair[0].variance + pair[1].variance)
        })
        .collect();
    if ratios.len() < 8 {
        return 1.0;
    }
    let middle = ratios.len() / 2;
    let (_, median, _) = ratios.select_nth_unstable_by(middle, f64::total_cmp);
    // The median of a squared standard normal is 0.455.
    let widen = (*median / 0.455).clamp(0.1, 100.0);
    widened(pairs, widen);
    widen
}

/// Scales the variances.
pub(super) fn widened(pairs: &mut [Pair], widen: f64) {
    for pair in pairs {
        pair.variance = (pair.variance * widen).max(0.002 * 0.002);
    }
}

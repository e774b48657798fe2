//! Pairs of flow and current for each block, seen through one difference of damping.

use crate::cause::block::CurrentState;
use crate::cause::damping::{CURRENT_LAGS, FLOW_LAGS};
use crate::cause::gather::Gathered;

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
        })
    }

    /// The current before any limit, for a loop that shows `gain` times the flow and is shifted by `offset`.
    pub fn current(&self, flow: f64, gain: f64, offset: f64) -> f64 {
        let raw = 4.0 + self.slope * (gain * flow - self.at_4_ma);
        raw.clamp(self.low, self.high) + offset
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
    let apart = 0.4 + 0.35 * gathered.poll + 0.2 * lag.seconds().abs();
    gathered
        .blocks
        .iter()
        .enumerate()
        .filter(|(_, block)| block.current_samples > 0.0 && !block.still && block.seconds() > 0.0)
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
                variance: noise / n + timing * timing + 0.003 * 0.003,
                state: block.current_state,
                seconds: block.seconds(),
                flow_low: block.flow_low / shown,
                flow_high: block.flow_high / shown,
            }
        })
        .collect()
}

/// Scales the variances to what neighbours differ by, beyond what their flows do.
pub(super) fn calibrate(pairs: &mut [Pair], scale: &Scale, gain: f64) {
    let slope = scale.slope * gain;
    let mut ratios: Vec<f64> = pairs
        .windows(2)
        .filter(|pair| pair[0].state == CurrentState::Signal && pair[1].state == CurrentState::Signal)
        .map(|pair| {
            let surprise = (pair[1].current - pair[0].current) - slope * (pair[1].flow - pair[0].flow);
            surprise * surprise / (pair[0].variance + pair[1].variance)
        })
        .collect();
    if ratios.len() < 8 {
        return;
    }
    let middle = ratios.len() / 2;
    let (_, median, _) = ratios.select_nth_unstable_by(middle, f64::total_cmp);
    // The median of a squared standard normal is 0.455.
    let widen = (*median / 0.455).clamp(0.1, 100.0);
    for pair in pairs {
        pair.variance = (pair.variance * widen).max(0.002 * 0.002);
    }
}

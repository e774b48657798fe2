//! Cuts repaired rows into blocks: where the flow moves, where a state changes, where enough time has passed.

use crate::reading::MeterFacts;
use crate::units::WallMillis;

use super::block::{Block, BlockSeries, CurrentState};
use super::damping::{CURRENT_LAGS, FLOW_LAGS, LagBank};
use super::intake::Timed;

/// One row after the hard rules.
#[derive(Clone, Copy, Debug)]
pub(super) struct RepairedRow {
    pub at: f64,
    pub wall: WallMillis,
    pub flow: Option<Timed>,
    pub total: Option<Timed>,
    pub total_resolution: f64,
    pub pulses: Option<Timed>,
    pub current: Option<Timed>,
    pub reverse_total: Option<Timed>,
    pub receiver_flow: Option<Timed>,
    pub receiver_total: Option<Timed>,
    pub still: bool,
    pub total_broken: bool,
    pub pulses_broken: bool,
}

/// A current below this is no current at all, in milliamperes.
const OPEN_BELOW: f64 = 1.0;
/// A fault set to the very limit is measured on either side of it: so near to it, in milliamperes, it is one.
const AT_THE_LIMIT: f64 = 0.05;

/// Pulses of the receiver's volume that one count of the meter may be worth at most, to be a rule and no silence.
const LONGEST_RULE: f64 = 30.0;
/// Pulses by which one count moves what is due as a rule, at most: a burst that is lost is none.
const LEARNT: f64 = 0.25;

/// The part of what was seen so far that a block may last, until that is as much as one usually may.
const OF_THE_STRETCH: f64 = 0.125;

/// Builds blocks row by row.
#[derive(Clone, Debug)]
pub(super) struct Assembler {
    series: BlockSeries,
    open: Option<Block>,
    poll: f64,
    flow_step: f64,
    fault: (f64, f64),
    saturates: (f64, f64),
    scale: Option<(f64, f64)>,
    weights: (f64, f64),
    pulse_volume: f64,
    top_rate: f64,
    queued: f64,
    last_flow: Option<Timed>,
    last_total: Option<f64>,
    last_pulses: Option<f64>,
    due: f64,
    /// Pulses due from one count to the next, as a rule.
    usually_due: f64,
    flow_bank: LagBank<{ FLOW_LAGS.len() }>,
    current_bank: LagBank<{ CURRENT_LAGS.len() }>,
    incomplete: u32,
    /// When the first block began.
    began: Option<f64>,
}

impl Assembler {
    pub fn new(facts: &MeterFacts, largest: f64) -> Self {
        let meter = &facts.meter;
        let current_loop = meter.current_loop.as_ref();
        let pulse = meter.pulse.as_ref();
        Self {
            series: BlockSeries::default(),
            open: None,
            poll: 1.0,
            flow_step: 0.015 * largest,
            fault: current_loop.map_or((3.6, 21.0), |declared| (declared.fault.0.0, declared.fault.1.0)),
            saturates: current_loop.map_or((3.8, 20.5), |declared| (declared.saturates.0.0, declared.saturates.1.0)),
            scale: current_loop.map(|declared| (declared.at_4_ma.0, declared.span().0)),
            weights: pulse.map_or((1.0, 0.0), |declared| declared.counts.weights()),
            pulse_volume: pulse.map_or(1.0, |declared| declared.volume.0.max(1e-9)),
            top_rate: pulse.map_or(f64::INFINITY, |declared| {
                1.0 / (declared.on_time.as_secs_f64() + declared.off_time.as_secs_f64()).max(1e-6)
            }),
            queued: 0.0,
            last_flow: None,
            last_total: None,
            last_pulses: None,
            due: 0.0,
            usually_due: 0.0,
            flow_bank: LagBank::new(FLOW_LAGS),
            current_bank: LagBank::new(CURRENT_LAGS),
            incomplete: 0,
            began: None,
        }
    }

    pub const fn set_poll(&mut self, poll: f64) {
        self.poll = poll;
    }

    pub const fn last_total(&self) -> Option<f64> {
        self.last_total
    }

    /// The state that a current signals.
    pub fn state_of(&self, current: f64) -> CurrentState {
        if current < OPEN_BELOW {
            CurrentState::Open
        } else if current <= self.fault.0 + AT_THE_LIMIT {
            CurrentState::LowFault
        } else if current >= self.fault.1 - AT_THE_LIMIT {
            CurrentState::HighFault
        } else {
            CurrentState::Signal
        }
    }

    /// The flow is beyond what the current can show, and the current stands at its upper end.
    pub fn beyond_scale(&self, flow: f64, current: f64) -> bool {
        self.scale.is_some_and(|(at_4_ma, span)| {
            4.0 + 16.0 * (flow - at_4_ma) / span > self.saturates.1 + 0.05 && current > self.saturates.1 - 0.1
        })
    }

    pub fn finish(mut self) -> Vec<Block> {
        if let Some(block) = self.open.take() {
            self.series.push(block);
        }
        self.series.blocks
    }

    pub fn push(&mut self, row: &RepairedRow) {
        let state = row.current.map(|current| self.state_of(current.value));
        let drought = self.count_due(row);
        let must_cut = self.open.as_ref().is_some_and(|block| {
            state.is_some_and(|state| state != block.current_state && block.current_samples > 0.0)
                || row.still != block.still
                || drought != block.drought
                || row.total_broken
                || row.pulses_broken
                || block.total_broken
                || block.pulses_broken
        });
        if must_cut {
            self.cut(row);
        }
        self.add(row, state, drought);
        if self.may_cut(row) {
            self.cut_after(row);
        }
    }

    /// Pulses due since the counter last moved; true when more are overdue than as a rule.
    fn count_due(&mut self, row: &RepairedRow) -> bool {
        if let Some(pulses) = row.pulses {
            if self.last_pulses.is_none_or(|last| pulses.value != last) {
                self.usually_due += (self.due.min(LONGEST_RULE) - self.usually_due).clamp(-LEARNT, LEARNT);
                self.due = 0.0;
            }
            self.last_pulses = Some(pulses.value);
        }
        self.due >= (4.0 * self.usually_due).max(3.0)
    }

    fn may_cut(&mut self, row: &RepairedRow) -> bool {
        let Some(block) = self.open.as_ref() else { return false };
        let complete = (row.flow.is_some() || block.flow_seconds == 0.0)
            && (row.total.is_some() || block.total.is_none())
            && (row.pulses.is_some() || block.pulses.is_none());
        if !complete {
            self.incomplete += 1;
            if self.incomplete < 12 {
                return false;
            }
        }
        self.incomplete = 0;
        let stretch = f64::from(1_u32 << self.series.halvings.min(20));
        let length = row.at - block.from;
        // A short stretch needs its blocks, too: they grow with it up to the usual length.
        let begun = *self.began.get_or_insert(block.from);
        let usual = 45.0_f64.max(4.0 * self.poll) * stretch;
        let longest = usual.min(((row.at - begun) * OF_THE_STRETCH).max(3.0 * self.poll));
        let shortest = (1.9 * self.poll).max(8.0);
        let moved = row.flow.is_some_and(|flow| (flow.value - block.flow_mean()).abs() > self.flow_step);
        length >= longest || (length >= shortest && moved)
    }

    /// Ends the block before this row.
    fn cut(&mut self, row: &RepairedRow) {
        if let Some(block) = self.open.take() {
            if block.current_samples > 0.0 || block.to > block.from {
                let (to, wall) = (block.to, block.wall_to);
                self.series.push(block);
                self.open = Some(self.fresh(to, wall, row));
            } else {
                self.open = Some(block);
            }
        }
    }

    /// Ends the block with this row, which also begins the next one.
    fn cut_after(&mut self, row: &RepairedRow) {
        if let Some(block) = self.open.take() {
            self.series.push(block);
            self.open = Some(self.fresh(row.at, row.wall, row));
        }
    }

    fn fresh(&self, at: f64, wall: WallMillis, row: &RepairedRow) -> Block {
        let flow = self.last_flow.map_or(f64::NAN, |flow| flow.value);
        Block {
            from: at,
            to: at,
            wall_from: wall,
            wall_to: wall,
            forward: 0.0,
            reverse: 0.0,
            sampling_variance: 0.0,
            flow_seconds: 0.0,
            flow_first: flow,
            flow_last: flow,
            flow_low: flow,
            flow_high: flow,
            total: None,
            total_resolution: row.total_resolution,
            reverse_total: None,
            pulses: None,
            skew_litres: 0.0,
            receiver_total: None,
            queued: self.queued,
            current_state: CurrentState::Signal,
            current_samples: 0.0,
            current_sum: 0.0,
            current_squares: 0.0,
            current_low: f64::INFINITY,
            current_high: f64::NEG_INFINITY,
            product_sum: 0.0,
            flow_squares: 0.0,
            flow_lagged: [0.0; FLOW_LAGS.len()],
            current_lagged: [0.0; CURRENT_LAGS.len()],
            receiver_samples: 0.0,
            receiver_sum: 0.0,
            receiver_current_sum: 0.0,
            still: row.still,
            drought: false,
            total_broken: false,
            pulses_broken: false,
        }
    }

    fn add(&mut self, row: &RepairedRow, state: Option<CurrentState>, drought: bool) {
        let mut block = match self.open.take() {
            Some(block) => block,
            None => self.fresh(row.at, row.wall, row),
        };
        block.to = row.at;
        block.wall_to = row.wall;
        block.still = row.still;
        block.drought = drought;
        block.total_broken |= row.total_broken;
        block.pulses_broken |= row.pulses_broken;
        if let Some(flow) = row.flow {
            self.add_flow(&mut block, flow);
        }
        if let Some(total) = row.total {
            block.total = Some(total.value);
            block.total_resolution = row.total_resolution;
            self.last_total = Some(total.value);
            if let Some(pulses) = row.pulses {
                block.skew_litres = (pulses.at - total.at) * self.last_flow.map_or(0.0, |flow| flow.value);
            }
        } else if row.pulses.is_some() {
            // A count without a total beside it cannot be held against one.
            block.total = None;
        }
        block.pulses = row.pulses.map(|pulses| pulses.value);
        if row.pulses.is_none() && row.total.is_none() {
            block.total = None;
        }
        block.reverse_total = row.reverse_total.map(|total| total.value);
        block.receiver_total = row.receiver_total.map(|total| total.value);
        block.queued = self.queued;
        if let (Some(current), Some(state)) = (row.current, state) {
            self.add_current(&mut block, row, current, state);
        }
        self.open = Some(block);
    }

    fn add_flow(&mut self, block: &mut Block, flow: Timed) {
        self.flow_bank.push(flow.at, flow.value);
        if let Some(last) = self.last_flow {
            let seconds = flow.at - last.at;
            if seconds > 0.0 {
                let forward = 0.5 * seconds * (last.value.max(0.0) + flow.value.max(0.0));
                let reverse = 0.5 * seconds * ((-last.value).max(0.0) + (-flow.value).max(0.0));
                block.forward += forward;
                block.reverse += reverse;
                block.flow_seconds += seconds;
                let change = seconds * (flow.value - last.value);
                block.sampling_variance += change * change / 12.0;
                if seconds > 30.0_f64.max(5.0 * self.poll) {
                    // A gap: nobody saw the flow meanwhile.
                    let unseen = 0.5 * seconds * last.value.abs().max(flow.value.abs());
                    block.sampling_variance += unseen * unseen;
                }
                let due = (self.weights.0 * forward + self.weights.1 * reverse) / self.pulse_volume;
                self.due += due;
                self.queued = (self.queued + due - self.top_rate * seconds).max(0.0);
            }
        }
        if block.flow_first.is_nan() {
            block.flow_first = flow.value;
            block.flow_low = flow.value;
            block.flow_high = flow.value;
        }
        block.flow_last = flow.value;
        block.flow_low = block.flow_low.min(flow.value);
        block.flow_high = block.flow_high.max(flow.value);
        self.last_flow = Some(flow);
    }

    fn add_current(&mut self, block: &mut Block, row: &RepairedRow, current: Timed, state: CurrentState) {
        self.current_bank.push(current.at, current.value);
        if block.current_samples == 0.0 {
            block.current_state = state;
        }
        let Some(flow) = row.flow.or_else(|| self.last_flow.filter(|flow| current.at - flow.at < 2.5 * self.poll))
        else {
            return;
        };
        block.current_samples += 1.0;
        block.current_sum += current.value;
        block.current_squares += current.value * current.value;
        block.current_low = block.current_low.min(current.value);
        block.current_high = block.current_high.max(current.value);
        block.product_sum += current.value * flow.value;
        block.flow_squares += flow.value * flow.value;
        self.flow_bank.add_to(&mut block.flow_lagged);
        self.current_bank.add_to(&mut block.current_lagged);
        if let Some(receiver) = row.receiver_flow {
            block.receiver_samples += 1.0;
            block.receiver_sum += receiver.value;
            block.receiver_current_sum += current.value;
        }
    }
}

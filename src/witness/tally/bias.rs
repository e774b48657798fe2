//! Does one flow lie beyond what is tolerated above or below another? A sequential test on blocks of readings.
//!
//! A block ends where the flow is back near where it began, or so long after that whatever lags can no longer matter: the
//! integral of a first-order lag's error over any transient is the time constant times the net change of the lagged
//! signal, exactly. What remains of it, and every rounding, is taken off the block's excess before it counts.

use serde::{Deserialize, Serialize};

use super::finding::{Between, DisagreementKind, Largest, Moment, Verdict};
use super::sequential::{Bank, OPERATING_THRESHOLDS};
use crate::declared::FlowTolerance;

/// A block ends when what lag and rounding can have done is at most this share of what is tolerated, or of what is seen.
const ALLOWANCE_SHARE: f64 = 0.25;
/// A block that cannot end by then is given up, in seconds...
const LONGEST_BLOCK_S: f64 = 900.0;
/// ...unless rounding needs longer: so many times the rounding over what is tolerated.
const ROUNDING_BLOCKS: f64 = 8.0;
/// The spread of blocks is never taken to be less than this share of what is tolerated.
const SMALLEST_SPREAD_SHARE: f64 = 0.05;
/// Before any blocks are known, the spread counts as this share of what is tolerated, with the weight of some blocks.
const FIRST_SPREAD_SHARE: f64 = 0.3;
const FIRST_SPREAD_WEIGHT: f64 = 4.0;
/// The spread is forgotten over so many blocks.
const SPREAD_MEMORY: f64 = 500.0;
/// A jump from one block to the next counts for no more than so many spreads.
const LARGEST_JUMP: f64 = 4.0;
/// A lag is learnt from blocks over which the flow changed by this share of the span at least.
const LAG_LEARNT_FROM: f64 = 0.05;
/// The lag allowed for is this many times the lag learnt.
const LAG_MARGIN: f64 = 1.5;
/// An open disagreement is told again after so many seconds, if it grew.
const SECONDS_TO_TELL_AGAIN: f64 = 3600.0;
/// Blocks needed before the whole stretch is called an agreement.
const BLOCKS_TO_AGREE: u64 = 2;

/// What is declared about the two flows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BiasRules {
    /// Which tally.
    pub between: Between,
    /// `Bias` or `Volume`.
    pub kind: DisagreementKind,
    /// The flow that tolerances in percent of span refer to, L/s.
    pub span: f64,
    /// Let pass, as a share of span or reading.
    pub flow_share: f64,
    /// `flow_share` is of the reading.
    pub of_reading: bool,
    /// What the measuring input's accuracy explains, L/s.
    pub accuracy: f64,
    /// Let pass besides, as a share of the volume.
    pub volume_share: f64,
    /// Two witnesses may lag each other so much, in seconds.
    pub lag_s: f64,
    /// A block takes so long at least, in seconds.
    pub shortest_block_s: f64,
}

impl BiasRules {
    /// The share, and whether it is of the reading.
    #[must_use]
    pub const fn share_of(tolerance: FlowTolerance) -> (f64, bool) {
        match tolerance {
            FlowTolerance::OfSpan(share) => (share, false),
            FlowTolerance::OfReading(share) => (share, true),
        }
    }

    /// The bias that is let pass at a mean flow, L/s. Tolerance and accuracy are independent: they add in quadrature.
    #[must_use]
    pub fn let_pass(&self, flow: f64) -> f64 {
        let tolerance = self.flow_share * if self.of_reading { flow.abs() } else { self.span };
        tolerance.hypot(self.accuracy) + self.volume_share * flow.abs()
    }
}

/// Both witnesses at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BiasPoint {
    /// The reading.
    pub moment: Moment,
    /// Litres by the first witness, since any fixed beginning.
    pub first: f64,
    /// Litres by the second.
    pub second: f64,
    /// Litres by which rounding and instants can falsify `second - first`.
    pub rounding: f64,
    /// Litres that the integrals of flows can be wrong by since the last point, where a flow jumped in between.
    pub jump: f64,
    /// Flows by the witnesses that show one, L/s: their net change times the lag bounds what lag does.
    pub levels: [f64; 2],
}

/// What one point did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BiasChange {
    /// A disagreement began.
    Opened,
    /// The open one is larger than when last told.
    Grew,
    /// The open one is over.
    Closed,
}

/// Litres and seconds, summed over blocks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sums {
    /// By the first witness.
    pub first: f64,
    /// By the second.
    pub second: f64,
    /// Of what is let pass.
    pub let_pass: f64,
    /// Of what lag and rounding allow.
    pub allowance: f64,
    /// Seconds.
    pub seconds: f64,
    /// Blocks.
    pub blocks: u64,
}

impl Sums {
    fn add(&mut self, block: &Block) {
        self.first += block.first;
        self.second += block.second;
        self.let_pass += block.let_pass * block.seconds;
        self.allowance += block.allowance * block.seconds;
        self.seconds += block.seconds;
        self.blocks += 1;
    }
}

/// An open disagreement between flows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenBias {
    /// What kind.
    pub kind: DisagreementKind,
    /// When it was certain.
    pub opened: Moment,
    /// When it began, as far as can be told.
    pub began: Moment,
    /// When it was over.
    pub closed: Option<Moment>,
    /// At its largest.
    pub largest: Largest,
    sign: f64,
    sums: Sums,
    told_at: Moment,
    told: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Side {
    bank: Bank,
    sums: Sums,
    since: Option<Moment>,
}

struct Block {
    first: f64,
    second: f64,
    seconds: f64,
    let_pass: f64,
    allowance: f64,
}

impl Block {
    fn bias(&self) -> f64 {
        (self.second - self.first) / self.seconds
    }
}

/// The state of one tally of flows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BiasTest {
    /// What is declared.
    pub rules: BiasRules,
    start: Option<BiasPoint>,
    last: Option<BiasPoint>,
    largest_jump: f64,
    above: Side,
    below: Side,
    within: Bank,
    spread_sum: f64,
    spread_weight: f64,
    last_bias: Option<f64>,
    lag_rising: Option<f64>,
    lag_falling: Option<f64>,
    /// All blocks so far.
    pub judged: Sums,
    /// Seconds that were not judged.
    pub excluded_s: f64,
    /// Litres that were not judged.
    pub excluded_l: f64,
    /// The open disagreement.
    pub open: Option<OpenBias>,
    /// The last that was closed.
    pub last_closed: Option<OpenBias>,
    /// Disagreements so far.
    pub disagreements: u64,
}

impl BiasTest {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(rules: BiasRules) -> Self {
        Self {
            rules,
            start: None,
            last: None,
            largest_jump: 0.0,
            above: Side::default(),
            below: Side::default(),
            within: Bank::default(),
            spread_sum: 0.0,
            spread_weight: 0.0,
            last_bias: None,
            lag_rising: None,
            lag_falling: None,
            judged: Sums::default(),
            excluded_s: 0.0,
            excluded_l: 0.0,
            open: None,
            last_closed: None,
            disagreements: 0,
        }
    }

    /// The next readings do not follow from the last: a gap, a current that is no flow, maintenance. The unfinished block
    /// is given up and counted as excluded.
    pub fn interrupt(&mut self) {
        if let (Some(start), Some(last)) = (self.start.take(), self.last.take()) {
            self.excluded_s += last.moment.steady.since(start.moment.steady).0;
            self.excluded_l += (last.first - start.first).abs();
        }
    }

    /// Time that passed unseen, and the volume that went by in it.
    pub fn exclude(&mut self, seconds: f64, litres: f64) {
        self.excluded_s += seconds;
        self.excluded_l += litres.abs();
    }

    /// Takes both witnesses at the next moment.
    pub fn push(&mut self, point: BiasPoint) -> Option<BiasChange> {
        let Some(start) = self.start else {
            self.begin(point);
            return None;
        };
        self.last = Some(point);
        self.largest_jump = self.largest_jump.max(point.jump);
        let seconds = point.moment.steady.since(start.moment.steady).0;
        if seconds < self.rules.shortest_block_s {
            return None;
        }
        let change = [0, 1].map(|level: usize| point.levels[level] - start.levels[level]);
        let rounding = start.rounding + point.rounding + self.largest_jump;
        let moved = change[0].abs().max(change[1].abs());
        let allowance = (self.lag() * moved + rounding) / seconds;
        let first = point.first - start.first;
        let second = point.second - start.second;
        let let_pass = self.rules.let_pass(first / seconds);
        let block = Block { first, second, seconds, let_pass, allowance };
        if allowance <= ALLOWANCE_SHARE * let_pass.max(block.bias().abs()) {
            self.learn_lag(&block, change[1]);
            self.begin(point);
            return self.judge(&block, start.moment, point.moment);
        }
        if seconds > LONGEST_BLOCK_S.max(ROUNDING_BLOCKS * rounding / let_pass.max(f64::MIN_POSITIVE)) {
            self.learn_lag(&block, change[1]);
            self.interrupt();
            self.begin(point);
        }
        None
    }

    fn begin(&mut self, point: BiasPoint) {
        self.start = Some(point);
        self.last = Some(point);
        self.largest_jump = 0.0;
    }

    /// Seconds of lag that are allowed for.
    #[must_use]
    pub fn lag(&self) -> f64 {
        let learnt = match (self.lag_rising, self.lag_falling) {
            (Some(rising), Some(falling)) if rising * falling > 0.0 => rising.abs().min(falling.abs()),
            _ => 0.0,
        };
        self.rules.lag_s.max(LAG_MARGIN * learnt)
    }

    /// The verdict over all that was judged.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let sums = &self.judged;
        if self.open.is_some() || self.is_beyond() {
            Verdict::Disagree
        } else if sums.blocks >= BLOCKS_TO_AGREE {
            Verdict::Agree
        } else {
            Verdict::Undecided
        }
    }

    /// Whether the difference over all that was judged is beyond what is let pass over all of it.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "blocks are counted by the minute")]
    pub fn is_beyond(&self) -> bool {
        let sums = &self.judged;
        let blocks = sums.blocks as f64;
        if sums.blocks < BLOCKS_TO_AGREE {
            return false;
        }
        let chance = 4.0 * self.spread(sums.let_pass / sums.seconds) * sums.seconds / blocks.sqrt();
        (sums.second - sums.first).abs() > sums.let_pass + sums.allowance + chance
    }

    fn spread(&self, let_pass: f64) -> f64 {
        let first = (FIRST_SPREAD_SHARE * let_pass).powi(2) * FIRST_SPREAD_WEIGHT;
        let variance = (first + self.spread_sum) / (FIRST_SPREAD_WEIGHT + self.spread_weight);
        variance.sqrt().max(SMALLEST_SPREAD_SHARE * let_pass)
    }

    fn learn_spread(&mut self, bias: f64, let_pass: f64) {
        if let Some(before) = self.last_bias.replace(bias) {
            let spread = self.spread(let_pass);
            let jump = (bias - before).abs().min(LARGEST_JUMP * spread);
            let keep = 1.0 - 1.0 / SPREAD_MEMORY;
            self.spread_sum = keep * self.spread_sum + 0.5 * jump * jump;
            self.spread_weight = keep * self.spread_weight + 1.0;
        }
    }

    fn learn_lag(&mut self, block: &Block, change: f64) {
        if change.abs() < LAG_LEARNT_FROM * self.rules.span {
            return;
        }
        let lag = (block.first - block.second) / change;
        let slot = if change > 0.0 { &mut self.lag_rising } else { &mut self.lag_falling };
        *slot = Some(slot.map_or(lag, |before| 0.8 * before + 0.2 * lag));
    }

    fn judge(&mut self, block: &Block, began: Moment, ended: Moment) -> Option<BiasChange> {
        self.judged.add(block);
        let bias = block.bias();
        self.learn_spread(bias, block.let_pass);
        let spread = self.spread(block.let_pass);
        if let Some(mut open) = self.open {
            open.sums.add(block);
            let told = self.enlarge(&mut open, ended);
            let score = (block.let_pass - block.allowance - open.sign * bias) / spread;
            if open.kind == self.rules.kind && self.within.push(score, &OPERATING_THRESHOLDS) {
                open.closed = Some(ended);
                self.close(open);
                return Some(BiasChange::Closed);
            }
            self.open = Some(open);
            return told.then_some(BiasChange::Grew);
        }
        for (sign, above) in [(1.0, true), (-1.0, false)] {
            let side = if above { &mut self.above } else { &mut self.below };
            let score = (sign * bias - block.let_pass - block.allowance) / spread;
            let alarm = side.bank.push(score, &OPERATING_THRESHOLDS);
            if side.bank.blocks_since_zero == 0 {
                *side = Side::default();
                continue;
            }
            side.since.get_or_insert(began);
            side.sums.add(block);
            if alarm {
                let side = *side;
                self.start_open(self.rules.kind, sign, side.since.unwrap_or(began), ended, side.sums);
                return Some(BiasChange::Opened);
            }
        }
        None
    }

    fn start_open(&mut self, kind: DisagreementKind, sign: f64, began: Moment, opened: Moment, sums: Sums) {
        self.above = Side::default();
        self.below = Side::default();
        self.within.reset();
        self.disagreements += 1;
        let largest = self.size(&sums, opened);
        self.open = Some(OpenBias {
            kind,
            opened,
            began,
            closed: None,
            largest,
            sign,
            sums,
            told_at: opened,
            told: largest.difference.abs(),
        });
    }

    /// Opens a disagreement about this very moment's flows, unless one is open; true if it did.
    pub fn contradict(&mut self, kind: DisagreementKind, began: Moment, now: Moment, flows: [f64; 2]) -> bool {
        if self.open.is_some() {
            return false;
        }
        let sums = Sums {
            first: flows[0],
            second: flows[1],
            let_pass: self.rules.let_pass(flows[0]),
            seconds: 1.0,
            ..Sums::default()
        };
        self.start_open(kind, 1.0, began, now, sums);
        true
    }

    /// Ends the open disagreement if it is of this kind; true if it did.
    pub fn contradiction_over(&mut self, kind: DisagreementKind, now: Moment) -> bool {
        match self.open {
            Some(mut open) if open.kind == kind => {
                open.closed = Some(now);
                self.close(open);
                true
            }
            _ => false,
        }
    }

    fn close(&mut self, open: OpenBias) {
        self.last_closed = Some(open);
        self.open = None;
        self.above = Side::default();
        self.below = Side::default();
        self.within.reset();
    }

    /// Keeps the largest size; true if it should be told again.
    fn enlarge(&self, open: &mut OpenBias, now: Moment) -> bool {
        let size = self.size(&open.sums, now);
        if size.difference.abs() <= open.largest.difference.abs() {
            return false;
        }
        open.largest = size;
        let waited = now.steady.since(open.told_at.steady).0;
        let grown = size.difference.abs();
        if grown >= 2.0 * open.told || (waited >= SECONDS_TO_TELL_AGAIN && grown > 1.1 * open.told) {
            open.told = grown;
            open.told_at = now;
            return true;
        }
        false
    }

    fn size(&self, sums: &Sums, at: Moment) -> Largest {
        let per = if self.is_volume() { 1.0 } else { sums.seconds.max(1e-3) };
        Largest {
            at,
            difference: (sums.second - sums.first) / per,
            unit: self.rules.between.unit(),
            ratio: (sums.first != 0.0).then(|| sums.second / sums.first),
            tolerance: sums.let_pass / per,
            pulses: None,
        }
    }

    /// Differences are told as volumes, not as mean flows.
    #[must_use]
    pub const fn is_volume(&self) -> bool {
        matches!(self.rules.kind, DisagreementKind::Volume)
    }
}

//! Does one flow lie beyond what is tolerated above or below another? A sequential test on blocks of readings.
//!
//! A block ends where the flow is back near where it began, or so long after that whatever lags can no longer matter: the
//! integral of a first-order lag's error over any transient is the time constant times the net change of the lagged
//! signal, exactly. What remains of it, and every rounding, is taken off the block's excess before it counts. Lags of other
//! shapes are bounded by [`lately`](super::lately).
//!
//! A wrong span shows only where there is flow, a clipped current only where there is much: blocks are judged together
//! with those of like flow, so that hours of rest hide nothing, and a disagreement ends only at a flow like that at which
//! it was seen.

use serde::{Deserialize, Serialize};

pub use super::blocks::Sums;
use super::blocks::{Block, Sides, Spread};
use super::extremes::larger;
use super::finding::{DisagreementKind, Largest, Moment, Verdict};
use super::lately::{Lately, Recent, worst_lag};
use super::rules::{BiasRules, QUIET_TO_CLOSE, SAME_TROUBLE_S};
use super::sequential::{Bank, OPERATING_THRESHOLDS};

/// A block ends when what lag and rounding can have done is at most this share of what is tolerated, or of what is seen.
const ALLOWANCE_SHARE: f64 = 0.25;
/// It ends only when a lag of any shape can have done no more than this share of what is tolerated...
const LAG_SHARE: f64 = 0.5;
/// ...or this share of what is seen: a difference that a lag made is never more than the worst lag makes.
const LAG_SHARE_OF_SEEN: f64 = 0.25;
/// A block that cannot end may begin anew where the flow was calmer, by this factor, than where it began or since...
const CALMER: f64 = 0.5;
/// ...or after so many seconds.
const BEGINS_ANEW_S: f64 = 600.0;
/// A block that could not end is looked at again when it is older by this factor.
const LOOKS_AGAIN: f64 = 1.25;
/// A difference of so many times what is tolerated is plain to see.
const PLAIN_TO_SEE: f64 = 4.0;
/// A block that cannot end by then is given up, in seconds...
const LONGEST_BLOCK_S: f64 = 3600.0;
/// ...unless rounding needs longer: so many times the rounding over what is tolerated.
const ROUNDING_BLOCKS: f64 = 8.0;
/// A lag is learnt from blocks over which the flow changed by this share of the span at least.
const LAG_LEARNT_FROM: f64 = 0.05;
/// The lag allowed for is this many times the lag learnt.
const LAG_MARGIN: f64 = 1.5;
/// An open disagreement is told again when it doubled, or when it grew by a tenth in so many seconds.
const SECONDS_TO_GROW: f64 = 60.0;
/// Blocks needed before the whole stretch is called an agreement.
const BLOCKS_TO_AGREE: u64 = 2;
/// Blocks are judged with those of like mean flow, as a share of the span: reverse, at rest, and so on up.
const FLOW_BANDS: [f64; BANDS - 1] = [-0.01, 0.01, 0.25, 0.5, 0.75];
const BANDS: usize = 6;

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
    /// What sampling alone makes of `second - first` since any fixed beginning, in squared litres, one variance.
    pub noise: f64,
    /// Litres that the integrals of flows can be wrong by since any fixed beginning, where flows jumped between readings.
    pub jumps: f64,
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
    sums: Sums,
    told_at: Moment,
    told: f64,
    /// The band of flows in which it was seen, where that matters.
    band: Option<usize>,
    /// The last block that was beyond what is let pass.
    beyond: Moment,
    /// The longest quiet so far between two such blocks, in seconds.
    longest_quiet_s: f64,
}

/// Where a block began.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Begin {
    point: BiasPoint,
    recent: Recent,
}

/// The state of one tally of flows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BiasTest {
    /// What is declared.
    pub rules: BiasRules,
    start: Option<Begin>,
    /// A later beginning, in case that the first one's block cannot end.
    anew: Option<Begin>,
    last: Option<BiasPoint>,
    lately: Lately,
    /// It is looked at again when the block is so old, in seconds.
    look_again_s: f64,
    of_any_flow: Sides,
    of_like_flow: [Sides; BANDS],
    within: Bank,
    spreads: [Spread; BANDS],
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
            anew: None,
            last: None,
            lately: Lately::default(),
            look_again_s: 0.0,
            of_any_flow: Sides::default(),
            of_like_flow: Default::default(),
            within: Bank::default(),
            spreads: Default::default(),
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
        self.pause();
        self.lately.clear();
    }

    /// What comes now is not to be judged, but nothing flows that both witnesses could tell.
    pub fn pause(&mut self) {
        if let (Some(start), Some(last)) = (self.start.take(), self.last.take()) {
            self.leave_out(&start.point, &last);
        }
        self.anew = None;
    }

    fn leave_out(&mut self, from: &BiasPoint, to: &BiasPoint) {
        self.excluded_s += to.moment.steady.since(from.moment.steady).0;
        self.excluded_l += (to.first - from.first).abs();
    }

    /// Time that passed unseen, and the volume that went by in it.
    pub fn exclude(&mut self, seconds: f64, litres: f64) {
        self.excluded_s += seconds;
        self.excluded_l += litres.abs();
    }

    /// Takes both witnesses at the next moment.
    #[inline]
    pub fn push(&mut self, point: BiasPoint) -> Option<BiasChange> {
        let is_kept = self.lately.push(point.moment, [point.first, point.second]);
        self.remember(&point);
        let Some(start) = &self.start else {
            self.begin();
            return None;
        };
        let seconds = point.moment.steady.since(start.point.moment.steady).0;
        if seconds < self.rules.shortest_block_s {
            return None;
        }
        // What is plain to see is looked for at every reading, the rest where a place is kept.
        let may_end = is_kept && seconds >= self.look_again_s;
        if !may_end {
            let first = point.first - start.point.first;
            let seen = ((point.second - start.point.second) - first).abs();
            if !self.is_plain(seen, first, seconds) {
                return None;
            }
        }
        self.try_to_end(is_kept, seconds)
    }

    /// One field after the other, in place: copied as a whole they would be waited for.
    #[inline]
    const fn remember(&mut self, point: &BiasPoint) {
        let Some(last) = &mut self.last else {
            self.last = Some(*point);
            return;
        };
        last.moment = point.moment;
        last.first = point.first;
        last.second = point.second;
        last.rounding = point.rounding;
        last.noise = point.noise;
        last.jumps = point.jumps;
        last.levels = point.levels;
    }

    /// Whether a difference of volumes is far beyond what is let pass.
    fn is_plain(&self, seen: f64, first: f64, seconds: f64) -> bool {
        // Most are not by far, which needs neither root nor quotient.
        seen > PLAIN_TO_SEE * self.rules.least_let_pass(first, seconds)
            && seen > PLAIN_TO_SEE * self.rules.let_pass(first / seconds) * seconds
    }

    /// Ends the block that runs, or the one that began anew, if it can end here.
    #[inline(never)]
    fn try_to_end(&mut self, is_kept: bool, seconds: f64) -> Option<BiasChange> {
        let (Some(start), Some(point)) = (&self.start, &self.last) else { return None };
        let recent = self.recent(point);
        if let Some(block) = self.block(start, point, &recent) {
            let (begin, point) = (start.point, *point);
            return self.end_block(&block, &begin, point, recent);
        }
        if let Some(anew) = &self.anew
            && point.moment.steady.since(anew.point.moment.steady).0 >= self.rules.shortest_block_s
            && let Some(block) = self.block(anew, point, &recent)
        {
            let (begin, anew, point) = (start.point, anew.point, *point);
            self.leave_out(&begin, &anew);
            return self.end_block(&block, &anew, point, recent);
        }
        if is_kept {
            self.look_again_s = LOOKS_AGAIN * seconds;
            if self.is_better_beginning(point, &recent) {
                self.anew = Some(Begin { point: *point, recent });
            }
        }
        let begin = &start.point;
        let rounding = begin.rounding + point.rounding + (point.jumps - begin.jumps);
        let let_pass = self.rules.let_pass((point.first - begin.first) / seconds);
        if seconds > LONGEST_BLOCK_S.max(ROUNDING_BLOCKS * rounding / let_pass.max(f64::MIN_POSITIVE)) {
            let (begin, point) = (*begin, *point);
            self.leave_out(&begin, &point);
            self.begin();
        }
        None
    }

    /// A moment at which the flow is calmer than where the block began may be a better one to begin from.
    fn is_better_beginning(&self, point: &BiasPoint, recent: &Recent) -> bool {
        let unrest = recent.unrest();
        unrest.is_finite()
            && self.anew.as_ref().is_none_or(|it| {
                unrest < CALMER * it.recent.unrest().max(worst_lag(&it.recent, recent, 0.0))
                    || point.moment.steady.since(it.point.moment.steady).0 > BEGINS_ANEW_S
            })
    }

    /// The block between two points, if it can end there: if neither lag nor rounding can have done much to it.
    fn block(&self, start: &Begin, point: &BiasPoint, recent: &Recent) -> Option<Block> {
        let begin = &start.point;
        let seconds = point.moment.steady.since(begin.moment.steady).0;
        let change = [0, 1].map(|level: usize| point.levels[level] - begin.levels[level]);
        let moved = larger(change[0].abs(), change[1].abs());
        let known_to = begin.rounding + point.rounding;
        let allowance = (self.lag() * moved + known_to + (point.jumps - begin.jumps)) / seconds;
        let first = point.first - begin.first;
        let second = point.second - begin.second;
        let let_pass = self.rules.let_pass(first / seconds);
        let noise = (point.noise - begin.noise).max(0.0).sqrt() / seconds;
        let block = Block { first, second, seconds, let_pass, allowance, noise, change: change[1] };
        let seen = block.bias().abs();
        if allowance > ALLOWANCE_SHARE * larger(let_pass, seen) {
            return None;
        }
        let worst = worst_lag(&start.recent, recent, known_to) / seconds;
        (worst <= larger(LAG_SHARE * let_pass, LAG_SHARE_OF_SEEN * seen)).then_some(block)
    }

    fn end_block(&mut self, block: &Block, begin: &BiasPoint, end: BiasPoint, recent: Recent) -> Option<BiasChange> {
        self.learn_lag(block);
        self.start = Some(Begin { point: end, recent });
        self.anew = None;
        self.look_again_s = 0.0;
        self.judge(block, begin.moment, end.moment)
    }

    /// A block begins at the last point.
    #[cold]
    fn begin(&mut self) {
        self.start = self.last.map(|point| Begin { point, recent: self.recent(&point) });
        self.anew = None;
        self.look_again_s = 0.0;
    }

    fn recent(&self, point: &BiasPoint) -> Recent {
        self.lately.recent(point.moment, [point.first, point.second])
    }

    /// Seconds of lag that are allowed for.
    #[must_use]
    pub fn lag(&self) -> f64 {
        let learnt = match (self.lag_rising, self.lag_falling) {
            (Some(rising), Some(falling)) if rising * falling > 0.0 => rising.abs().min(falling.abs()),
            _ => 0.0,
        };
        larger(self.rules.lag_s, LAG_MARGIN * learnt)
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
        if sums.blocks < BLOCKS_TO_AGREE {
            return false;
        }
        let let_pass = sums.let_pass / sums.seconds;
        let spread = self.spreads.iter().map(|spread| spread.of(let_pass, 1.0)).fold(0.0, f64::max);
        let chance = 4.0 * spread * sums.seconds / (sums.blocks as f64).sqrt();
        (sums.second - sums.first).abs() > sums.let_pass + sums.allowance + chance
    }

    fn learn_lag(&mut self, block: &Block) {
        let change = block.change;
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
        let band = self.band(block.first / block.seconds);
        let length = block.seconds / self.rules.shortest_block_s;
        self.spreads[band].learn(bias, block.let_pass, length);
        let spread = self.spreads[band].of(block.let_pass, length).max(block.noise);
        if let Some(mut open) = self.open {
            open.sums.add(block);
            let told = self.enlarge(&mut open, ended);
            let score = (block.let_pass - block.allowance - bias.abs()) / spread;
            let is_alike = open.kind == self.rules.kind && open.band.is_none_or(|seen_in| seen_in == band);
            let quiet_s = ended.steady.since(open.beyond.steady).0;
            if bias.abs() > block.let_pass + block.allowance {
                open.beyond = ended;
                open.longest_quiet_s = open.longest_quiet_s.max(quiet_s - block.seconds);
            }
            if is_alike
                && self.within.push(score, &OPERATING_THRESHOLDS)
                && quiet_s >= QUIET_TO_CLOSE * open.longest_quiet_s
            {
                open.closed = Some(ended);
                self.close(open);
                return Some(BiasChange::Closed);
            }
            self.open = Some(open);
            return told.then_some(BiasChange::Grew);
        }
        for (place, sign) in [1.0, -1.0].into_iter().enumerate() {
            let score = (sign * bias - block.let_pass - block.allowance) / spread;
            let of_any = self.of_any_flow[place].push(score, block, began);
            let of_like = self.of_like_flow[band][place].push(score, block, began);
            if of_any || of_like {
                let side = if of_any { self.of_any_flow[place] } else { self.of_like_flow[band][place] };
                self.start_open(self.rules.kind, side.since.unwrap_or(began), ended, side.sums);
                if let Some(open) = &mut self.open {
                    open.band = Some(band);
                }
                return Some(BiasChange::Opened);
            }
        }
        None
    }

    /// The quiet since the last disagreement, if this is likely to be the same again.
    fn quiet_before(&self, began: Moment) -> f64 {
        let Some(last) = &self.last_closed else { return 0.0 };
        let quiet_s = began.steady.since(last.beyond.steady).0;
        if quiet_s > SAME_TROUBLE_S { 0.0 } else { quiet_s.max(last.longest_quiet_s) }
    }

    /// The band that a flow belongs to.
    fn band(&self, flow: f64) -> usize {
        let share = flow / self.rules.span.max(f64::MIN_POSITIVE);
        FLOW_BANDS.iter().filter(|edge| share > **edge).count()
    }

    fn start_open(&mut self, kind: DisagreementKind, began: Moment, opened: Moment, sums: Sums) {
        self.forget_sides();
        self.disagreements += 1;
        let largest = self.size(&sums, opened);
        self.open = Some(OpenBias {
            kind,
            opened,
            began,
            closed: None,
            largest,
            sums,
            told_at: opened,
            told: largest.difference.abs(),
            band: None,
            beyond: opened,
            longest_quiet_s: self.quiet_before(began),
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
        self.start_open(kind, began, now, sums);
        let band = (kind == self.rules.kind).then(|| self.band(flows[0]));
        if let Some(open) = &mut self.open {
            open.band = band;
        }
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
        self.forget_sides();
    }

    fn forget_sides(&mut self) {
        self.of_any_flow = Sides::default();
        self.of_like_flow = Default::default();
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
        if grown >= 2.0 * open.told || (waited >= SECONDS_TO_GROW && grown > 1.1 * open.told) {
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
            difference_most: None,
            unit: self.rules.between.unit(),
            ratio: (sums.first != 0.0).then(|| sums.second / sums.first),
            tolerance: sums.let_pass / per,
            pulses: None,
            pulses_most: None,
        }
    }

    /// Differences are told as volumes, not as mean flows.
    #[must_use]
    pub const fn is_volume(&self) -> bool {
        matches!(self.rules.kind, DisagreementKind::Volume)
    }
}

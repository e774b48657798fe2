//! Two witnesses of a flow brought to common instants for the test on their bias: flows are integrated, counts are taken
//! as they stand, and gaps are never bridged.

use serde::{Deserialize, Serialize};

use super::bias::{BiasChange, BiasPoint, BiasTest};
use super::extremes::larger;
use super::finding::Moment;
use super::rules::BiasRules;

/// Between two readings a flow that changes by more than this share of the span jumped.
const JUMP_SHARE: f64 = 0.1;

/// What one witness says at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Measure {
    /// A flow, L/s.
    Flow(f64),
    /// Litres since some beginning.
    Volume(f64),
}

impl Measure {
    const fn level(self) -> f64 {
        match self {
            Self::Flow(flow) => flow,
            Self::Volume(_) => 0.0,
        }
    }

    /// Litres; those of a flow are its integral.
    const fn volume(self, integral: f64) -> f64 {
        match self {
            Self::Flow(_) => integral,
            Self::Volume(litres) => litres,
        }
    }
}

/// One tally of flows or of a flow and a count.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairTally {
    /// The test.
    pub test: BiasTest,
    last: Option<(Moment, [f64; 2])>,
    integrals: [f64; 2],
    /// What the witness that counts said last, in litres.
    counted: Option<f64>,
    /// What sampling alone makes of the integrals' difference, in squared litres.
    noise: f64,
    /// The largest jump since the test was told last, in litres.
    jump: f64,
    /// All jumps together.
    jumps: f64,
}

impl PairTally {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(rules: BiasRules) -> Self {
        Self {
            test: BiasTest::new(rules),
            last: None,
            integrals: [0.0; 2],
            counted: None,
            noise: 0.0,
            jump: 0.0,
            jumps: 0.0,
        }
    }

    /// What both witnesses say at a moment. `rounding` is what rounding and instants can falsify their difference by, in
    /// litres; a silence longer than `gap_s` is a gap.
    pub fn push(
        &mut self,
        moment: Moment,
        [first, second]: [Measure; 2],
        rounding: f64,
        gap_s: f64,
    ) -> Option<BiasChange> {
        let levels = [first.level(), second.level()];
        self.pass(moment, levels, gap_s);
        self.jumps += self.jump;
        self.jump = 0.0;
        let point = BiasPoint {
            moment,
            first: first.volume(self.integrals[0]),
            second: second.volume(self.integrals[1]),
            rounding,
            noise: self.noise,
            jumps: self.jumps,
            levels,
        };
        self.test.push(point)
    }

    /// What the flows say at a moment at which the count that they are held against was not read: it is read more seldom.
    /// A witness that counts has the level 0.
    #[inline]
    pub fn pass(&mut self, moment: Moment, [first, second]: [f64; 2], gap_s: f64) {
        if let Some((last, before)) = self.last {
            let elapsed = moment.steady.since(last.steady).0;
            if elapsed > gap_s || elapsed <= 0.0 {
                self.gap(elapsed);
            } else {
                self.integrals[0] += 0.5 * (before[0] + first) * elapsed;
                self.integrals[1] += 0.5 * (before[1] + second) * elapsed;
                let change = larger((first - before[0]).abs(), (second - before[1]).abs());
                if change > JUMP_SHARE * self.test.rules.span {
                    self.jump = self.jump.max(0.5 * change * elapsed);
                } else {
                    // Half of the squared steps of what scatters from reading to reading is its variance, whatever its mean.
                    let step = ((second - first) - (before[1] - before[0])) * elapsed;
                    self.noise += 0.5 * step * step;
                }
            }
        }
        self.last = Some((moment, [first, second]));
    }

    #[cold]
    fn gap(&mut self, elapsed: f64) {
        self.test.interrupt();
        self.test.exclude(elapsed.max(0.0), 0.0);
    }

    /// What comes now is not to be judged, but nothing flows that both witnesses could tell.
    pub fn pause(&mut self) {
        self.test.pause();
        self.last = None;
    }

    /// Takes note of what the witness that counts says; true if that is less than it said last.
    pub fn fell(&mut self, litres: f64) -> bool {
        self.counted.replace(litres).is_some_and(|before| litres < before)
    }

    /// The next readings do not follow from the last.
    pub fn interrupt(&mut self) {
        self.test.interrupt();
        self.last = None;
    }
}

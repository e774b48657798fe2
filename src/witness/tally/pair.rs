//! Two witnesses of a flow brought to common instants for the test on their bias: flows are integrated, counts are taken
//! as they stand, and gaps are never bridged.

use serde::{Deserialize, Serialize};

use super::bias::{BiasChange, BiasPoint, BiasTest};
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
}

/// One tally of flows or of a flow and a count.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairTally {
    /// The test.
    pub test: BiasTest,
    last: Option<(Moment, [f64; 2])>,
    integrals: [f64; 2],
    /// The largest jump since the test was told last, in litres.
    jump: f64,
}

impl PairTally {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(rules: BiasRules) -> Self {
        Self { test: BiasTest::new(rules), last: None, integrals: [0.0; 2], jump: 0.0 }
    }

    /// What both witnesses say at a moment. `rounding` is what rounding and instants can falsify their difference by, in
    /// litres; a silence longer than `gap_s` is a gap.
    pub fn push(&mut self, moment: Moment, measures: [Measure; 2], rounding: f64, gap_s: f64) -> Option<BiasChange> {
        let levels = measures.map(Measure::level);
        self.pass(moment, levels, gap_s);
        let mut volumes = self.integrals;
        for (volume, measure) in volumes.iter_mut().zip(measures) {
            if let Measure::Volume(litres) = measure {
                *volume = litres;
            }
        }
        let jump = std::mem::take(&mut self.jump);
        self.test.push(BiasPoint { moment, first: volumes[0], second: volumes[1], rounding, jump, levels })
    }

    /// What the flows say at a moment at which the count that they are held against was not read: it is read more seldom.
    /// A witness that counts has the level 0.
    pub fn pass(&mut self, moment: Moment, levels: [f64; 2], gap_s: f64) {
        if let Some((last, before)) = self.last {
            let elapsed = moment.steady.since(last.steady).0;
            if elapsed > gap_s || elapsed <= 0.0 {
                self.test.interrupt();
                self.test.exclude(elapsed.max(0.0), 0.0);
            } else {
                for ((integral, before), level) in self.integrals.iter_mut().zip(before).zip(levels) {
                    *integral += 0.5 * (before + level) * elapsed;
                    let change = (level - before).abs();
                    if change > JUMP_SHARE * self.test.rules.span {
                        self.jump = self.jump.max(0.5 * change * elapsed);
                    }
                }
            }
        }
        self.last = Some((moment, levels));
    }

    /// What comes now is not to be judged, but nothing flows that both witnesses could tell.
    pub fn pause(&mut self) {
        self.test.pause();
        self.last = None;
    }

    /// The next readings do not follow from the last.
    pub fn interrupt(&mut self) {
        self.test.interrupt();
        self.last = None;
    }
}

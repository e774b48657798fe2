//! The answer: what was compared, what is the most likely cause, how sure that is, and what to do next.

use serde::Serialize;

use super::civil::CivilMoment;
use super::code::Code;
use super::standing::can_part;
use crate::tally::{Between, TallyStanding, Verdict};

/// What a cause implies, each figure only where the cause has it.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Parameters {
    /// Pulses counted / pulses expected; register shown / true; the loop's flow / the bus's flow.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ratio: Option<f64>,
    /// The flow in L/s that 20 mA means to the meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implied_full_scale_l_s: Option<f64>,
    /// The volume in litres that one pulse means to the meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implied_pulse_volume_l: Option<f64>,
    /// How far the current is shifted, in milliamperes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_ma: Option<f64>,
    /// The share of the pulses that never arrived.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lost_fraction: Option<f64>,
    /// The highest rate of pulses that gets through, in hertz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_limit_hz: Option<f64>,
    /// The flow in L/s below which nothing is totalled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cutoff_l_s: Option<f64>,
    /// How far the loop lags behind the bus, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lag_s: Option<f64>,
    /// The current at which the loop stands still or stops, in milliamperes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_ma: Option<f64>,
    /// Pulses that no flow made, a second.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub extra_hz: Option<f64>,
    /// The other meter that the signal follows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// When it began, where it did not hold from the beginning of the stretch.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset: Option<CivilMoment>,
}

/// One whole hypothesis.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cause {
    /// The main cause.
    pub code: Code,
    /// Whatever else is at work at the same time.
    pub with: Vec<Code>,
    /// How likely this hypothesis is; all of them sum to 1.
    pub probability: f64,
    /// What the main cause implies.
    pub parameters: Parameters,
    /// One sentence in a technician's own terms.
    pub says: String,
    /// The figures that speak for it.
    pub evidence: Vec<String>,
    /// What to check on site, in this order.
    pub check: Vec<String>,
}

/// A volume with bounds, in litres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct VolumeInterval {
    /// The best estimate.
    pub value: f64,
    /// The least that the readings allow.
    pub low: f64,
    /// The most that the readings allow.
    pub high: f64,
}

/// Do the witnesses agree, and if not, why.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Explanation {
    /// The meter's name.
    pub meter: String,
    /// The first reading.
    pub from: CivilMoment,
    /// The last reading.
    pub to: CivilMoment,
    /// The answer in one word.
    pub verdict: Verdict,
    /// Each comparison, as the tallies serialise themselves.
    pub tallies: Vec<TallyStanding>,
    /// The hypotheses, the likeliest first.
    pub causes: Vec<Cause>,
    /// How much volume is in dispute since the main cause began; absent where nothing is.
    pub disputed_volume_l: Option<VolumeInterval>,
    /// The one site test that would settle the most doubt, where there is doubt.
    pub next_test: Option<String>,
    /// What the answer takes for granted.
    pub assumptions: Vec<String>,
}

impl Explanation {
    /// The likeliest cause, over all hypotheses, of those that can be what two witnesses disagree by; `None` where none
    /// of them can, and no hypothesis leaves anything unexplained.
    #[must_use]
    pub fn cause_between(&self, between: Between) -> Option<Code> {
        let mut likeliest: Option<(f64, Code)> = None;
        let codes = |cause: &Cause| [&[cause.code], &cause.with[..]].concat();
        for code in self.causes.iter().flat_map(codes).filter(|code| can_part(between, *code)) {
            let of_it = self.causes.iter().filter(|cause| codes(cause).contains(&code));
            let probability: f64 = of_it.map(|cause| cause.probability).sum();
            if likeliest.is_none_or(|(most, _)| probability > most) {
                likeliest = Some((probability, code));
            }
        }
        likeliest.map(|(_, code)| code)
    }

    /// The likeliest hypothesis.
    #[must_use]
    pub fn main(&self) -> Option<&Cause> {
        self.causes.first()
    }
}

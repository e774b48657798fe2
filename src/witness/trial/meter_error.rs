//! A volume against a reference, and the zones of accuracy of water meters (ISO 4064-1:2014 §4.1, §4.2; Directive
//! 2014/32/EU annex III, MI-001).

use serde::{Deserialize, Serialize};

use super::Verdict;
use super::budget::{Budget, Contribution, Spread};
use crate::tally::Witness;
use crate::units::LitresPerSecond;

/// Q2 / Q1, transitional to minimum flow.
const TRANSITIONAL: f64 = 1.6;
/// Q4 / Q3, overload to permanent flow.
const OVERLOAD: f64 = 1.25;
/// How quickly a person starts and stops a watch or a valve at a sign, in seconds either way.
const BY_HAND: f64 = 0.3;

/// The accuracy class of a water meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// 1 % in the upper zone, 3 % in the lower.
    One,
    /// 2 % in the upper zone, 5 % in the lower.
    Two,
}

/// Where a flow lies in a water meter's range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Zone {
    /// Below Q1: no error is promised.
    BelowMinimum,
    /// From Q1 up to, but not at, Q2.
    Lower,
    /// From Q2 to Q4, both included.
    Upper,
    /// Above Q4.
    BeyondOverload,
}

/// What a water meter is rated for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rating {
    /// Q3, the permanent flow.
    pub permanent: LitresPerSecond,
    /// R = Q3 / Q1.
    pub ratio: f64,
    /// Its class.
    pub class: Class,
    /// The water is warmer than 30 degrees Celsius.
    pub warm: bool,
}

impl Rating {
    /// Q1.
    #[must_use]
    pub fn minimum(&self) -> LitresPerSecond {
        self.permanent * (1.0 / self.ratio)
    }

    /// Q2 = 1.6 Q1.
    #[must_use]
    pub fn transitional(&self) -> LitresPerSecond {
        self.minimum() * TRANSITIONAL
    }

    /// Q4 = 1.25 Q3.
    #[must_use]
    pub fn overload(&self) -> LitresPerSecond {
        self.permanent * OVERLOAD
    }

    /// The zone of a flow.
    #[must_use]
    pub fn zone(&self, flow: LitresPerSecond) -> Zone {
        if flow < self.minimum() {
            Zone::BelowMinimum
        } else if flow < self.transitional() {
            Zone::Lower
        } else if flow <= self.overload() {
            Zone::Upper
        } else {
            Zone::BeyondOverload
        }
    }

    /// The maximum permissible error of a zone, as a fraction; none outside the range.
    #[must_use]
    pub const fn permissible(&self, zone: Zone) -> Option<f64> {
        match (zone, self.class, self.warm) {
            (Zone::BelowMinimum | Zone::BeyondOverload, ..) => None,
            (Zone::Lower, Class::One, _) => Some(0.03),
            (Zone::Lower, Class::Two, _) => Some(0.05),
            (Zone::Upper, Class::One, false) => Some(0.01),
            (Zone::Upper, Class::One, true) | (Zone::Upper, Class::Two, false) => Some(0.02),
            (Zone::Upper, Class::Two, true) => Some(0.03),
        }
    }
}

/// A volume that a tank, a scale or a reference meter says passed during the run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// What it is.
    pub what: String,
    /// Its volume, in litres.
    pub volume_l: f64,
    /// The volume's expanded uncertainty with coverage factor 2, in litres.
    pub expanded_l: f64,
    /// What the meter is rated for, where known.
    pub rating: Option<Rating>,
}

/// The error of one witness's volume: (indicated - true) / true (ISO 4064-1:2014 §3.2.4).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterError {
    /// Whose volume.
    pub witness: Witness,
    /// As a fraction.
    pub error: f64,
    /// How well the error is known, line by line.
    pub budget: Budget,
    /// Against the zone's limit; undecided where there is none.
    pub verdict: Verdict,
}

/// The errors of all witnesses against a reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReferenceCheck {
    /// The reference.
    pub reference: Reference,
    /// The mean flow by the reference.
    pub flow_l_s: f64,
    /// Where that lies in the meter's range, where its rating is known.
    pub zone: Option<Zone>,
    /// The zone's limit, as a fraction.
    pub limit: Option<f64>,
    /// Each witness.
    pub errors: Vec<MeterError>,
    /// The meter's own: its total's, or else its pulses', its flow's.
    pub verdict: Verdict,
}

/// A witness's volume, for the comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Indicated {
    /// Whose.
    pub witness: Witness,
    /// In litres.
    pub volume_l: f64,
    /// Its standard uncertainty.
    pub standard_l: f64,
}

impl ReferenceCheck {
    /// Holds every witness's volume against the reference. `seconds` is the length of the run, `ends_l_s` the flow at its
    /// two ends: a run from standstill to standstill loses nothing by being started and stopped by hand.
    #[must_use]
    pub fn of(reference: Reference, indicated: &[Indicated], seconds: f64, ends_l_s: [f64; 2]) -> Self {
        let truth = reference.volume_l;
        let flow_l_s = truth / seconds;
        let zone = reference.rating.map(|rating| rating.zone(LitresPerSecond(flow_l_s)));
        let limit = reference.rating.zip(zone).and_then(|(rating, zone)| rating.permissible(zone));
        let errors: Vec<MeterError> = indicated
            .iter()
            .map(|it| {
                let error = (it.volume_l - truth) / truth;
                let mut lines = vec![
                    Contribution::new("volume indicated", it.standard_l, "L", Spread::Normal, 1.0 / truth),
                    Contribution::new(
                        format!("reference: {}", reference.what),
                        reference.expanded_l,
                        "L",
                        Spread::Expanded,
                        it.volume_l / truth / truth,
                    ),
                ];
                for (end, flow) in ["beginning", "end"].into_iter().zip(ends_l_s) {
                    let what = format!("{end} by hand");
                    lines.push(Contribution::new(what, BY_HAND, "s", Spread::Rectangular, flow / truth));
                }
                let budget = Budget::of(lines);
                let verdict = limit.map_or(Verdict::Undecided, |limit| Verdict::of(error, budget.expanded, limit));
                MeterError { witness: it.witness, error, budget, verdict }
            })
            .collect();
        let own = [Witness::Total, Witness::Pulse, Witness::Flow, Witness::Loop];
        let own = own.into_iter().find_map(|witness| errors.iter().find(|it| it.witness == witness));
        let verdict = own.map_or(Verdict::Undecided, |it| it.verdict);
        Self { reference, flow_l_s, zone, limit, errors, verdict }
    }
}

//! A reading brought into base units: seconds, litres per second, litres, milliamperes, pulses.

use crate::declared::Dimension;
use crate::reading::{MeterFacts, Reading, Sample, WitnessFacts};
use crate::units::{SteadyMillis, WallMillis};

/// A value in base units, and when it was sampled, in seconds since the first reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Timed {
    pub value: f64,
    pub at: f64,
}

/// One reading in base units. What was missed is `None`; what decoded to nonsense is kept (NaN, infinities).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    pub at: f64,
    pub wall: WallMillis,
    pub flow: Option<Timed>,
    pub total: Option<Timed>,
    /// As declared, before any conversion: what is in the registers, to the last bit.
    pub flow_declared: f64,
    pub total_declared: f64,
    pub current: Option<Timed>,
    pub pulses: Option<Timed>,
    pub reverse_total: Option<Timed>,
    pub receiver_flow: Option<Timed>,
    pub receiver_total: Option<Timed>,
}

/// Base units in one declared unit; 1 where the witness is not declared or its unit measures something else.
pub(super) fn to_base(facts: Option<&WitnessFacts>, dimension: Dimension) -> f64 {
    facts
        .map_or(1.0, |witness| if witness.entry.unit.dimension == dimension { witness.entry.unit.to_base } else { 1.0 })
}

/// Turns readings into rows.
#[derive(Clone, Debug)]
pub(super) struct Intake {
    first: Option<SteadyMillis>,
    flow: f64,
    total: f64,
    reverse_total: f64,
    receiver_flow: f64,
    receiver_total: f64,
}

impl Intake {
    pub fn new(facts: &MeterFacts) -> Self {
        Self {
            first: None,
            flow: to_base(facts.flow.as_ref(), Dimension::Flow),
            total: to_base(facts.total.as_ref(), Dimension::Volume),
            reverse_total: to_base(facts.reverse_total.as_ref(), Dimension::Volume),
            receiver_flow: to_base(facts.receiver_flow.as_ref(), Dimension::Flow),
            receiver_total: to_base(facts.receiver_total.as_ref(), Dimension::Volume),
        }
    }

    pub fn row(&mut self, reading: &Reading) -> Row {
        let first = *self.first.get_or_insert(reading.at);
        let timed = |sample: Option<Sample>, factor: f64| {
            sample.map(|sample| Timed { value: sample.value * factor, at: sample.at.since(first).0 })
        };
        Row {
            at: reading.at.since(first).0,
            wall: reading.wall,
            flow_declared: reading.flow.map_or(0.0, |sample| sample.value),
            total_declared: reading.total.map_or(0.0, |sample| sample.value),
            flow: timed(reading.flow, self.flow),
            total: timed(reading.total, self.total),
            current: timed(reading.loop_ma, 1.0),
            pulses: timed(reading.pulses, 1.0),
            reverse_total: timed(reading.reverse_total, self.reverse_total),
            receiver_flow: timed(reading.receiver_flow, self.receiver_flow),
            receiver_total: timed(reading.receiver_total, self.receiver_total),
        }
    }
}

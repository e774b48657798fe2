//! How to set a meter's outputs: the flow at 20 mA, the volume of a pulse, its width; what each choice costs; what to mind
//! about the wiring and the bus.
//!
//! - [`advise`]: from a pipe, its flows and the receivers to choices with their costs, one of each recommended;
//! - [`current_loop`], [`pulse_wire`]: whether a circuit can carry its signal;
//! - [`bus_cycles`]: how often a line can be read at each rate;
//! - [`cautions`]: what a meter's declaration allows and yet will not do well.

mod bus;
mod caution;
mod declared;
mod full_scale;
mod plain;
mod pulse;
#[cfg(test)]
mod tests;
mod wiring;

pub use bus::{BusCycle, bus_cycles};
pub use caution::{Caution, Concern};
pub use declared::cautions;
pub use full_scale::FullScale;
pub use plain::figure;
pub use pulse::PulseSetting;
pub use wiring::{Cable, LoopCircuit, LoopWire, PullUp, PulseWire, current_loop, pulse_wire};

use std::time::Duration;

use serde::Serialize;

use crate::units::{Litres, LitresPerSecond};

/// A pipe and the flows that are expected in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flows {
    /// The meter's real inner diameter in millimetres; the nominal size is only a label.
    pub bore_mm: f64,
    /// The smallest flow that matters.
    pub smallest: LitresPerSecond,
    /// The usual flow.
    pub usual: LitresPerSecond,
    /// The largest flow.
    pub largest: LitresPerSecond,
}

impl Flows {
    /// The mean velocity of a flow in the bore, in m/s: v = q / (pi d^2 / 4).
    #[must_use]
    pub fn velocity(&self, flow: LitresPerSecond) -> f64 {
        flow.0 / self.at_velocity(1.0).0
    }

    /// The flow of a mean velocity in m/s.
    #[must_use]
    pub fn at_velocity(&self, metres_per_second: f64) -> LitresPerSecond {
        let diameter_in_metres = self.bore_mm / 1000.0;
        let litres_per_cubic_metre = 1000.0;
        let area = std::f64::consts::PI * diameter_in_metres * diameter_in_metres / 4.0;
        LitresPerSecond(metres_per_second * area * litres_per_cubic_metre)
    }
}

/// What counts the pulses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PulseReceiver {
    /// The shortest pulse, and the shortest pause, that it is sure to see.
    pub shortest_pulse: Duration,
    /// The highest rate that it is sure to count, in pulses a second.
    pub highest_rate_hz: Option<f64>,
}

/// What measures the current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnalogueInput {
    /// Its steps are 20 mA / 2^bits.
    pub bits: u32,
    /// Its accuracy as a fraction of the 16 mA span.
    pub accuracy: f64,
}

/// Settings that are in force now, to be judged beside the choices.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Present {
    /// The flow at 20 mA.
    pub full_scale: Option<LitresPerSecond>,
    /// The volume of one pulse.
    pub pulse_volume: Option<Litres>,
    /// The pulse's width.
    pub on_time: Option<Duration>,
}

/// What is asked of [`advise`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// The pipe and its flows.
    pub flows: Flows,
    /// What counts the pulses.
    pub pulse_receiver: PulseReceiver,
    /// What measures the current.
    pub analogue_input: AnalogueInput,
    /// The resolution that is wanted, as a fraction of the usual flow.
    pub wanted_resolution: Option<f64>,
    /// What is set now.
    pub present: Present,
}

/// The mean velocities in the bore, in m/s.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Velocities {
    /// At the smallest flow.
    pub smallest_m_s: f64,
    /// At the usual flow.
    pub usual_m_s: f64,
    /// At the largest flow.
    pub largest_m_s: f64,
}

/// Choices with what they cost, and what to mind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// Velocities in the bore.
    pub velocities: Velocities,
    /// Choices of the flow at 20 mA, by size.
    pub full_scales: Vec<FullScale>,
    /// Choices of the volume of a pulse, by size.
    pub pulses: Vec<PulseSetting>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// Which role a choice has among the others.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The best compromise.
    Recommended,
    /// It does something better and something worse.
    Alternative,
    /// What is set now.
    Present,
}

/// Flow beyond the largest expected one that outputs should still carry: the ratio of overload to permanent flow of a water
/// meter, Q4/Q3 (ISO 4064-1:2014 §4.1).
const HEADROOM: f64 = 1.25;

/// Weighs choices for a meter's outputs.
///
/// The flows must be positive and in order, the bore positive.
#[must_use]
pub fn advise(question: &Question) -> Advice {
    let flows = &question.flows;
    let full_scales = full_scale::choices(question);
    let pulses = pulse::choices(question);
    let mut cautions = caution::of_velocities(flows);
    cautions.extend(full_scale::cautions(question, &full_scales));
    cautions.extend(pulse::cautions(question, &pulses));
    Advice {
        velocities: Velocities {
            smallest_m_s: flows.velocity(flows.smallest),
            usual_m_s: flows.velocity(flows.usual),
            largest_m_s: flows.velocity(flows.largest),
        },
        full_scales,
        pulses,
        cautions,
    }
}

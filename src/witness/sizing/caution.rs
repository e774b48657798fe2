//! What to mind: a concern, what was found, and what to do about it.

use serde::Serialize;

use super::Flows;
use super::plain::figure;

/// What a caution is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Concern {
    /// The water is too slow or too quick for the meter.
    Velocity,
    /// The flow at 20 mA is below what flows.
    FullScaleTooSmall,
    /// The flow at 20 mA is far above what flows.
    FullScaleTooLarge,
    /// The current cannot tell flows apart as finely as is wanted.
    CurrentResolution,
    /// Volume and width of the pulses cannot carry the flow.
    PulsesCannotCarry,
    /// The pulse is on for more than half of the time.
    DutyCycle,
    /// The pulse is too short for its receiver.
    PulseTooShort,
    /// The receiver cannot count so fast.
    PulseTooFast,
    /// Pulses come too seldom to judge anything by them.
    PulseTooSeldom,
    /// A counter begins again soon.
    CounterWraps,
    /// The circuit cannot drive the current.
    LoopBurden,
    /// The pulse's edges are too slow, or its current does not fit.
    PullUp,
}

/// One thing to mind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// What it is about.
    pub concern: Concern,
    /// What was found, with its figures.
    pub found: String,
    /// What to do.
    pub advice: String,
}

impl Caution {
    pub(super) fn new(concern: Concern, found: String, advice: impl Into<String>) -> Self {
        Self { concern, found, advice: advice.into() }
    }
}

/// Below this velocity, in m/s, an electromagnetic meter's zero error counts: a usual limit of stated accuracy.
const SLOWEST: f64 = 0.3;

/// Above this velocity, in m/s, few meters are specified, and sand wears the lining.
const QUICKEST: f64 = 10.0;

/// A usual flow above this velocity, in m/s, costs pressure and wears what it flows through.
const QUICK_FOR_EVERY_DAY: f64 = 5.0;

pub(super) fn of_velocities(flows: &Flows) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut add = |what: &str, velocity: f64, advice: String| {
        let found = format!("the {what} flow moves at {} m/s in {} mm", figure(velocity), figure(flows.bore_mm));
        cautions.push(Caution::new(Concern::Velocity, found, advice));
    };
    let (smallest, usual, largest) =
        (flows.velocity(flows.smallest), flows.velocity(flows.usual), flows.velocity(flows.largest));
    if smallest < SLOWEST {
        let bore = flows.bore_mm * (smallest / SLOWEST).sqrt();
        add(
            "smallest",
            smallest,
            format!("below {SLOWEST} m/s the error grows; a bore of {} mm or less would keep it above", figure(bore)),
        );
    }
    if largest > QUICKEST {
        let bore = flows.bore_mm * (largest / QUICKEST).sqrt();
        add(
            "largest",
            largest,
            format!("few meters are specified above {QUICKEST} m/s; take a bore of {} mm or more", figure(bore)),
        );
    } else if usual > QUICK_FOR_EVERY_DAY {
        add("usual", usual, "it costs pressure, and sand wears the lining; a larger bore is gentler".to_owned());
    }
    cautions
}

//! The volumes of a timed run against each other.

use serde::{Deserialize, Serialize};

use super::Verdict;
use super::budget::COVERAGE;
use super::volumes::WitnessVolume;
use crate::declared::{FlowTolerance, Meter};
use crate::tally::{Between, Witness};

/// Pulses by which a count may be off whatever the volume: fewer prove nothing.
const FEWEST_PULSES: f64 = 3.0;

/// Two volumes compared.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Whose.
    pub between: Between,
    /// Second less first, in litres.
    pub difference_l: f64,
    /// The same as a fraction of the first.
    pub share: f64,
    /// The difference's expanded uncertainty.
    pub expanded_l: f64,
    /// What is let pass.
    pub limit_l: f64,
    /// Whether it is within.
    pub verdict: Verdict,
    /// Where it is too near to say: how long a run at the same flow would tell, in seconds.
    pub decided_after_s: Option<f64>,
}

/// Every pair of witnesses that both have a volume. `stated` is a limit as a fraction of the volume, instead of what the
/// meter's tolerances let pass.
#[must_use]
pub fn differences(meter: &Meter, volumes: &[WitnessVolume], seconds: f64, stated: Option<f64>) -> Vec<Difference> {
    let of = |witness: Witness| volumes.iter().find(|it| it.witness == witness);
    let compared = |between: &Between| {
        let [first, second] = between.witnesses().map(of);
        let (first, second) = (first?, second?);
        let difference_l = second.volume_l - first.volume_l;
        let expanded_l = COVERAGE * first.budget.standard.hypot(second.budget.standard);
        let limit_l = match stated {
            Some(share) => share * first.volume_l.abs(),
            None => tolerated_l(meter, *between, first.volume_l.abs(), seconds),
        };
        let verdict = Verdict::of(difference_l, expanded_l, limit_l);
        let longer = seconds * (difference_l.abs() + expanded_l) / limit_l;
        let undecided = verdict == Verdict::Undecided && difference_l.abs() <= limit_l.max(expanded_l);
        let share = difference_l / first.volume_l;
        Some(Difference {
            between: *between,
            difference_l,
            share: if share.is_finite() { share } else { 0.0 },
            expanded_l,
            limit_l,
            verdict,
            decided_after_s: (undecided && longer.is_finite()).then_some(longer),
        })
    };
    Between::ALL.iter().filter(|between| **between != Between::LoopReceiverFlow).filter_map(compared).collect()
}

/// What the meter's tolerances let pass over a run.
fn tolerated_l(meter: &Meter, between: Between, volume_l: f64, seconds: f64) -> f64 {
    let of_flow = match (meter.tolerance.flow, &meter.current_loop) {
        (FlowTolerance::OfSpan(share), Some(current_loop)) => share * current_loop.span().0.abs() * seconds,
        // Without a loop there is no span: the share is of what flowed.
        (FlowTolerance::OfSpan(share), None) | (FlowTolerance::OfReading(share), _) => share * volume_l,
    };
    let of_volume = meter.tolerance.volume * volume_l;
    let pulses = meter.pulse.as_ref().map_or(0.0, |pulse| FEWEST_PULSES * pulse.volume.0);
    match between {
        Between::TotalPulse | Between::PulseReceiverTotal => of_volume.max(pulses),
        Between::FlowLoop | Between::LoopReceiverFlow => of_flow,
        Between::TotalFlow => of_flow + of_volume,
        Between::LoopPulse => of_flow + of_volume.max(pulses),
    }
}

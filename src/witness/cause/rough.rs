//! Rough verdicts of the tallies, from blocks.

use super::current::pairs::{FlowScale, sustained_bias};
use super::drift::{Drift, Reference};
use super::gather::Gathered;
use super::standing::Standings;
use crate::declared::FlowTolerance;
use crate::tally::Verdict;

pub(super) fn standings(gathered: &Gathered) -> Standings {
    Standings {
        flow_loop: flow_loop(gathered),
        total_pulse: total_pulse(gathered),
        total_flow: total_flow(gathered),
        receiver_flow: Verdict::Undecided,
        receiver_total: Verdict::Undecided,
    }
}

fn total_flow(gathered: &Gathered) -> Verdict {
    use super::volume::VolumeSeries;
    let Some(series) = VolumeSeries::new(gathered) else { return Verdict::Undecided };
    let meter = &gathered.facts.meter;
    let span = meter.current_loop.as_ref().map_or(gathered.largest, |l| l.span().0.abs());
    let flow = match meter.tolerance.flow {
        FlowTolerance::OfSpan(s) => s * span * gathered.seconds,
        FlowTolerance::OfReading(s) => s * series.flow.abs(),
    };
    let limit = flow + meter.tolerance.volume * series.flow.abs();
    if (series.total - series.flow).abs() > limit { Verdict::Disagree } else { Verdict::Agree }
}

fn total_pulse(gathered: &Gathered) -> Verdict {
    if gathered.total.is_none() {
        return Verdict::Undecided;
    }
    let Some(drift) = Drift::new(gathered, Reference::Total { ratio: 1.0, since: 0 }) else {
        return Verdict::Undecided;
    };
    let limit = (gathered.facts.meter.tolerance.volume * drift.expected.abs()).max(3.0);
    let (mut low, mut high, mut noise) = (f64::INFINITY, f64::NEG_INFINITY, 0.0_f64);
    let mut worst = 0.0_f64;
    for step in &drift.steps {
        if step.broken {
            low = f64::INFINITY;
            high = f64::NEG_INFINITY;
        }
        low = low.min(step.seen + step.error.sqrt());
        high = high.max(step.seen - step.error.sqrt());
        noise = noise.max(step.error.sqrt());
        worst = worst.max(high - low);
    }
    if worst - 0.7 > limit { Verdict::Disagree } else { Verdict::Agree }
}

fn flow_loop(gathered: &Gathered) -> Verdict {
    let Some(declared) = gathered.facts.meter.current_loop.as_ref() else { return Verdict::Undecided };
    if gathered.facts.flow.is_none() {
        return Verdict::Undecided;
    }
    if gathered.low_fault.longest >= 10.0
        || gathered.high_fault.longest >= 10.0
        || gathered.open.longest >= 10.0
        || gathered.beyond_scale.longest >= 10.0
    {
        return Verdict::Disagree;
    }
    let tolerance = match declared_tolerance(gathered) {
        FlowTolerance::OfSpan(s) => 16.0 * s,
        FlowTolerance::OfReading(s) => 8.0 * s,
    };
    let _ = declared;
    if sustained_bias(gathered, FlowScale::TRUE, tolerance) { Verdict::Disagree } else { Verdict::Agree }
}

fn declared_tolerance(gathered: &Gathered) -> FlowTolerance {
    gathered.facts.meter.tolerance.flow
}

//! Pulses lost in bursts, or altogether.

use super::{found_at, sums};
use crate::cause::candidate::{Candidate, log_onset};
use crate::cause::code::Code;
use crate::cause::drift::{Added, Drift};

/// Pulses are lost in bursts; outside them none is.
pub(super) fn gaps(drift: &Drift) -> Option<Candidate> {
    let lacks = |index: usize| {
        let step = &drift.steps[index];
        !step.broken && step.counted - step.expected < -(1.3 + 2.0 * step.error.sqrt().min(10.0))
    };
    let near = |index: usize| (index > 0 && lacks(index - 1)) || (index + 1 < drift.steps.len() && lacks(index + 1));
    let mut inside: Vec<bool> = (0..drift.steps.len()).map(lacks).collect();
    for (index, step) in drift.steps.iter().enumerate() {
        inside[index] |= near(index) && step.counted - step.expected < -0.6;
    }
    let mut gaps = 0_u32;
    let mut first = None;
    let mut lost = 0.0;
    for index in 0..inside.len() {
        if inside[index] {
            lost += drift.steps[index].expected - drift.steps[index].counted;
            if index == 0 || !inside[index - 1] {
                gaps += 1;
                first.get_or_insert(index);
            }
        }
    }
    let first = first?;
    let fit = drift.run(|index, step| Added {
        wander: if inside[index] { step.expected.max(1.0).powi(2) / 3.0 } else { 0.0 },
        ..Added::default()
    });
    // Each gap may be anywhere: the first costs its place, the others are drawn from the rate that they show.
    #[expect(clippy::cast_precision_loss, reason = "a few thousand steps")]
    let places = (drift.steps.len() as f64 / f64::from(gaps)).max(1.0).ln() + 1.0;
    let weight = fit.evidence(0.0) - f64::from(gaps) * places - 2.0;
    let mut found = found_at(Code::PulseGaps, drift, weight, 0);
    if first > 2 {
        found.onset = Some(drift.steps[first - 1].wall);
        found.since = drift.steps[first - 1].block + 1;
    }
    let (counted, due) = sums(drift, 0);
    found.parameters.ratio = (due > 1.0).then(|| counted / due);
    found.parameters.lost_fraction = (due > 1.0).then(|| (lost / due).clamp(0.0, 1.0));
    Some(found.with_evidence(format!(
        "about {lost:.0} pulses are missing in {gaps} burst{}; outside them {:.0} of {:.1} arrived",
        if gaps == 1 { "" } else { "s" },
        drift.steps.iter().zip(&inside).filter(|(_, inside)| !**inside).map(|(step, _)| step.counted).sum::<f64>(),
        drift.steps.iter().zip(&inside).filter(|(_, inside)| !**inside).map(|(step, _)| step.expected).sum::<f64>(),
    )))
}

/// Flow, and no pulses at all from some moment to the end.
pub(super) fn silent(drift: &Drift) -> Option<Candidate> {
    let last = drift.steps.iter().rposition(|step| step.counted > 0.0);
    let onset = last.map_or(0, |last| last + 1);
    let due: f64 = drift.steps.iter().skip(onset).filter(|step| !step.broken).map(|step| step.expected).sum();
    if due < 2.5 {
        return None;
    }
    // The silence may have begun inside the last step that still counted.
    let begins = if onset > 0 && drift.steps[onset - 1].expected - drift.steps[onset - 1].counted > 1.0 {
        onset - 1
    } else {
        onset
    };
    let mut known = 0.0;
    let fit = drift.run(|index, step| {
        let edge = onset > 0 && (index == begins || index == onset);
        if index >= begins {
            known += if index >= onset { step.expected } else { step.expected - step.counted };
        }
        Added { known: -known, wander: if edge { 1.0 } else { 0.0 }, shapes: [0.0; 2] }
    });
    let mut found = found_at(Code::PulseSilent, drift, fit.evidence(0.0) + log_onset(onset, drift.steps.len()), onset);
    found.parameters.ratio = Some(0.0);
    found.parameters.lost_fraction = Some(1.0);
    Some(found.with_evidence(format!("no pulse at all while {due:.1} were due")))
}

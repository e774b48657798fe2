//! The pulse output, its wire and its counter: causes told apart by how the running difference drifts.

mod burst;
mod ceiling;
mod foreign;
mod share;

use super::candidate::{Candidate, best_onset};
use super::code::{Code, Part};
use super::crossing::OtherMeter;
use super::drift::{Drift, DriftStep};
use super::gather::Gathered;
use super::level::LevelFit;
use super::prior::log_prior;

/// Every candidate for the pulses against one reference, the sound one among them.
pub(super) fn candidates(gathered: &Gathered, drift: &Drift, others: &[OtherMeter]) -> Vec<Candidate> {
    let mut found = vec![Candidate::sound(drift.healthy().evidence(0.0))];
    found.extend(share::weight(drift));
    found.extend(share::double(gathered, drift));
    let narrow = share::narrow(drift);
    let begins = narrow.as_ref().map_or(0, |narrow| drift.step_at(narrow.since));
    found.extend(narrow);
    found.extend(share::extra(drift));
    found.extend(share::direction(gathered, drift));
    found.extend(ceiling::rate_limit(gathered, drift, begins));
    found.extend(burst::gaps(drift));
    found.extend(burst::silent(drift));
    found.extend(foreign::crossed(gathered, drift, others));
    found.push(unexplained(drift));
    for candidate in found.iter_mut().filter(|it| !matches!(it.code, Code::Agreement | Code::PulseDouble)) {
        candidate.weight -= against_chance(gathered);
    }
    found
}

/// Fewer even steps in a row than this may well be chance.
const EVEN_BY_CHANCE: u64 = 12;

/// What it costs a cause that the counter's last steps were all even: nothing but double counting does that for long.
fn against_chance(gathered: &Gathered) -> f64 {
    let even = gathered.parity.even_at_the_end;
    if even < EVEN_BY_CHANCE {
        return 0.0;
    }
    std::f64::consts::LN_2 * f64::from(u32::try_from(even.min(40)).unwrap_or(40))
}

/// A drift of any size that wanders as it likes.
fn unexplained(drift: &Drift) -> Candidate {
    let mut best = f64::NEG_INFINITY;
    for wander in [0.03, 0.3, 3.0, 30.0] {
        let fit = drift.fit(
            0,
            |step| [step.expected, step.seconds / 60.0],
            |step| wander * (step.expected.abs() + 0.02 * step.seconds) + 0.01 * wander * step.counted * step.counted,
        );
        best = best.max(fit.evidence(-6.0));
    }
    Candidate::new(Code::Unexplained, best + log_prior(Code::Unexplained))
        .seen_in(Part::Pulse)
        .with_evidence(format!("pulses counted {:.0}, due {:.1}", drift.counted, drift.expected))
}

/// Scans the onset of a cause whose drift is `size` times `shape`, with a prior on the size.
fn scan(
    drift: &Drift,
    shape: impl Fn(&DriftStep) -> f64,
    wander: impl Fn(&DriftStep) -> f64,
    log_prior_density: impl Fn(f64) -> f64,
) -> Option<(f64, usize, LevelFit)> {
    best_onset(drift.steps.len(), |onset| {
        let fit = drift.fit(onset, |step| [shape(step), 0.0], &wander);
        let density = log_prior_density(fit.size[0]);
        (density.is_finite() && fit.uncertainty[0].is_finite()).then(|| (fit.evidence(density), fit))
    })
}

/// A cause without a free size.
fn scan_fixed(
    drift: &Drift,
    shape: impl Fn(&DriftStep) -> f64,
    wander: impl Fn(&DriftStep) -> f64,
) -> Option<(f64, usize, LevelFit)> {
    best_onset(drift.steps.len(), |onset| {
        // The size is known: what it adds is taken off before the filter sees it.
        let fit = drift.fit_known(onset, &shape, &wander);
        Some((fit.evidence(0.0), fit))
    })
}

/// The candidate of a scan, with its onset.
fn found_at(code: Code, drift: &Drift, weight: f64, onset: usize) -> Candidate {
    let mut candidate = Candidate::new(code, weight + log_prior(code));
    if onset > 0 {
        let before = &drift.steps[onset - 1];
        candidate.onset = Some(before.wall);
        candidate.since = before.block + 1;
    }
    candidate
}

/// Counted and due from a step on.
fn sums(drift: &Drift, onset: usize) -> (f64, f64) {
    drift
        .steps
        .iter()
        .skip(onset)
        .filter(|step| !step.broken)
        .fold((0.0, 0.0), |(counted, due), step| (counted + step.counted, due + step.expected))
}

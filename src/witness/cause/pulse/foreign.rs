//! Counts that follow another meter.

use super::{found_at, sums};
use crate::cause::candidate::{Candidate, best_onset};
use crate::cause::code::Code;
use crate::cause::crossing::OtherMeter;
use crate::cause::drift::{Added, Drift};
use crate::cause::gather::Gathered;
use crate::cause::prior::log_prior;

/// The counts follow another meter of the site, or something else that is not this meter.
pub(super) fn crossed(gathered: &Gathered, drift: &Drift, others: &[OtherMeter]) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = others.iter().filter_map(|other| follows(gathered, drift, other)).collect();
    found.extend(follows_nobody_known(drift, !others.is_empty()));
    found
}

fn follows(gathered: &Gathered, drift: &Drift, other: &OtherMeter) -> Option<Candidate> {
    let volume = other.pulse_volume()?;
    let mut wall = gathered.blocks.first()?.wall_to;
    let mut known = 0_u32;
    let due: Vec<Option<f64>> = drift
        .steps
        .iter()
        .map(|step| {
            let from = std::mem::replace(&mut wall, step.wall);
            other.volume(from, step.wall).map(|(forward, _)| {
                known += 1;
                forward / volume
            })
        })
        .collect();
    if usize::try_from(known).ok()? * 2 < drift.steps.len() {
        return None;
    }
    let (weight, onset, ()) = best_onset(drift.steps.len(), |onset| {
        let mut drifted = 0.0;
        let fit = drift.run(|index, step| {
            let mut added = Added::default();
            if index >= onset && !step.broken {
                drifted -= step.expected;
                // Where the other meter was not seen, nothing is known of the step.
                let Some(due) = due[index] else {
                    return Added { known: drifted, wander: f64::INFINITY, ..added };
                };
                added.shapes[0] = due;
                added.wander = (0.01 * due).powi(2) + 0.01 * due;
                if index == onset && onset > 0 {
                    added.wander += due.max(step.expected).powi(2) + 1.0;
                }
            }
            Added { known: drifted, ..added }
        });
        // Its flow register is no total: what it makes of its volume is a few per cent off.
        let density = -0.5 * ((fit.size[0] - 1.0) / OTHERS_ERROR).powi(2) - (OTHERS_ERROR * 2.506_628).ln();
        if fit.uncertainty[0].is_infinite() {
            return Some((fit.evidence(0.0), ()));
        }
        Some((fit.evidence(density), ()))
    })?;
    let mut found = found_at(Code::PulseCrossed, drift, weight, onset);
    let (counted, _) = sums(drift, onset);
    let theirs: f64 = due.iter().skip(onset).flatten().sum();
    found.parameters.follows = Some(other.name.clone());
    Some(found.with_evidence(format!(
        "{counted:.0} pulses counted; {theirs:.1} were due from {} in the same time, at {volume} L each",
        other.name
    )))
}

/// How well the other meter's volume is known by its flow register, one standard deviation.
const OTHERS_ERROR: f64 = 0.03;

/// Fewer pulses than this say nothing of whose they are.
const FEWEST: f64 = 10.0;

/// The counts run evenly in themselves, but not with this meter's flow.
fn follows_nobody_known(drift: &Drift, others_seen: bool) -> Option<Candidate> {
    let correlation = correlation(drift)?;
    if correlation > 0.6 || drift.counted < FEWEST {
        return None;
    }
    let mut best: Option<(f64, usize)> = None;
    for wander in [0.02, 0.1, 0.5] {
        let scanned = best_onset(drift.steps.len(), |onset| {
            let mut due = 0.0;
            // The count by itself, drifting evenly, in place of the difference.
            let fit = drift.run(|index, step| {
                let mut extra = 0.0;
                if index >= onset {
                    due += step.expected;
                    extra = wander * (step.counted.max(0.3) * step.seconds / 60.0 + step.counted) + 0.02;
                    let pace = 0.5 * step.counted;
                    extra += pace * pace;
                }
                Added { known: -due, wander: extra, shapes: [0.0; 2] }
            });
            Some((fit.evidence(0.0), ()))
        });
        if let Some((weight, onset, ())) = scanned
            && best.is_none_or(|(most, _)| weight > most)
        {
            best = Some((weight, onset));
        }
    }
    let (weight, onset) = best?;
    // Who sends next to nothing is not another meter's flow.
    if sums(drift, onset).0 < FEWEST {
        return None;
    }
    let mut found = found_at(Code::PulseCrossed, drift, weight - 3.0, onset);
    if others_seen {
        // They would have shown it.
        found.weight += 0.5 * log_prior(Code::PulseCrossed);
    }
    Some(found.with_evidence(format!(
        "the pulses' rate goes with this meter's flow by a correlation of only {correlation:.2}"
    )))
}

/// Correlation of the rate counted with the rate due.
fn correlation(drift: &Drift) -> Option<f64> {
    let (mut n, mut x, mut y, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for step in drift.steps.iter().filter(|step| !step.broken) {
        let weight = step.seconds;
        let (due, counted) = (step.rate(), step.counted / step.seconds.max(0.1));
        n += weight;
        x += weight * due;
        y += weight * counted;
        xx += weight * due * due;
        yy += weight * counted * counted;
        xy += weight * due * counted;
    }
    if n <= 0.0 {
        return None;
    }
    let (vx, vy, c) = (xx / n - (x / n).powi(2), yy / n - (y / n).powi(2), xy / n - x * y / (n * n));
    (vx > 1e-12 && vy > 1e-12).then(|| c / (vx * vy).sqrt())
}

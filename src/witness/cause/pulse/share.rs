//! Drifts in proportion to something: to the pulses due (weight, double, narrow), to time (extra), to reverse flow.

use super::{found_at, scan, scan_fixed, sums};
use crate::cause::candidate::Candidate;
use crate::cause::code::Code;
use crate::cause::drift::{Drift, DriftStep};
use crate::cause::gather::Gathered;
use crate::cause::level::LevelFit;
use crate::cause::prior::{log_density, log_named, named_factor};

/// How much of the variance of independent losses is there: a filter in step with the scan passes all or nothing.
const SHARES_OF_CHANCE: [f64; 4] = [0.05, 0.25, 1.0, 2.5];

/// Meter and receiver take one pulse to mean different volumes: exactly proportional.
pub(super) fn weight(drift: &Drift) -> Option<Candidate> {
    let free = scan(drift, |step| step.expected, steady, |size| log_density(1.0 + size))?;
    let (mut weight, mut onset, fit) = free;
    let mut ratio = 1.0 + fit.size[0];
    if ratio <= 0.0 {
        return None;
    }
    let mut uncertainty = fit.uncertainty[0];
    if let Some(named) = named_factor(ratio, (5.0 * uncertainty).clamp(1e-4, 0.02) / ratio) {
        let fixed = scan_fixed(drift, |step| (named - 1.0) * step.expected, steady)?;
        if fixed.0 + log_named() > weight {
            (weight, onset) = (fixed.0 + log_named(), fixed.1);
            ratio = named;
            uncertainty = 0.0;
        }
    }
    if (ratio - 1.0).abs() < 2e-4 {
        return None;
    }
    let mut found = found_at(Code::PulseWeight, drift, weight, onset);
    let (counted, due) = sums(drift, onset);
    found.parameters.ratio = Some(ratio);
    found.parameters.implied_pulse_volume_l = Some(drift.volume / ratio);
    let bounds = if uncertainty > 0.0 { format!(" ± {:.2e}", 2.0 * uncertainty) } else { String::new() };
    Some(found.with_evidence(format!(
        "{counted:.0} pulses counted where {due:.1} were due: ratio {ratio:.5}{bounds}, the same at every flow"
    )))
}

/// What a drift that is exactly proportional strays by in a step all the same, in pulses squared: next to nothing, however
/// many pulses the step has.
fn steady(step: &DriftStep) -> f64 {
    (1e-7 * step.expected * step.expected).min(0.3)
}

/// Scans the onset of a drift whose chance adds a variance that depends on its size and on how chance works: the size is
/// found for each kind of chance where the drift begins for the usual one, and only the best kind is looked at closely.
fn scan_chances(
    drift: &Drift,
    shape: impl Fn(&DriftStep) -> f64,
    each: impl Fn(&DriftStep) -> f64,
    spread: impl Fn(f64, f64) -> f64,
    density: impl Fn(f64) -> f64,
    first: f64,
) -> Option<(f64, usize, LevelFit)> {
    let by = |chance: f64, size: f64| {
        let variance = spread(chance, size);
        scan(drift, &shape, |step| variance * each(step), &density)
    };
    let rarer = |chance: f64| if chance == 1.0 { 0.5 } else { 2.0 };
    let (_, usual, fit) = by(1.0, first).or_else(|| by(0.25, first))?;
    let mut best: Option<(f64, f64, f64)> = None;
    for chance in SHARES_OF_CHANCE {
        for onset in [0, usual] {
            let mut size = fit.size[0];
            for _ in 0..3 {
                let variance = spread(chance, size);
                let fit = drift.fit(onset, |step| [shape(step), 0.0], |step| variance * each(step));
                let weight = fit.evidence(density(fit.size[0])) - rarer(chance);
                if !weight.is_finite() || fit.uncertainty[0].is_infinite() {
                    break;
                }
                size = fit.size[0];
                if best.is_none_or(|(most, ..)| weight > most) {
                    best = Some((weight, chance, size));
                }
            }
        }
    }
    let (_, chance, size) = best?;
    let (weight, onset, fit) = by(chance, size)?;
    Some((weight - rarer(chance), onset, fit))
}

/// Each pulse, or a share of them, is counted twice.
pub(super) fn double(gathered: &Gathered, drift: &Drift) -> Option<Candidate> {
    let (full, full_onset, _) = scan_fixed(drift, |step| step.expected, steady)?;
    let parity = gathered.parity;
    let mut best = (full - 0.7, full_onset, 1.0);
    if full_onset == 0 && parity.odd > 2 {
        // A second count that comes a moment later is now and then split over two readings.
        let odd = parity.odd as f64 / (parity.odd + parity.even) as f64;
        best.0 += if odd > 0.25 { -40.0 } else { -4.0 };
    }
    let density = |size: f64| {
        if !(0.0..=1.02).contains(&size) {
            return f64::NEG_INFINITY;
        }
        // Half of it even over every share, half on small ones: bounce now and then.
        (0.6 + 0.4 / 0.03 * (-size / 0.03).exp()).ln() - 0.7
    };
    let spread = |chance: f64, size: f64| {
        let share = size.clamp(0.0, 0.999);
        chance * share * (1.0 - share).max(0.02)
    };
    let partly = scan_chances(drift, |step| step.expected, |step| step.expected.abs(), spread, density, 0.5);
    if let Some((weight, onset, fit)) = partly
        && weight > best.0
    {
        best = (weight, onset, fit.size[0].clamp(0.0, 0.999));
    }
    let (weight, onset, share) = best;
    if share < 2e-4 {
        return None;
    }
    let mut found = found_at(Code::PulseDouble, drift, weight, onset);
    let (counted, due) = sums(drift, onset);
    found.parameters.ratio = Some(1.0 + share);
    let steps = match parity.even_at_the_end {
        even if even > 8 && parity.odd == 0 => format!("; all {even} steps of the counter were even"),
        even if even > 8 => format!("; the last {even} steps of the counter were all even"),
        _ => String::new(),
    };
    Some(
        found.with_evidence(format!(
            "{counted:.0} pulses counted where {due:.1} were due: ratio {:.4}{steps}",
            1.0 + share
        )),
    )
}

/// Each pulse is lost with the same chance.
pub(super) fn narrow(drift: &Drift) -> Option<Candidate> {
    let density = |size: f64| {
        let lost = -size;
        if !(0.0..=1.0).contains(&lost) {
            return f64::NEG_INFINITY;
        }
        // Half of it even over every share, half on small ones.
        (0.6 + 0.4 / 0.03 * (-lost / 0.03).exp()).ln()
    };
    let spread = |chance: f64, size: f64| {
        let lost = -size;
        chance * lost.clamp(0.001, 0.999) * (1.0 - lost).clamp(0.02, 1.0)
    };
    let found = scan_chances(drift, |step| step.expected, |step| step.expected.abs(), spread, density, -0.3)?;
    let (weight, onset, fit) = found;
    let (lost, uncertainty) = (-fit.size[0], fit.uncertainty[0]);
    if !(2e-4..=0.995).contains(&lost) {
        return None;
    }
    let mut found = found_at(Code::PulseNarrow, drift, weight, onset);
    let (counted, due) = sums(drift, onset);
    found.parameters.ratio = Some(1.0 - lost);
    found.parameters.lost_fraction = Some(lost);
    Some(found.with_evidence(format!(
        "{counted:.0} of {due:.1} pulses arrived: {:.2} % ± {:.2} % are lost, at random and at every flow",
        100.0 * lost,
        200.0 * uncertainty
    )))
}

/// Counts that no flow made, in proportion to time.
pub(super) fn extra(drift: &Drift) -> Option<Candidate> {
    let mut best: Option<(f64, usize, f64)> = None;
    let whole = drift.steps.last()?.at - drift.steps.first()?.at;
    let mut rate = ((drift.counted - drift.expected) / whole.max(1.0)).max(1e-5);
    for chance in [0.3, 1.0, 3.0, 10.0, 40.0] {
        for _ in 0..2 {
            let wander = |step: &DriftStep| chance * rate * step.seconds;
            let density = |size: f64| if size > 0.0 { -(size.ln()) - 14.0_f64.ln() } else { f64::NEG_INFINITY };
            let Some((weight, onset, fit)) = scan(drift, |step| step.seconds, wander, density) else { break };
            rate = fit.size[0].max(1e-6);
            let weight = weight - 1.6;
            if best.is_none_or(|(most, ..)| weight > most) {
                best = Some((weight, onset, rate));
            }
        }
    }
    let (weight, onset, rate) = best?;
    let mut found = found_at(Code::PulseExtra, drift, weight, onset);
    let (counted, due) = sums(drift, onset);
    let at_rest: f64 = drift
        .steps
        .iter()
        .skip(onset)
        .filter(|step| !step.broken && step.expected < 0.02 * step.seconds && step.expected < 0.5)
        .map(|step| step.counted)
        .sum();
    found.parameters.extra_hz = Some(rate);
    found.parameters.ratio = (due > 1.0).then(|| counted / due);
    found = found.with_evidence(format!(
        "{counted:.0} pulses counted where {due:.1} were due: about {:.1} an hour too many, whatever the flow",
        rate * 3600.0
    ));
    if at_rest >= 1.0 {
        found = found.with_evidence(format!("{at_rest:.0} pulses were counted while next to nothing flowed"));
    }
    Some(found)
}

/// Reverse flow counted as forward, or the other way round.
pub(super) fn direction(gathered: &Gathered, drift: &Drift) -> Option<Candidate> {
    let known_by_total = gathered.facts.reverse_total.is_some();
    let reverse: f64 = drift.steps.iter().map(|step| step.reverse + step.undeclared).sum();
    if reverse < 2.0 {
        return None;
    }
    // A reverse total says how much flowed back. A flow register that is damped or polled seldom shows only about how much
    // (mostly too little, since what came before and after covers it), and each time a little differently.
    let (expected, spread, each) = if known_by_total { (1.0, 0.03, 0.03) } else { (1.1, 0.3, 0.2) };
    let wander = |step: &DriftStep| {
        let extra = step.reverse + step.undeclared;
        (each * extra).powi(2) + 0.05 * extra
    };
    let density = |size: f64| -0.5 * ((size - expected) / spread).powi(2) - (spread * 2.506_628).ln();
    let (weight, onset, fit) = scan(drift, |step| step.reverse + step.undeclared, wander, density)?;
    if !(0.5..=2.5).contains(&fit.size[0]) {
        return None;
    }
    let mut found = found_at(Code::PulseDirection, drift, weight, onset);
    let (counted, due) = sums(drift, onset);
    found.parameters.ratio = (due > 1.0).then(|| counted / due);
    Some(found.with_evidence(format!(
        "{counted:.0} pulses counted where {due:.1} were due; reverse flow was worth {reverse:.1} pulses, and {:.0} % of it was counted",
        100.0 * fit.size[0]
    )))
}

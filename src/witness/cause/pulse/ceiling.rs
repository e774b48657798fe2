//! A ceiling: above some rate the output or the receiver's filter cannot keep up.

use super::found_at;
use crate::cause::candidate::{Candidate, best_onset, log_onset};
use crate::cause::code::Code;
use crate::cause::drift::{Added, Drift, DriftStep};
use crate::cause::gather::Gathered;

/// What happens to pulses above the ceiling.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Above {
    /// They wait, up to so many, and are sent later; what does not fit is lost.
    Wait(f64),
    /// This share of all pulses is lost while the rate is above.
    Share(f64),
}

/// How well the excess over a limit is known on the whole, one standard deviation.
const EXCESS_ERROR: f64 = 0.15;
/// The share of a step's excess that is open, where the rate was above the limit throughout and where it was not.
const SURE_EXCESS: f64 = 0.01;
const UNSURE_EXCESS: f64 = 0.06;

/// A share that is lost at every rate that was seen is no matter of the rate: so few pulses below the limit show none...
const NEVER_SLOWER: f64 = 0.02;
/// ...and so much less likely is one then, in nats.
const NO_LIMIT_SEEN: f64 = 5.0;

/// Pulses a second that exceed `limit`, on average over the step.
///
/// The rate is taken to be spread evenly between the slowest and the fastest seen in the step.
fn excess(step: &DriftStep, limit: f64) -> f64 {
    let mean = step.rate();
    let sure = (mean - limit).max(0.0);
    let (low, high) = (step.slowest.min(mean), step.fastest.max(mean));
    // Where the flow register is not in the scale of the pulses, its spread says nothing.
    if high > 3.0 * mean.max(1e-9) || high <= limit || high - low < 1e-9 {
        return sure;
    }
    if low >= limit {
        return sure;
    }
    sure.max(0.5 * (high - limit) * (high - limit) / (high - low))
}

/// The share of the step in which the rate is above the limit.
fn share_above(step: &DriftStep, limit: f64) -> f64 {
    let mean = step.rate();
    let (low, high) = (step.slowest.min(mean), step.fastest.max(mean));
    if high > 3.0 * mean.max(1e-9) || high - low < 1e-9 {
        return f64::from(u8::from(mean > limit));
    }
    ((high - limit) / (high - low)).clamp(0.0, 1.0)
}

/// What is lost in each step.
fn losses(drift: &Drift, limit: f64, above: Above, onset: usize) -> Vec<f64> {
    let mut waiting = 0.0_f64;
    drift
        .steps
        .iter()
        .enumerate()
        .map(|(index, step)| {
            if index < onset || step.broken {
                return 0.0;
            }
            match above {
                Above::Wait(room) => {
                    let over = excess(step, limit) * step.seconds;
                    let spare = if over > 0.0 { 0.0 } else { (limit - step.rate()).max(0.0) * step.seconds };
                    let before = waiting;
                    waiting = (waiting + over - spare).clamp(0.0, room);
                    // What does not fit is lost; what waits comes later; what waited comes now.
                    if over > 0.0 { over } else { waiting - before }
                }
                Above::Share(share) => share * share_above(step, limit) * step.expected.max(0.0),
            }
        })
        .collect()
}

/// Limits to try, down to a twentieth of the fastest rate; finely where a rate is hardly above its limit.
fn limits(fastest: f64) -> impl Iterator<Item = f64> {
    let near = (0..24).map(|step| 0.97_f64.powi(step));
    let far = (1..16).map(|step| 0.5 * 0.87_f64.powi(step));
    near.chain(far).map(move |share| share * fastest)
}

/// Limits of one mode that are worth a closer look.
const LOOKED_AT: usize = 4;

/// The limits of a mode that account best for what is missing step by step: a rough measure, which takes a small part of the
/// time. Where a share is lost, its size is found with them.
fn likely_limits(drift: &Drift, fastest: f64, above: Above, onset: usize) -> Vec<(f64, Above)> {
    let sizes = match above {
        Above::Wait(_) => (1.0 - 2.0 * EXCESS_ERROR, 1.0 + 2.0 * EXCESS_ERROR),
        Above::Share(_) => (0.02, 1.0),
    };
    let mut rated: Vec<(f64, f64, f64)> = limits(fastest)
        .map(|limit| {
            let lost = losses(drift, limit, above, onset);
            let (mut squares, mut product) = (0.0, 0.0);
            for (step, lost) in drift.steps.iter().zip(&lost).filter(|(step, _)| !step.broken) {
                let variance = 2.0 * step.error + step.wander + 0.05 * step.expected.abs();
                squares += lost * lost / variance;
                product += lost * (step.expected - step.counted) / variance;
            }
            let size = if squares > 0.0 { (product / squares).clamp(sizes.0, sizes.1) } else { sizes.0 };
            (2.0 * size * product - size * size * squares, limit, size)
        })
        .collect();
    rated.sort_by(|a, b| b.0.total_cmp(&a.0));
    rated.truncate(LOOKED_AT);
    let sized = |size: f64| if let Above::Share(_) = above { Above::Share(size) } else { above };
    rated.into_iter().map(|(_, limit, size)| (limit, sized(size))).collect()
}

/// Above some flow the pulses cannot keep up.
///
/// `begins` is where losses of any kind would best begin: the limit is looked for from there, too.
pub(super) fn rate_limit(gathered: &Gathered, drift: &Drift, begins: usize) -> Option<Candidate> {
    let fastest = drift.steps.iter().filter(|step| step.expected > 0.5).map(DriftStep::rate).fold(0.0, f64::max);
    if fastest <= 0.0 || drift.counted >= drift.expected {
        return None;
    }
    let weigh_with = |limit: f64, above: Above, onset: usize, chance: f64| {
        let lost = losses(drift, limit, above, onset);
        let fit = drift.run(|index, step| {
            let wander = match above {
                Above::Wait(_) => {
                    // Near the ceiling the rate's own movement decides.
                    let near = share_above(step, 0.93 * limit);
                    // Where the rate was above throughout, what exceeds the limit is known.
                    let known_to = if step.slowest.min(step.rate()) > limit { SURE_EXCESS } else { UNSURE_EXCESS };
                    (known_to * lost[index]).powi(2)
                        + 0.02 * near * step.expected.abs().min(30.0) * 0.05
                        + 0.03 * lost[index].abs().min(10.0)
                }
                Above::Share(share) => {
                    (0.04 * chance * lost[index]).powi(2)
                        + chance * share * (1.0 - share).max(0.02) * share_above(step, limit) * step.expected.abs()
                }
            };
            Added { known: 0.0, wander, shapes: [-lost[index], 0.0] }
        });
        if fit.uncertainty[0].is_infinite() {
            return f64::NEG_INFINITY;
        }
        // Within a step the rate is known by its mean and its ends alone: what exceeds the limit is about right.
        let density = -0.5 * ((fit.size[0] - 1.0) / EXCESS_ERROR).powi(2) - (EXCESS_ERROR * 2.506_628).ln();
        fit.evidence(density)
    };
    // An input that is deaf for a time after each pulse passes every second one, or every third, as evenly as they come.
    let weigh = |limit: f64, above: Above, onset: usize| match above {
        Above::Share(_) => weigh_with(limit, above, onset, 1.0).max(weigh_with(limit, above, onset, 0.03) - 0.7),
        Above::Wait(_) => weigh_with(limit, above, onset, 1.0),
    };
    // First the shape and the limit over the whole stretch, then the onset, then the limit again.
    let waiting = [0.0, 10.0, 40.0, 200.0, f64::INFINITY].map(Above::Wait);
    let mut best: Option<(f64, f64, Above, usize)> = None;
    let starts: &[usize] = if begins > 0 { &[0, begins] } else { &[0] };
    for onset in starts.iter().copied() {
        let modes = waiting.into_iter().chain([Above::Share(1.0)]);
        for (limit, above) in modes.flat_map(|above| likely_limits(drift, fastest, above, onset)) {
            let weight = weigh(limit, above, onset);
            if best.is_none_or(|(most, ..)| weight > most) {
                best = Some((weight, limit, above, onset));
            }
        }
    }
    let (_, mut limit, mut above, start) = best?;
    if let Above::Share(_) = above {
        above = Above::Share(share_lost(drift, limit, start));
    }
    let refine = |limit: f64, above: Above, onset: usize| {
        let mut best = (weigh(limit, above, onset), limit);
        let mut width = 0.08;
        for _ in 0..4 {
            for step in -3..=3 {
                let trial = best.1 * (1.0 + width * f64::from(step) / 3.0);
                let weight = weigh(trial, above, onset);
                if weight > best.0 {
                    best = (weight, trial);
                }
            }
            width /= 3.0;
        }
        best
    };
    limit = refine(limit, above, start).1;
    let (_, onset, ()) = best_onset(drift.steps.len(), |onset| Some((weigh(limit, above, onset), ())))?;
    let (likelihood, limit) = refine(limit, above, onset);
    let began = log_onset(onset, drift.steps.len());
    // The limit is known to a few per cent of a factor of twenty, the mode is one of several.
    let mut found = found_at(Code::PulseRateLimit, drift, likelihood + began - 4.0 - 1.5, onset);
    let lost: f64 = losses(drift, limit, above, onset).iter().sum();
    if lost < 1.0 {
        return None;
    }
    found.parameters.rate_limit_hz = Some(limit);
    found.parameters.lost_fraction = Some((1.0 - drift.counted / drift.expected).clamp(0.0, 1.0));
    found.parameters.ratio = Some(drift.counted / drift.expected);
    let slow: (f64, f64) = drift
        .steps
        .iter()
        .skip(onset)
        .filter(|step| !step.broken && step.fastest.max(step.rate()) < limit)
        .fold((0.0, 0.0), |(counted, due), step| (counted + step.counted, due + step.expected));
    let fast: (f64, f64) = drift
        .steps
        .iter()
        .skip(onset)
        .filter(|step| !step.broken && step.rate() > limit)
        .fold((0.0, 0.0), |(counted, due), step| (counted + step.counted, due + step.expected));
    if matches!(above, Above::Share(_)) && slow.1 < NEVER_SLOWER * (slow.1 + fast.1) {
        found.weight -= NO_LIMIT_SEEN;
    }
    found = found.with_evidence(format!(
        "below {limit:.2} pulses a second {:.0} of {:.1} arrived, above it {:.0} of {:.1}",
        slow.0, slow.1, fast.0, fast.1
    ));
    if let Some(pulse) = gathered.facts.meter.pulse.as_ref() {
        found = found.with_evidence(format!(
            "{limit:.2} pulses a second is {:.1} L/s at {} L a pulse; an output of {:.0} ms on and {:.0} ms off can make {:.2} a second",
            limit * pulse.volume.0,
            pulse.volume.0,
            pulse.on_time.as_secs_f64() * 1000.0,
            pulse.off_time.as_secs_f64() * 1000.0,
            1.0 / (pulse.on_time + pulse.off_time).as_secs_f64().max(1e-6)
        ));
    }
    Some(found)
}

/// The share lost above a limit, as a plain ratio.
fn share_lost(drift: &Drift, limit: f64, onset: usize) -> f64 {
    let (counted, due) = drift
        .steps
        .iter()
        .skip(onset)
        .filter(|step| !step.broken && step.rate() > limit && step.slowest > 0.95 * limit)
        .fold((0.0, 0.0), |(counted, due), step| (counted + step.counted, due + step.expected));
    if due > 3.0 { (1.0 - counted / due).clamp(0.02, 1.0) } else { 1.0 }
}

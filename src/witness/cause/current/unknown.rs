//! What remains when no line, level or known meter explains the current: another meter's current, or nothing that is known.
//!
//! An unknown cause fits everything, so that its likelihood says nothing. It is weighed by what the best known cause leaves
//! over: where that explains nearly all of the deviation, the rest is the model's own roughness; where most of it stands,
//! the cause is another one.

use super::pairs::Pair;
use super::{LoopCase, Weighed};
use crate::cause::candidate::{Candidate, best_onset};
use crate::cause::code::{Code, Part};

/// Shares of the deviation left at which nothing, and everything, speaks for an unknown cause.
const LITTLE: f64 = 0.2;
const MUCH: f64 = 0.6;
/// What an unknown cause weighs beside the best known one, in nats, where little is left and where much is.
const UNNEEDED: f64 = -7.0;
const NEEDED: f64 = 3.0;
/// A current that goes with the flow by less than this may be another meter's.
const FOREIGN: f64 = 0.7;
/// A current that moves by less says nothing of whose it is, in milliamperes.
const MOVES: f64 = 0.15;

/// The loop's unexplained candidate, and that of a meter that nobody knows of.
pub(super) fn candidates(case: &LoopCase<'_>, known: &[Weighed], others_known: bool) -> Vec<Candidate> {
    let declared = case.left(&case.pairs, |_, pair| case.scale.unlimited(pair.flow, 1.0)).max(0.25 * case.let_pass());
    let heaviest = |among: &dyn Fn(&Weighed) -> bool| {
        let found = known.iter().filter(|weighed| among(weighed));
        found.max_by(|a, b| a.candidate.weight.total_cmp(&b.candidate.weight))
    };
    // A loop that agrees is no rival to what is wrong with it.
    let fault = heaviest(&|weighed| !matches!(weighed.candidate.code, Code::Agreement | Code::LoopLag))
        .filter(|fault| fault.left < MUCH * declared);
    let Some(best) = fault.or_else(|| heaviest(&|_| true)) else { return Vec::new() };
    let left = best.left / declared;
    let share = ((left - LITTLE) / (MUCH - LITTLE)).clamp(0.0, 1.0);
    let weight = best.candidate.weight + UNNEEDED + share * (NEEDED - UNNEEDED);
    let unexplained = Candidate::new(Code::Unexplained, weight).seen_in(Part::Loop).with_evidence(format!(
        "the best known cause of the loop leaves {:.3} mA of deviation, on average over time, of {declared:.3} mA",
        best.left
    ));
    let foreign = (share > 0.0).then(|| foreign(case, weight, others_known)).flatten();
    std::iter::once(unexplained).chain(foreign).collect()
}

/// The current of a meter that is not declared, or not given.
fn foreign(case: &LoopCase<'_>, unexplained: f64, others_known: bool) -> Option<Candidate> {
    let pairs = &case.pairs;
    // It begins where the sound loop ends: the split with the least deviation before it and the most after it.
    let deviation = |pair: &Pair| {
        ((pair.current - case.sound_mean(pair)).abs() - 3.0 * pair.variance.sqrt()).clamp(0.0, super::WORST)
    };
    let mean = pairs.iter().map(deviation).sum::<f64>() / pairs.len() as f64;
    let mut until = vec![0.0];
    for pair in pairs {
        until.push(until[until.len() - 1] + 0.5 * mean - deviation(pair));
    }
    let (_, onset, ()) = best_onset(pairs.len(), |onset| Some((until[onset], ())))?;
    let correlation = correlation(&pairs[onset..])?;
    if correlation > FOREIGN || spread(&pairs[onset..]) < MOVES {
        return None;
    }
    // Where the site's other meters are known and it follows none of them, it is hardly a meter.
    let rather = if others_known { -2.0 } else { 2.0 };
    let mut found = case.candidate(Code::LoopCrossed, 0.0, pairs, onset);
    found.weight = unexplained + rather;
    Some(found.with_evidence(format!(
        "the current moves like a flow, but with this meter's flow it goes by a correlation of only {correlation:.2}"
    )))
}

fn correlation(pairs: &[Pair]) -> Option<f64> {
    let (mut n, mut x, mut y, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for pair in pairs {
        n += pair.seconds;
        x += pair.seconds * pair.flow;
        y += pair.seconds * pair.current;
        xx += pair.seconds * pair.flow * pair.flow;
        yy += pair.seconds * pair.current * pair.current;
        xy += pair.seconds * pair.flow * pair.current;
    }
    let (vx, vy, c) = (xx / n - (x / n).powi(2), yy / n - (y / n).powi(2), xy / n - x * y / (n * n));
    (n > 0.0 && vx > 1e-12 && vy > 1e-12).then(|| c / (vx * vy).sqrt())
}

fn spread(pairs: &[Pair]) -> f64 {
    let mut values: Vec<f64> = pairs.iter().map(|pair| pair.current).collect();
    values.sort_unstable_by(f64::total_cmp);
    values[values.len() * 9 / 10] - values[values.len() / 10]
}

//! Currents that do not depend on the flow: fault, open, held, saturated.

use super::line::log_density;
use super::pairs::Pair;
use super::{LoopCase, Weighed};
use crate::cause::block::CurrentState;
use crate::cause::candidate::{Candidate, log_onset};
use crate::cause::code::Code;
use crate::cause::gather::Spell;
use crate::cause::prior::log_prior;

/// A state must last this long to contradict the flow, in seconds.
const CONTRADICTS_AFTER: f64 = 10.0;
/// A current so near to the end of its range stands there, in milliamperes.
const AT_THE_END: f64 = 0.05;
/// How near to the flow's own current, in milliamperes, one that is held from that moment on stands.
const WHERE_IT_WAS: f64 = 0.25;
/// What a state that a hypothesis does not explain costs it.
const UNEXPLAINED_STATE: f64 = 18.0;

/// The current stands still while the flow moves.
pub(super) fn held(case: &LoopCase<'_>) -> Option<Weighed> {
    let pairs = &case.pairs;
    let residual = |index: usize| pairs[index].current - case.sound_mean(&pairs[index]);
    // Levels to try: where the current ends, and where most of the odd blocks have it.
    let mut odd: Vec<f64> = (0..pairs.len())
        .filter(|index| residual(*index).abs() > 5.0 * pairs[*index].variance.sqrt() + 0.05)
        .map(|index| pairs[index].current)
        .collect();
    odd.sort_unstable_by(f64::total_cmp);
    let mut levels = vec![pairs.last()?.current];
    if !odd.is_empty() {
        levels.push(odd[odd.len() / 2]);
        levels.push(odd[odd.len() / 4]);
        levels.push(odd[odd.len() * 3 / 4]);
    }
    let mut best: Option<(f64, usize, usize, f64)> = None;
    for mut level in levels {
        for _ in 0..2 {
            let Some((gain, from, to)) = best_stretch(pairs.len(), |index| {
                let pair = &pairs[index];
                log_density(pair.current - level, pair.still_variance)
                    - case.scale.log_density(pair, case.whole.gain, case.whole.offset)
            }) else {
                break;
            };
            let weight: f64 = pairs[from..to].iter().map(|pair| pair.seconds).sum();
            level = pairs[from..to].iter().map(|pair| pair.current * pair.seconds).sum::<f64>() / weight.max(1e-9);
            if best.is_none_or(|(most, ..)| gain > most) {
                best = Some((gain, from, to, level));
            }
        }
    }
    let (_, from, to, level) = best?;
    if names_itself(case, level) {
        return None;
    }
    let inside = &pairs[from..to];
    let low = inside.iter().map(|pair| pair.flow).fold(f64::INFINITY, f64::min);
    let high = inside.iter().map(|pair| pair.flow).fold(f64::NEG_INFINITY, f64::max);
    let seconds: f64 = inside.iter().map(|pair| pair.seconds).sum();
    let wandered = inside.iter().map(|pair| (pair.current - level).abs()).fold(0.0, f64::max);
    let moved = (high - low) * case.scale.slope.abs();
    if moved < 0.15 || moved < 5.0 * wandered || seconds < CONTRADICTS_AFTER {
        return None;
    }
    // Outside the stretch the loop is sound by its own best line.
    let outside: Vec<_> = pairs[..from].iter().chain(&pairs[to..]).copied().collect();
    let line = super::fit(&outside, &case.scale, case.sound, (1.0, 0.0), case.tempering);
    let inside_likelihood: f64 =
        inside.iter().map(|pair| log_density(pair.current - level, pair.still_variance)).sum::<f64>() * case.tempering;
    // It may begin and end anywhere.
    let ends = log_onset(from, pairs.len()) + log_onset(pairs.len() - to, pairs.len());
    let left = case.left(pairs, |index, pair| {
        if (from..to).contains(&index) { level } else { case.scale.of_block(pair, line.gain, line.offset).mean }
    });
    // Held by chance below every flow that followed, it would look like a current that stops there.
    let lowest = inside.iter().map(|pair| case.scale.unlimited(pair.flow, 1.0)).fold(f64::INFINITY, f64::min);
    let as_if_stopped = if lowest > level - 0.1 { 6.5 } else { 0.0 };
    // A current that is held part way stands where the flow had it just then.
    let where_it_was = if from == 0 {
        0.0
    } else {
        let edge = &pairs[from.saturating_sub(2)..(from + 2).min(pairs.len())];
        let nearest = edge.iter().map(|pair| (case.sound_mean(pair) - level).abs()).fold(f64::INFINITY, f64::min);
        if nearest < WHERE_IT_WAS { 2.5 } else { -2.5 }
    };
    let mut candidate = case.candidate(
        Code::LoopHeld,
        line.evidence() + inside_likelihood + where_it_was + ends - 3.0 - as_if_stopped,
        pairs,
        from,
    );
    candidate.parameters.level_ma = Some(level);
    Some(Weighed { candidate, left }.with_evidence(format!(
        "the current stood at {level:.3} mA for {:.0} min while the flow went between {low:.1} and {high:.1} L/s",
        seconds / 60.0
    )))
}

/// True for a current that says by its level what it is: a fault, nothing, or the upper end of its range. At the lower end it
/// may have been held while it flowed backwards.
fn names_itself(case: &LoopCase<'_>, level: f64) -> bool {
    case.gathered.facts.meter.current_loop.as_ref().is_some_and(|declared| {
        level <= declared.fault.0.0 + AT_THE_END || level >= declared.saturates.1.0 - AT_THE_END
    })
}

/// The stretch with the largest sum of gains: Kadane's scan.
fn best_stretch(length: usize, gain: impl Fn(usize) -> f64) -> Option<(f64, usize, usize)> {
    let mut best: Option<(f64, usize, usize)> = None;
    let (mut sum, mut from) = (0.0, 0);
    for index in 0..length {
        if sum <= 0.0 {
            sum = 0.0;
            from = index;
        }
        sum += gain(index);
        if sum > 0.0 && best.is_none_or(|(most, ..)| sum > most) {
            best = Some((sum, from, index + 1));
        }
    }
    best
}

/// Adds the causes that the state of the current names by itself, and charges the others for leaving it unexplained.
pub(super) fn judge_states(case: &LoopCase<'_>, found: &mut Vec<Weighed>) {
    let gathered = case.gathered;
    let fault = if gathered.low_fault.seconds >= gathered.high_fault.seconds {
        (gathered.low_fault, CurrentState::LowFault)
    } else {
        (gathered.high_fault, CurrentState::HighFault)
    };
    let states = [
        (Code::LoopFault, fault.0, Some(fault.1)),
        (Code::LoopOpen, gathered.open, Some(CurrentState::Open)),
        (Code::LoopSaturated, gathered.beyond_scale, None),
    ];
    for (code, spell, state) in states {
        if spell.longest < CONTRADICTS_AFTER || spell.samples < 2 {
            continue;
        }
        let own = named_by_state(case, code, spell, state);
        for other in found.iter_mut() {
            if !explains(case, &other.candidate, state) {
                other.candidate.weight -= UNEXPLAINED_STATE;
            }
        }
        found.push(own);
    }
}

/// Whether a candidate's own line reaches down to (or up to) the state.
fn explains(case: &LoopCase<'_>, candidate: &Candidate, state: Option<CurrentState>) -> bool {
    match (candidate.code, state) {
        (Code::LoopZero, Some(state)) => {
            let offset = candidate.parameters.offset_ma.unwrap_or(0.0);
            let mut of_state = case.pairs.iter().filter(|pair| pair.state == state).peekable();
            of_state.peek().is_some()
                && of_state.all(|pair| {
                    (pair.current - case.scale.current(pair.flow, 1.0, offset)).abs() < 0.1 + 5.0 * pair.variance.sqrt()
                })
        }
        (Code::LoopClipped, None) => candidate.parameters.level_ma.is_some_and(|level| level > case.scale.high - 0.1),
        (Code::LoopHeld | Code::LoopCrossed | Code::LoopSpan, None) => true,
        _ => false,
    }
}

fn named_by_state(case: &LoopCase<'_>, code: Code, spell: Spell, state: Option<CurrentState>) -> Weighed {
    let mut best: Option<(f64, super::LineFit, &[Pair])> = None;
    for (pairs, charge) in case.views() {
        let rest: Vec<_> = pairs.iter().filter(|pair| Some(pair.state) != state).copied().collect();
        let line = super::fit(&rest, &case.scale, case.sound, (1.0, 0.0), case.tempering);
        if best.is_none_or(|(most, ..)| line.evidence() - charge > most) {
            best = Some((line.evidence() - charge, line, pairs));
        }
    }
    let (evidence, line, pairs) = best.unwrap_or((case.whole.evidence(), case.whole, &case.pairs));
    let of_state = pairs.iter().filter(|pair| Some(pair.state) == state);
    let level = if spell.samples > 0 { spell.sum_ma / spell.samples as f64 } else { f64::NAN };
    let state_likelihood: f64 =
        of_state.map(|pair| log_density(0.3 * pair.still_variance.sqrt(), pair.still_variance)).sum::<f64>()
            * case.tempering;
    let weight = evidence + state_likelihood;
    let left = case.left(pairs, |_, pair| {
        if Some(pair.state) == state { pair.current } else { case.scale.of_block(pair, line.gain, line.offset).mean }
    });
    let mut found = Candidate::new(code, weight + log_prior(code));
    let first = spell.first.filter(|first| first.0 > case.gathered.first_wall.0 + 30_000);
    found.onset = first;
    if let Some(first) = first {
        found.since = case.gathered.blocks.iter().position(|block| block.wall_to.0 >= first.0).unwrap_or(0);
    }
    found.parameters.level_ma = Some(level);
    Weighed { candidate: found, left }.with_evidence(match code {
        Code::LoopFault => {
            format!("the current stood at {level:.2} mA, a fault by its limits, for {:.0} s in all", spell.seconds)
        }
        Code::LoopOpen => {
            format!("the current stood at {level:.2} mA, as good as none, for {:.0} s in all", spell.seconds)
        }
        _ => format!(
            "the flow was beyond full scale and the current at its end, {level:.2} mA, for {:.0} s in all",
            spell.seconds
        ),
    })
}

//! Currents that depend on the flow in another way: clipped, without its sign, or another meter's.

use super::line::{LineFit, log_density};
use super::pairs::Pair;
use super::{LoopCase, Weighed};
use crate::cause::candidate::{best_onset, log_onset};
use crate::cause::code::Code;
use crate::cause::crossing::OtherMeter;

/// Each milliampere that a current stops lower than this makes it rarer, by one nat.
const SELDOM_BELOW: f64 = 8.0;

/// The current stops short of full scale.
pub(super) fn clipped(case: &LoopCase<'_>) -> Option<Weighed> {
    let mut best: Option<(f64, usize, f64, LineFit, &[Pair])> = None;
    for (pairs, charge) in case.views() {
        for (stop, line) in stops(case, pairs) {
            let limited = |pair: &Pair| {
                let stopped = case.scale.of_block_below(pair, line.gain, line.offset, stop - line.offset);
                // A current at its stop stands, whatever the flow does above it.
                let lowest = case.scale.current(pair.flow_low.min(pair.flow_high), line.gain, line.offset);
                let variance = if lowest > stop { pair.still_variance } else { pair.variance + stopped.variance };
                log_density(pair.current - stopped.mean, variance)
            };
            let scanned = best_onset(pairs.len(), |onset| {
                let after: f64 = pairs[onset..].iter().map(limited).sum();
                let before: f64 =
                    pairs[..onset].iter().map(|pair| case.scale.log_density(pair, line.gain, line.offset)).sum();
                Some((case.tempering * (before + after) + line.log_prior + line.log_width - charge, ()))
            });
            if let Some((weight, onset, ())) = scanned
                && best.is_none_or(|(most, ..)| weight > most)
            {
                best = Some((weight, onset, stop, line, pairs));
            }
        }
    }
    let (weight, onset, stop, line, pairs) = best?;
    if stop > case.scale.high - 0.08 || stop < 4.2 {
        return None;
    }
    let predicted = |pair: &Pair| case.scale.of_block(pair, line.gain, line.offset).mean;
    let left = case.left(pairs, |index, pair| {
        if index < onset {
            predicted(pair)
        } else {
            case.scale.of_block_below(pair, line.gain, line.offset, stop - line.offset).mean
        }
    });
    // What stops a current is load against supply: hardly ever near its lower end.
    let rare = (SELDOM_BELOW - stop).max(0.0);
    let mut candidate = case.candidate(Code::LoopClipped, weight - 5.0 - rare, pairs, onset);
    candidate.parameters.level_ma = Some(stop);
    let beyond: Vec<&Pair> = pairs[onset..].iter().filter(|pair| predicted(pair) > stop + 0.05).collect();
    let seconds: f64 = beyond.iter().map(|pair| pair.seconds).sum();
    let highest = beyond.iter().map(|pair| pair.flow).fold(0.0, f64::max);
    Some(Weighed { candidate, left }.with_evidence(format!(
        "the current never rises above {stop:.2} mA: for {:.0} min the flow asked for more, up to {:.2} mA at {highest:.1} L/s",
        seconds / 60.0,
        case.scale.current(highest, 1.0, 0.0)
    )))
}

/// Levels at which the current may stop, each with the line below it.
fn stops(case: &LoopCase<'_>, pairs: &[Pair]) -> Vec<(f64, LineFit)> {
    let predicted = |pair: &Pair, line: &LineFit| case.scale.of_block(pair, line.gain, line.offset).mean;
    let mut above: Vec<f64> = pairs
        .iter()
        .filter(|pair| predicted(pair, &case.whole) > pair.current + 4.0 * pair.variance.sqrt() + 0.03)
        .map(|pair| pair.current)
        .filter(|current| *current > 4.3)
        .collect();
    if above.is_empty() {
        return Vec::new();
    }
    above.sort_unstable_by(f64::total_cmp);
    [0.5, 0.9, 0.98]
        .into_iter()
        .map(|share| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                clippy::cast_precision_loss,
                reason = "an index"
            )]
            let mut stop = above[((above.len() - 1) as f64 * share) as usize];
            let mut line = case.whole;
            for _ in 0..4 {
                let free: Vec<Pair> = pairs.iter().filter(|pair| predicted(pair, &line) < stop).copied().collect();
                line = super::fit(&free, &case.scale, case.sound, (1.0, 0.0), case.tempering);
                let (mut sum, mut weight) = (0.0, 0.0);
                for pair in pairs {
                    let lowest = case.scale.current(pair.flow_low.min(pair.flow_high), line.gain, line.offset);
                    if predicted(pair, &line) > stop + 0.02 && lowest > stop - 0.1 && (pair.current - stop).abs() < 0.4
                    {
                        // Peaks from before it stopped must not pull it.
                        let deviation = pair.current - stop;
                        let here = (4.0 * pair.still_variance + deviation * deviation).recip();
                        sum += here * pair.current;
                        weight += here;
                    }
                }
                if weight > 0.0 {
                    stop = sum / weight;
                }
            }
            (stop, line)
        })
        .collect()
}

/// The loop shows reverse flow as forward.
pub(super) fn direction(case: &LoopCase<'_>) -> Option<Weighed> {
    let pairs = &case.pairs;
    let reverse: Vec<&Pair> = pairs.iter().filter(|pair| pair.flow * case.scale.slope < -0.08).collect();
    if reverse.is_empty() {
        return None;
    }
    let turned = |pair: &Pair| {
        let straddle = ((-pair.flow_low).min(pair.flow_high).max(0.0) * case.scale.slope).powi(2);
        let current = case.scale.current(pair.flow.abs(), case.whole.gain, case.whole.offset);
        log_density(pair.current - current, pair.variance + straddle)
    };
    let straight = |pair: &Pair| case.scale.log_density(pair, case.whole.gain, case.whole.offset);
    // Only the reverse blocks tell; they are few, and count in full.
    let before_all: f64 = pairs.iter().map(straight).sum();
    let (gain, onset, ()) = best_onset(pairs.len(), |onset| {
        let after: f64 =
            pairs[onset..].iter().map(|pair| if pair.flow < 0.0 { turned(pair) - straight(pair) } else { 0.0 }).sum();
        Some((after, ()))
    })?;
    if !before_all.is_finite() || gain <= 0.0 {
        return None;
    }
    let rest: Vec<Pair> = pairs.iter().filter(|pair| pair.flow >= 0.0).copied().collect();
    let line = super::fit(&rest, &case.scale, case.sound, (1.0, 0.0), case.tempering);
    let reversed = pairs.iter().enumerate().filter(|(_, pair)| pair.flow < 0.0);
    let reversed: f64 = reversed.map(|(index, pair)| if index < onset { straight(pair) } else { turned(pair) }).sum();
    let left = case.left(pairs, |index, pair| {
        if index < onset || pair.flow >= 0.0 {
            return case.scale.of_block(pair, line.gain, line.offset).mean;
        }
        let forward = pair.flow_high.max(0.0) * case.scale.slope.abs();
        // A block in which the flow turns shows something between the two.
        let turned = case.scale.current(-pair.flow, line.gain, line.offset);
        pair.current.clamp(turned - forward, turned + 2.0 * forward)
    });
    let began = log_onset(onset, pairs.len());
    let mut candidate =
        case.candidate(Code::LoopDirection, line.evidence() + case.tempering * reversed + began - 0.5, pairs, onset);
    let reverse: Vec<&Pair> = pairs[onset..].iter().filter(|pair| pair.flow * case.scale.slope < -0.08).collect();
    let seconds: f64 = reverse.iter().map(|pair| pair.seconds).sum();
    let deepest = reverse.iter().min_by(|a, b| a.flow.total_cmp(&b.flow))?;
    candidate.parameters.ratio = Some(-1.0);
    Some(Weighed { candidate, left }.with_evidence(format!(
        "in {seconds:.0} s of reverse flow the current rose with it: {:.2} mA at {:.1} L/s",
        deepest.current, deepest.flow
    )))
}

/// The current follows another meter of the site.
pub(super) fn follows(case: &LoopCase<'_>, other: &OtherMeter) -> Option<Weighed> {
    let (full_scale, at_4_ma) = other.scale()?;
    let slope = 16.0 / (full_scale - at_4_ma);
    let mut theirs: Vec<Option<(f64, f64)>> = Vec::with_capacity(case.pairs.len());
    let mut last: Option<f64> = None;
    for pair in &case.pairs {
        let block = &case.gathered.blocks[pair.block];
        let flow = other.mean_flow(block.wall_from, block.wall_to);
        theirs.push(flow.map(|flow| {
            let moved = last.map_or(0.0, |last| (flow - last).abs());
            let current = (4.0 + slope * (flow - at_4_ma)).clamp(case.scale.low, case.scale.high);
            // Their damping and ours are unknown: a few seconds of whatever their flow moved.
            let timing = slope * moved * 4.0 / pair.seconds.max(4.0);
            (current, pair.variance + timing * timing + 0.03 * 0.03)
        }));
        last = flow;
    }
    if theirs.iter().flatten().count() * 2 < theirs.len() {
        return None;
    }
    let deviation = |index: usize| {
        theirs[index].map_or(-3.0, |(current, variance)| log_density(case.pairs[index].current - current, variance))
    };
    let own = |index: usize| case.scale.log_density(&case.pairs[index], case.whole.gain, case.whole.offset);
    let total: f64 = (0..theirs.len()).map(deviation).sum();
    let mut prefix = vec![0.0; theirs.len() + 1];
    for index in 0..theirs.len() {
        prefix[index + 1] = prefix[index] + own(index) - deviation(index);
    }
    let (weight, onset, ()) = best_onset(theirs.len(), |onset| Some((case.tempering * (total + prefix[onset]), ())))?;
    let left = case.left(&case.pairs, |index, pair| match theirs[index] {
        Some((current, variance)) if index >= onset => {
            let slack = 3.0 * variance.sqrt();
            pair.current.clamp(current - slack, current + slack)
        }
        Some(_) => case.sound_mean(pair),
        None => pair.current,
    });
    let line = case.whole.log_prior + case.whole.log_width;
    let mut candidate = case.candidate(Code::LoopCrossed, weight + line, &case.pairs, onset);
    candidate.parameters.follows = Some(other.name.clone());
    let mut misses: Vec<f64> = (onset..theirs.len())
        .filter_map(|index| theirs[index].map(|(current, _)| (case.pairs[index].current - current).abs()))
        .collect();
    misses.sort_unstable_by(f64::total_cmp);
    let how_near = misses
        .get(misses.len() / 2)
        .map_or_else(String::new, |half| format!(": half of the time within {half:.3} mA of what its flow would make"));
    Some(Weighed { candidate, left }.with_evidence(format!("the current follows {}{how_near}", other.name)))
}

//! Currents that depend on the flow in another way: clipped, without its sign, another meter's, or none that is known.

use super::LoopCase;
use super::line::{log_density, rough_gain};
use super::pairs::Pair;
use crate::cause::candidate::{Candidate, best_onset};
use crate::cause::code::{Code, Part};
use crate::cause::crossing::OtherMeter;
use crate::cause::prior::log_prior;

/// The current stops short of full scale.
pub(super) fn clipped(case: &LoopCase<'_>) -> Option<Candidate> {
    let pairs = &case.pairs;
    let predicted = |pair: &Pair, line: &super::LineFit| case.scale.current(pair.flow, line.gain, line.offset);
    let mut above: Vec<f64> = pairs
        .iter()
        .filter(|pair| {
            predicted(pair, &case.whole) > pair.current + 4.0 * pair.variance.sqrt() + 0.03 && pair.current > 4.3
        })
        .map(|pair| pair.current)
        .collect();
    if above.is_empty() {
        return None;
    }
    above.sort_unstable_by(f64::total_cmp);
    let mut best: Option<(f64, usize, f64, super::LineFit)> = None;
    for share in [0.5, 0.9, 0.98] {
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
            for pair in
                pairs.iter().filter(|pair| predicted(pair, &line) > stop + 0.02 && (pair.current - stop).abs() < 0.4)
            {
                let here = pair.variance.recip().min(1e5);
                sum += here * pair.current;
                weight += here;
            }
            if weight > 0.0 {
                stop = sum / weight;
            }
        }
        let limited = |pair: &Pair| {
            // A block that crosses the stop is part free, part stopped.
            let crossing = 0.3 * ((pair.flow_high - pair.flow_low) * case.scale.slope).abs();
            let raw = predicted(pair, &line);
            let variance = if (raw - stop).abs() < 2.0 * crossing {
                pair.variance + (0.3 * crossing).powi(2)
            } else {
                pair.variance
            };
            log_density(pair.current - raw.min(stop), variance)
        };
        let scanned = best_onset(pairs.len(), |onset| {
            let after: f64 = pairs[onset..].iter().map(limited).sum();
            let before: f64 = pairs[..onset]
                .iter()
                .map(|pair| log_density(pair.current - predicted(pair, &line), pair.variance))
                .sum();
            Some((case.tempering * (before + after) + line.log_prior + line.log_width, ()))
        });
        if let Some((weight, onset, ())) = scanned
            && best.is_none_or(|(most, ..)| weight > most)
        {
            best = Some((weight, onset, stop, line));
        }
    }
    let (weight, onset, stop, line) = best?;
    if stop > case.scale.high - 0.08 || stop < 4.2 {
        return None;
    }
    let mut found = case.candidate(Code::LoopClipped, weight - 5.0, pairs, onset);
    found.parameters.level_ma = Some(stop);
    let beyond: Vec<&Pair> = pairs[onset..].iter().filter(|pair| predicted(pair, &line) > stop + 0.05).collect();
    let seconds: f64 = beyond.iter().map(|pair| pair.seconds).sum();
    let highest = beyond.iter().map(|pair| pair.flow).fold(0.0, f64::max);
    Some(found.with_evidence(format!(
        "the current never rises above {stop:.2} mA: for {:.0} min the flow asked for more, up to {:.2} mA at {highest:.1} L/s",
        seconds / 60.0,
        case.scale.current(highest, 1.0, 0.0)
    )))
}

/// The loop shows reverse flow as forward.
pub(super) fn direction(case: &LoopCase<'_>) -> Option<Candidate> {
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
    let straight = |pair: &Pair| {
        let current = case.scale.current(pair.flow, case.whole.gain, case.whole.offset);
        log_density(pair.current - current, pair.variance)
    };
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
    let turned_sum: f64 = pairs.iter().filter(|pair| pair.flow < 0.0).map(turned).sum::<f64>() * case.tempering;
    let mut found = case.candidate(Code::LoopDirection, line.evidence() + turned_sum - 0.5, pairs, onset);
    let seconds: f64 = reverse.iter().map(|pair| pair.seconds).sum();
    let deepest = reverse.iter().min_by(|a, b| a.flow.total_cmp(&b.flow))?;
    found.parameters.ratio = Some(-1.0);
    Some(found.with_evidence(format!(
        "in {seconds:.0} s of reverse flow the current rose with it: {:.2} mA at {:.1} L/s",
        deepest.current, deepest.flow
    )))
}

/// The current follows another meter of the site, or something else that is not this meter.
pub(super) fn crossed(case: &LoopCase<'_>, others: &[OtherMeter]) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = others.iter().filter_map(|other| follows(case, other)).collect();
    found.extend(follows_nobody_known(case, !others.is_empty()));
    found
}

fn follows(case: &LoopCase<'_>, other: &OtherMeter) -> Option<Candidate> {
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
    let own = |index: usize| {
        let pair = &case.pairs[index];
        log_density(pair.current - case.scale.current(pair.flow, 1.0, 0.0), pair.variance)
    };
    let total: f64 = (0..theirs.len()).map(deviation).sum();
    let mut prefix = vec![0.0; theirs.len() + 1];
    for index in 0..theirs.len() {
        prefix[index + 1] = prefix[index] + own(index) - deviation(index);
    }
    let (weight, onset, ()) = best_onset(theirs.len(), |onset| Some((case.tempering * (total + prefix[onset]), ())))?;
    let mut found = case.candidate(Code::LoopCrossed, weight, &case.pairs, onset);
    found.parameters.follows = Some(other.name.clone());
    let mut misses: Vec<f64> = (onset..theirs.len())
        .filter_map(|index| theirs[index].map(|(current, _)| (case.pairs[index].current - current).abs()))
        .collect();
    misses.sort_unstable_by(f64::total_cmp);
    Some(found.with_evidence(format!(
        "the current follows {}: half of the time within {:.3} mA of what its flow would make",
        other.name,
        misses.get(misses.len() / 2).copied().unwrap_or(f64::NAN)
    )))
}

/// A current that runs smoothly by itself: likelihood of its steps as a random walk.
fn walk(case: &LoopCase<'_>, from: usize, of: impl Fn(&Pair) -> f64) -> f64 {
    let values: Vec<(f64, f64, f64)> =
        case.pairs[from..].iter().map(|pair| (of(pair), pair.variance, pair.seconds)).collect();
    let mut steps: Vec<f64> = values
        .windows(2)
        .map(|pair| (pair[1].0 - pair[0].0).powi(2) / (0.5 * (pair[0].2 + pair[1].2)).max(1.0))
        .collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    let pace = (*median / 0.455).max(1e-9);
    case.tempering
        * values
            .windows(2)
            .map(|pair| {
                let variance = pace * (0.5 * (pair[0].2 + pair[1].2)).max(1.0) + 0.3 * (pair[0].1 + pair[1].1);
                log_density(pair[1].0 - pair[0].0, variance)
            })
            .sum::<f64>()
}

fn follows_nobody_known(case: &LoopCase<'_>, others_seen: bool) -> Option<Candidate> {
    let pairs = &case.pairs;
    let sound: Vec<f64> = pairs
        .iter()
        .map(|pair| case.tempering * log_density(pair.current - case.scale.current(pair.flow, 1.0, 0.0), pair.variance))
        .collect();
    let mut prefix = vec![0.0];
    for value in &sound {
        prefix.push(prefix[prefix.len() - 1] + value);
    }
    let (weight, onset, ()) =
        best_onset(pairs.len(), |onset| Some((prefix[onset] + walk(case, onset, |pair| pair.current), ())))?;
    let correlation = correlation(&pairs[onset..])?;
    let spread = spread(&pairs[onset..]);
    if correlation > 0.7 || spread < 0.15 {
        return None;
    }
    let mut found = case.candidate(Code::LoopCrossed, weight - 2.0, pairs, onset);
    if others_seen {
        found.weight += 0.5 * log_prior(Code::LoopCrossed);
    }
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

/// The current departs from the flow in a way that is not in the catalogue: a wandering deviation from a free line.
pub(super) fn unexplained(case: &LoopCase<'_>) -> Candidate {
    let gain = rough_gain(&case.pairs, &case.scale);
    let weight =
        walk(case, 0, |pair| pair.current - case.scale.current(pair.flow, gain, 0.0))
            .max(walk(case, 0, |pair| pair.current));
    Candidate::new(Code::Unexplained, weight - 4.0 + log_prior(Code::Unexplained)).seen_in(Part::Loop).with_evidence(format!(
        "the best straight line (gain {:.4}, offset {:+.3} mA) leaves deviations that no cause of the catalogue makes",
        case.free.gain, case.free.offset
    ))
}

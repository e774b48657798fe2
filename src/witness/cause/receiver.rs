//! What the controller or biller makes of the signals, against the signals themselves.

use super::candidate::{Candidate, best_onset};
use super::code::Code;
use super::gather::Gathered;
use super::prior::{log_density, log_named, log_prior, named_factor};
use crate::tally::{Between, TallyStanding};

/// In nats: what a tally with no false alarm by construction weighs against chance.
const BEYOND_DOUBT: f64 = 20.0;

/// A pair to be held against each other: what the declaration makes of the signal, and what the receiver shows.
struct Point {
    block: usize,
    due: f64,
    shown: f64,
    variance: f64,
}

/// Candidates for the receiver's flow, the sound one among them; empty where it shows none.
pub(super) fn span_candidates(gathered: &Gathered) -> Vec<Candidate> {
    let Some(declared) = gathered.facts.meter.current_loop.as_ref() else { return Vec::new() };
    let span = declared.span().0;
    let points: Vec<Point> = gathered
        .blocks
        .iter()
        .enumerate()
        .filter(|(_, block)| block.receiver_samples > 0.0)
        .map(|(index, block)| {
            let n = block.receiver_samples;
            let due = declared.at_4_ma.0 + (block.receiver_current_sum / n - 4.0) / 16.0 * span;
            let moved = (block.flow_high - block.flow_low).min(span.abs());
            let variance = (declared.accuracy * span).powi(2) * 0.25 + (0.5 * moved).powi(2) / n + 1e-12;
            Point { block: index, due, shown: block.receiver_sum / n, variance }
        })
        .collect();
    ratio_candidates(gathered, &points, Code::ReceiverSpan, declared.accuracy, |ratio| {
        format!("the receiver shows {ratio:.4} times the flow that its own scale makes of the current")
    })
}

/// Candidates for the receiver's total, the sound one among them; empty where it shows none.
pub(super) fn weight_candidates(gathered: &Gathered) -> Vec<Candidate> {
    let Some(declared) = gathered.facts.meter.pulse.as_ref() else { return Vec::new() };
    let volume = declared.volume.0;
    let mut points = Vec::new();
    let mut last: Option<(f64, f64)> = None;
    for (index, block) in gathered.blocks.iter().enumerate() {
        let (Some(pulses), Some(shown)) = (block.pulses, block.receiver_total) else { continue };
        if let Some((pulses_before, shown_before)) = last {
            if pulses - pulses_before < 20.0 && index + 1 < gathered.blocks.len() {
                continue;
            }
            let due = (pulses - pulses_before) * volume;
            // A pulse more or less at either end, and the receiver's own rounding.
            points.push(Point { block: index, due, shown: shown - shown_before, variance: volume * volume * 1.5 });
        }
        last = Some((pulses, shown));
    }
    ratio_candidates(gathered, &points, Code::ReceiverWeight, 1e-5, |ratio| {
        format!("the receiver's total rose by {ratio:.5} times the pulses' volume")
    })
}

/// The same where the receiver's figure is only noted by hand: its tally has decided with all that is known of it.
pub(super) fn noted_candidates(gathered: &Gathered, tallies: &[TallyStanding], between: Between) -> Vec<Candidate> {
    let code = if between == Between::LoopReceiverFlow { Code::ReceiverSpan } else { Code::ReceiverWeight };
    let tally = tallies.iter().find(|tally| tally.between == between && tally.disagreements > 0);
    let Some((tally, ratio)) = tally.and_then(|tally| Some((tally, tally.ratio?))) else { return Vec::new() };
    let mut candidate = Candidate::new(code, BEYOND_DOUBT + log_prior(code));
    imply(gathered, &mut candidate, ratio);
    let unit = tally.unit.symbol();
    let figure = |value: Option<f64>| value.map_or_else(|| "nothing".to_owned(), |value| format!("{value:.3} {unit}"));
    let evidence = format!(
        "noted by hand, the receiver's figure is {ratio:.4} times what its signal makes: {} against {}",
        figure(tally.second),
        figure(tally.first)
    );
    vec![Candidate::sound(0.0), candidate.with_evidence(evidence)]
}

/// What a ratio implies.
fn imply(gathered: &Gathered, candidate: &mut Candidate, ratio: f64) {
    let meter = &gathered.facts.meter;
    candidate.parameters.ratio = Some(ratio);
    if candidate.code == Code::ReceiverSpan {
        let full_scale = meter.current_loop.as_ref().map(|declared| declared.full_scale.0 * ratio);
        candidate.parameters.implied_full_scale_l_s = full_scale;
    } else {
        candidate.parameters.implied_pulse_volume_l = meter.pulse.as_ref().map(|declared| declared.volume.0 * ratio);
    }
}

fn ratio_candidates(
    gathered: &Gathered,
    points: &[Point],
    code: Code,
    accuracy: f64,
    says: impl Fn(f64) -> String,
) -> Vec<Candidate> {
    if points.len() < 3 {
        return Vec::new();
    }
    #[expect(clippy::cast_precision_loss, reason = "a few thousand points")]
    let tempering = (200.0 / points.len() as f64).min(1.0);
    let weigh = |from: usize, to: usize, ratio: f64| {
        tempering
            * points[from..to]
                .iter()
                .map(|point| {
                    let scale = ratio.abs().max(1.0).powi(2);
                    -2.5 * ((point.shown - ratio * point.due).powi(2) / (4.0 * point.variance * scale)).ln_1p()
                        - 0.5 * (point.variance * scale).ln()
                })
                .sum::<f64>()
    };
    let sound = weigh(0, points.len(), 1.0);
    let mut found = vec![Candidate::sound(sound)];
    let best = best_onset(points.len(), |onset| {
        let mut ratios: Vec<f64> = points[onset..]
            .iter()
            .filter(|point| point.due.abs() > 3.0 * point.variance.sqrt())
            .map(|point| point.shown / point.due)
            .collect();
        if ratios.is_empty() {
            return None;
        }
        let middle = ratios.len() / 2;
        let (_, median, _) = ratios.select_nth_unstable_by(middle, f64::total_cmp);
        let before = weigh(0, onset, 1.0);
        let ratio = *median;
        let mut choice = (before + weigh(onset, points.len(), ratio) + log_density(ratio) - 5.0, ratio);
        if let Some(named) = named_factor(ratio, (10.0 * accuracy).max(2e-3)) {
            let weight = before + weigh(onset, points.len(), named) + log_named();
            if weight > choice.0 {
                choice = (weight, named);
            }
        }
        Some((choice.0, choice.1))
    });
    // A figure that goes back, or stands, is not scaled wrong.
    if let Some((weight, onset, ratio)) = best.filter(|(_, _, ratio)| (ratio - 1.0).abs() > accuracy) {
        let mut candidate = Candidate::new(code, weight + log_prior(code));
        if onset > 0 {
            let block = points[onset].block;
            candidate.onset = Some(gathered.blocks[block].wall_from);
            candidate.since = block;
        }
        imply(gathered, &mut candidate, ratio);
        found.push(candidate.with_evidence(says(ratio)));
    }
    found
}

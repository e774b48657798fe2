//! The 4-20 mA loop: causes told apart by how the current depends on the flow.

mod level;
mod line;
pub(super) mod pairs;
mod shape;
mod unknown;

use crate::declared::FlowTolerance;

use super::candidate::{Candidate, best_onset};
use super::code::Code;
use super::crossing::OtherMeter;
use super::gather::Gathered;
use super::prior::{log_density as log_ratio_density, log_named, log_prior, named_factor};
use line::{LineFit, LinePrior, fit, rough_gain, temper};
use pairs::{FlowScale, Lag, Pair, Scale, calibrate, pairs, widened};

/// Deviations count as no more than this, in milliamperes, so that a few blocks do not speak for all.
const WORST: f64 = 2.0;

/// What it costs a cause to come with a damping that nobody declared, in nats.
const OTHER_DAMPING: f64 = 2.0;

/// The pairs through one difference of damping, and the line that suits them best.
struct View {
    line: LineFit,
    lag: Lag,
    widen: f64,
    pairs: Vec<Pair>,
}

/// What all of the loop's hypotheses share.
struct LoopCase<'a> {
    gathered: &'a Gathered,
    scale: Scale,
    sound: LinePrior,
    /// Through the damping that suits the sound loop best, among those that agreement allows.
    pairs: Vec<Pair>,
    /// What their variances were scaled by.
    widen: f64,
    /// Through other dampings: what suits the sound loop best of all, and a loop of any gain and offset.
    further: Vec<Vec<Pair>>,
    tempering: f64,
    /// The sound loop over the whole stretch.
    whole: LineFit,
}

/// The loop may lag this much behind the bus without a word, in seconds.
fn allowed_lag(gathered: &Gathered) -> f64 {
    let declared = gathered
        .facts
        .meter
        .current_loop
        .as_ref()
        .and_then(|declared| declared.damping)
        .map_or(0.0, |damping| damping.as_secs_f64());
    (1.35 * declared).max(declared + 2.5)
}

impl<'a> LoopCase<'a> {
    fn new(gathered: &'a Gathered, flow_scale: FlowScale) -> Option<Self> {
        let scale = Scale::of(gathered)?;
        let sound = LinePrior::sound(&scale);
        let undamped = pairs(gathered, &scale, Lag::Loop(0), flow_scale, 1.0);
        if undamped.len() < 3 {
            return None;
        }
        let tempering = temper(undamped.len());
        let gain = rough_gain(&undamped, &scale);
        let steepness = gain.clamp(0.2, 50.0).max(1.0);
        let mut allowed: Option<View> = None;
        let mut any: Option<View> = None;
        let mut free: Option<View> = None;
        for lag in Lag::all() {
            let mut through = pairs(gathered, &scale, lag, flow_scale, steepness);
            let widen = calibrate(&mut through, &scale, gain);
            let line = fit(&through, &scale, sound, (1.0, 0.0), tempering);
            let open = fit(&through, &scale, sound.free_gain().free_offset(), (gain, 0.0), tempering);
            let keep = |best: &mut Option<View>, line: LineFit| {
                if best.as_ref().is_none_or(|best| line.log_likelihood > best.line.log_likelihood) {
                    *best = Some(View { line, lag, widen, pairs: through.clone() });
                }
            };
            if lag.seconds() <= allowed_lag(gathered) {
                keep(&mut allowed, line);
            }
            keep(&mut any, line);
            keep(&mut free, open);
        }
        let View { line: whole, lag, widen, pairs } = allowed?;
        let mut seen = vec![lag];
        let mut further = Vec::new();
        for view in [any, free].into_iter().flatten() {
            if !seen.contains(&view.lag) {
                seen.push(view.lag);
                further.push(view.pairs);
            }
        }
        Some(Self { gathered, scale, sound, pairs, widen, further, tempering, whole })
    }

    fn candidate(&self, code: Code, weight: f64, pairs: &[Pair], onset: usize) -> Candidate {
        let mut found = Candidate::new(code, weight + log_prior(code));
        if onset > 0 {
            let block = pairs[onset].block;
            found.onset = Some(self.gathered.blocks[block].wall_from);
            found.since = block;
        }
        found
    }

    /// A candidate by which the loop is sound until a step and then follows another line.
    fn weighed(&self, code: Code, weight: f64, pairs: &[Pair], onset: usize, line: &LineFit, scale: &Scale) -> Weighed {
        let left = self.left(pairs, |index, pair| {
            if index < onset { self.sound_mean(pair) } else { scale.of_block(pair, line.gain, line.offset).mean }
        });
        Weighed { candidate: self.candidate(code, weight, pairs, onset), left }
    }

    /// The sound loop before a step, in log evidence.
    fn sound_until(&self, pairs: &[Pair], onset: usize) -> f64 {
        if onset == 0 {
            return 0.0;
        }
        fit(&pairs[..onset], &self.scale, self.sound, (1.0, 0.0), self.tempering).evidence()
    }

    /// The bias that is let pass, in milliamperes.
    fn let_pass(&self) -> f64 {
        match self.gathered.facts.meter.tolerance.flow {
            FlowTolerance::OfSpan(share) => 16.0 * share,
            FlowTolerance::OfReading(share) => {
                let mean = self.pairs.iter().map(|pair| pair.flow.abs() * pair.seconds).sum::<f64>()
                    / self.pairs.iter().map(|pair| pair.seconds).sum::<f64>().max(1.0);
                share * mean * self.scale.slope.abs()
            }
        }
    }

    /// What the sound loop shows for a block.
    fn sound_mean(&self, pair: &Pair) -> f64 {
        self.scale.of_block(pair, self.whole.gain, self.whole.offset).mean
    }

    /// What a block's current deviates from a prediction by, beyond what is let pass and what its noise explains: the
    /// mean over time, in milliamperes.
    fn left(&self, pairs: &[Pair], predicted: impl Fn(usize, &Pair) -> f64) -> f64 {
        let let_pass = 0.5 * self.let_pass();
        let (mut sum, mut seconds) = (0.0, 0.0);
        for (index, pair) in pairs.iter().enumerate() {
            let excess = (pair.current - predicted(index, pair)).abs() - let_pass - 3.0 * pair.variance.sqrt();
            sum += pair.seconds * excess.clamp(0.0, WORST);
            seconds += pair.seconds;
        }
        sum / seconds.max(1.0)
    }

    /// Every set of pairs, and what it costs to see the loop through it: a fault may come with another damping.
    fn views(&self) -> impl Iterator<Item = (&[Pair], f64)> {
        std::iter::once((self.pairs.as_slice(), 0.0))
            .chain(self.further.iter().map(|pairs| (pairs.as_slice(), OTHER_DAMPING)))
    }
}

/// A candidate, and how much of the deviation it leaves, in milliamperes.
struct Weighed {
    candidate: Candidate,
    left: f64,
}

impl Weighed {
    fn with_evidence(mut self, text: String) -> Self {
        self.candidate = self.candidate.with_evidence(text);
        self
    }
}

/// Every candidate for the loop against the flow register, the sound one among them.
pub(super) fn candidates(gathered: &Gathered, flow_scale: FlowScale, others: &[OtherMeter]) -> Vec<Candidate> {
    let Some(case) = LoopCase::new(gathered, flow_scale) else { return Vec::new() };
    let sound = Candidate::sound(case.whole.evidence());
    let mut found = vec![Weighed { candidate: sound, left: case.left(&case.pairs, |_, pair| case.sound_mean(pair)) }];
    found.extend(span(&case));
    found.extend(zero(&case));
    found.extend(lag(&case, flow_scale));
    found.extend(shape::clipped(&case));
    found.extend(shape::direction(&case));
    found.extend(others.iter().filter_map(|other| shape::follows(&case, other)));
    found.extend(level::held(&case));
    level::judge_states(&case, &mut found);
    let unknown = unknown::candidates(&case, &found, !others.is_empty());
    found.into_iter().map(|weighed| weighed.candidate).chain(unknown).collect()
}

/// Whether the current strays from the flow beyond what is let pass, wherever the registers can be believed.
pub(super) fn strays(gathered: &Gathered) -> bool {
    let Some(case) = LoopCase::new(gathered, FlowScale::TRUE) else { return false };
    let passes = case.let_pass();
    let (mut beyond, mut seconds) = (0.0, 0.0);
    for pair in &case.pairs {
        let difference = (pair.current - case.scale.current(pair.flow, 1.0, 0.0)).abs();
        // Where registers stop or begin to stand still, a single block may differ by anything.
        beyond += (difference - passes).clamp(0.0, 1.0) * pair.seconds;
        seconds += pair.seconds;
    }
    beyond > 0.3 * passes * seconds
}

/// Meter and receiver take 20 mA to mean different flows.
fn span(case: &LoopCase<'_>) -> Option<Weighed> {
    let mut best: Option<(f64, usize, LineFit, &[Pair])> = None;
    for (pairs, charge) in case.views() {
        let gain = rough_gain(pairs, &case.scale);
        let scanned = best_onset(pairs.len(), |onset| {
            let after = &pairs[onset..];
            let start = if onset == 0 { gain } else { rough_gain(after, &case.scale) };
            let line = fit(after, &case.scale, case.sound.free_gain(), (start, 0.0), case.tempering);
            let largest = after.iter().map(|pair| pair.flow.abs()).fold(0.0, f64::max);
            let effect = (line.gain - 1.0).abs() * largest * case.scale.slope.abs();
            let vague = line.gain_uncertainty > (0.2 * line.gain).min(0.25 * (line.gain - 1.0).abs());
            if line.gain <= 0.0 || vague || effect < 0.7 * case.let_pass() {
                return None;
            }
            // The prior is on the logarithm of the gain; the flat one used for fitting is taken out again.
            let flat = -(1e4 * (2.0 * std::f64::consts::PI).sqrt()).ln() - 0.5 * ((line.gain - 1.0) / 1e4).powi(2);
            let general = line.evidence() - flat + log_ratio_density(line.gain) - line.gain.ln();
            let slack = (4.0 * line.gain_uncertainty / line.gain + case.scale.accuracy).min(0.02);
            let named = named_factor(line.gain, slack).map_or(f64::NEG_INFINITY, |factor| {
                let mut prior = case.sound;
                prior.gain = (factor, factor * case.sound.gain.1);
                fit(after, &case.scale, prior, (factor, 0.0), case.tempering).evidence() + log_named()
            });
            Some((case.sound_until(pairs, onset) + general.max(named) - charge, line))
        });
        if let Some((weight, onset, line)) = scanned
            && best.as_ref().is_none_or(|(most, ..)| weight > *most)
        {
            best = Some((weight, onset, line, pairs));
        }
    }
    let (weight, onset, line, pairs) = best?;
    let mut found = case.weighed(Code::LoopSpan, weight, pairs, onset, &line, &case.scale);
    let declared = case.gathered.facts.meter.current_loop.as_ref()?;
    let implied = declared.at_4_ma.0 + declared.span().0 / line.gain;
    found.candidate.parameters.ratio = Some(line.gain);
    found.candidate.parameters.implied_full_scale_l_s = Some(implied);
    Some(found.with_evidence(format!(
        "the loop shows {:.4} ± {:.4} times the bus's flow, from {:.1} to {:.1} L/s; the offset left is {:+.3} mA",
        line.gain,
        2.0 * line.gain_uncertainty,
        pairs[onset..].iter().map(|pair| pair.flow).fold(f64::INFINITY, f64::min),
        pairs[onset..].iter().map(|pair| pair.flow).fold(f64::NEG_INFINITY, f64::max),
        line.offset
    )))
}

/// The current is shifted.
fn zero(case: &LoopCase<'_>) -> Option<Weighed> {
    let in_the_meter = Scale { shifted_before_limits: true, ..case.scale };
    let mut best: Option<(f64, usize, LineFit, &[Pair], Scale)> = None;
    for ((pairs, charge), scale) in case.views().flat_map(|view| [(view, case.scale), (view, in_the_meter)]) {
        let scanned = best_onset(pairs.len(), |onset| {
            let after = &pairs[onset..];
            let line = fit(after, &scale, case.sound.free_offset(), (1.0, 0.0), case.tempering);
            if line.offset.abs() < 0.7 * case.let_pass() {
                return None;
            }
            let flat = -(1e3 * (2.0 * std::f64::consts::PI).sqrt()).ln() - 0.5 * (line.offset / 1e3).powi(2);
            // Small shifts are drift and leakage, large ones a wrong range; both happen.
            let size = line.offset.abs();
            let density = 0.7 / 0.4 * (-size / 0.2).exp() + 0.3 / 6.0 * (-size / 3.0).exp();
            Some((case.sound_until(pairs, onset) + line.evidence() - flat + density.ln() - 2.0_f64.ln() - charge, line))
        });
        if let Some((weight, onset, line)) = scanned
            && best.as_ref().is_none_or(|(most, ..)| weight > *most)
        {
            best = Some((weight, onset, line, pairs, scale));
        }
    }
    let (weight, onset, line, pairs, scale) = best?;
    let mut found = case.weighed(Code::LoopZero, weight, pairs, onset, &line, &scale);
    found.candidate.parameters.offset_ma = Some(line.offset);
    Some(found.with_evidence(format!(
        "the current is shifted by {:+.3} ± {:.3} mA at every flow, {:+.2} % of span; the gain left is {:.4}",
        line.offset,
        2.0 * line.offset_uncertainty,
        line.offset / 0.16,
        line.gain
    )))
}

/// The loop is damped more than the bus and than it is declared to be.
fn lag(case: &LoopCase<'_>, flow_scale: FlowScale) -> Option<Weighed> {
    let mut best: Option<(f64, usize, Lag, Vec<Pair>, LineFit)> = None;
    for lag in Lag::all().filter(|lag| lag.seconds() > allowed_lag(case.gathered)) {
        let mut through = pairs(case.gathered, &case.scale, lag, flow_scale, 1.0);
        let widen = calibrate(&mut through, &case.scale, 1.0);
        if through.len() != case.pairs.len() {
            continue;
        }
        // Before the lag began and after it the noise is the same.
        let mut before = case.pairs.clone();
        widened(&mut before, widen / case.widen);
        let scanned = best_onset(through.len(), |onset| {
            let line = fit(&through[onset..], &case.scale, case.sound, (1.0, 0.0), case.tempering);
            // A damping is hardly ever changed while somebody watches.
            let part_way = if onset > 0 { 9.0 } else { 0.0 };
            Some((case.sound_until(&before, onset) + line.evidence() - part_way, line))
        });
        if let Some((weight, onset, line)) = scanned
            && best.as_ref().is_none_or(|(most, ..)| weight > *most)
        {
            best = Some((weight, onset, lag, through, line));
        }
    }
    let (weight, onset, lag, through, line) = best?;
    let mut found = case.weighed(Code::LoopLag, weight - 1.5, &through, onset, &line, &case.scale);
    found.candidate.parameters.lag_s = Some(lag.seconds());
    Some(found.with_evidence(format!(
        "the current follows the flow with a time constant of about {:.0} s; once both stand, they agree",
        lag.seconds()
    )))
}

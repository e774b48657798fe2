//! The total against the flow integrated: units of either register, a cut-off, a total too coarse for its steps.

use crate::declared::{FlowTolerance, TotalCounts};
use crate::units::WallMillis;

use super::candidate::{Candidate, best_onset, log_onset};
use super::code::{Code, Part};
use super::gather::Gathered;
use super::level::{LevelFit, LevelStep, SHAPES, fit};
use super::prior::{log_density, log_named, log_prior, named_factor};

/// From one moment at which the total was read to the next.
#[derive(Clone, Copy, Debug)]
struct VolumeStep {
    block: usize,
    wall: WallMillis,
    seconds: f64,
    /// Litres by the total and by the flow.
    total: f64,
    flow: f64,
    /// Total less flow since the beginning.
    seen: f64,
    error: f64,
    wander: f64,
    broken: bool,
    /// Change of the flow: the flow register may lag behind the total.
    lag_shape: f64,
    /// Volume that zero noise may have made in a forward total.
    rest_shape: f64,
    low: f64,
    high: f64,
}

/// The whole series.
pub(super) struct VolumeSeries {
    steps: Vec<VolumeStep>,
    pub total: f64,
    pub flow: f64,
    resolution: f64,
    /// How many times the flow's volume the total shows, if more than once.
    scale: f64,
}

/// The flow register may lag by this many seconds (its damping), one standard deviation.
const LAG_SPREAD: f64 = 8.0;
/// Each change of the flow may lag by this many seconds more or less than the others: cut-offs and damping work upwards
/// otherwise than downwards.
const EACH_LAG: f64 = 1.0;
/// A flow that moves faster than it is read is summed with errors of its whole movement, not of a straight line's.
const SAMPLING: f64 = 4.0;
/// What flow and total may differ by at rest, in the largest flow.
const REST_ERROR: f64 = 1e-4;
/// Zero noise makes up to this share of its range, one standard deviation.
const REST_SPREAD: f64 = 0.15;

/// A step whose flow is uncertain by more than this share of it was not seen, if it is longer than so many seconds.
const UNSEEN: f64 = 0.2;
const LONG_UNSEEN: f64 = 60.0;

impl VolumeSeries {
    pub fn new(gathered: &Gathered) -> Option<Self> {
        let counts = gathered.facts.meter.total_counts;
        let age = gathered.facts.meter.refresh.as_secs_f64().min(60.0);
        let instant = (0.5 * age).powi(2) + 0.2_f64.powi(2) + (0.02 * gathered.poll).powi(2);
        let mut steps: Vec<VolumeStep> = Vec::with_capacity(gathered.blocks.len());
        let mut before: Option<f64> = None;
        let mut first_flow = f64::NAN;
        let mut pending = VolumeStep {
            block: 0,
            wall: WallMillis(0),
            seconds: 0.0,
            total: 0.0,
            flow: 0.0,
            seen: 0.0,
            error: 0.0,
            wander: 0.0,
            broken: false,
            lag_shape: 0.0,
            rest_shape: 0.0,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        };
        let empty = pending;
        let (mut seen, mut all_total, mut all_flow, mut resolution) = (0.0, 0.0, 0.0, 0.0_f64);
        for (index, block) in gathered.blocks.iter().enumerate() {
            let volume = match counts {
                TotalCounts::Forward => block.forward,
                TotalCounts::Reverse => block.reverse,
                TotalCounts::Net => block.forward - block.reverse,
            };
            pending.flow += volume;
            pending.seconds += block.seconds();
            pending.wander += SAMPLING * block.sampling_variance
                + (0.001 * volume).powi(2)
                + (REST_ERROR * gathered.largest * block.seconds()).powi(2)
                + (EACH_LAG * (block.flow_last - block.flow_first)).powi(2).max(0.0);
            pending.broken |= block.total_broken || block.still;
            pending.low = pending.low.min(block.flow_low);
            pending.high = pending.high.max(block.flow_high);
            if counts != TotalCounts::Net && block.flow_low < 0.0 && block.flow_high > 0.0 {
                pending.rest_shape += (block.flow_high - block.flow_low) * block.seconds();
            }
            let Some(total) = block.total.filter(|_| block.flow_last.is_finite()) else { continue };
            let step = std::mem::replace(&mut pending, empty);
            let last = before.replace(total);
            let Some(last) = last else {
                first_flow = block.flow_last;
                continue;
            };
            let moved = block.flow_last - first_flow;
            first_flow = block.flow_last;
            seen += total - last - step.flow;
            // A register without a sign shows no flow while it goes backwards.
            let broken = step.broken || (total < last && gathered.facts.may_hide_reverse(step.high));
            // What passed while nobody looked is no share of anything.
            let unseen = step.wander > (UNSEEN * step.flow.abs().max((total - last).abs())).powi(2);
            let told = !broken && (!unseen || step.seconds <= LONG_UNSEEN);
            if told {
                all_total += total - last;
                all_flow += step.flow;
            }
            resolution = resolution.max(block.total_resolution);
            steps.push(VolumeStep {
                block: index,
                wall: block.wall_to,
                total: total - last,
                broken,
                seen,
                error: block.total_resolution.powi(2) / 6.0 + instant * block.flow_last.powi(2) + 1e-9,
                lag_shape: moved,
                ..step
            });
        }
        if steps.len() < 4 {
            return None;
        }
        let mut series = Self { steps, total: all_total, flow: all_flow, resolution, scale: 1.0 };
        series.widen();
        series.calibrate();
        Some(series)
    }

    /// Where the total shows many times the flow's volume, the flow's errors weigh that much more.
    fn widen(&mut self) {
        let ratio = (self.total / self.flow).abs();
        if ratio.is_finite() && ratio > 1.0 {
            self.scale = ratio.min(1e6);
            let square = self.scale * self.scale;
            for step in &mut self.steps {
                step.error *= square;
                step.wander *= square;
            }
        }
    }

    /// Where single steps differ more than they say, all of them are taken to be that much less sure.
    fn calibrate(&mut self) {
        let mut squares: Vec<f64> = self
            .steps
            .windows(2)
            .filter(|pair| !pair[1].broken)
            .map(|pair| {
                let lag = 2.0 * pair[1].lag_shape;
                let own = (pair[1].total - pair[1].flow).powi(2);
                own / (pair[0].error + pair[1].error + pair[1].wander + lag * lag)
            })
            .collect();
        if squares.len() < 8 {
            return;
        }
        let middle = squares.len() / 2;
        let (_, median, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
        // The median of a squared standard normal is 0.455. A wrong unit must not pass for noise.
        let widen = (*median / 0.455).clamp(1.0, 9.0);
        for step in &mut self.steps {
            step.error *= widen;
            step.wander *= widen;
        }
    }

    /// The level model with the flow's lag and the zero noise left open; `main` is what a hypothesis adds, of open size,
    /// and `known` what it adds for sure (with its own wandering).
    fn fit(
        &self,
        onset: usize,
        main: impl Fn(&VolumeStep) -> f64,
        known: impl Fn(&VolumeStep) -> (f64, f64),
    ) -> LevelFit {
        let mut added = 0.0;
        let steps = self.steps.iter().enumerate().map(|(index, step)| {
            let after = index >= onset;
            let (sure, wander) = if after { known(step) } else { (0.0, 0.0) };
            added += sure;
            let window =
                if index == onset && onset > 0 { (0.5 * step.flow.abs().max(step.total.abs())).powi(2) } else { 0.0 };
            LevelStep {
                seen: step.seen - added,
                error: step.error,
                wander: if step.broken { f64::INFINITY } else { step.wander + wander + window },
                shapes: if step.broken {
                    [0.0; SHAPES]
                } else {
                    [step.lag_shape, step.rest_shape, if after { main(step) } else { 0.0 }, 0.0]
                },
            }
        });
        // A register in another scale lags by as many seconds, which weigh more in what it shows.
        let ridge = |spread: f64| (spread * self.scale).powi(-2);
        fit(steps, SHAPES, [ridge(LAG_SPREAD), ridge(REST_SPREAD), 0.0, 0.0])
    }
}

/// Every candidate for the registers' own consistency, the sound one among them. `bus-unit` and `bus-total-unit` have the
/// same likelihood here: loop and pulses tell them apart.
pub(super) fn candidates(gathered: &Gathered, series: &VolumeSeries) -> Vec<Candidate> {
    let sound = series.sound();
    let mut found = vec![Candidate::sound(sound)];
    // A ratio that may as well be 1 is none.
    let told = |scaled: &Scaled| scaled.ratio.ln().abs() * scaled.ratio.max(1.0) > scaled.uncertainty;
    for scaled in series.ratios(gathered).into_iter().filter(told) {
        let text = format!(
            "the total rose by {:.4} ± {:.4} times the flow integrated ({:.1} L against {:.1} L)",
            scaled.ratio,
            2.0 * scaled.uncertainty,
            series.total,
            series.flow
        );
        let shown = [(Code::BusTotalUnit, scaled.ratio), (Code::BusUnit, scaled.ratio.recip())];
        for (code, shown) in shown.into_iter().filter(|(code, _)| *code == Code::BusTotalUnit || !scaled.by_pulses) {
            if !series.matters(gathered, code, scaled.ratio, scaled.onset) {
                continue;
            }
            let mut candidate = series.at(code, scaled.weight, scaled.onset);
            candidate.parameters.ratio = Some(shown);
            found.push(candidate.with_evidence(text.clone()));
        }
    }
    found.extend(series.cutoff(gathered));
    found.extend(series.coarse(gathered));
    found.push(series.unexplained());
    found
}

/// What the total is of the flow from `onset` on.
#[derive(Clone, Copy, Debug)]
struct Scaled {
    weight: f64,
    onset: usize,
    ratio: f64,
    uncertainty: f64,
    by_pulses: bool,
}

/// How much the total may stray from the flow in each step, as shares of the step's volume.
const WANDERS: [f64; 8] = [0.0, 0.003, 0.01, 0.02, 0.05, 0.1, 0.3, 1.0];

/// A cause that moves no tally by half of what is let pass is none.
const MATTERS: f64 = 0.5;

/// What flows may differ by in L/s, and volumes in litres over the stretch, without a word.
fn let_pass(gathered: &Gathered, seconds: f64, volume: f64) -> (f64, f64) {
    let meter = &gathered.facts.meter;
    let span = meter.current_loop.as_ref().map_or(gathered.largest, |declared| declared.span().0.abs());
    let flow = match meter.tolerance.flow {
        FlowTolerance::OfSpan(share) => share * span,
        FlowTolerance::OfReading(share) => share * volume / seconds.max(1.0),
    };
    (flow, flow * seconds + meter.tolerance.volume * volume)
}

impl VolumeSeries {
    /// Whether a wrong scale of either register from `onset` on is seen beyond what is let pass.
    fn matters(&self, gathered: &Gathered, code: Code, ratio: f64, onset: usize) -> bool {
        let after = &self.steps[onset..];
        let seconds: f64 = after.iter().map(|step| step.seconds).sum();
        let volume: f64 = after.iter().map(|step| step.flow.abs()).sum();
        let whole: f64 = self.steps.iter().map(|step| step.flow.abs()).sum();
        let difference = (ratio - 1.0).abs() * volume;
        let (_, by_flow) = let_pass(gathered, seconds, volume);
        let by_pulses = match (&gathered.facts.meter.pulse, code) {
            (Some(pulse), Code::BusTotalUnit) => {
                (gathered.facts.meter.tolerance.volume * whole).max(3.0 * pulse.volume.0)
            }
            _ => f64::INFINITY,
        };
        difference > MATTERS * by_flow.min(by_pulses)
    }

    fn at(&self, code: Code, weight: f64, onset: usize) -> Candidate {
        let mut found = Candidate::new(code, weight + log_prior(code));
        if onset > 0 {
            let before = &self.steps[onset - 1];
            found.onset = Some(before.wall);
            found.since = before.block + 1;
        }
        found
    }

    fn sound(&self) -> f64 {
        self.fit(0, |_| 0.0, |_| (0.0, 0.0)).log_likelihood
    }

    /// What the total may be of the flow: any ratio, a named factor close to it, and what the pulses make of it.
    fn ratios(&self, gathered: &Gathered) -> Vec<Scaled> {
        let free = best_onset(self.steps.len(), |onset| {
            let fit = self.fit(onset, |step| step.flow, |_| (0.0, 0.0));
            let uncertainty = fit.uncertainty[2];
            // A total that hardly moves shows next to nothing of the flow, never less.
            let ratio = (1.0 + fit.size[2]).max(0.1 * uncertainty);
            if !uncertainty.is_finite() || 1.0 + fit.size[2] < -3.0 * uncertainty {
                return None;
            }
            let occam = (uncertainty * 2.506_628).ln() + log_density(ratio) - ratio.ln();
            Some((fit.log_likelihood + occam, (ratio, uncertainty)))
        });
        let Some((weight, onset, (ratio, uncertainty))) = free else { return Vec::new() };
        let free = Scaled { weight, onset, ratio, uncertainty, by_pulses: false };
        let by_pulses = self.by_pulses(gathered, free);
        let slack = (4.0 * uncertainty / ratio).clamp(1e-3, 0.02);
        let near_pulses = |told: &Scaled| named_factor(told.ratio, (4.0 * told.uncertainty / told.ratio).min(0.02));
        let named = named_factor(ratio, slack).or_else(|| by_pulses.as_ref().and_then(near_pulses));
        let named = named.and_then(|named| {
            let (weight, onset, ()) = best_onset(self.steps.len(), |onset| {
                let fit = self.fit(onset, |_| 0.0, |step| ((named - 1.0) * step.flow, 0.0));
                Some((fit.log_likelihood + log_named(), ()))
            })?;
            Some(Scaled { weight, onset, ratio: named, uncertainty: uncertainty.min(1e-3 * named), by_pulses: false })
        });
        std::iter::once(free).chain(named).chain(by_pulses).collect()
    }

    /// The ratio that the pulses make of the total, where the flow leaves it open: they count the same volume.
    fn by_pulses(&self, gathered: &Gathered, free: Scaled) -> Option<Scaled> {
        let volume = gathered.facts.meter.pulse.as_ref()?.volume.0;
        let since = free.onset.checked_sub(1).map_or(0, |before| self.steps[before].block + 1);
        let whole = gathered.blocks[since..].windows(2).filter(|pair| !pair[1].total_broken && !pair[1].pulses_broken);
        let (total, pulses) = whole.fold((0.0, 0.0), |(total, pulses), pair| {
            let both = || Some((pair[1].total? - pair[0].total?, pair[1].pulses? - pair[0].pulses?));
            both().map_or((total, pulses), |(more, counted)| (total + more, pulses + counted))
        });
        if pulses < 10.0 {
            return None;
        }
        let ratio = total / (pulses * volume);
        let uncertainty = (2.0 / pulses + 2.0 * self.resolution / total.abs().max(1e-9)) * ratio;
        let near = (ratio - free.ratio).abs() < 3.0 * free.uncertainty && uncertainty < free.uncertainty;
        // Of all that the flow leaves open, the pulses pick this one.
        let picked = (free.uncertainty / uncertainty).ln();
        near.then_some(Scaled { weight: free.weight - picked, ratio, uncertainty, by_pulses: true, ..free })
    }

    /// Flow is shown but not totalled below a cut-off.
    fn cutoff(&self, gathered: &Gathered) -> Option<Candidate> {
        if self.total >= self.flow {
            return None;
        }
        let missing = |step: &VolumeStep, cutoff: f64| {
            let (low, high) = (step.low.max(0.0), step.high.max(0.0));
            if high <= cutoff {
                (step.flow.max(0.0), 0.0)
            } else if low >= cutoff || high <= low {
                (0.0, 0.0)
            } else {
                let share = (cutoff - low) / (high - low);
                let below = share * 0.5 * (low + cutoff) * step.seconds;
                (below, (0.5 * below.max(0.2 * cutoff * step.seconds.min(60.0))).powi(2))
            }
        };
        let weigh = |cutoff: f64, onset: usize| {
            let fit = self.fit(
                onset,
                |_| 0.0,
                |step| {
                    let (volume, variance) = missing(step, cutoff);
                    (-volume, variance)
                },
            );
            fit.log_likelihood
        };
        let likeliest = (0..48)
            .map(|place| {
                let cutoff = gathered.largest * 0.8 * 0.87_f64.powi(place);
                let (gain, onset) = self.gain_by(|step| missing(step, cutoff).0);
                (gain, cutoff, onset)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let (_, mut cutoff, start) = likeliest;
        let mut most = weigh(cutoff, start);
        let mut width = 0.1;
        for _ in 0..3 {
            for place in -3..=3 {
                let trial = cutoff * (1.0 + width * f64::from(place) / 3.0);
                let weight = weigh(trial, start);
                if weight > most {
                    (most, cutoff) = (weight, trial);
                }
            }
            width /= 3.0;
        }
        let (mut weight, mut onset, ()) = best_onset(self.steps.len(), |onset| Some((weigh(cutoff, onset), ())))?;
        let at_start = most + log_onset(start, self.steps.len());
        if at_start > weight {
            (weight, onset) = (at_start, start);
        }
        if self.rounds_away(gathered, cutoff) {
            return None;
        }
        let after = &self.steps[onset..];
        let volume: f64 = after.iter().map(|step| missing(step, cutoff).0).sum();
        let (_, passes) = let_pass(gathered, self.steps.iter().map(|step| step.seconds).sum(), self.flow.abs());
        if volume < 2.0 * self.resolution || volume < MATTERS * passes {
            return None;
        }
        let mut found = self.at(Code::LowFlowCutoff, weight - 3.0, onset);
        found.parameters.cutoff_l_s = Some(cutoff);
        let seconds: f64 = after.iter().filter(|step| step.high <= cutoff).map(|step| step.seconds).sum();
        Some(found.with_evidence(format!(
            "below {cutoff:.3} L/s the total stands still: {volume:.1} L were shown by the flow register in {:.0} min and not totalled",
            seconds / 60.0
        )))
    }

    /// How much better the total fits the flow less what is `missing`, from the step on where that is best: a rough
    /// measure, step by step.
    fn gain_by(&self, missing: impl Fn(&VolumeStep) -> f64) -> (f64, usize) {
        let mut best = (0.0, 0);
        let mut gain = 0.0;
        for (index, step) in self.steps.iter().enumerate().rev().filter(|(_, step)| !step.broken) {
            let off = step.total - step.flow;
            let without = off + missing(step);
            gain += (off * off - without * without) / (2.0 * step.error + step.wander);
            if gain > best.0 {
                best = (gain, index);
            }
        }
        best
    }

    /// Whether a float total cannot see this flow for its own coarseness: then that is the cause, and no cut-off.
    fn rounds_away(&self, gathered: &Gathered, flow: f64) -> bool {
        let refresh = gathered.facts.meter.refresh.as_secs_f64().max(0.05);
        let float = gathered.total.as_ref().is_some_and(|(counting, _)| counting.witness.entry.value_type.is_float());
        float && flow * refresh < 1.2 * self.resolution
    }

    /// The total is a float so large that single steps are rounded away.
    fn coarse(&self, gathered: &Gathered) -> Option<Candidate> {
        let (counting, _) = gathered.total.as_ref()?;
        if !counting.witness.entry.value_type.is_float() || self.flow <= 0.0 {
            return None;
        }
        let running: f64 = self.steps.iter().filter(|step| step.flow > 0.0).map(|step| step.seconds).sum();
        let refresh = gathered.facts.meter.refresh.as_secs_f64().max(0.05);
        let step_volume = self.flow / running.max(1.0) * refresh;
        let coarseness = self.resolution / step_volume.max(1e-12);
        if coarseness < 0.002 {
            return None;
        }
        let mut best: Option<(f64, f64)> = None;
        // What is always rounded the same way strays by nothing, what is rounded now up, now down, by a part of a step.
        for (wander, strays) in WANDERS.into_iter().flat_map(|wander| [(wander, 0.0), (wander, 0.1)]) {
            let fit = self.fit(
                0,
                |step| step.flow,
                |step| (0.0, (wander * step.flow).powi(2) + strays * self.resolution.powi(2)),
            );
            if !fit.uncertainty[2].is_finite() {
                continue;
            }
            let weight = fit.log_likelihood + (fit.uncertainty[2].min(1.0) * 2.506_628).ln() - 1.0;
            if best.is_none_or(|(most, _)| weight > most) {
                best = Some((weight, 1.0 + fit.size[2]));
            }
        }
        let (weight, ratio) = best?;
        // The coarser the float against its steps, the likelier.
        let likely = if coarseness > 0.2 { 0.0 } else { -1.5 };
        let mut found = self.at(Code::BusTotalCoarse, weight + likely, 0);
        found.parameters.ratio = Some(ratio);
        Some(found.with_evidence(format!(
            "the total can only move by {} L at its size, and about {step_volume:.3} L flow between two renewals of the register: it rose by \
             {:.3} times the flow",
            self.resolution, ratio
        )))
    }

    fn unexplained(&self) -> Candidate {
        let mut most = f64::NEG_INFINITY;
        for wander in WANDERS {
            let fit = self.fit(
                0,
                |step| step.flow,
                |step| (0.0, (wander * step.flow).powi(2) + wander * (wander * step.total).powi(2)),
            );
            most = most.max(fit.log_likelihood + (fit.uncertainty[2].min(1.0) * 2.506_628).ln());
        }
        Candidate::new(Code::Unexplained, most - 4.0 + log_prior(Code::Unexplained)).seen_in(Part::Bus).with_evidence(format!(
            "the total rose by {:.1} L and the flow integrated by {:.1} L, in a way that no cause of the catalogue makes",
            self.total, self.flow
        ))
    }
}

//! The running difference between what was counted and what was due, as a series that every pulse hypothesis is held to.

use crate::declared::TotalCounts;
use crate::units::WallMillis;

use super::block::Block;
use super::gather::Gathered;
use super::level::{LevelFit, LevelStep, SHAPES, fit};

/// What the counts are held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Reference {
    /// The total, which shows `ratio` times the truth from the block `since` on.
    Total {
        /// Shown / true.
        ratio: f64,
        /// The first block that is so.
        since: usize,
    },
    /// The flow integrated, which shows `ratio` times the truth from the block `since` on.
    Flow {
        /// Shown / true.
        ratio: f64,
        /// The first block that is so.
        since: usize,
    },
}

impl Reference {
    const fn is_total(self) -> bool {
        matches!(self, Self::Total { .. })
    }
}

/// From one moment at which both were read to the next.
#[derive(Clone, Copy, Debug)]
pub(super) struct DriftStep {
    /// The block at whose end the step ends.
    pub block: usize,
    pub at: f64,
    pub wall: WallMillis,
    pub seconds: f64,
    /// Pulses counted and due in the step.
    pub counted: f64,
    pub expected: f64,
    /// Pulses that reverse flow would make beyond those due.
    pub reverse: f64,
    /// Pulses that forward flow should make but that are not due by the declaration.
    pub undeclared: f64,
    /// Counted less due since the beginning.
    pub seen: f64,
    /// Variance of seeing it.
    pub error: f64,
    /// How much of that variance comes from the age of what was read, at most.
    age: f64,
    /// By how much the rate at the end differs from that at the end of the step before, pulses a second: a count that is
    /// always read later than the total it is held against is ahead by so many pulses.
    quickening: f64,
    /// Variance that the reference itself adds in the step.
    pub wander: f64,
    /// Pulses that zero noise, rectified, may have made unseen by a net total.
    pub creep: f64,
    /// Nothing continues across the step.
    pub broken: bool,
    /// The lowest and highest rate due in it, pulses a second.
    pub slowest: f64,
    pub fastest: f64,
}

impl DriftStep {
    pub fn rate(&self) -> f64 {
        self.expected / self.seconds.max(0.1)
    }
}

/// The whole series.
#[derive(Clone, Debug)]
pub(super) struct Drift {
    pub steps: Vec<DriftStep>,
    pub counted: f64,
    pub expected: f64,
    /// Litres of one pulse to the receiver.
    pub volume: f64,
    /// Log likelihood with whatever drift suits best: how sharply the reference tells the counts at all.
    pub sharpness: f64,
    /// Precision of the prior on how much later the count is read than what it is held against, per square second.
    lateness: f64,
}

/// Forward and reverse litres by a reference, cumulative, with the variance that accrues in the block.
struct Volumes {
    forward: f64,
    reverse: f64,
    variance: f64,
}

fn divisor(ratio: f64, since: usize, block: usize) -> f64 {
    if block >= since { ratio } else { 1.0 }
}

/// Volumes since `before` by the reference, with those by the flow register beside; `None` where they are not known.
fn volumes(
    gathered: &Gathered,
    reference: Reference,
    before: &Block,
    block: &Block,
    index: usize,
    (by_flow_forward, by_flow_reverse): (f64, f64),
) -> Option<Volumes> {
    match reference {
        Reference::Flow { ratio, since } => {
            let divisor = divisor(ratio, since, index);
            Some(Volumes {
                forward: block.forward / divisor,
                reverse: by_flow_reverse / divisor,
                variance: block.sampling_variance / (divisor * divisor)
                    + (0.002 * (block.forward + block.reverse) / divisor).powi(2),
            })
        }
        Reference::Total { ratio, since } => {
            let step = (block.total? - before.total?) / divisor(ratio, since, index);
            let (reverse, reverse_variance) = match (before.reverse_total, block.reverse_total) {
                (Some(before), Some(now)) => (now - before, 0.0),
                _ => (by_flow_reverse, (0.3 * by_flow_reverse).powi(2)),
            };
            Some(match gathered.facts.meter.total_counts {
                TotalCounts::Forward => Volumes { forward: step, reverse, variance: 0.0 },
                TotalCounts::Net => Volumes { forward: step + reverse, reverse, variance: reverse_variance },
                TotalCounts::Reverse => Volumes { forward: by_flow_forward, reverse: step, variance: 0.0 },
            })
        }
    }
}

/// Rounding at one flow is not the rounding at another: over the whole series the level may settle by about half a pulse
/// (squared) without anything being lost.
const SETTLING: f64 = 0.3;

/// Variance of the rounding of two counts to whole pulses, in pulses squared.
const ROUNDING: f64 = 1.0 / 6.0;

/// How much of the volume that zero noise may have made is uncertain in each step by itself.
const CREEPING: f64 = 0.3;

/// About the most steps of a series.
const STEPS: usize = 1600;

/// Litres by the total, over what of it is whole.
fn total_litres(gathered: &Gathered) -> f64 {
    gathered
        .blocks
        .windows(2)
        .filter(|pair| !pair[1].total_broken)
        .filter_map(|pair| Some((pair[1].total? - pair[0].total?).abs()))
        .sum()
}

fn flow_litres(gathered: &Gathered) -> f64 {
    gathered.blocks.iter().map(|block| block.forward + block.reverse).sum()
}

/// Whether flow register and total are in about the same scale.
fn flow_fits_total(gathered: &Gathered) -> bool {
    let (flow, total) = (flow_litres(gathered), total_litres(gathered));
    flow < 3.0 * total && total < 3.0 * flow
}

/// The fewest pulses of a step: one, or more where there would be too many steps.
fn least_pulses(gathered: &Gathered, volume: f64, by_total: bool) -> f64 {
    let due = if by_total { total_litres(gathered) } else { flow_litres(gathered) } / volume;
    #[expect(clippy::cast_precision_loss, reason = "a small constant")]
    let most = STEPS as f64;
    (due / most).max(1.0)
}

impl Drift {
    /// The series against a reference; `None` without pulses or with too little to compare.
    pub fn new(gathered: &Gathered, reference: Reference) -> Option<Self> {
        let pulse = gathered.facts.meter.pulse.as_ref()?;
        let volume = pulse.volume.0.max(1e-9);
        let (forward_weight, reverse_weight) = pulse.counts.weights();
        let age = gathered.facts.meter.refresh.as_secs_f64().min(60.0);
        let timing = (0.5 * age).powi(2) + 0.15_f64.powi(2) + (0.01 * gathered.poll).powi(2);
        let mut steps: Vec<DriftStep> = Vec::with_capacity(gathered.blocks.len().min(STEPS));
        let by_registers = Reference::is_total(reference);
        let least = least_pulses(gathered, volume, by_registers);
        // What the flow register adds to a total (lateness, what waits in the output) is worth nothing where it is in another
        // scale than the total.
        let flow_fits = !by_registers || flow_fits_total(gathered);
        let rectified = gathered.facts.reverse_total.is_none()
            && gathered.facts.meter.total_counts == TotalCounts::Net
            && gathered.total.is_some();
        let mut last: Option<&Block> = None;
        let mut pending = Pending::default();
        let (mut seen, mut counted, mut expected) = (0.0, 0.0, 0.0);
        let mut pace_before: Option<f64> = None;
        for (index, block) in gathered.blocks.iter().enumerate() {
            pending.add(block, volume);
            let by_flow = matches!(reference, Reference::Flow { .. });
            let usable = block.pulses.is_some() && (by_flow || block.total.is_some());
            if by_flow {
                pending
                    .volumes(volumes(gathered, reference, block, block, index, (block.forward, block.reverse)), volume);
            }
            if !usable {
                continue;
            }
            let Some(before) = last else {
                last = Some(block);
                pending = Pending::default();
                continue;
            };
            let mut step = pending.clone();
            if !by_flow {
                let by_flow = (step.flow_forward, step.flow_reverse);
                step.volumes(volumes(gathered, reference, before, block, index, by_flow), volume);
            }
            let moved = block.pulses.unwrap_or(0.0) - before.pulses.unwrap_or(0.0);
            // Rounding stands still at rest: a step in which nothing was due and nothing came says nothing new.
            let tells = step.forward.abs() + step.reverse.abs() >= least || moved >= least.max(2.0);
            let edge = step.broken || block.still || before.still || (flow_fits && block.drought != before.drought);
            if !tells && !edge {
                continue;
            }
            last = Some(block);
            pending = Pending::default();
            let by_rate = (block.skew_litres - before.skew_litres) / volume - (block.queued - before.queued);
            let due =
                forward_weight * step.forward + reverse_weight * step.reverse + if flow_fits { by_rate } else { 0.0 };
            let count = block.pulses.unwrap_or(0.0) - before.pulses.unwrap_or(0.0);
            let seconds = (block.to - before.to).max(1e-3);
            seen += count - due;
            counted += count;
            expected += due;
            let rate = count.abs().max(due.abs()) / seconds;
            let rounding = match reference {
                Reference::Flow { .. } => 0.0,
                Reference::Total { ratio, since } => {
                    (block.total_resolution / divisor(ratio, since, index) / volume).powi(2) / 12.0
                }
            };
            let instant = rate.max(step.fastest.abs().min(3.0 * rate + 1.0));
            let broken = step.broken || before.still || block.still || (!by_flow && step.total_broken);
            let pace = (block.flow_last.max(0.0) / volume).min(3.0 * rate + 1.0);
            let quickening = pace - pace_before.replace(pace).unwrap_or(pace);
            steps.push(DriftStep {
                block: index,
                at: block.to,
                wall: block.wall_to,
                seconds,
                counted: count,
                expected: due,
                reverse: (1.0 - reverse_weight) * step.reverse,
                undeclared: (1.0 - forward_weight) * step.forward,
                seen,
                error: ROUNDING + rounding + timing * instant * instant,
                age: timing * instant * instant,
                quickening: if quickening.is_finite() { quickening } else { 0.0 },
                wander: step.variance + 1e-6 * due.abs(),
                creep: if rectified { step.creep } else { 0.0 },
                broken,
                slowest: step.slowest,
                fastest: step.fastest,
            });
        }
        if steps.len() < 3 {
            return None;
        }
        // With a pulse worth far less to the meter than to the receiver, rounding and timing of the total weigh more.
        let unbroken: f64 = steps.iter().filter(|step| !step.broken).map(|step| step.expected).sum();
        let scale = (counted / unbroken.max(1.0)).clamp(1.0, 1e6);
        #[expect(clippy::cast_precision_loss, reason = "a few thousand steps")]
        let settling = SETTLING / steps.len() as f64;
        for step in &mut steps {
            step.error = ROUNDING + (step.error - ROUNDING) * scale * scale;
            step.age *= scale * scale;
            step.wander += settling + (CREEPING * step.creep).powi(2);
        }
        let lateness = (0.5 * age + 0.3).powi(-2);
        let mut drift = Self { steps, counted, expected, volume, sharpness: 0.0, lateness };
        drift.settle_error();
        Some(drift)
    }

    /// How much the registers' age adds to the error depends on how their renewal falls in with the polls: from nothing, where
    /// both keep step, to all of it. The series itself says, whatever drifts in it.
    fn settle_error(&mut self) {
        let whole: Vec<(f64, f64)> = self.steps.iter().map(|step| (step.error, step.age)).collect();
        let mut best: Option<(f64, f64)> = None;
        for share in [1.0, 0.3, 0.1, 0.03, 0.01, 0.001] {
            for (step, (error, age)) in self.steps.iter_mut().zip(&whole) {
                step.error = error - (1.0 - share) * age;
            }
            for chance in [0.0, 0.02, 0.3] {
                let fit = self.fit(
                    0,
                    |step| [step.expected, step.seconds],
                    |step| chance * step.expected.abs().min(step.counted.abs() + 1.0),
                );
                if best.is_none_or(|(most, _)| fit.log_likelihood > most) {
                    best = Some((fit.log_likelihood, share));
                }
            }
        }
        let (most, share) = best.unwrap_or((0.0, 1.0));
        self.sharpness = most;
        for (step, (error, age)) in self.steps.iter_mut().zip(&whole) {
            step.error = error - (1.0 - share) * age;
        }
    }

    /// Runs the level model over the series; a hypothesis says, for each step in order, what it adds. What zero noise may
    /// have made beside a net total is always left open.
    pub fn run(&self, mut added: impl FnMut(usize, &DriftStep) -> Added) -> LevelFit {
        let steps = self.steps.iter().enumerate().map(|(index, step)| {
            let added = added(index, step);
            LevelStep {
                seen: step.seen - added.known,
                error: step.error,
                wander: if step.broken { f64::INFINITY } else { step.wander + added.wander },
                shapes: if step.broken {
                    [0.0; SHAPES]
                } else {
                    [added.shapes[0], added.shapes[1], step.creep, step.quickening]
                },
            }
        });
        fit(steps, SHAPES, [0.0, 0.0, 1.0, self.lateness])
    }

    /// A hypothesis of open sizes: shapes and extra wandering from step `onset` on, nothing before.
    pub fn fit(
        &self,
        onset: usize,
        shapes: impl Fn(&DriftStep) -> [f64; 2],
        wander: impl Fn(&DriftStep) -> f64,
    ) -> LevelFit {
        self.run(|index, step| {
            if index < onset {
                return Added::default();
            }
            Added { known: 0.0, wander: window(index, onset, step) + wander(step), shapes: shapes(step) }
        })
    }

    /// A hypothesis of known size: a drift and extra wandering from step `onset` on, nothing before.
    pub fn fit_known(
        &self,
        onset: usize,
        shape: impl Fn(&DriftStep) -> f64,
        wander: impl Fn(&DriftStep) -> f64,
    ) -> LevelFit {
        let mut known = 0.0;
        self.run(|index, step| {
            if index < onset {
                return Added::default();
            }
            known += shape(step);
            Added { known, wander: window(index, onset, step) + wander(step), shapes: [0.0; 2] }
        })
    }

    /// Whether what was counted strays from what was due by more than `share` of it and three pulses, wherever the series
    /// is whole.
    pub fn strays(&self, share: f64) -> bool {
        let due: f64 = self.steps.iter().filter(|step| !step.broken).map(|step| step.expected.abs()).sum();
        let (mut at, mut low, mut high) = (0.0_f64, 0.0_f64, 0.0_f64);
        for step in self.steps.iter().filter(|step| !step.broken) {
            at += step.counted - step.expected;
            (low, high) = (low.min(at), high.max(at));
        }
        high - low > (share * due).max(3.0)
    }

    /// The first step that ends at a block or after it.
    pub fn step_at(&self, block: usize) -> usize {
        self.steps.partition_point(|step| step.block < block)
    }

    /// The likelihood that meter and counter agree.
    pub fn healthy(&self) -> LevelFit {
        self.run(|_, _| Added::default())
    }
}

/// What a hypothesis adds in one step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Added {
    /// Drift of known size since the beginning, in pulses.
    pub known: f64,
    /// Variance of the step's own wandering.
    pub wander: f64,
    /// Drifts of open size, for a size of one, in this step.
    pub shapes: [f64; 2],
}

/// The step in which something begins is free.
fn window(index: usize, onset: usize, step: &DriftStep) -> f64 {
    if index == onset && onset > 0 { (0.3 * step.expected.abs().max(step.counted) + 1.0).powi(2) } else { 0.0 }
}

/// What has been summed since the last step.
#[derive(Clone, Debug, Default)]
struct Pending {
    forward: f64,
    reverse: f64,
    variance: f64,
    creep: f64,
    /// Litres by the flow register.
    flow_forward: f64,
    flow_reverse: f64,
    slowest: f64,
    fastest: f64,
    any: bool,
    broken: bool,
    total_broken: bool,
}

impl Pending {
    fn add(&mut self, block: &Block, volume: f64) {
        let (low, high) = (block.flow_low.max(0.0) / volume, block.flow_high.max(0.0) / volume);
        self.slowest = if self.any { self.slowest.min(low) } else { low };
        self.fastest = if self.any { self.fastest.max(high) } else { high };
        self.any = true;
        self.flow_forward += block.forward;
        self.flow_reverse += block.reverse;
        self.broken |= block.pulses_broken;
        self.total_broken |= block.total_broken;
        if block.flow_low < 0.0 && block.flow_high > 0.0 {
            self.creep += block.reverse.min(block.forward) / volume;
        }
    }

    fn volumes(&mut self, volumes: Option<Volumes>, volume: f64) {
        if let Some(volumes) = volumes {
            self.forward += volumes.forward / volume;
            self.reverse += volumes.reverse / volume;
            self.variance += volumes.variance / (volume * volume);
        }
    }
}

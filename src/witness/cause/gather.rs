//! One streaming pass: readings in, repaired, and summed into blocks.

use crate::declared::TotalCounts;
use crate::decode;
use crate::reading::{MeterFacts, Reading, WitnessFacts};
use crate::units::WallMillis;

use super::assemble::{Assembler, RepairedRow};
use super::block::{Block, CurrentState};
use super::intake::{Intake, Row, Timed, to_base};
use super::repair::counter::CounterRepair;
use super::repair::standstill::{Glance, StandstillWatch};
use super::repair::words::{BothWays, Plausible, WordOrderRepair};
use crate::declared::Dimension;

/// Readings that are looked at together to decide the order of the halves.
const CHUNK: usize = 64;

/// How a counting series is declared, in base units.
#[derive(Clone, Debug)]
pub(super) struct CountingFacts {
    pub witness: WitnessFacts,
    /// Base units in one declared unit.
    pub factor: f64,
    /// Base units in one raw count.
    pub count: f64,
}

impl CountingFacts {
    fn new(witness: Option<&WitnessFacts>, dimension: Dimension) -> Option<Self> {
        let witness = witness?;
        let factor = to_base(Some(witness), dimension);
        let count = if witness.entry.value_type.is_float() { 0.0 } else { witness.entry.scale.abs() * factor };
        Some(Self { witness: witness.clone(), factor, count })
    }

    /// The resolution at a value, in base units.
    pub fn resolution(&self, value: f64) -> f64 {
        decode::resolution(&self.witness.entry, value / self.factor).abs() * self.factor
    }

    fn repair(&self, falls: bool, rate: f64) -> CounterRepair {
        let entry = &self.witness.entry;
        let modulus = decode::modulus(entry).map(|modulus| modulus.abs() * self.factor);
        let upper_half = (self.count > 0.0 && entry.value_type.width() == 2).then_some(self.count * 65_536.0);
        CounterRepair::new(modulus, upper_half, falls, rate)
    }
}

/// Whether the steps of the counter are even: each pulse counted twice leaves no odd step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Parity {
    pub even: u64,
    pub odd: u64,
    /// Even steps in a row at the end.
    pub even_at_the_end: u64,
}

impl Parity {
    fn add(&mut self, odd: bool) {
        if odd {
            self.odd += 1;
            self.even_at_the_end = 0;
        } else {
            self.even += 1;
            self.even_at_the_end += 1;
        }
    }
}

/// How long the current was in one state, and when first.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Spell {
    pub seconds: f64,
    /// Without a break.
    pub longest: f64,
    run: f64,
    run_ends: f64,
    pub samples: u64,
    pub first: Option<WallMillis>,
    pub sum_ma: f64,
}

impl Spell {
    fn add(&mut self, at: f64, seconds: f64, wall: WallMillis, current: f64) {
        self.run = if at - seconds <= self.run_ends + 1e-6 { self.run + seconds } else { 0.0 };
        self.run_ends = at;
        self.longest = self.longest.max(self.run);
        self.seconds += seconds;
        self.samples += 1;
        self.sum_ma += current;
        self.first.get_or_insert(wall);
    }
}

/// Everything that one pass keeps.
#[derive(Clone, Debug)]
pub(super) struct Gathered {
    pub facts: MeterFacts,
    pub blocks: Vec<Block>,
    pub rows: u64,
    pub first_wall: WallMillis,
    pub last_wall: WallMillis,
    pub seconds: f64,
    /// The usual time between readings, in seconds.
    pub poll: f64,
    /// The largest flow that the declarations allow for, L/s.
    pub largest: f64,
    pub flow_words: WordOrderRepair,
    pub total_words: WordOrderRepair,
    pub total: Option<(CountingFacts, CounterRepair)>,
    pub pulses: Option<(CountingFacts, CounterRepair)>,
    pub standstill: StandstillWatch,
    pub flow_nonsense: u64,
    pub flow_spikes: u64,
    pub flow_spike_at: Option<(WallMillis, WallMillis)>,
    pub parity: Parity,
    pub low_fault: Spell,
    pub high_fault: Spell,
    pub open: Spell,
    pub beyond_scale: Spell,
}

/// The streaming pass.
#[derive(Clone, Debug)]
pub(super) struct Gather {
    out: Gathered,
    intake: Intake,
    chunk: Vec<Row>,
    reverse_total: Option<(CountingFacts, CounterRepair)>,
    receiver_total: Option<(CountingFacts, CounterRepair)>,
    assembler: Assembler,
    last_row: Option<(f64, WallMillis)>,
    last_pulses: Option<f64>,
    flow_watch: FlowWatch,
    intervals: Vec<f64>,
}

impl Gather {
    pub fn new(facts: &MeterFacts) -> Self {
        let meter = &facts.meter;
        let by_loop =
            meter.current_loop.as_ref().map(|current| current.full_scale.0.abs().max(current.at_4_ma.0.abs()));
        let by_pulse = meter
            .pulse
            .as_ref()
            .map(|pulse| pulse.volume.0 / (pulse.on_time.as_secs_f64() + pulse.off_time.as_secs_f64()).max(1e-3));
        let largest = by_loop.or(by_pulse).unwrap_or(1e4);
        let volume = meter.pulse.as_ref().map_or(1.0, |pulse| pulse.volume.0.max(1e-9));
        let with_repair = |witness: Option<&WitnessFacts>, dimension, falls, rate| {
            CountingFacts::new(witness, dimension).map(|counting| {
                let repair = counting.repair(falls, rate);
                (counting, repair)
            })
        };
        let falls = meter.total_counts == TotalCounts::Net;
        let mut pulses = with_repair(facts.pulses.as_ref(), Dimension::Number, false, 2.0 * largest / volume);
        if facts.pulse_width_is_undeclared() {
            pulses = pulses.map(|(counting, repair)| (counting, repair.of_undeclared_width()));
        }
        Self {
            out: Gathered {
                facts: facts.clone(),
                blocks: Vec::new(),
                rows: 0,
                first_wall: WallMillis(0),
                last_wall: WallMillis(0),
                seconds: 0.0,
                poll: 1.0,
                largest,
                flow_words: WordOrderRepair::default(),
                total_words: WordOrderRepair::default(),
                total: with_repair(facts.total.as_ref(), Dimension::Volume, falls, 2.0 * largest),
                pulses,
                standstill: StandstillWatch::new(meter.total_counts == TotalCounts::Forward),
                flow_nonsense: 0,
                flow_spikes: 0,
                flow_spike_at: None,
                parity: Parity::default(),
                low_fault: Spell::default(),
                high_fault: Spell::default(),
                open: Spell::default(),
                beyond_scale: Spell::default(),
            },
            intake: Intake::new(facts),
            chunk: Vec::with_capacity(CHUNK),
            reverse_total: with_repair(facts.reverse_total.as_ref(), Dimension::Volume, false, 2.0 * largest),
            receiver_total: with_repair(facts.receiver_total.as_ref(), Dimension::Volume, falls, 2.0 * largest),
            assembler: Assembler::new(facts, largest),
            last_row: None,
            last_pulses: None,
            flow_watch: FlowWatch::default(),
            intervals: Vec::new(),
        }
    }

    pub fn push(&mut self, reading: &Reading) {
        let row = self.intake.row(reading);
        self.chunk.push(row);
        if self.chunk.len() == CHUNK {
            self.flush();
        }
    }

    pub fn finish(mut self) -> Gathered {
        self.flush();
        let resolution = self.total_resolution();
        self.out.standstill.end(resolution);
        self.out.poll = self.poll();
        let Self { mut out, assembler, .. } = self;
        out.blocks = assembler.finish();
        // Standing still is a fault only where another witness contradicts it.
        for block in &mut out.blocks {
            block.still = out.standstill.found.iter().any(|found| found.from < block.to && block.from < found.to);
        }
        out
    }

    fn total_resolution(&self) -> f64 {
        self.out
            .total
            .as_ref()
            .map_or(1.0, |(counting, _)| counting.resolution(self.assembler.last_total().unwrap_or(0.0)))
    }

    fn poll(&mut self) -> f64 {
        if self.intervals.is_empty() {
            return 1.0;
        }
        let middle = self.intervals.len() / 2;
        let (_, median, _) = self.intervals.select_nth_unstable_by(middle, f64::total_cmp);
        median.max(0.05)
    }

    fn flush(&mut self) {
        let mut chunk = std::mem::take(&mut self.chunk);
        self.order_flow_halves(&mut chunk);
        let total_turned = self.order_total_halves(&mut chunk);
        if self.intervals.len() < 512 {
            self.intervals.extend(chunk.windows(2).map(|pair| pair[1].at - pair[0].at).filter(|dt| *dt > 0.0));
            let poll = self.poll();
            self.assembler.set_poll(poll);
        }
        for (index, row) in chunk.iter().enumerate() {
            self.take(row, total_turned == Some(index));
        }
        chunk.clear();
        self.chunk = chunk;
    }

    fn order_flow_halves(&mut self, chunk: &mut [Row]) {
        let Some(witness) = self.out.facts.flow.as_ref().filter(|witness| witness.entry.value_type.width() > 1) else {
            return;
        };
        let factor = to_base(Some(witness), Dimension::Flow);
        let both = both_ways(chunk, |row| row.flow, |row| decode::swapped(&witness.entry, row.flow_declared) * factor);
        let plausible = Plausible::Flow { largest: self.out.largest, is_float: witness.entry.value_type.is_float() };
        let choice = self.out.flow_words.decide(&both, plausible);
        let mut values = both.iter().zip(choice);
        for flow in chunk.iter_mut().filter_map(|row| row.flow.as_mut()) {
            if let Some((both, true)) = values.next() {
                flow.value = as_swapped(both);
            }
        }
    }

    /// Returns the index of the row from which on the total is taken in another order, if that changed in this chunk.
    fn order_total_halves(&mut self, chunk: &mut [Row]) -> Option<usize> {
        let (counting, repair) = self.out.total.as_ref()?;
        let entry = &counting.witness.entry;
        if entry.value_type.width() < 2 {
            return None;
        }
        let factor = counting.factor;
        let both = both_ways(chunk, |row| row.total, |row| decode::swapped(entry, row.total_declared) * factor);
        let falls = self.out.facts.meter.total_counts == TotalCounts::Net;
        let slack = 3.0 * counting.resolution(self.assembler.last_total().unwrap_or(0.0)).max(counting.count);
        let rate = repair.allowed(1.0, 0.0) - repair.allowed(0.0, 0.0);
        let hardly = HARDLY_MOVES * self.out.largest;
        let before = self.out.total_words.swapped_count > 0;
        let choice = self.out.total_words.decide(&both, Plausible::Total { rate, slack, falls, hardly });
        let mut values = both.iter().zip(choice);
        let mut turned = None;
        for (index, total) in chunk.iter_mut().enumerate().filter_map(|(index, row)| Some((index, row.total.as_mut()?)))
        {
            if let Some((both, true)) = values.next() {
                total.value = as_swapped(both);
                if !before && turned.is_none() {
                    turned = Some(index);
                }
            }
        }
        turned
    }

    fn take(&mut self, row: &Row, total_turned: bool) {
        let out = &mut self.out;
        if out.rows == 0 {
            out.first_wall = row.wall;
        }
        out.rows += 1;
        out.last_wall = row.wall;
        out.seconds = out.seconds.max(row.at);
        let seconds = self.last_row.map_or(0.0, |(at, _)| (row.at - at).clamp(0.0, 60.0));
        self.last_row = Some((row.at, row.wall));

        let flow = self.flow_watch.push(row.flow, out);
        let mut total_broken = false;
        let total = out.total.as_mut().zip(row.total).and_then(|((counting, repair), total)| {
            if total_turned {
                repair.begin_anew(total.value);
            }
            let slack = 3.0 * counting.resolution(total.value);
            let steps = repair.step_count;
            let value = repair.push(total.value, total.at, row.wall, slack)?;
            total_broken = repair.step_count != steps;
            Some(Timed { value, at: total.at })
        });
        let mut pulses_broken = false;
        let pulses = out.pulses.as_mut().zip(row.pulses).and_then(|((_, repair), pulses)| {
            let steps = repair.step_count;
            let value = repair.push(pulses.value, pulses.at, row.wall, 3.0)?;
            pulses_broken = repair.step_count != steps;
            Some(Timed { value, at: pulses.at })
        });
        let repaired = |series: &mut Option<(CountingFacts, CounterRepair)>, sample: Option<Timed>| {
            let ((counting, repair), sample) = series.as_mut().zip(sample)?;
            let slack = 3.0 * counting.resolution(sample.value);
            let value = repair.push(sample.value, sample.at, row.wall, slack)?;
            Some(Timed { value, at: sample.at })
        };
        let reverse_total = repaired(&mut self.reverse_total, row.reverse_total);
        let receiver_total = repaired(&mut self.receiver_total, row.receiver_total);

        if let Some(pulses) = pulses {
            if let Some(last) = self.last_pulses.filter(|_| !pulses_broken) {
                let step = pulses.value - last;
                if step >= 1.0 {
                    let odd = (step / 2.0).fract().abs() > 0.25;
                    out.parity.add(odd);
                }
            }
            self.last_pulses = Some(pulses.value);
        }
        let state = row.current.map(|current| self.assembler.state_of(current.value));
        if let (Some(current), Some(state)) = (row.current, state) {
            let spell = match state {
                CurrentState::LowFault => Some(&mut out.low_fault),
                CurrentState::HighFault => Some(&mut out.high_fault),
                CurrentState::Open => Some(&mut out.open),
                CurrentState::Signal => flow
                    .is_some_and(|flow| self.assembler.beyond_scale(flow.value, current.value))
                    .then_some(&mut out.beyond_scale),
            };
            if let Some(spell) = spell {
                spell.add(row.at, seconds, row.wall, current.value);
            }
        }
        let resolution =
            out.total.as_ref().zip(row.total).map(|((counting, _), total)| counting.resolution(total.value));
        let still = out.standstill.push(
            Glance {
                at: row.at,
                wall: row.wall,
                flow: flow.map(|flow| flow.value),
                total: total.map(|total| total.value),
                pulses: pulses.map(|pulses| pulses.value),
                current: row.current.map(|current| current.value),
            },
            resolution.unwrap_or(1.0),
        );
        self.assembler.push(&RepairedRow {
            at: row.at,
            wall: row.wall,
            flow,
            total,
            total_resolution: resolution.unwrap_or(0.0),
            pulses,
            current: row.current.filter(|current| current.value.is_finite()),
            reverse_total,
            receiver_flow: row.receiver_flow.filter(|flow| flow.value.is_finite()),
            receiver_total,
            still,
            total_broken,
            pulses_broken,
        });
    }
}

fn both_ways(chunk: &[Row], of: impl Fn(&Row) -> Option<Timed>, swap: impl Fn(&Row) -> f64) -> Vec<BothWays> {
    chunk
        .iter()
        .filter_map(|row| {
            of(row).map(|timed| BothWays { at: timed.at, wall: row.wall, declared: timed.value, swapped: swap(row) })
        })
        .collect()
}

/// A total that moves by less than this share of what flows at most in a second says nothing.
const HARDLY_MOVES: f64 = 1e-7;

/// A value with its halves swapped. What was read as no number at all came without its bits.
const fn as_swapped(both: &BothWays) -> f64 {
    if both.declared.is_nan() { f64::NAN } else { both.swapped }
}

/// Skips flows that are no numbers, and single values that jump away and come back where nothing else would.
#[derive(Clone, Debug, Default)]
struct FlowWatch {
    last: Option<f64>,
    skipped: u32,
}

impl FlowWatch {
    fn push(&mut self, flow: Option<Timed>, out: &mut Gathered) -> Option<Timed> {
        let flow = flow?;
        if !flow.value.is_finite() {
            out.flow_nonsense += 1;
            return None;
        }
        let far = |from: f64| (flow.value - from).abs() > 8.0 * out.largest + 20.0 * from.abs();
        if self.skipped < 2 && self.last.is_some_and(far) {
            self.skipped += 1;
            out.flow_spikes += 1;
            let first = out.flow_spike_at.map_or(out.last_wall, |(first, _)| first);
            out.flow_spike_at = Some((first, out.last_wall));
            return None;
        }
        self.skipped = 0;
        self.last = Some(flow.value);
        Some(flow)
    }
}

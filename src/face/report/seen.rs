//! What one pass over a meter's readings keeps for the report: figures and pictures, in memory that does not grow with
//! the number of readings.

use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::units::{Milliamperes, WallMillis};

use super::columns::{Cloud, Columns, moment, seconds};
use super::difference::Difference;
use super::pulse_flow::PulseFlow;
use crate::record::Quantity;

/// The longest silences that are listed.
const GAPS_LISTED: usize = 6;

/// Watches readings go by.
#[derive(Debug)]
pub struct Observer {
    facts: MeterFacts,
    seen: Seen,
    /// A silence longer than this is a gap, in seconds.
    gap_s: f64,
    bus_flow: Columns,
    loop_flow: Columns,
    pulse_flow: Option<PulseFlow>,
    difference: Option<Difference>,
    cloud: Cloud,
    last: Option<Reading>,
}

/// What was seen of one value.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Which.
    pub quantity: Quantity,
    /// The unit of the figures below, as declared; mA for the loop.
    pub unit: String,
    /// Readings that held it.
    pub count: u64,
    /// Of these, how many were no number.
    pub nonsense: u64,
    /// First and last number.
    pub ends: Option<(f64, f64)>,
    /// Lowest and highest number.
    pub extremes: Option<(f64, f64)>,
    /// The volume that it tells, in litres, over so many seconds.
    pub volume: Option<(f64, f64)>,
}

/// What was seen of a meter.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// The stretch that the pictures show, in seconds since 1970.
    pub range: (f64, f64),
    /// How many readings.
    pub readings: u64,
    /// The first and the last.
    pub ends: Option<(WallMillis, WallMillis)>,
    /// Value by value, those that are declared.
    pub heard: Vec<Heard>,
    /// The longest silences: their end, and their length in seconds.
    pub gaps: Vec<(WallMillis, f64)>,
    /// How many silences there were, and how long they were together.
    pub gap_count: u64,
    /// Seconds.
    pub gap_seconds: f64,
    /// A silence longer than this counts as one.
    pub gap_limit_s: f64,
    /// The flow register over time, L/s.
    pub bus_flow: Vec<(f64, f64)>,
    /// The loop's flow over time, L/s.
    pub loop_flow: Vec<(f64, f64)>,
    /// Pulses as a flow over time, L/s, in steps.
    pub pulse_flow: Vec<(f64, f64)>,
    /// Pulses counted less pulses that the total asks for, over time.
    pub difference: Vec<(f64, f64)>,
    /// What of it is let pass, in pulses, over time.
    pub let_pass: Vec<(f64, f64)>,
    /// Pairs of bus flow in L/s and current in mA.
    pub cloud: Vec<(f64, f64)>,
}

impl Observer {
    /// For readings of the meter between two instants.
    #[must_use]
    pub fn new(facts: &MeterFacts, from: WallMillis, to: WallMillis) -> Self {
        let declared = || Quantity::ALL.into_iter().filter_map(|quantity| Some((quantity, quantity.facts(facts)?)));
        let slowest = declared().map(|(_, witness)| witness.every.as_secs_f64()).fold(1.0, f64::max);
        let gap_s = 4.0 * slowest + 1.0;
        let range = (seconds(from), seconds(to));
        let span = facts.meter.current_loop.as_ref().map_or(100.0, |declared| declared.span().0.abs());
        let heard = declared().map(|(quantity, witness)| Heard {
            quantity,
            unit: if quantity == Quantity::Loop { "mA".to_owned() } else { witness.entry.unit.symbol.clone() },
            count: 0,
            nonsense: 0,
            ends: None,
            extremes: None,
            volume: None,
        });
        Self {
            seen: Seen { range, heard: heard.collect(), gap_limit_s: gap_s, ..Seen::default() },
            gap_s,
            bus_flow: Columns::new(range, gap_s),
            loop_flow: Columns::new(range, gap_s),
            pulse_flow: PulseFlow::new(facts, range, gap_s),
            difference: Difference::new(facts, range, gap_s),
            cloud: Cloud::new((span / 500.0, 0.03)),
            last: None,
            facts: facts.clone(),
        }
    }

    /// The next reading.
    pub fn push(&mut self, reading: &Reading) {
        self.seen.readings += 1;
        let first = self.seen.ends.map_or(reading.wall, |(first, _)| first);
        self.seen.ends = Some((first, reading.wall));
        if let Some(last) = self.last {
            let silence = reading.at.since(last.at).0;
            if silence > self.gap_s {
                self.note_gap(reading.wall, silence);
            }
        }
        for heard in &mut self.seen.heard {
            if let Some(sample) = heard.quantity.of(reading) {
                heard.take(sample.value);
            }
        }
        self.integrate(reading);
        let flow = flow_l_s(&self.facts, reading);
        if let (Some(flow), Some(sample)) = (flow, reading.flow) {
            self.bus_flow.push(moment(reading, sample), flow);
        }
        if let Some(sample) = reading.loop_ma {
            if let Some(flow) = loop_l_s(&self.facts, sample.value) {
                self.loop_flow.push(moment(reading, sample), flow);
            } else {
                self.loop_flow.break_line();
            }
            if let Some(flow) = flow {
                self.cloud.push(flow, sample.value);
            }
        }
        if let Some(pulse_flow) = &mut self.pulse_flow {
            pulse_flow.push(reading);
        }
        if let Some(difference) = &mut self.difference {
            difference.push(reading, flow.unwrap_or(0.0));
        }
        self.last = Some(*reading);
    }

    /// What was seen.
    #[must_use]
    pub fn finish(self) -> Seen {
        let mut seen = self.seen;
        seen.bus_flow = self.bus_flow.into_points();
        seen.loop_flow = self.loop_flow.into_points();
        seen.cloud = self.cloud.into_points();
        let counted = [
            (Quantity::Total, self.difference.as_ref().and_then(Difference::total_l)),
            (Quantity::Pulses, self.pulse_flow.as_ref().map(PulseFlow::volume_l)),
        ];
        for heard in &mut seen.heard {
            let over = seen.ends.map_or(0.0, |(first, last)| seconds(last) - seconds(first));
            if let Some((_, Some(volume))) = counted.iter().find(|(quantity, _)| *quantity == heard.quantity) {
                heard.volume = Some((*volume, over));
            }
        }
        seen.pulse_flow = self.pulse_flow.map(PulseFlow::into_points).unwrap_or_default();
        (seen.difference, seen.let_pass) = self.difference.map(Difference::into_points).unwrap_or_default();
        seen
    }

    fn note_gap(&mut self, end: WallMillis, silence: f64) {
        self.seen.gap_count += 1;
        self.seen.gap_seconds += silence;
        let gaps = &mut self.seen.gaps;
        gaps.push((end, silence));
        gaps.sort_by(|one, other| other.1.total_cmp(&one.1));
        gaps.truncate(GAPS_LISTED);
    }

    /// Adds the flows up, trapezium by trapezium, wherever two neighbouring readings hold one.
    fn integrate(&mut self, reading: &Reading) {
        let Some(last) = self.last else { return };
        let dt = reading.at.since(last.at).0;
        if !(dt > 0.0 && dt <= self.gap_s) {
            return;
        }
        let current = |reading: &Reading| reading.loop_ma.and_then(|sample| loop_l_s(&self.facts, sample.value));
        let of_flow = flow_l_s(&self.facts, &last).zip(flow_l_s(&self.facts, reading));
        let of_loop = current(&last).zip(current(reading));
        for (quantity, ends) in [(Quantity::Flow, of_flow), (Quantity::Loop, of_loop)] {
            let heard = self.seen.heard.iter_mut().find(|heard| heard.quantity == quantity);
            if let (Some(heard), Some((before, after))) = (heard, ends) {
                let (volume, over) = heard.volume.unwrap_or_default();
                heard.volume = Some((volume + dt * f64::midpoint(before, after), over + dt));
            }
        }
    }
}

impl Heard {
    fn take(&mut self, value: f64) {
        self.count += 1;
        if !value.is_finite() {
            self.nonsense += 1;
            return;
        }
        self.ends = Some((self.ends.map_or(value, |(first, _)| first), value));
        let (low, high) = self.extremes.unwrap_or((value, value));
        self.extremes = Some((low.min(value), high.max(value)));
    }
}

/// The flow register in L/s.
fn flow_l_s(facts: &MeterFacts, reading: &Reading) -> Option<f64> {
    let unit = &facts.flow.as_ref()?.entry.unit;
    Some(unit.value_in_base(reading.flow?.value)).filter(|flow| flow.is_finite())
}

/// The flow that a current means to its receiver, in L/s; none where it means no flow.
fn loop_l_s(facts: &MeterFacts, current: f64) -> Option<f64> {
    let declared = facts.meter.current_loop.as_ref()?;
    let (low, high) = declared.saturates;
    (low.0 <= current && current <= high.0).then(|| declared.flow_of(Milliamperes(current)).0)
}

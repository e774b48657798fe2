//! Which columns a meter's files have, and what each takes of a reading.

use parquet::data_type::ByteArray;
use tallywell_witness::declared::{CurrentLoop, Pulse};
use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits};
use tallywell_witness::tally::Gain;

use super::cells::{Cells, Kind};
use crate::record::quantity::Quantity;
use crate::record::writer::status_text;

/// What a column takes of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Takes {
    Time,
    Value(Quantity),
    SampledAt(Quantity),
    Raw(Quantity),
    Status,
    Running,
    TotalGain,
    PulseGain,
    Constant(f64),
}

/// One column.
#[derive(Debug)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    /// The unit of its values; none where the type says it all.
    pub(super) unit: Option<String>,
    takes: Takes,
    pub(super) cells: Cells,
}

impl Column {
    fn new(name: &'static str, kind: Kind, unit: Option<&str>, takes: Takes) -> Self {
        Self { name, kind, unit: unit.map(str::to_owned), takes, cells: Cells::new(kind) }
    }

    /// Whether every row has a value.
    pub(super) fn is_required(&self) -> bool {
        matches!(self.takes, Takes::Time)
    }
}

/// The columns of one meter.
#[derive(Debug)]
pub(super) struct Columns {
    pub(super) all: Vec<Column>,
    rows: usize,
    status_names: Vec<String>,
    /// The last status and its text: it seldom changes.
    status: Option<(StatusBits, ByteArray)>,
}

impl Columns {
    pub(super) fn of(facts: &MeterFacts) -> Self {
        let [flow, total, current, pulses, beyond @ ..] = Quantity::ALL;
        let value =
            |quantity: Quantity, unit| Column::new(quantity.column(), Kind::Number, Some(unit), Takes::Value(quantity));
        let sampled =
            |quantity: Quantity| Column::new(quantity.time_column(), Kind::Instant, None, Takes::SampledAt(quantity));
        let raw = |quantity: Quantity| Column::new(quantity.raw_column(), Kind::Bytes, None, Takes::Raw(quantity));
        let unit = |quantity: Quantity| quantity.facts(facts).map_or("", |facts| facts.entry.unit.symbol.as_str());
        let mut all = vec![
            Column::new("time", Kind::Instant, None, Takes::Time),
            value(flow, unit(flow)),
            value(total, unit(total)),
            value(current, "mA"),
            value(pulses, "pulses"),
            Column::new("status", Kind::Text, None, Takes::Status),
        ];
        all.extend([flow, total, current, pulses].map(sampled));
        all.extend([flow, total].map(raw));
        for quantity in beyond.into_iter().filter(|quantity| quantity.facts(facts).is_some()) {
            all.extend([value(quantity, unit(quantity)), sampled(quantity), raw(quantity)]);
        }
        if facts.meter.running.is_some() {
            all.push(Column::new("running", Kind::Truth, None, Takes::Running));
        }
        all.push(Column::new("total_gain_l", Kind::Number, Some("L"), Takes::TotalGain));
        all.push(Column::new("pulse_gain_l", Kind::Repeated, Some("L"), Takes::PulseGain));
        all.extend(constants(facts));
        Self { all, rows: 0, status_names: facts.status_names.clone(), status: None }
    }

    /// How many rows wait to be written.
    pub(super) const fn rows(&self) -> usize {
        self.rows
    }

    pub(super) fn push(&mut self, reading: &Reading, gain: Gain) {
        self.rows += 1;
        let status = reading.status.map(|bits| self.status_of(bits));
        for Column { takes, cells, .. } in &mut self.all {
            match *takes {
                Takes::Time => cells.instant(Some(reading.wall.0)),
                Takes::Value(quantity) => cells.number(quantity.of(reading).map(|sample| sample.value)),
                Takes::SampledAt(quantity) => cells.instant(quantity.of(reading).map(|it| sampled_at(reading, it))),
                Takes::Raw(quantity) => cells.bytes(quantity.of(reading).and_then(|sample| registers(sample.raw))),
                Takes::Status => cells.bytes(status.clone()),
                Takes::Running => cells.truth(reading.running),
                Takes::TotalGain => cells.number(gain.total_l),
                Takes::PulseGain => cells.number(gain.pulse_l),
                Takes::Constant(number) => cells.number(Some(number)),
            }
        }
    }

    fn status_of(&mut self, bits: StatusBits) -> ByteArray {
        match &self.status {
            Some((known, text)) if *known == bits => text.clone(),
            _ => {
                let text = ByteArray::from(status_text(bits, &self.status_names).into_bytes());
                self.status = Some((bits, text.clone()));
                text
            }
        }
    }

    /// To be called when every column's cells were written.
    pub(super) const fn begin_anew(&mut self) {
        self.rows = 0;
    }
}

const fn sampled_at(reading: &Reading, sample: Sample) -> i64 {
    reading.wall.0.saturating_add(sample.at.0 - reading.at.0)
}

fn registers(raw: RawWords) -> Option<ByteArray> {
    let bytes: Vec<u8> = raw.words().iter().flat_map(|word| word.to_be_bytes()).collect();
    (!bytes.is_empty()).then(|| ByteArray::from(bytes))
}

/// What the site file says the meter's units, pulses and current to be worth.
fn constants(facts: &MeterFacts) -> Vec<Column> {
    let unit = |quantity: Quantity| quantity.facts(facts).map(|facts| facts.entry.unit.to_base);
    let pulse: Option<&Pulse> = facts.meter.pulse.as_ref();
    let current: Option<&CurrentLoop> = facts.meter.current_loop.as_ref();
    [
        ("l_s_per_flow", "L/s", unit(Quantity::Flow)),
        ("l_per_total", "L", unit(Quantity::Total)),
        ("l_per_pulse", "L", pulse.map(|pulse| pulse.volume.0)),
        ("loop_l_s_at_4_ma", "L/s", current.map(|current| current.at_4_ma.0)),
        ("loop_l_s_at_20_ma", "L/s", current.map(|current| current.full_scale.0)),
    ]
    .into_iter()
    .filter_map(|(name, unit, number)| Some(Column::new(name, Kind::Repeated, Some(unit), Takes::Constant(number?))))
    .collect()
}

//! Writing readings as CSV.

use std::io::{self, Write};

use tallywell_witness::reading::{MeterFacts, Reading, StatusBits};
use tallywell_witness::units::WallMillis;

use super::cells::{append_number, append_raw};
use super::columns::Column;
use super::instant::DateText;
use super::quantity::Quantity;

/// Which optional columns a file gets beyond those that every file has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Extent {
    /// `steady_ms`: the clock on the wall was set during the stretch, so that `time` alone would mislead.
    pub steady: bool,
}

/// Writes one meter's readings, a line each. Lines end in a line feed.
#[derive(Debug)]
pub struct CsvWriter<W: Write> {
    out: W,
    columns: Vec<Column>,
    status_names: Vec<String>,
    dates: DateText,
    line: Vec<u8>,
}

impl<W: Write> CsvWriter<W> {
    /// Begins a file with its header.
    ///
    /// # Errors
    /// What `out` says.
    pub fn new(mut out: W, facts: &MeterFacts, extent: Extent) -> io::Result<Self> {
        let columns = columns(facts, extent);
        let names: Vec<&str> = columns.iter().map(|column| column.name()).collect();
        writeln!(out, "{}", names.join(","))?;
        Ok(Self {
            out,
            columns,
            status_names: facts.status_names.clone(),
            dates: DateText::default(),
            line: Vec::new(),
        })
    }

    /// Writes one reading.
    ///
    /// # Errors
    /// What the file says.
    pub fn write(&mut self, reading: &Reading) -> io::Result<()> {
        self.line.clear();
        for place in 0..self.columns.len() {
            if place > 0 {
                self.line.push(b',');
            }
            self.append_cell(self.columns[place], reading);
        }
        self.line.push(b'\n');
        self.out.write_all(&self.line)
    }

    /// Ends the file.
    ///
    /// # Errors
    /// What the file says to its last bytes.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }

    fn append_cell(&mut self, column: Column, reading: &Reading) {
        match column {
            Column::Time => self.dates.append(&mut self.line, reading.wall),
            Column::Value(quantity) => {
                if let Some(sample) = quantity.of(reading) {
                    append_number(&mut self.line, sample.value);
                }
            }
            Column::SampledAt(quantity) => {
                if let Some(sample) = quantity.of(reading) {
                    let wall = WallMillis(reading.wall.0.saturating_add(sample.at.0 - reading.at.0));
                    self.dates.append(&mut self.line, wall);
                }
            }
            Column::Raw(quantity) => {
                if let Some(sample) = quantity.of(reading) {
                    append_raw(&mut self.line, sample.raw);
                }
            }
            Column::Status => {
                if let Some(bits) = reading.status {
                    self.append_status(bits);
                }
            }
            Column::Running => match reading.running {
                Some(true) => self.line.push(b'1'),
                Some(false) => self.line.push(b'0'),
                None => {}
            },
            Column::Steady => self.line.extend_from_slice(reading.at.0.to_string().as_bytes()),
            Column::Other => {}
        }
    }

    fn append_status(&mut self, bits: StatusBits) {
        let text = status_text(bits, &self.status_names);
        if text.contains([',', '"', '\n', '\r']) {
            self.line.extend_from_slice(format!("\"{}\"", text.replace('"', "\"\"")).as_bytes());
        } else {
            self.line.extend_from_slice(text.as_bytes());
        }
    }
}

/// The names of the set bits, separated by `;`, or `ok`.
pub(super) fn status_text(bits: StatusBits, names: &[String]) -> String {
    if bits.0 == 0 {
        return "ok".to_owned();
    }
    let mut text = String::new();
    for bit in (0..64_usize).filter(|bit| bits.0 >> bit & 1 == 1) {
        if !text.is_empty() {
            text.push(';');
        }
        match names.get(bit) {
            Some(name) => text.push_str(name),
            None => text.push_str(&format!("bit {bit}")),
        }
    }
    text
}

/// The columns of a meter's file: those that every file has, then those for what this meter declares beyond.
fn columns(facts: &MeterFacts, extent: Extent) -> Vec<Column> {
    let [flow, total, current, pulses, beyond @ ..] = Quantity::ALL;
    let mut columns = vec![
        Column::Time,
        Column::Value(flow),
        Column::Value(total),
        Column::Value(current),
        Column::Value(pulses),
        Column::Status,
        Column::SampledAt(flow),
        Column::SampledAt(total),
        Column::SampledAt(current),
        Column::SampledAt(pulses),
        Column::Raw(flow),
        Column::Raw(total),
    ];
    for quantity in beyond.into_iter().filter(|quantity| quantity.facts(facts).is_some()) {
        columns.extend([Column::Value(quantity), Column::SampledAt(quantity), Column::Raw(quantity)]);
    }
    if facts.meter.running.is_some() {
        columns.push(Column::Running);
    }
    if extent.steady {
        columns.push(Column::Steady);
    }
    columns
}

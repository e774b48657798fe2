//! Reading CSV as people send it: a stream of readings, and a note or a reason for whatever is unusual.

use std::io::Read;

use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::cells::{self, DecimalMark};
use super::columns::Column;
use super::header::{FirstRow, Header};
use super::instant::{InstantReader, Written};
use super::lines::{Line, Lines};
use super::notes::{CsvError, Note, Notebook, Oddity, RowProblem};
use super::quantity::Quantity;
use super::sequence::{Row, Sequence};

/// Reads one meter's readings from CSV, in bounded memory.
///
/// Each item is a reading or a row that had to be left out, with its line and the reason. [`CsvReader::notes`] says what
/// was unusual and yet accepted. Readings come on a time line that never goes back: `at` is the time in the file, moved on
/// where the clock was set back.
#[derive(Debug)]
pub struct CsvReader<R: Read> {
    lines: Lines<R>,
    rows: Rows,
    sequence: Sequence,
    /// The first line, where it is a row and not a header.
    first: Option<FirstRow>,
    ended: bool,
}

impl<R: Read> CsvReader<R> {
    /// Reads the header.
    ///
    /// # Errors
    /// The file cannot be read, is empty, or its first line neither names its columns nor is a row.
    pub fn new(input: R, facts: &MeterFacts) -> Result<Self, CsvError> {
        let mut lines = Lines::new(input);
        let mut notebook = Notebook::default();
        let (header, first) = Header::read(&mut lines, facts, &mut notebook)?;
        let rows = Rows::new(header, facts, notebook);
        Ok(Self { lines, rows, sequence: Sequence::default(), first, ended: false })
    }

    /// What was unusual so far, and what was made of it.
    #[must_use]
    pub fn notes(&self) -> Vec<Note> {
        self.rows.notebook.notes()
    }

    /// The names of the status bits: those declared, then those met beside them.
    #[must_use]
    pub fn status_names(&self) -> &[String] {
        &self.rows.status_names
    }

    fn read_on(&mut self) -> Option<Result<Reading, RowProblem>> {
        if let Some((number, bytes)) = self.first.take() {
            match self.rows.row(&Line { number, bytes: &bytes, ended: true }) {
                Ok(Some(row)) => {
                    let _ = self.sequence.push(row, &mut self.rows.notebook);
                }
                Ok(None) => {}
                Err(problem) => return Some(Err(problem)),
            }
        }
        while !self.ended {
            let line = match self.lines.next() {
                Ok(Some(line)) => line,
                Ok(None) => break,
                Err(problem) => {
                    self.ended = true;
                    return Some(Err(problem));
                }
            };
            match self.rows.row(&line) {
                Ok(Some(row)) => {
                    if let Some(reading) = self.sequence.push(row, &mut self.rows.notebook) {
                        return Some(Ok(reading));
                    }
                    if let Some(item) = self.sequence.pop() {
                        return Some(item);
                    }
                }
                Ok(None) => {}
                Err(problem) => return Some(Err(problem)),
            }
        }
        self.ended = true;
        self.sequence.finish();
        self.sequence.pop()
    }
}

impl<R: Read> Iterator for CsvReader<R> {
    type Item = Result<Reading, RowProblem>;

    fn next(&mut self) -> Option<Self::Item> {
        self.sequence.pop().or_else(|| self.read_on())
    }
}

/// Turns lines into rows.
#[derive(Debug)]
struct Rows {
    header: Header,
    /// Columns beyond value and status are there.
    has_times_or_registers: bool,
    status_names: Vec<String>,
    /// The status cell met last and what it meant: it seldom changes.
    last_status: (Vec<u8>, StatusBits),
    /// The status cell of the line at hand, where it is another: its names are learnt once the line is known to be sound.
    new_status: Option<Vec<u8>>,
    instants: InstantReader,
    notebook: Notebook,
}

/// What one line says, before it is a reading.
#[derive(Debug, Default)]
struct Said {
    time: Option<WallMillis>,
    steady: Option<i64>,
    reading: Reading,
    sampled: [Option<WallMillis>; Quantity::ALL.len()],
    raw: [RawWords; Quantity::ALL.len()],
}

impl Rows {
    fn new(header: Header, facts: &MeterFacts, notebook: Notebook) -> Self {
        let has_times_or_registers =
            header.columns.iter().any(|column| matches!(column, Column::SampledAt(_) | Column::Raw(_)));
        Self {
            header,
            has_times_or_registers,
            status_names: facts.status_names.iter().take(64).cloned().collect(),
            last_status: (b"ok".to_vec(), StatusBits(0)),
            new_status: None,
            instants: InstantReader::default(),
            notebook,
        }
    }

    /// The row that a line holds; `None` where it holds none and need not.
    fn row(&mut self, line: &Line<'_>) -> Result<Option<Row>, RowProblem> {
        if line.bytes.trim_ascii().is_empty() {
            self.notebook.met(line.number, Oddity::Blank);
            return Ok(None);
        }
        // A line that names the columns again has no digit where every row has its time.
        if !line.bytes[0].is_ascii_digit() && self.header.is_repeated_by(line.bytes) {
            self.notebook.met(line.number, Oddity::HeaderAgain);
            return Ok(None);
        }
        self.new_status = None;
        let mut said = Said::default();
        let mut count = 0;
        if memchr::memchr(b'"', line.bytes).is_some() {
            for cell in self.header.split_quoted(line)? {
                self.take(line.number, count, &cell, &mut said)?;
                count += 1;
            }
        } else {
            let mut rest = Some(line.bytes);
            while let Some(bytes) = rest {
                let last = self.header.last_takes_all && count + 1 == self.header.columns.len();
                let end = if last { None } else { bytes.iter().position(|byte| *byte == self.header.separator) };
                let cell = end.map_or(bytes, |end| &bytes[..end]);
                rest = end.map(|end| &bytes[end + 1..]);
                self.take(line.number, count, cell, &mut said)?;
                count += 1;
            }
        }
        if count < self.header.columns.len() {
            return Err(self.too_few_cells(line, count));
        }
        let Some(wall) = said.time else {
            return Err(RowProblem::cell(line.number, "time", "is empty: a reading needs its time".to_owned()));
        };
        if let Some(cell) = self.new_status.take() {
            said.reading.status = Some(self.status(line.number, cell));
        }
        Ok(Some(Row { line: line.number, steady: said.steady.is_some(), reading: self.reading(wall, said) }))
    }

    fn reading(&self, wall: WallMillis, said: Said) -> Reading {
        let mut reading = said.reading;
        reading.wall = wall;
        reading.at = SteadyMillis(said.steady.unwrap_or(wall.0));
        for quantity in Quantity::ALL {
            if let Some(sample) = quantity.place(&mut reading) {
                let later = match said.sampled[quantity.index()] {
                    Some(sampled) if self.has_times_or_registers => sampled.0 - wall.0,
                    _ => 0,
                };
                sample.at = SteadyMillis(said.steady.unwrap_or(wall.0) + later);
                sample.raw = said.raw[quantity.index()];
            }
        }
        reading
    }

    /// Takes one cell into what the line says.
    fn take(&mut self, line: u64, place: usize, cell: &[u8], said: &mut Said) -> Result<(), RowProblem> {
        let cell = cell.trim_ascii();
        let Some(&column) = self.header.columns.get(place) else {
            return if cell.is_empty() { Ok(()) } else { Err(self.too_many_cells(line)) };
        };
        if cell.is_empty() {
            return Ok(());
        }
        match column {
            Column::Time => said.time = self.instant(line, column, cell)?,
            Column::Value(quantity) => {
                let value =
                    cells::number(cell, self.header.decimal_mark).ok_or_else(|| self.no_number(line, column, cell))?;
                *quantity.place(&mut said.reading) =
                    Some(Sample { value, at: SteadyMillis::default(), raw: RawWords::default() });
            }
            Column::SampledAt(quantity) => said.sampled[quantity.index()] = self.instant(line, column, cell)?,
            Column::Raw(quantity) => {
                said.raw[quantity.index()] = cells::raw_words(cell).ok_or_else(|| {
                    let reason = format!("{} is not a row of hexadecimal words of four digits", shown(cell));
                    RowProblem::cell(line, column.name(), reason)
                })?;
            }
            Column::Status if self.last_status.0 == cell => said.reading.status = Some(self.last_status.1),
            Column::Status => self.new_status = Some(cell.to_vec()),
            Column::Running => {
                said.reading.running = Some(cells::yes_or_no(cell).ok_or_else(|| {
                    RowProblem::cell(line, column.name(), format!("{} is neither 1 nor 0", shown(cell)))
                })?);
            }
            Column::Steady => {
                let millis = std::str::from_utf8(cell).ok().and_then(|text| text.parse().ok()).ok_or_else(|| {
                    RowProblem::cell(line, column.name(), format!("{} is not a whole number", shown(cell)))
                })?;
                said.steady = Some(millis);
            }
            Column::Other => {}
        }
        Ok(())
    }

    fn instant(&mut self, line: u64, column: Column, cell: &[u8]) -> Result<Option<WallMillis>, RowProblem> {
        match self.instants.read(cell) {
            Some((instant, Written::Utc)) => return Ok(Some(instant)),
            Some((instant, written)) => {
                let oddity = match written {
                    Written::WithOffset => Oddity::WithOffset,
                    Written::Count => Oddity::Count,
                    Written::WithoutZone | Written::Utc => Oddity::WithoutZone,
                };
                self.notebook.met(line, oddity);
                return Ok(Some(instant));
            }
            None => {}
        }
        let reason = format!("{} is not a time; write it as 2025-03-01T08:00:00.000Z", shown(cell));
        Err(RowProblem::cell(line, column.name(), reason))
    }

    fn status(&mut self, line: u64, cell: Vec<u8>) -> StatusBits {
        let mut bits = 0_u64;
        for name in String::from_utf8_lossy(&cell).split(';').map(str::trim) {
            if name.is_empty() || name.eq_ignore_ascii_case("ok") {
                continue;
            }
            let declared = self.status_names.iter().position(|it| it.eq_ignore_ascii_case(name));
            match declared {
                Some(bit) => bits |= 1 << bit,
                None if self.status_names.len() < 64 => {
                    self.notebook.met(line, Oddity::UnknownStatus(name.to_owned()));
                    bits |= 1 << self.status_names.len();
                    self.status_names.push(name.to_owned());
                }
                None => self.notebook.met(line, Oddity::TooManyStatusNames),
            }
        }
        self.last_status = (cell, StatusBits(bits));
        StatusBits(bits)
    }

    fn no_number(&self, line: u64, column: Column, cell: &[u8]) -> RowProblem {
        let advice = if cell.contains(&b',') && self.header.decimal_mark == DecimalMark::Point {
            "; commas between thousands are not read, and decimal commas only where ; or a tab separates the cells"
        } else {
            ""
        };
        RowProblem::cell(line, column.name(), format!("{} is not a number{advice}", shown(cell)))
    }

    fn too_many_cells(&self, line: u64) -> RowProblem {
        let advice = if self.header.separator == b',' {
            "; if its decimal mark is a comma, the cells must be separated by ; or a tab"
        } else {
            ""
        };
        let reason = format!("has more cells than the header's {}{advice}", self.header.columns.len());
        RowProblem::row(line, reason)
    }

    fn too_few_cells(&self, line: &Line<'_>, count: usize) -> RowProblem {
        let cut = if line.ended { "" } else { "; the file ends in the middle of this line" };
        let reason = format!("has {count} cells where the header has {}{cut}", self.header.columns.len());
        RowProblem::row(line.number, reason)
    }
}

/// A cell as an error shows it.
fn shown(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    match text.char_indices().nth(40) {
        Some((end, _)) => format!("`{}...`", &text[..end]),
        None => format!("`{text}`"),
    }
}

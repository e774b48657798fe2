//! The first line of a file: which column holds what, and how cells and numbers are written.

use std::borrow::Cow;
use std::io::Read;

use tallywell_witness::reading::MeterFacts;

use super::cells::DecimalMark;
use super::columns::{Column, PLAIN};
use super::instant::InstantReader;
use super::lines::{Line, Lines};
use super::notes::{CsvError, Notebook, Oddity, RowProblem};
use super::quantity::Quantity;

/// The first line of a file that has no header, and its number.
pub(super) type FirstRow = (u64, Vec<u8>);

/// How the lines of a file are to be understood.
#[derive(Clone, Debug)]
pub(super) struct Header {
    /// What each column holds.
    pub(super) columns: Vec<Column>,
    /// The name of the column of times, as written.
    pub(super) time_name: String,
    /// What separates cells.
    pub(super) separator: u8,
    /// How numbers are written.
    pub(super) decimal_mark: DecimalMark,
    /// The last column holds status names, which may hold the separator.
    pub(super) last_takes_all: bool,
}

impl Header {
    /// Reads the header; where there is none, returns the first line too, which is a row.
    pub(super) fn read<R: Read>(
        lines: &mut Lines<R>,
        facts: &MeterFacts,
        notebook: &mut Notebook,
    ) -> Result<(Self, Option<FirstRow>), CsvError> {
        loop {
            let line = match lines.next() {
                Ok(Some(line)) => line,
                Ok(None) => return Err(CsvError::Empty),
                Err(problem) => return Err(CsvError::Header { line: problem.line, reason: problem.reason }),
            };
            if line.number == 1 && (line.bytes.starts_with(&[0xFF, 0xFE]) || line.bytes.starts_with(&[0xFE, 0xFF])) {
                let reason = "the file is UTF-16; save it as CSV in UTF-8".to_owned();
                return Err(CsvError::Header { line: 1, reason });
            }
            let bytes = line.bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line.bytes);
            if bytes.trim_ascii().is_empty() {
                notebook.met(line.number, Oddity::Blank);
                continue;
            }
            // Spreadsheets put this line first to say what separates the cells; the header says it too.
            if line.number == 1 && bytes.len() <= 6 && bytes.starts_with(b"sep=") {
                continue;
            }
            return Self::of_line(&Line { bytes, ..line }, facts, notebook);
        }
    }

    fn of_line(
        line: &Line<'_>,
        facts: &MeterFacts,
        notebook: &mut Notebook,
    ) -> Result<(Self, Option<FirstRow>), CsvError> {
        let separator = separator_of(line.bytes);
        let decimal_mark = if separator == b',' { DecimalMark::Point } else { DecimalMark::Comma };
        let mut header =
            Self { columns: Vec::new(), time_name: String::new(), separator, decimal_mark, last_takes_all: false };
        let refuse = |reason: String| CsvError::Header { line: line.number, reason };
        let names: Vec<String> = header
            .split_quoted(line)
            .map_err(|problem| refuse(problem.reason))?
            .iter()
            .map(|cell| String::from_utf8_lossy(cell.trim_ascii()).into_owned())
            .collect();
        let is_row = names.first().is_some_and(|first| InstantReader::default().read(first.as_bytes()).is_some());
        let first_row = if is_row {
            if names.len() > PLAIN.len() {
                return Err(refuse(format!(
                    "there is no header, and {} columns; put a line before it that names them, such as {}",
                    names.len(),
                    PLAIN.join(",")
                )));
            }
            notebook.met(line.number, Oddity::NoHeader);
            header.columns = PLAIN[..names.len()].iter().map(|name| Column::named(name)).collect();
            Some((line.number, line.bytes.to_vec()))
        } else {
            header.name_columns(&names, line.number, notebook).map_err(refuse)?;
            None
        };
        header.last_takes_all = separator == b';' && header.columns.last() == Some(&Column::Status);
        header.note_what_is_unusual(line.number, facts, notebook);
        Ok((header, first_row))
    }

    fn name_columns(&mut self, names: &[String], line: u64, notebook: &mut Notebook) -> Result<(), String> {
        self.columns = names.iter().map(|name| Column::named(name)).collect();
        if !self.columns.contains(&Column::Time)
            && let Some(place) = names.iter().position(|name| is_another_name_of_time(name))
        {
            self.columns[place] = Column::Time;
            notebook.met(line, Oddity::TakenAs { name: names[place].clone(), column: "time" });
        }
        for (place, column) in self.columns.iter().enumerate() {
            if *column != Column::Other && self.columns[..place].contains(column) {
                return Err(format!("two columns are named `{}`; one meter a file, one column a value", column.name()));
            }
        }
        let time = self.columns.iter().position(|column| *column == Column::Time).ok_or_else(|| {
            format!("no column is named `time`; the first line should name the columns: {}", PLAIN.join(","))
        })?;
        if !self.columns.iter().any(|column| matches!(column, Column::Value(_))) {
            return Err(format!("no column holds a value; name those that do: {}", PLAIN[1..5].join(", ")));
        }
        self.time_name.clone_from(&names[time]);
        for (name, column) in names.iter().zip(&self.columns) {
            if *column == Column::Other && !name.is_empty() {
                let meant = likely_meaning(name).filter(|meant| !self.columns.contains(&Column::named(meant)));
                notebook.met(line, Oddity::Ignored { name: name.clone(), meant });
            }
        }
        Ok(())
    }

    fn note_what_is_unusual(&self, line: u64, facts: &MeterFacts, notebook: &mut Notebook) {
        let commas = self.decimal_mark == DecimalMark::Comma;
        match self.separator {
            b';' => notebook.met(line, Oddity::Separator { name: "semicolons", commas }),
            b'\t' => notebook.met(line, Oddity::Separator { name: "tabs", commas }),
            _ => {}
        }
        for quantity in [Quantity::Flow, Quantity::Total, Quantity::Loop, Quantity::Pulses] {
            if quantity.facts(facts).is_some() && !self.columns.contains(&Column::Value(quantity)) {
                notebook.met(line, Oddity::Missing(quantity.column()));
            }
        }
    }

    /// True for a line that names the columns once more.
    pub(super) fn is_repeated_by(&self, line: &[u8]) -> bool {
        let mut names = line.split(|byte| *byte == self.separator).map(<[u8]>::trim_ascii);
        names.any(|name| name.eq_ignore_ascii_case(self.time_name.as_bytes()))
    }

    /// The cells of a line of which some may stand in quotes; a quote inside is doubled.
    pub(super) fn split_quoted<'a>(&self, line: &Line<'a>) -> Result<Vec<Cow<'a, [u8]>>, RowProblem> {
        let mut cells = Vec::with_capacity(self.columns.len());
        let mut rest = line.bytes;
        loop {
            let blanks = rest.iter().take_while(|byte| **byte == b' ').count();
            let (cell, after) = if let Some(quoted) = rest[blanks..].strip_prefix(b"\"") {
                let (cell, after) = unquote(quoted)
                    .ok_or_else(|| RowProblem::row(line.number, "a quote is opened and never closed".to_owned()))?;
                (Cow::Owned(cell), after.trim_ascii_start())
            } else {
                let end = rest.iter().position(|byte| *byte == self.separator).unwrap_or(rest.len());
                (Cow::Borrowed(&rest[..end]), &rest[end..])
            };
            cells.push(cell);
            match after {
                [] => return Ok(cells),
                [byte, after @ ..] if *byte == self.separator => rest = after,
                _ => {
                    let reason = "text follows a closed quote; a quote inside quotes is written twice".to_owned();
                    return Err(RowProblem::row(line.number, reason));
                }
            }
        }
    }
}

/// The text up to the closing quote, and what follows it.
fn unquote(text: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    let mut cell = Vec::new();
    let mut rest = text;
    loop {
        let end = memchr::memchr(b'"', rest)?;
        cell.extend_from_slice(&rest[..end]);
        rest = &rest[end + 1..];
        match rest {
            [b'"', after @ ..] => {
                cell.push(b'"');
                rest = after;
            }
            _ => return Some((cell, rest)),
        }
    }
}

/// What separates the cells of a header: the most frequent of comma, semicolon and tab; a comma if none is there.
fn separator_of(header: &[u8]) -> u8 {
    let count = |separator: u8| header.iter().filter(|byte| **byte == separator).count();
    let (commas, semicolons, tabs) = (count(b','), count(b';'), count(b'\t'));
    if semicolons > commas && semicolons >= tabs {
        b';'
    } else if tabs > commas {
        b'\t'
    } else {
        b','
    }
}

fn is_another_name_of_time(name: &str) -> bool {
    matches!(name.to_ascii_lowercase().as_str(), "timestamp" | "datetime" | "date_time" | "date time")
}

/// The column that an unknown name may stand for.
fn likely_meaning(name: &str) -> Option<&'static str> {
    let name = name.to_ascii_lowercase();
    [
        ("flow", "flow"),
        ("total", "total"),
        ("current", "loop_ma"),
        ("loop", "loop_ma"),
        ("pulse", "pulses"),
        ("count", "pulses"),
    ]
    .into_iter()
    .find(|(part, _)| name.contains(part))
    .map(|(_, column)| column)
}

//! What is said about a file that was not quite as it should be.

use std::fmt;
use std::io;

/// A file that cannot be read as readings at all.
#[derive(Debug, thiserror::Error)]
pub enum CsvError {
    /// The bytes do not come.
    #[error("the file cannot be read")]
    Unreadable(#[from] io::Error),
    /// There is nothing in it.
    #[error(
        "the file is empty; its first line should name the columns: {}",
        super::columns::PLAIN.join(",")
    )]
    Empty,
    /// The first line is not a header.
    #[error("line {line}: {reason}")]
    Header {
        /// Counted from 1.
        line: u64,
        /// What is wrong and what to write.
        reason: String,
    },
}

/// A row that was left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowProblem {
    /// The line in the file, counted from 1.
    pub line: u64,
    /// The column, where one cell is to blame.
    pub column: Option<&'static str>,
    /// What is wrong with it.
    pub reason: String,
    /// Nothing after it could be read.
    pub fatal: bool,
}

impl RowProblem {
    pub(super) const fn row(line: u64, reason: String) -> Self {
        Self { line, column: None, reason, fatal: false }
    }

    pub(super) const fn cell(line: u64, column: &'static str, reason: String) -> Self {
        Self { line, column: Some(column), reason, fatal: false }
    }
}

impl fmt::Display for RowProblem {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.column {
            Some(column) => write!(out, "line {}, column {column}: {}", self.line, self.reason),
            None => write!(out, "line {}: {}", self.line, self.reason),
        }
    }
}

impl std::error::Error for RowProblem {}

/// Something unusual that was accepted, and what was made of it. One note stands for all rows of its kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// The line where it was first met, counted from 1.
    pub first_line: u64,
    /// How many lines had it.
    pub lines: u64,
    /// What it is, and what was made of it.
    pub text: String,
}

impl fmt::Display for Note {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.lines {
            0 | 1 => write!(out, "line {}: {}", self.first_line, self.text),
            lines => write!(out, "line {} and {} more: {}", self.first_line, lines - 1, self.text),
        }
    }
}

/// What can be unusual about a row or a file and yet be understood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Oddity {
    /// Cells are separated by something else than a comma.
    Separator { name: &'static str, commas: bool },
    /// There is no header.
    NoHeader,
    /// A column that nothing is known about.
    Ignored { name: String, meant: Option<&'static str> },
    /// A column under another name.
    TakenAs { name: String, column: &'static str },
    /// A plain column that is not there.
    Missing(&'static str),
    /// A line with nothing on it.
    Blank,
    /// The header again, further down.
    HeaderAgain,
    /// A row as the one before it.
    Repeated,
    /// A row at the time of the one before, with what that one lacked.
    Completed,
    /// The clock was set back.
    ClockSetBack,
    /// A time with an offset from UTC.
    WithOffset,
    /// A time that does not say its zone.
    WithoutZone,
    /// A time as a count since 1970.
    Count,
    /// A status bit that is not declared.
    UnknownStatus(String),
    /// More status names than there are bits.
    TooManyStatusNames,
}

impl fmt::Display for Oddity {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Separator { name, commas: true } => {
                write!(out, "cells are separated by {name}; a comma in a number is taken as its decimal mark")
            }
            Self::Separator { name, commas: false } => write!(out, "cells are separated by {name}"),
            Self::NoHeader => {
                write!(out, "no header; the columns are taken as {}", super::columns::PLAIN.join(","))
            }
            Self::Ignored { name, meant: None } => write!(out, "column `{name}` is not known and is left out"),
            Self::Ignored { name, meant: Some(meant) } => {
                write!(out, "column `{name}` is not known and is left out; if it holds {meant}, name it `{meant}`")
            }
            Self::TakenAs { name, column } => write!(out, "column `{name}` is taken as `{column}`"),
            Self::Missing(name) => write!(out, "no column `{name}`: taken as missed in every reading"),
            Self::Blank => write!(out, "a blank line is passed over"),
            Self::HeaderAgain => write!(out, "the header stands here again and is passed over"),
            Self::Repeated => write!(out, "the same as the row before it; counted once"),
            Self::Completed => write!(out, "the same time as the row before it; the two are taken as one reading"),
            Self::ClockSetBack => {
                write!(
                    out,
                    "the time goes back, and on from there: the clock was set; the reading follows the one before"
                )
            }
            Self::WithOffset => write!(out, "the time has an offset from UTC, which is allowed for"),
            Self::WithoutZone => write!(out, "the time does not say its zone; taken as UTC"),
            Self::Count => write!(out, "the time is a count; taken as seconds or milliseconds since 1970 in UTC"),
            Self::UnknownStatus(name) => write!(out, "status `{name}` is not declared; it is kept under that name"),
            Self::TooManyStatusNames => write!(out, "more than 64 different status names; the surplus is left out"),
        }
    }
}

/// Gathers oddities.
#[derive(Clone, Debug, Default)]
pub(super) struct Notebook {
    met: Vec<(Oddity, u64, u64)>,
}

impl Notebook {
    /// Notes an oddity on a line. There are few kinds, so that a search from the front is quick.
    pub(super) fn met(&mut self, line: u64, oddity: Oddity) {
        match self.met.iter_mut().find(|(known, ..)| *known == oddity) {
            Some((_, _, lines)) => *lines += 1,
            None => self.met.push((oddity, line, 1)),
        }
    }

    pub(super) fn notes(&self) -> Vec<Note> {
        self.met
            .iter()
            .map(|(oddity, first_line, lines)| Note {
                first_line: *first_line,
                lines: *lines,
                text: oddity.to_string(),
            })
            .collect()
    }
}

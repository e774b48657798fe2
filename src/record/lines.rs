//! The lines of a file, without copying them.

use std::io::{ErrorKind, Read};

use super::notes::RowProblem;

const FIRST_BUFFER_BYTES: usize = 256 * 1024;

/// A line longer than this is no line of readings.
const LONGEST_LINE_BYTES: usize = 1024 * 1024;

/// One line of a file, without its end.
#[derive(Debug)]
pub(super) struct Line<'a> {
    /// Counted from 1.
    pub(super) number: u64,
    pub(super) bytes: &'a [u8],
    /// A line end followed; the last line may lack it, and may then be cut.
    pub(super) ended: bool,
}

/// Reads lines that end in a line feed or in a carriage return and a line feed.
#[derive(Debug)]
pub(super) struct Lines<R: Read> {
    input: R,
    buffer: Vec<u8>,
    start: usize,
    filled: usize,
    at_end: bool,
    number: u64,
}

impl<R: Read> Lines<R> {
    pub(super) fn new(input: R) -> Self {
        Self { input, buffer: vec![0; FIRST_BUFFER_BYTES], start: 0, filled: 0, at_end: false, number: 0 }
    }

    /// The next line; `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<Line<'_>>, RowProblem> {
        let mut searched = 0;
        loop {
            let unread = &self.buffer[self.start..self.filled];
            if let Some(length) = memchr::memchr(b'\n', &unread[searched..]).map(|found| found + searched) {
                let begin = self.start;
                self.start += length + 1;
                self.number += 1;
                let bytes = &self.buffer[begin..begin + length];
                let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
                return Ok(Some(Line { number: self.number, bytes, ended: true }));
            }
            searched = unread.len();
            if self.at_end {
                let begin = self.start;
                self.start = self.filled;
                if searched == 0 {
                    return Ok(None);
                }
                self.number += 1;
                return Ok(Some(Line { number: self.number, bytes: &self.buffer[begin..self.filled], ended: false }));
            }
            self.fill()?;
        }
    }

    /// Reads more behind what is unread.
    fn fill(&mut self) -> Result<(), RowProblem> {
        self.buffer.copy_within(self.start..self.filled, 0);
        self.filled -= self.start;
        self.start = 0;
        if self.filled == self.buffer.len() {
            if self.filled >= LONGEST_LINE_BYTES {
                return Err(
                    self.broken(format!("is longer than {LONGEST_LINE_BYTES} bytes: this is no CSV of readings"))
                );
            }
            self.buffer.resize(self.filled * 2, 0);
        }
        loop {
            match self.input.read(&mut self.buffer[self.filled..]) {
                Ok(0) => self.at_end = true,
                Ok(count) => self.filled += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => return Err(self.broken(format!("the file cannot be read on from here: {error}"))),
            }
            return Ok(());
        }
    }

    fn broken(&self, reason: String) -> RowProblem {
        RowProblem { fatal: true, ..RowProblem::row(self.number + 1, reason) }
    }
}

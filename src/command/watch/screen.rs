//! A few lines of a terminal that are written over, with no more bytes than what changed takes.

use std::io::{self, Write};

use rustix::termios::tcgetwinsize;

/// The lines shown last.
#[derive(Debug)]
pub(super) struct Screen {
    is_terminal: bool,
    shown: Vec<String>,
}

impl Screen {
    /// Nothing shown yet; where it is no terminal, one state follows the other.
    pub(super) const fn new(is_terminal: bool) -> Self {
        Self { is_terminal, shown: Vec::new() }
    }

    /// Shows lines in the place of those before.
    pub(super) fn show(&mut self, mut lines: Vec<String>) -> io::Result<()> {
        let mut out = io::stdout().lock();
        if !self.is_terminal {
            for line in &lines {
                writeln!(out, "{line}")?;
            }
            writeln!(out)?;
            return out.flush();
        }
        if let Ok(size) = tcgetwinsize(io::stdout()) {
            let (rows, columns) = (usize::from(size.ws_row), usize::from(size.ws_col));
            if rows > 1 {
                // What scrolled out of sight could not be written over.
                lines.truncate(rows - 1);
            }
            if columns > 0 {
                lines.iter_mut().for_each(|line| *line = line.chars().take(columns).collect());
            }
        }
        out.write_all(redrawn(&self.shown, &lines).as_bytes())?;
        self.shown = lines;
        out.flush()
    }

    /// Says something in the last line.
    pub(super) fn say(&mut self, words: &str) -> io::Result<()> {
        if self.shown.last().is_some_and(|last| last == words) {
            return Ok(());
        }
        let mut lines = self.shown.clone();
        lines.push(words.to_owned());
        self.show(lines)
    }
}

/// What to send so that `lines` stand where `shown` stood; the cursor is below them before and after.
fn redrawn(shown: &[String], lines: &[String]) -> String {
    let mut sent = String::new();
    if !shown.is_empty() {
        sent.push_str(&format!("\x1b[{}A", shown.len()));
    }
    for (row, line) in lines.iter().enumerate() {
        match shown.get(row) {
            Some(before) if before == line => {}
            Some(_) => sent.push_str(&format!("\x1b[2K{line}")),
            None => sent.push_str(line),
        }
        sent.push_str("\r\n");
    }
    if lines.len() < shown.len() {
        sent.push_str("\x1b[J");
    }
    sent
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &[&str]) -> Vec<String> {
        text.iter().map(|line| (*line).to_owned()).collect()
    }

    #[test]
    fn only_what_changed_is_sent() {
        let before = lines(&["site", "flow 24.1", "end"]);
        assert_eq!(redrawn(&[], &before), "site\r\nflow 24.1\r\nend\r\n");
        assert_eq!(redrawn(&before, &before), "\x1b[3A\r\n\r\n\r\n");
        assert_eq!(redrawn(&before, &lines(&["site", "flow 24.2", "end"])), "\x1b[3A\r\n\x1b[2Kflow 24.2\r\n\r\n");
        assert_eq!(redrawn(&before, &lines(&["site"])), "\x1b[3A\r\n\x1b[J");
    }
}

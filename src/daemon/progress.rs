//! Whether the polling makes progress: what the service manager's watchdog is tied to.
//!
//! A line makes progress while anything is heard of it, be it an answer or that there was none; a line whose port is lost is
//! tried again and again, and no new start would help it. A line of which nothing is heard at all hangs.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use tallywell_witness::declared::Site;

/// A line is thought to hang when nothing was heard of it for so long, or for three of its longest periods.
const PATIENCE: Duration = Duration::from_secs(20);
/// The watchdog is fed no more often than this.
const FED_EVERY: Duration = Duration::from_secs(2);

/// What was heard of each line when.
#[derive(Debug, Default)]
pub(super) struct Progress {
    lines: BTreeMap<String, (Duration, Instant)>,
    fed: Option<Instant>,
}

impl Progress {
    /// Follows the lines of a site; each gets its patience from now on.
    pub(super) fn follow(&mut self, site: &Site, now: Instant) {
        let longest = |line: &str| {
            let periods = site.devices.values().filter(|device| device.line == line).map(|device| device.every);
            periods.max().unwrap_or_default()
        };
        let patience = |line: &str| PATIENCE.max(longest(line) * 3);
        self.lines = site.lines.keys().map(|line| (line.clone(), (patience(line), now))).collect();
    }

    /// Something was heard of a line.
    pub(super) fn heard(&mut self, line: &str, now: Instant) {
        if let Some((_, heard)) = self.lines.get_mut(line) {
            *heard = now;
        }
    }

    /// Whether the watchdog is to be fed now: every line makes progress, or is excused.
    pub(super) fn feeds(&mut self, now: Instant, is_excused: impl Fn(&str) -> bool) -> bool {
        let is_due = self.fed.is_none_or(|fed| now.saturating_duration_since(fed) >= FED_EVERY);
        let feeds = is_due && self.is_made(now, is_excused);
        if feeds {
            self.fed = Some(now);
        }
        feeds
    }

    fn is_made(&self, now: Instant, is_excused: impl Fn(&str) -> bool) -> bool {
        self.lines
            .iter()
            .all(|(line, (patience, heard))| now.saturating_duration_since(*heard) <= *patience || is_excused(line))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_line_that_hangs_is_enough_and_a_lost_one_is_not() {
        let begun = Instant::now();
        let at = |seconds| begun + Duration::from_secs(seconds);
        let lines = [("quick", 20), ("slow", 900)]
            .map(|(line, patience)| (line.to_owned(), (Duration::from_secs(patience), begun)));
        let mut progress = Progress { lines: lines.into(), fed: None };
        assert!(progress.is_made(at(20), |_| false));
        assert!(!progress.is_made(at(21), |_| false), "nothing heard of the quick one");
        assert!(progress.is_made(at(21), |line| line == "quick"), "its port is lost");
        progress.heard("quick", at(25));
        assert!(progress.is_made(at(45), |_| false));
        assert!(!progress.is_made(at(901), |line| line == "quick"), "nothing heard of the slow one");
    }
}

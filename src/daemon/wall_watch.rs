//! Whether the clock on the wall was set while the daemon ran.
//!
//! Nothing is judged by that clock, but people read times by it. What was stored before and after a jump can only be put
//! in one order by the clock that never jumps, so a jump is said in the log, is an event of every meter with its notice, and
//! the store begins a new run with it.

use tallywell_witness::tally::{Event, EventKind, Moment};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use crate::record::format_instant;

/// A clock that is slewed moves by half a thousandth; more than this between two looks is a jump. A leap second is one.
const LEAST_JUMP_MS: i64 = 500;
/// A clock that jumps all the time is recorded no more often than this,
const RECORDED_EVERY_MS: i64 = 60_000;
/// but so many jumps at once are: a box that is told the time may be told it in several steps.
const RECORDED_AT_ONCE: i64 = 10;

/// The two clocks as they stood at the last look.
#[derive(Debug, Default)]
pub(super) struct WallWatch {
    last: Option<(SteadyMillis, WallMillis)>,
    /// When the last of the recorded jumps would have come, had they come as seldom as they may.
    recorded: Option<SteadyMillis>,
}

/// The clock was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ClockSet {
    /// What it would show now.
    pub(super) expected: WallMillis,
    /// What it shows.
    pub(super) shown: WallMillis,
    /// It is not a clock that jumps all the time.
    pub(super) is_recorded: bool,
}

impl WallWatch {
    /// Takes up how both clocks stood when they were looked at by an earlier daemon.
    pub(super) const fn since(last: Option<(SteadyMillis, WallMillis)>) -> Self {
        Self { last, recorded: None }
    }

    /// Looks at both clocks; to be called every second or so.
    pub(super) fn look(&mut self, steady: SteadyMillis, wall: WallMillis) -> Option<ClockSet> {
        let (steady_before, wall_before) = self.last.replace((steady, wall))?;
        let expected = WallMillis(wall_before.0 + steady.0 - steady_before.0);
        if (wall.0 - expected.0).abs() < LEAST_JUMP_MS {
            return None;
        }
        let earliest = steady.0 - RECORDED_AT_ONCE * RECORDED_EVERY_MS;
        let due = self.recorded.map_or(earliest, |recorded| recorded.0.max(earliest)) + RECORDED_EVERY_MS;
        let is_recorded = due <= steady.0;
        if is_recorded {
            self.recorded = Some(SteadyMillis(due));
        }
        Some(ClockSet { expected, shown: wall, is_recorded })
    }
}

impl ClockSet {
    const fn moved_ms(&self) -> i64 {
        self.shown.0 - self.expected.0
    }

    /// For the log.
    pub(super) fn in_words(&self) -> String {
        let direction = if self.moved_ms() > 0 { "forward" } else { "back" };
        format!(
            "the clock on the wall was set {direction} by {:.1} s, from {} to {}; tallies go by a clock that never jumps",
            self.moved_ms().unsigned_abs() as f64 / 1000.0,
            format_instant(self.expected),
            format_instant(self.shown)
        )
    }

    /// For those who read a meter's times; it has no duration.
    pub(super) fn event(&self, meter: &str, now: Moment) -> Event {
        let what = EventKind::ClockSet { moved_s: self.moved_ms() as f64 / 1000.0 };
        Event { meter: meter.to_owned(), what, began: now, ended: Some(now) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jumps_are_told_from_a_clock_that_is_slewed() {
        const YEAR_MS: i64 = 365 * 86_400_000;
        let mut watch = WallWatch::default();
        let mut look = |steady, wall| watch.look(SteadyMillis(steady), WallMillis(wall));
        let begin = 1_800_000_000_000;
        assert_eq!(look(0, begin), None, "nothing to hold it against");
        assert_eq!(look(1_000, begin + 1_000), None);
        assert_eq!(look(601_000, begin + 601_300), None, "600 s slewed by half a thousandth");
        let forward = look(602_000, begin + 602_300 + 5 * YEAR_MS).unwrap();
        assert_eq!(forward.expected, WallMillis(begin + 602_300));
        assert!(forward.is_recorded && forward.in_words().contains("set forward by 157680000.0 s"));
        assert_eq!(look(603_000, begin + 603_300 + 5 * YEAR_MS), None, "said once");
        let back = look(604_000, 0).unwrap();
        assert!(back.is_recorded && back.in_words().contains("to 1970-01-01T00:00:00.000Z"), "{}", back.in_words());
        // A leap second that the machine's clock takes by showing one second twice.
        let leap = look(664_000, 59_000).unwrap();
        assert!(leap.is_recorded && leap.in_words().contains("set back by 1.0 s"));
        let now = Moment { steady: SteadyMillis(664_000), wall: leap.shown };
        assert_eq!(leap.event("bore-1", now).what, EventKind::ClockSet { moved_s: -1.0 });
    }

    #[test]
    fn a_clock_that_jumps_all_the_time_is_recorded_now_and_then() {
        let mut watch = WallWatch::since(Some((SteadyMillis(0), WallMillis(0))));
        let jumps: Vec<bool> = (1..=3_600)
            .map(|second| watch.look(SteadyMillis(second * 1_000), WallMillis(second % 2 * 9_000)).unwrap().is_recorded)
            .collect();
        assert!(
            jumps[..10].iter().all(|is_recorded| *is_recorded),
            "a few at once, the first against an earlier daemon"
        );
        let recorded = jumps.iter().filter(|is_recorded| **is_recorded).count();
        assert!((65..=70).contains(&recorded), "ten at once and one a minute of an hour: {recorded}");
    }
}

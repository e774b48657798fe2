//! A stretch of time on the command line.

use clap::Args;
use tallywell_witness::units::{WallMillis, parse};

use crate::record::{format_instant, parse_instant};
use crate::store::Span;
use crate::wall;

/// From when to when; everything if neither is given.
#[derive(Clone, Copy, Debug, Default, Args)]
pub struct PeriodArguments {
    /// From this moment on: 2025-03-01, 2025-03-01T08:00:00Z (UTC where no
    /// offset is given), or 24h for the last 24 hours
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub from: Option<Moment>,
    /// Before this moment, written likewise
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub to: Option<Moment>,
}

/// A moment on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The moment.
    pub wall: WallMillis,
    /// It was written as so long ago, or as now: it is another whenever the command is given.
    pub counts_from_now: bool,
}

impl PeriodArguments {
    /// As a span of the store.
    ///
    /// # Errors
    /// When it ends before it begins.
    pub fn span(self) -> Result<Span, anyhow::Error> {
        if let (Some(from), Some(to)) = (self.from, self.to)
            && from.wall >= to.wall
        {
            anyhow::bail!(
                "the time asked for ends ({}) before it begins ({}); exchange --from and --to",
                format_instant(to.wall),
                format_instant(from.wall)
            );
        }
        Ok(Span { from: self.from.map(|moment| moment.wall), to: self.to.map(|moment| moment.wall) })
    }

    /// Whether an end of it moves with the clock: as `24h` does, and a date does not.
    #[must_use]
    pub fn counts_from_now(self) -> bool {
        [self.from, self.to].into_iter().flatten().any(|moment| moment.counts_from_now)
    }
}

/// A span in words: ` from ... to ...`, with a blank before it, or nothing for all of time.
pub(super) fn in_words(span: Span) -> String {
    let mut words = String::new();
    for (word, instant) in [("from", span.from), ("to", span.to)] {
        if let Some(instant) = instant {
            words.push_str(&format!(" {word} {}", short(instant)));
        }
    }
    words
}

/// An instant for people: UTC, to the second.
pub(super) fn short(instant: WallMillis) -> String {
    let text = format_instant(instant);
    format!("{} {}Z", &text[..10], &text[11..19])
}

/// A moment, or how long ago it was.
///
/// # Errors
/// Text that says neither, with what would.
pub fn moment(text: &str) -> Result<Moment, String> {
    if text.trim() == "now" {
        return Ok(Moment { wall: wall::now(), counts_from_now: true });
    }
    if let Some(instant) = parse_instant(text) {
        return Ok(Moment { wall: instant, counts_from_now: false });
    }
    let text = text.trim();
    if let Ok(ago) = parse::duration(text.strip_suffix(" ago").unwrap_or(text).trim()) {
        let ago = i64::try_from(ago.as_millis()).unwrap_or(i64::MAX);
        return Ok(Moment { wall: WallMillis(wall::now().0.saturating_sub(ago)), counts_from_now: true });
    }
    Err("write a date (2025-03-01), a time (2025-03-01T08:00:00Z), or how long ago (24h, 7d)".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_a_date_a_time_or_so_long_ago() {
        let at = |wall| Ok(Moment { wall: WallMillis(wall), counts_from_now: false });
        assert_eq!(moment("1970-01-02"), at(86_400_000));
        assert_eq!(moment("1970-01-01T01:00:00+01:00"), at(0));
        let hour_ago = moment("1h").unwrap().wall.0;
        assert!((wall::now().0 - 3_600_000 - hour_ago).abs() < 600_000, "{hour_ago}");
        let hours_ago = moment(" 2h ago ").unwrap();
        assert!(hours_ago.counts_from_now && (hour_ago - 3_600_000 - hours_ago.wall.0).abs() < 600_000);
        for text in ["yesterday", "ago", "2025-03-01 ago"] {
            assert!(moment(text).is_err(), "{text}");
        }
        let backwards = PeriodArguments { from: moment("2025-03-02").ok(), to: moment("2025-03-01").ok() };
        assert!(backwards.span().is_err());
    }
}

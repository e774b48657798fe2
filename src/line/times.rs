//! Times of one kind, gathered: histograms with two significant digits, so that hours merge into days without losing their
//! shape, kept in the histograms' own portable format (HDR, V2).

use std::time::Duration;

use hdrhistogram::Histogram;
use hdrhistogram::serialization::{Deserializer, Serializer as _, V2Serializer};
use serde::Serialize;

/// The longest time told apart, in microseconds; longer ones count as this.
const LONGEST_US: u64 = 100_000_000;
/// Two significant digits: one percent is finer than anything that these figures are used for.
const DIGITS: u8 = 2;

/// Times of one kind, in microseconds.
#[derive(Clone, Debug, PartialEq)]
pub struct Times(Histogram<u32>);

impl Default for Times {
    fn default() -> Self {
        Self(Histogram::new_with_bounds(1, LONGEST_US, DIGITS).expect("1 us to 100 s at two digits is a valid range"))
    }
}

impl Times {
    /// Takes one time in.
    pub fn record(&mut self, time: Duration) {
        self.0.saturating_record(u64::try_from(time.as_micros()).unwrap_or(LONGEST_US));
    }

    /// The time that a share of all (0 to 1) did not exceed; nothing if there were none.
    #[must_use]
    pub fn quantile(&self, share: f64) -> Option<Duration> {
        (!self.0.is_empty()).then(|| Duration::from_micros(self.0.value_at_quantile(share)))
    }

    /// How many there were.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.0.len()
    }

    /// Takes all of another stretch in.
    pub fn merge(&mut self, other: &Self) {
        self.0.add(&other.0).expect("all histograms here have the same range");
    }

    /// Writes them behind `bytes`, for keeping.
    pub(super) fn put(&self, bytes: &mut Vec<u8>) {
        let mut kept = Vec::new();
        V2Serializer::new().serialize(&self.0, &mut kept).expect("writing to memory cannot fail");
        let length = u32::try_from(kept.len()).expect("a histogram of this range is a few kilobytes");
        bytes.extend_from_slice(&length.to_le_bytes());
        bytes.extend_from_slice(&kept);
    }

    /// Takes what [`Times::put`] wrote off the beginning of `bytes`; nothing if it is something else.
    pub(super) fn take(bytes: &mut &[u8]) -> Option<Self> {
        let (length, rest) = bytes.split_first_chunk::<4>()?;
        let (mut kept, rest) = rest.split_at_checked(usize::try_from(u32::from_le_bytes(*length)).ok()?)?;
        *bytes = rest;
        let found: Histogram<u32> = Deserializer::new().deserialize(&mut kept).ok()?;
        let mut times = Self::default();
        times.0.add(&found).ok()?;
        Some(times)
    }

    /// The figures for a report.
    pub(super) fn report(&self) -> TimesReport {
        let at = |share| self.quantile(share).map(|time| (time.as_secs_f64() * 1e6).round() / 1e3);
        TimesReport { p50: at(0.5), p90: at(0.9), p99: at(0.99), max: at(1.0) }
    }
}

/// Times in milliseconds; null where there were none.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct TimesReport {
    /// Half took no longer.
    pub p50: Option<f64>,
    /// Nine of ten took no longer.
    pub p90: Option<f64>,
    /// Ninety-nine of a hundred took no longer.
    pub p99: Option<f64>,
    /// The longest.
    pub max: Option<f64>,
}

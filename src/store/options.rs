//! How a store is written: what is kept, for how long, and how often it goes to the disk.

use std::time::Duration;

/// How a store is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Options {
    /// How long single readings are kept; for ever if absent.
    pub keep_readings: Option<Duration>,
    /// The bytes of disk that the store may take; unlimited if absent.
    pub largest: Option<u64>,
    /// The bytes that messages may take while they wait for a broker.
    pub outbox: u64,
    /// The time between transactions: what a power cut can take.
    pub commit_every: Duration,
    /// How often readings are sealed, and those that are too old or too many let go.
    pub tidy_every: Duration,
    /// Readings that may wait in memory while the disk stalls: some 150 bytes each.
    pub most_readings_waiting: usize,
    /// Other things that may wait.
    pub most_lasting_waiting: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            keep_readings: None,
            largest: None,
            outbox: 64 << 20,
            commit_every: Duration::from_secs(2),
            tidy_every: Duration::from_secs(300),
            most_readings_waiting: 20_000,
            most_lasting_waiting: 5_000,
        }
    }
}

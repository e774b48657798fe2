//! The clock on the wall: for people and for the log, never for judging. It may jump.

use std::time::{SystemTime, UNIX_EPOCH};

use tallywell_witness::units::WallMillis;

/// What it shows now; 0 on a machine that believes to be before 1970.
#[must_use]
pub fn now() -> WallMillis {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    WallMillis(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

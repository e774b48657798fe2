//! How long units and requests rest after failures.

use std::time::Duration;

use crate::moment::Moment;
use crate::plan::Gaps;

/// What is known of one unit.
#[derive(Clone, Debug)]
pub(super) struct UnitState {
    /// It must not be asked before this.
    pub(super) rests_until: Moment,
    /// Failures in a row.
    pub(super) failures: u32,
    /// Gaps that it has shown it cannot read.
    pub(super) unreadable: Gaps,
}

impl Default for UnitState {
    fn default() -> Self {
        Self { rests_until: Moment(i64::MIN), failures: 0, unreadable: Gaps::new() }
    }
}

impl UnitState {
    pub(super) const fn succeeded(&mut self) {
        self.failures = 0;
    }
}

/// Nobody who comes back waits longer than this to be noticed.
const LONGEST_REST: Duration = Duration::from_secs(60);

/// What a device refuses for good is asked again once an hour at the end: somebody may have changed the device.
const LONGEST_PERMANENT_REST: Duration = Duration::from_secs(3600);

/// After a failure with an answer outstanding: as long as the answer must be feared, and from the third in a row on one
/// second, two, four ... more.
pub(super) fn rest_after_silence(failures: u32, worst_latency: Duration) -> Duration {
    let more = match failures {
        0..=2 => Duration::ZERO,
        _ => doubling(Duration::from_secs(1), failures - 3, LONGEST_REST),
    };
    worst_latency + more
}

/// After a reply that could not be understood: twice at once, then one second, two, four ...
pub(super) fn rest_when_spoiled(failures: u32) -> Duration {
    match failures {
        0..=2 => Duration::ZERO,
        _ => doubling(Duration::from_secs(1), failures - 3, LONGEST_REST),
    }
}

/// A device that is busy is asked again after half a second, one, two ...
pub(super) fn rest_when_passing(failures: u32) -> Duration {
    doubling(Duration::from_millis(500), failures.saturating_sub(1), LONGEST_REST)
}

/// What a device refuses for good is asked again after a minute, two, four ...
pub(super) fn permanent_rest(failures: u32) -> Duration {
    doubling(Duration::from_secs(60), failures.saturating_sub(1), LONGEST_PERMANENT_REST)
}

fn doubling(first: Duration, times: u32, most: Duration) -> Duration {
    first.saturating_mul(1_u32.checked_shl(times).unwrap_or(u32::MAX)).min(most)
}

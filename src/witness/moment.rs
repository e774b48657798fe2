//! Time as a line sees it: a value that is handed in, never asked for.

use std::time::Duration;

/// An instant on a line's own time line, in microseconds since an arbitrary beginning. It never jumps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment(pub i64);

impl Moment {
    /// The instant `wait` later, to the nearest microsecond.
    #[must_use]
    pub fn after(self, wait: Duration) -> Self {
        Self(self.0.saturating_add(microseconds(wait)))
    }

    /// The instant `wait` earlier, to the nearest microsecond.
    #[must_use]
    pub fn before(self, wait: Duration) -> Self {
        Self(self.0.saturating_sub(microseconds(wait)))
    }

    /// The time that passed since `earlier`; zero if `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_micros(u64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(0))
    }

    /// The middle between two instants.
    #[must_use]
    pub const fn midpoint(self, other: Self) -> Self {
        Self(self.0.midpoint(other.0))
    }
}

fn microseconds(wait: Duration) -> i64 {
    i64::try_from((wait.as_nanos() + 500) / 1000).unwrap_or(i64::MAX)
}

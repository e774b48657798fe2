//! Bounds of instants: bytes come in chunks, so the moment of one byte is known only so far.

pub use tallywell_witness::moment::Moment;

/// Between which two instants something happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Between {
    /// It did not happen before this.
    pub earliest: Moment,
    /// It did not happen after this.
    pub latest: Moment,
}

impl Between {
    /// Something whose instant is known exactly.
    #[must_use]
    pub const fn exactly(at: Moment) -> Self {
        Self { earliest: at, latest: at }
    }
}

//! What a listener makes of a request: the registers that answer it, or why there are none.

use std::fmt;
use std::time::Duration;

use tallywell_witness::plan::Request;

use super::super::fault::Fault;
use super::super::moment::Moment;

/// A reading request and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Exchange {
    /// The device's address.
    pub unit: u8,
    /// What was asked.
    pub request: Request,
    /// What was answered.
    pub outcome: Result<Values, Unused>,
}

/// The registers of a reply.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Values {
    /// Lowest address first; for a table of bits each word is one bit.
    pub words: Vec<u16>,
    /// When the device most likely sampled them.
    pub sampled_at: Moment,
    /// How far that may be off, either way.
    pub uncertainty: Duration,
    /// How many characters the reply had.
    pub characters: usize,
    /// The longest silence that may have been inside it.
    pub largest_gap: Duration,
}

/// Why there is no value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unused {
    /// No reply, or a bad one.
    Fault(Fault),
    /// A sound reply, but not certainly to this request.
    Doubtful(Doubt),
}

/// Why a sound reply is not certainly the answer to the request before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Doubt {
    /// Enough noise stood between them for a request that was not heard.
    NoiseBetween,
    /// It came later than the line's declared worst latency.
    TooLate,
    /// A request for other registers had not been answered before, and this reply was slow enough to be the answer to it.
    SlowAfterAnother,
    /// The same, but it came sooner than this unit answers.
    SoonAfterAnother,
    /// The same, and the unit has answered late not long ago.
    UnitWasLate,
    /// The unit answered late while the reply waited to be beyond doubt.
    LateMeanwhile,
    /// Something else than the master's next request came after it, so it may have been the wrong reply.
    NotWentOn,
}

impl Doubt {
    /// Its name in counts.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoiseBetween => "noise-between",
            Self::TooLate => "too-late",
            Self::SlowAfterAnother => "slow-after-another",
            Self::SoonAfterAnother => "soon-after-another",
            Self::UnitWasLate => "unit-was-late",
            Self::LateMeanwhile => "late-meanwhile",
            Self::NotWentOn => "not-went-on",
        }
    }
}

impl fmt::Display for Doubt {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::NoiseBetween => "noise stood between them that may have hidden another request",
            Self::TooLate => "it came later than the worst latency",
            Self::SlowAfterAnother => "it was slow, and another request before it is not answered yet",
            Self::SoonAfterAnother => "it was too soon, and another request before it is not answered yet",
            Self::UnitWasLate => {
                "another request before it is not answered yet, and the device answered late not long ago"
            }
            Self::LateMeanwhile => "the device answered late before this was beyond doubt",
            Self::NotWentOn => "something else than the master's next request followed it",
        })
    }
}

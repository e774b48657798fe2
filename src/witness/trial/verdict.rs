//! Pass, fail, or too near the limit to say.

use serde::{Deserialize, Serialize};

/// What a deviation says of a limit, given how well the deviation is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Within the limit by more than the uncertainty.
    Pass,
    /// Nearer to the limit than the uncertainty.
    Undecided,
    /// Beyond the limit by more than the uncertainty.
    Fail,
}

impl Verdict {
    /// Guarded acceptance and guarded rejection with the expanded uncertainty as the guard band (JCGM 106:2012 §8.3). A
    /// deviation that is no number decides nothing.
    #[must_use]
    pub fn of(deviation: f64, expanded: f64, limit: f64) -> Self {
        if deviation.abs() + expanded <= limit {
            Self::Pass
        } else if deviation.abs() - expanded > limit {
            Self::Fail
        } else {
            Self::Undecided
        }
    }

    /// What several say together: one failure fails, and one that is undecided leaves it undecided.
    #[must_use]
    pub fn together(all: impl IntoIterator<Item = Self>) -> Self {
        all.into_iter().max().unwrap_or(Self::Undecided)
    }

    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Undecided => "undecided",
            Self::Fail => "fail",
        }
    }
}

//! Which column holds what.
//!
//! | column | holds |
//! | --- | --- |
//! | `time` | RFC 3339 in UTC with milliseconds |
//! | `flow`, `total` | in the units that the meter's entries declare; `nan`, `inf`, `-inf` where a float decoded to that |
//! | `loop_ma` | milliamperes |
//! | `pulses` | the counter as read |
//! | `status` | the names of the set bits, separated by `;`; `ok` if none is set |
//! | `flow_time`, `total_time`, `loop_time`, `pulses_time` | when each was sampled; `time` where absent |
//! | `flow_raw`, `total_raw` | the registers as hexadecimal words, high address last |
//! | `reverse_total`, `receiver_flow`, `receiver_total` | with `_time` and `_raw` likewise, where declared |
//! | `running` | 1 while the pump runs, 0 while it does not, where declared |
//! | `steady_ms` | milliseconds on a clock that nobody sets, where the clock on the wall was set during the stretch |
//!
//! An empty cell is a reading that was missed.

use super::quantity::Quantity;

/// The columns that every file begins with.
pub const PLAIN: [&str; 6] = ["time", "flow", "total", "loop_ma", "pulses", "status"];

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Column {
    /// The reading's own time.
    Time,
    /// A value.
    Value(Quantity),
    /// When a value was sampled.
    SampledAt(Quantity),
    /// The registers behind a value.
    Raw(Quantity),
    /// The names of the set bits.
    Status,
    /// Whether the pump runs.
    Running,
    /// Milliseconds on a clock that nobody sets.
    Steady,
    /// Something else.
    Other,
}

impl Column {
    /// What the column of this name holds; case and surrounding blanks do not matter.
    pub(super) fn named(name: &str) -> Self {
        let name = name.trim().to_ascii_lowercase();
        let of = |column: fn(Quantity) -> &'static str| Quantity::ALL.into_iter().find(|it| column(*it) == name);
        match name.as_str() {
            "time" => Self::Time,
            "status" => Self::Status,
            "running" => Self::Running,
            "steady_ms" => Self::Steady,
            _ => of(Quantity::column)
                .map(Self::Value)
                .or_else(|| of(Quantity::time_column).map(Self::SampledAt))
                .or_else(|| of(Quantity::raw_column).map(Self::Raw))
                .unwrap_or(Self::Other),
        }
    }

    /// Its name in a header.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Value(quantity) => quantity.column(),
            Self::SampledAt(quantity) => quantity.time_column(),
            Self::Raw(quantity) => quantity.raw_column(),
            Self::Status => "status",
            Self::Running => "running",
            Self::Steady => "steady_ms",
            Self::Other => "other",
        }
    }
}

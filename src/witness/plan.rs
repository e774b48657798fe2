//! Which requests read what is wanted, and how much of a line's time they take.
//!
//! - [`WireTiming`]: how long characters, silences and whole transactions take on a line;
//! - [`cheapest_plan`]: the requests that read a set of entries in the least wire time;
//! - [`OnLine`], [`line_plan`]: a line with all that hangs on it, and the plans of its devices in the order of asking;
//! - [`LineLoad`]: the share of the line's time that plans need, and whether every period can be kept;
//! - [`what_would_fit`]: what to change where it cannot.

mod cheapest;
mod line;
mod load;
mod request;
#[cfg(test)]
mod tests;
mod timing;

pub use cheapest::{cheapest_plan, cheapest_plan_around};
pub use line::{ASSUMED_DEVICE_LATENCY, DevicePlan, LinePlan, OnLine, Purpose, SETTINGS_PERIOD, line_plan};
pub use load::{Demand, LineLoad, Remedy, what_would_fit};
pub use request::{Gap, Gaps, PlannedRequest, Request};
pub use timing::WireTiming;

use std::time::Duration;

/// The requests that read one set of entries of one device, in the order of asking.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// The requests.
    pub requests: Vec<PlannedRequest>,
}

impl Plan {
    /// The wire time of all its transactions, one after the other.
    #[must_use]
    pub fn wire_time(&self) -> Duration {
        self.requests.iter().map(PlannedRequest::wire_time).sum()
    }

    /// The longest of its transactions, which nothing can interrupt.
    #[must_use]
    pub fn longest_transaction(&self) -> Duration {
        self.requests.iter().map(PlannedRequest::wire_time).max().unwrap_or_default()
    }
}

/// Why no plan could be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// The map has no such entry.
    #[error("the register map has no entry named \"{name}\"")]
    UnknownEntry {
        /// The name that was asked for.
        name: String,
    },
    /// One value takes more registers than one request may ask for, and a value is never read in halves.
    #[error(
        "entry \"{name}\" takes {width} registers, and one request may ask for {largest} (`max_registers`): a value is never read in halves, because they would be of two instants"
    )]
    TooWide {
        /// The entry.
        name: String,
        /// The registers that it takes.
        width: u16,
        /// The most that one request may ask for.
        largest: u16,
    },
    /// An entry begins inside the address space and ends outside.
    #[error("entry \"{name}\" goes beyond address 65535")]
    BeyondTheTable {
        /// The entry.
        name: String,
    },
    /// The site has no such line.
    #[error("the site has no line named \"{name}\"")]
    UnknownLine {
        /// The name that was asked for.
        name: String,
    },
}

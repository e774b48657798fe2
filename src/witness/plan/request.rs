//! One request, and what it was planned to read.

use std::collections::BTreeSet;
use std::time::Duration;

use super::WireTiming;
use crate::declared::Table;

/// A row of registers (or bits) of one table, read by one request.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
pub struct Request {
    /// The table, and by it the function code.
    pub table: Table,
    /// The protocol's address of the first one.
    pub start: u16,
    /// How many.
    pub count: u16,
}

impl Request {
    /// The data bytes of a sound reply.
    #[must_use]
    pub const fn reply_bytes(self) -> u16 {
        if self.table.is_bits() { self.count.div_ceil(8) } else { 2 * self.count }
    }

    /// The address after the last one, up to 65536.
    #[must_use]
    pub fn end(self) -> u32 {
        u32::from(self.start) + u32::from(self.count)
    }
}

/// Registers between entries that no entry maps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Gap {
    /// The table.
    pub table: Table,
    /// The first address.
    pub start: u32,
    /// The address after the last.
    pub end: u32,
}

/// A set of gaps: those that a device has shown it cannot read.
pub type Gaps = BTreeSet<Gap>;

/// A request with what it was planned for.
///
/// [`PlannedRequest::pieces`] says by which smaller requests to replace it where the device refuses an address in it.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedRequest {
    /// What is asked.
    pub request: Request,
    /// The entries that the reply holds, by address.
    pub entries: Vec<String>,
    /// Unmapped registers that are read because that is cheaper than another request.
    pub bridged: Vec<Gap>,
    pub(super) spans: Vec<Span>,
    pub(super) cost: Cost,
}

/// The addresses of one entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) start: u32,
    pub(super) end: u32,
}

/// What turns a request into wire time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Cost {
    pub(super) timing: WireTiming,
    pub(super) reply_delay: Duration,
}

impl Cost {
    pub(super) fn of(self, request: Request) -> Duration {
        self.timing.transaction(request, self.reply_delay)
    }
}

impl PlannedRequest {
    /// The request that reads all `entries`, which lie in one table and are sorted by address; never of none.
    pub(super) fn covering(table: Table, entries: &[(String, Span)], bridged: Vec<Gap>, cost: Cost) -> Self {
        let start = entries.iter().map(|(_, span)| span.start).min().unwrap_or_default();
        let end = entries.iter().map(|(_, span)| span.end).max().unwrap_or_default();
        Self {
            request: request_over(table, Span { start, end }),
            entries: entries.iter().map(|(name, _)| name.clone()).collect(),
            bridged,
            spans: entries.iter().map(|(_, span)| *span).collect(),
            cost,
        }
    }

    /// The time of its whole transaction, the silence after the reply included.
    #[must_use]
    pub fn wire_time(&self) -> Duration {
        self.cost.of(self.request)
    }

    /// How long after the end of the request the reply was taken to begin.
    #[must_use]
    pub const fn reply_delay(&self) -> Duration {
        self.cost.reply_delay
    }

    /// The requests to ask instead, once the device has refused an address in this one; none if it cannot be made smaller.
    ///
    /// A request that bridges gaps is cut at every gap. One without gaps is halved: asked again and again, the entry that
    /// the device does not have ends alone, and the others are read.
    #[must_use]
    pub fn pieces(&self) -> Vec<Self> {
        let entries: Vec<(String, Span)> = self.entries.iter().cloned().zip(self.spans.iter().copied()).collect();
        let runs: Vec<&[(String, Span)]> = if self.bridged.is_empty() {
            if entries.len() < 2 {
                return Vec::new();
            }
            let (low, high) = entries.split_at(entries.len() / 2);
            vec![low, high]
        } else {
            let gaps_before = |span: &Span| self.bridged.iter().filter(|gap| gap.end <= span.start).count();
            entries.chunk_by(|(_, one), (_, next)| gaps_before(one) == gaps_before(next)).collect()
        };
        runs.into_iter().map(|run| Self::covering(self.request.table, run, Vec::new(), self.cost)).collect()
    }
}

/// The request for a span that was checked to be at most 2000 wide and inside the table.
#[expect(clippy::cast_possible_truncation, reason = "spans lie inside 65536 addresses and are at most 2000 wide")]
pub(super) const fn request_over(table: Table, span: Span) -> Request {
    Request { table, start: span.start as u16, count: (span.end - span.start) as u16 }
}

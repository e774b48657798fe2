//! What another master was heard to read on a line that is listened to, as far as the store knows.

use tallywell_witness::coverage::{Unread, unread};
use tallywell_witness::declared::Site;
use tallywell_witness::plan::PlanError;
use tallywell_witness::units::WallMillis;

use crate::line::listen::master::MasterTiming;
use crate::store::{Span, StoreReader};

/// What was heard.
pub(super) struct Heard {
    /// From when.
    pub(super) from: WallMillis,
    /// Until when.
    pub(super) to: WallMillis,
    /// What nobody read.
    pub(super) unread: Vec<Unread>,
}

/// The last day that was heard of a line; nothing if no daemon has listened yet.
pub(super) fn on(site: &Site, line: &str) -> Result<Option<Heard>, PlanError> {
    const DAY_MS: i64 = 86_400_000;
    // A check needs no store; where there is one that cannot be read, other commands say why.
    let hours = StoreReader::open(&site.store.path).and_then(|reader| reader.line_hours(Span::ALL)).unwrap_or_default();
    let hours: Vec<_> = hours.iter().filter(|hour| hour.line == line && hour.master.is_some()).collect();
    let Some(last) = hours.last() else { return Ok(None) };
    let to = last.began.0 + i64::try_from(last.elapsed_us / 1000).unwrap_or(0);
    let mut heard = MasterTiming::default();
    let mut from = last.began;
    for hour in hours.iter().filter(|hour| hour.began.0 >= to - DAY_MS) {
        from = from.min(hour.began);
        if let Some(master) = hour.master.as_deref().and_then(MasterTiming::decode) {
            heard.merge(&master);
        }
    }
    Ok(Some(Heard { from, to: WallMillis(to), unread: unread(site, line, &heard.answered())? }))
}

//! What another master was heard to read on a line that is listened to, as far as the store knows.

use std::collections::BTreeMap;

use tallywell_witness::coverage::{Unread, unread};
use tallywell_witness::declared::{LineMode, Site};
use tallywell_witness::plan::PlanError;
use tallywell_witness::units::WallMillis;

use crate::line::listen::master::MasterTiming;
use crate::store::timing::LineHour;
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

/// What daemons have heard and kept, by line.
pub(super) fn kept(site: &Site) -> BTreeMap<String, Vec<LineHour>> {
    let mut kept: BTreeMap<String, Vec<LineHour>> = BTreeMap::new();
    if site.lines.values().any(|line| line.mode == LineMode::Listen) {
        // A check needs no store; where there is one that cannot be read, other commands say why.
        let hours = StoreReader::open(&site.store.path).and_then(|reader| reader.line_hours(Span::ALL));
        for hour in hours.unwrap_or_default().into_iter().filter(|hour| hour.master.is_some()) {
            kept.entry(hour.line.clone()).or_default().push(hour);
        }
    }
    kept
}

/// The last day that was heard of a line; nothing if no daemon has listened yet.
pub(super) fn on(site: &Site, line: &str, kept: &BTreeMap<String, Vec<LineHour>>) -> Result<Option<Heard>, PlanError> {
    const DAY_MS: i64 = 86_400_000;
    let hours = kept.get(line).map_or(&[][..], Vec::as_slice);
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

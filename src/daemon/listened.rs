//! What another master's polling gives and what it does not, said when it changes.

use std::collections::BTreeMap;
use std::time::Duration;

use tallywell_witness::coverage::{Unread, unread};
use tallywell_witness::declared::{LineMode, Site};
use tallywell_witness::plan::Request;
use tallywell_witness::station::Stations;

use crate::face::told;
use crate::line::statistics::LineTiming;

/// What was not read in this time is said to be never read; what comes more seldom is found later.
const FIRST_SAID_AFTER: Duration = Duration::from_secs(120);
/// So many periods have to be seen before one is believed.
const PERIODS_TO_BELIEVE: u64 = 3;

/// What was said of the lines that are listened to.
#[derive(Debug, Default)]
pub(super) struct Listened {
    unread: BTreeMap<String, Vec<Unread>>,
    two_masters: BTreeMap<String, u64>,
}

impl Listened {
    /// Says what is new, after `heard` since the daemon began.
    pub(super) fn tell(&mut self, site: &Site, line: &str, heard: &LineTiming) {
        let Some(now) = unread_on(site, line, heard) else { return };
        if heard.elapsed >= FIRST_SAID_AFTER {
            let before = self.unread.insert(line.to_owned(), now.clone());
            if before.as_ref() != Some(&now) {
                if now.is_empty() {
                    tracing::info!("line {line}: the other master reads everything that the register maps name");
                }
                for device in &now {
                    tracing::warn!("line {line}: not read by the other master: {}", told::unread_line(device));
                }
            }
        }
        if heard.master.as_ref().is_some_and(|master| master.are_two())
            && self.two_masters.insert(line.to_owned(), 1).is_none()
        {
            tracing::error!(
                "line {line}: two masters poll it: requests come before the reply to the one before could have ended; \
                 RTU allows one"
            );
        }
    }
}

/// What nobody read on a line that is listened to; nothing for other lines, and before anything was read.
pub(super) fn unread_on(site: &Site, line: &str, heard: &LineTiming) -> Option<Vec<Unread>> {
    let declared = site.lines.get(line).filter(|line| line.mode == LineMode::Listen)?;
    let answered = heard.master.as_ref()?.answered();
    if answered.is_empty() {
        return None;
    }
    // The check of the site file has planned every map already.
    unread(site, &declared.name, &answered).ok()
}

/// Joins samples by the periods that there are, whatever the site file says of them.
pub(super) fn follow_periods(stations: &mut Stations, timing: &LineTiming, name_of: impl Fn(u8) -> Option<String>) {
    let polls = timing.master.iter().flat_map(|master| &master.polls);
    let known = polls.filter(|(_, poll)| poll.period.count() >= PERIODS_TO_BELIEVE);
    let mut periods: Vec<(u8, Request, Duration)> =
        known.filter_map(|(key, poll)| Some((key.unit, key.request, poll.period.quantile(0.5)?))).collect();
    // What is read by several requests comes as often as by the most frequent of them.
    periods.sort_by_key(|(.., period)| std::cmp::Reverse(*period));
    for (unit, request, period) in periods {
        if let Some(device) = name_of(unit) {
            stations.set_period(&device, request, period);
        }
    }
}

/// The address of a device that another master polls and that the site file does not name.
pub(super) fn address_in(device: &str) -> u8 {
    device.strip_prefix("address ").and_then(|address| address.parse().ok()).unwrap_or(0)
}

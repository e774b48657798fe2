//! What another master's polling gives and what it does not, said when it changes.

use std::collections::{BTreeMap, BTreeSet};
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
    two_masters: BTreeSet<String>,
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
        if heard.master.as_ref().is_some_and(|master| master.are_two()) && self.two_masters.insert(line.to_owned()) {
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

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::sync::{Arc, Mutex};

    use super::*;
    use crate::line::listen::master::{MasterTiming, PollKey};
    use crate::site;

    /// A log that can be read.
    #[derive(Clone, Default)]
    struct Log(Arc<Mutex<Vec<u8>>>);

    impl Write for Log {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().expect("nobody panics with it").write(bytes)
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    impl Log {
        fn lines(&self) -> Vec<String> {
            let bytes = std::mem::take(&mut *self.0.lock().expect("nobody panics with it"));
            String::from_utf8(bytes).expect("a log is text").lines().map(|line| line.trim().to_owned()).collect()
        }
    }

    const SITE: &str = "site = \"S\"\n[store]\npath = \"s.db\"\n[line.shed]\nport = \"/dev/ttyX\"\nmode = \"listen\"\n\
        [device.bore]\nline = \"shed\"\naddress = 3\nmap = \"map.toml\"\nevery = \"1s\"\n\
        [meter.m]\nflow = \"bore.flow\"\ntotal = \"bore.total\"\n";
    const MAP: &str = "[entry.flow]\ntable = \"holding\"\naddress = 0\ntype = \"f32\"\nunit = \"L/s\"\n\
        [entry.total]\ntable = \"holding\"\naddress = 2\ntype = \"u32\"\nunit = \"L\"\n";

    /// What was heard in so many seconds, of a master that got an answer to these counts of holding registers from 0 on.
    fn heard(seconds: u64, counts: &[u16]) -> LineTiming {
        let mut master = MasterTiming::default();
        for &count in counts {
            let request = Request { table: tallywell_witness::declared::Table::Holding, start: 0, count };
            master.polls.entry(PollKey::new(3, request)).or_default().answered = 5;
        }
        LineTiming { elapsed: Duration::from_secs(seconds), master: Some(master), ..LineTiming::default() }
    }

    #[test]
    fn the_log_says_once_what_the_other_master_leaves_out_and_again_when_that_changes() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("site.toml"), SITE).expect("written");
        std::fs::write(folder.path().join("map.toml"), MAP).expect("written");
        let site = site::load(&folder.path().join("site.toml")).expect("a sound site").site;
        let log = Log::default();
        let writer = log.clone();
        let subscriber = tracing_subscriber::fmt()
            .with_writer(move || writer.clone())
            .with_ansi(false)
            .without_time()
            .with_target(false)
            .finish();
        let dispatch = tracing::Dispatch::new(subscriber);
        let mut listened = Listened::default();
        let mut said = |heard: LineTiming| {
            tracing::dispatcher::with_default(&dispatch, || listened.tell(&site, "shed", &heard));
            log.lines()
        };
        assert_eq!(said(heard(60, &[2])), [""; 0], "too soon to say");
        let missing = "WARN line shed: not read by the other master: total of bore; \
            it would have to poll holding registers 2 to 3 of address 3";
        assert_eq!(said(heard(130, &[2])), [missing]);
        assert_eq!(said(heard(190, &[2])), [""; 0], "nothing new");
        // Halves of a value from two requests are none.
        assert_eq!(said(heard(250, &[2, 3])), [""; 0]);
        let all = "INFO line shed: the other master reads everything that the register maps name";
        assert_eq!(said(heard(310, &[2, 4])), [all]);
    }
}

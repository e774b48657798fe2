//! What the daemon keeps for those who look at it: the last minute of each meter, what stands open, what was counted.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::json;
use tallywell_witness::declared::Site;
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Between, Change, Disagreement, Event};
use tallywell_witness::units::WallMillis;
use tokio::sync::watch;

use super::minute::LastMinute;
use super::socket::Asked;
use crate::face::page::{Declared, Page, Published};
use crate::face::state::{Counted, LastingEvent, OpenDisagreement, State, tally_name};
use crate::line::statistics::LineTiming;
use crate::store::{Span, StoreError, StoreReader};
use crate::wall;

/// The page is told how things stand so often, and watchers at least so often.
const PUBLISHED_EVERY: Duration = Duration::from_secs(1);

/// What is kept of one meter.
#[derive(Debug, Default)]
pub(super) struct MeterFace {
    minute: LastMinute,
    pub(super) counted: Counted,
    disagreements: BTreeMap<(WallMillis, Between), (Disagreement, Option<String>)>,
    events: Vec<Event>,
}

impl MeterFace {
    /// The means of the last minute.
    pub(super) fn last_minute(&self) -> Vec<crate::face::state::MeanFlow> {
        self.minute.means()
    }

    /// What stands open, oldest first.
    pub(super) fn open(&self) -> Vec<OpenDisagreement> {
        self.disagreements.values().map(|(it, cause)| OpenDisagreement::of(it, cause.as_deref())).collect()
    }

    /// What lasts, oldest first.
    pub(super) fn lasting(&self) -> Vec<LastingEvent> {
        self.events.iter().map(LastingEvent::of).collect()
    }

    fn follow(&mut self, it: &Disagreement) {
        let key = (it.opened.wall, it.between);
        if it.closed.is_some() {
            self.disagreements.remove(&key);
        } else {
            let cause = self.disagreements.remove(&key).and_then(|(_, cause)| cause);
            self.disagreements.insert(key, (it.clone(), cause));
        }
    }

    fn begin(&mut self, it: &Event) {
        self.events.retain(|known| !known.is_same(it));
        self.events.push(it.clone());
    }
}

/// What was counted of a line since the daemon began: finished hours, and the one that runs.
#[derive(Debug, Default)]
pub(super) struct LineCounts {
    finished: LineTiming,
    running: Option<(WallMillis, LineTiming)>,
}

impl LineCounts {
    /// Takes an hour as far as it has come. Figures of one hour may come again, and out of turn.
    fn take(&mut self, began: WallMillis, timing: &LineTiming) {
        match &mut self.running {
            Some((known, running)) if *known == began => {
                if timing.transactions >= running.transactions {
                    *running = timing.clone();
                }
            }
            Some((known, _)) if began < *known && timing.transactions > 0 && began.0 + 7_200_000 > known.0 => {}
            running => {
                if let Some((_, finished)) = running.replace((began, timing.clone())) {
                    self.finished.merge(&finished);
                }
            }
        }
    }

    /// Everything since the daemon began.
    pub(super) fn all(&self) -> LineTiming {
        let mut all = self.finished.clone();
        if let Some((_, running)) = &self.running {
            all.merge(running);
        }
        all
    }
}

/// What is kept for those who look.
#[derive(Debug)]
pub(super) struct Faces {
    pub(super) began: WallMillis,
    facts: BTreeMap<String, MeterFacts>,
    meters: BTreeMap<String, MeterFace>,
    lines: BTreeMap<String, LineCounts>,
    declared: Arc<Declared>,
    watchers: Vec<Asked>,
    page: Option<(Page, watch::Sender<Arc<Published>>)>,
    published: Instant,
}

impl Faces {
    /// Nothing declared yet.
    pub(super) fn new() -> Self {
        Self {
            began: wall::now(),
            facts: BTreeMap::new(),
            meters: BTreeMap::new(),
            lines: BTreeMap::new(),
            declared: Arc::default(),
            watchers: Vec::new(),
            page: None,
            published: Instant::now(),
        }
    }

    /// Follows what is declared from now on; what stands open is taken up from the store.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(super) fn follow(&mut self, site: &Site, facts: &[MeterFacts], store: &StoreReader) -> Result<(), StoreError> {
        self.facts = facts.iter().map(|facts| (facts.meter.name.clone(), facts.clone())).collect();
        self.meters.retain(|name, _| self.facts.contains_key(name));
        self.lines.retain(|name, _| site.lines.contains_key(name));
        for name in self.facts.keys() {
            self.meters.entry(name.clone()).or_default();
        }
        let now = Span { from: Some(wall::now()), to: None };
        for logged in store.disagreements(None, now)? {
            if let Some(face) = self.meters.get_mut(&logged.disagreement.meter) {
                face.follow(&logged.disagreement);
                self.cause(&logged.disagreement, logged.cause);
            }
        }
        for event in store.events(None, now)? {
            if let Some(face) = self.meters.get_mut(&event.meter).filter(|_| event.ended.is_none()) {
                face.begin(&event);
            }
        }
        self.declared = Arc::new(Declared { store: site.store.path.clone(), meters: self.facts.clone() });
        if self.page.as_ref().map(|(page, _)| page.listens()) != site.page.as_deref() {
            self.page = site.page.as_deref().and_then(|listen| {
                let (publish, published) = watch::channel(Arc::new(Published::default()));
                Page::start(listen, published)
                    .inspect_err(|error| tracing::error!("the page cannot be served: {error}"))
                    .ok()
                    .map(|page| (page, publish))
            });
        }
        Ok(())
    }

    /// Takes a reading.
    pub(super) fn reading(&mut self, meter: &str, reading: &Reading) {
        if let Some((facts, face)) = self.facts.get(meter).zip(self.meters.get_mut(meter)) {
            face.counted.readings += 1;
            face.minute.push(facts, reading);
        }
    }

    /// Takes something that changed.
    pub(super) fn change(&mut self, meter: &str, change: &Change) {
        let Some(face) = self.meters.get_mut(meter) else { return };
        let count = |counts: &mut BTreeMap<String, u64>, key: String| *counts.entry(key).or_default() += 1;
        match change {
            Change::Opened(it) => {
                count(&mut face.counted.disagreements, tally_name(it.between));
                face.follow(it);
            }
            Change::Grew(it) | Change::Closed(it) => face.follow(it),
            Change::EventBegan(it) => {
                count(&mut face.counted.events, kind(it));
                face.begin(it);
            }
            Change::EventEnded(it) => {
                let known = face.events.len();
                face.events.retain(|event| !event.is_same(it));
                if face.events.len() == known {
                    // It had no duration, and is told only now.
                    count(&mut face.counted.events, kind(it));
                }
            }
            Change::Step(_) | Change::Hour(_) => {}
        }
    }

    /// Takes the cause that was found for a disagreement.
    pub(super) fn cause(&mut self, it: &Disagreement, cause: Option<String>) {
        let face = self.meters.get_mut(&it.meter);
        let known = face.and_then(|face| face.disagreements.get_mut(&(it.opened.wall, it.between)));
        if let Some((_, known)) = known
            && cause.is_some()
        {
            *known = cause;
        }
    }

    /// Takes an hour of a line as far as it has come.
    pub(super) fn timing(&mut self, line: &str, began: WallMillis, timing: &LineTiming) {
        self.lines.entry(line.to_owned()).or_default().take(began, timing);
    }

    /// What is kept of a meter.
    pub(super) fn meter(&self, name: &str) -> Option<&MeterFace> {
        self.meters.get(name)
    }

    /// What was counted of a line.
    pub(super) fn line(&self, name: &str) -> LineTiming {
        self.lines.get(name).map(LineCounts::all).unwrap_or_default()
    }

    /// True where somebody is to be told how things stand: watchers of every change, and all now and then that nothing has
    /// changed, since what is shown grows old.
    pub(super) fn wants(&self, changed: bool) -> bool {
        let is_watched = !self.watchers.is_empty();
        is_watched && changed || (is_watched || self.page.is_some()) && self.is_due()
    }

    fn is_due(&self) -> bool {
        self.published.elapsed() >= PUBLISHED_EVERY
    }

    /// Tells a watcher how things stand, now and from now on.
    pub(super) fn watch(&mut self, asked: Asked, state: &State) {
        if asked.value(json!(state)) {
            self.watchers.push(asked);
        }
    }

    /// Tells all who look how things stand.
    pub(super) fn tell(&mut self, state: &State) {
        if self.is_due() {
            self.published = Instant::now();
            if let Some((_, publish)) = &self.page {
                let declared = Arc::clone(&self.declared);
                publish.send_replace(Arc::new(Published { state: Some(state.clone()), declared }));
            }
        }
        if !self.watchers.is_empty() {
            let state = json!(state);
            self.watchers.retain(|watcher| watcher.value(state.clone()));
        }
    }
}

fn kind(it: &Event) -> String {
    serde_json::to_value(&it.what)
        .ok()
        .and_then(|what| what.get("kind")?.as_str().map(str::to_owned))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(transactions: u64) -> LineTiming {
        LineTiming { transactions, ..LineTiming::default() }
    }

    #[test]
    fn counts_of_a_line_never_go_back() {
        let hours = 3_600_000;
        let told = [(0, 10), (0, 20), (0, 15), (hours, 1), (0, 20), (hours, 5), (2 * hours, 3)];
        let mut counts = LineCounts::default();
        let all: Vec<u64> = told
            .into_iter()
            .map(|(began, transactions)| {
                counts.take(WallMillis(began), &hour(transactions));
                counts.all().transactions
            })
            .collect();
        assert_eq!(all, [10, 20, 20, 21, 21, 25, 28]);
        // The clock on the wall is set back by a day: counting goes on.
        counts.take(WallMillis(-24 * hours), &hour(2));
        assert_eq!(counts.all().transactions, 30);
    }
}

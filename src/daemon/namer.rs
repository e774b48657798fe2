//! Names the causes of disagreements, one at a time, on a thread where it holds nothing up.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tallywell_witness::declared::Site;
use tallywell_witness::tally::{Between, Disagreement};
use tallywell_witness::units::WallMillis;

use super::naming::explain_stored;
use crate::store::{Span, StoreReader};
use crate::wall;

/// A disagreement is looked into so long after it was told: its readings are on the disk then, and there are a few more.
const DELAY: Duration = Duration::from_secs(8);
/// Readings before a disagreement began show how it was without.
const BEFORE_MS: i64 = 2 * 3_600_000;
/// Longer than this is not looked at: the cause of something that stood open for weeks shows in a day.
const LONGEST_MS: i64 = 24 * 3_600_000;

type Key = (String, Between, WallMillis);

/// What is to be named, and what is being named.
#[derive(Debug)]
pub(super) struct Namer {
    store: PathBuf,
    site: Option<Arc<Site>>,
    wanted: BTreeMap<Key, Instant>,
    latest: BTreeMap<Key, Disagreement>,
    running: Option<(Key, tokio::task::JoinHandle<Option<String>>)>,
}

impl Namer {
    /// A namer that reads the store at `store`.
    pub(super) const fn new(store: PathBuf) -> Self {
        Self { store, site: None, wanted: BTreeMap::new(), latest: BTreeMap::new(), running: None }
    }

    /// Takes what is declared from now on.
    pub(super) fn follow(&mut self, site: Arc<Site>) {
        self.site = Some(site);
    }

    /// Notes that a disagreement began, grew or ended, and that its cause is to be looked for (again).
    pub(super) fn wants(&mut self, it: &Disagreement) {
        let key = (it.meter.clone(), it.between, it.opened.wall);
        self.latest.insert(key.clone(), it.clone());
        self.wanted.insert(key, Instant::now() + DELAY);
    }

    /// Takes a cause that was found, and begins to look for the next that is due.
    pub(super) fn tick(&mut self) -> Option<(Disagreement, String)> {
        let mut named = None;
        if self.running.as_ref().is_some_and(|(_, task)| task.is_finished())
            && let Some((key, task)) = self.running.take()
        {
            // The task is finished: this does not wait.
            let code = outcome_of(task).flatten();
            let it = self.latest.get(&key).cloned();
            if !self.wanted.contains_key(&key) && it.as_ref().is_none_or(|it| it.closed.is_some()) {
                self.latest.remove(&key);
            }
            named = it.zip(code);
        }
        if self.running.is_none() {
            self.begin();
        }
        named
    }

    fn begin(&mut self) {
        let Some(site) = self.site.clone() else { return };
        let now = Instant::now();
        let Some(key) = self.wanted.iter().find(|(_, due)| **due <= now).map(|(key, _)| key.clone()) else { return };
        self.wanted.remove(&key);
        let Some(it) = self.latest.get(&key) else { return };
        let end = it.closed.map_or_else(wall::now, |closed| WallMillis(closed.wall.0 + 1));
        let begin = (it.began.wall.0 - BEFORE_MS).max(end.0 - LONGEST_MS);
        let span = Span { from: Some(WallMillis(begin)), to: Some(end) };
        let (store, meter) = (self.store.clone(), it.meter.clone());
        let task = tokio::task::spawn_blocking(move || {
            let explained = StoreReader::open(&store)
                .map_err(Into::into)
                .and_then(|store| explain_stored(&site, &store, &meter, span));
            match explained {
                Ok(explanation) => Some(explanation.causes.first()?.code.as_str().to_owned()),
                Err(error) => {
                    tracing::warn!("{meter}: no cause could be looked for: {error}");
                    None
                }
            }
        });
        self.running = Some((key, task));
    }
}

/// The outcome of a task that is finished; nothing where it ended in a panic.
fn outcome_of<T>(task: tokio::task::JoinHandle<T>) -> Option<T> {
    let mut task = std::pin::pin!(task);
    let mut context = std::task::Context::from_waker(std::task::Waker::noop());
    match task.as_mut().poll(&mut context) {
        std::task::Poll::Ready(outcome) => outcome.ok(),
        std::task::Poll::Pending => None,
    }
}

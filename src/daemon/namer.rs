//! Names the causes of disagreements, one at a time, on a thread where it holds nothing up.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tallywell_witness::cause::Code;
use tallywell_witness::declared::Site;
use tallywell_witness::tally::{Between, Disagreement};
use tallywell_witness::units::WallMillis;

use super::naming::explain_stored;
use crate::store::{Span, StoreReader};
use crate::wall;

/// A disagreement is looked into so long after it was told: its readings are on the disk then, and there are a few more.
const DELAY: Duration = Duration::from_secs(8);
/// That nothing explains it is not said of a disagreement younger than this: a few readings explain little.
const UNEXPLAINED_AFTER: Duration = Duration::from_secs(60);
/// Readings before a disagreement began show how it was without.
const BEFORE_MS: i64 = 2 * 3_600_000;
/// Longer than this is not looked at: the cause of something that stood open for weeks shows in a day.
const LONGEST_MS: i64 = 24 * 3_600_000;

/// Meter, witnesses, and when the disagreement opened.
type Key = (String, Between, WallMillis);

/// When a disagreement is looked into, and again. One that grows with every other reading for months is neither put off
/// for ever nor looked into for ever: the wait grows with its age.
#[derive(Clone, Copy, Debug)]
struct Pace {
    /// When it was told first.
    first: Instant,
    /// When it was looked into last.
    looked: Option<Instant>,
    /// When it is to be looked into, if there is a reason since the last look.
    due: Option<Instant>,
}

impl Pace {
    fn new(now: Instant) -> Self {
        Self { first: now, looked: None, due: Some(now + DELAY) }
    }

    /// Something new was told of it. What is told while it waits makes it wait no longer; its end is not waited for.
    fn told(&mut self, now: Instant, is_over: bool) {
        let soon = now + DELAY;
        if is_over {
            self.due = Some(soon);
        } else if self.due.is_none() {
            let rested = self.looked.map_or(soon, |looked| looked + (looked - self.first) / 4);
            self.due = Some(soon.max(rested));
        }
    }

    fn is_due(&self, now: Instant) -> bool {
        self.due.is_some_and(|due| due <= now)
    }

    fn looked(&mut self, now: Instant) {
        (self.looked, self.due) = (Some(now), None);
    }

    /// The last look did not tell: readings to come may, though nothing else be told, once there are as many again.
    fn nothing_seen(&mut self) {
        if let (None, Some(looked)) = (self.due, self.looked) {
            self.due = Some(looked + DELAY.max(looked - self.first));
        }
    }

    /// How old it was at the last look.
    fn age(&self) -> Duration {
        self.looked.map_or(Duration::ZERO, |looked| looked - self.first)
    }
}

/// A disagreement that was told.
#[derive(Debug)]
struct Subject {
    latest: Disagreement,
    pace: Pace,
    /// The cause that was told last.
    named: Option<Code>,
}

/// What is to be named, and what is being named.
#[derive(Debug)]
pub(super) struct Namer {
    store: PathBuf,
    site: Option<Arc<Site>>,
    told: BTreeMap<Key, Subject>,
    running: Option<(Key, tokio::task::JoinHandle<Option<Code>>)>,
}

impl Namer {
    /// A namer that reads the store at `store`.
    pub(super) const fn new(store: PathBuf) -> Self {
        Self { store, site: None, told: BTreeMap::new(), running: None }
    }

    /// Takes what is declared from now on.
    pub(super) fn follow(&mut self, site: Arc<Site>) {
        self.site = Some(site);
    }

    /// Notes that a disagreement began, grew or ended, and that its cause is to be looked for (again).
    pub(super) fn wants(&mut self, it: &Disagreement) {
        let now = Instant::now();
        let key = (it.meter.clone(), it.between, it.opened.wall);
        let subject =
            self.told.entry(key).or_insert_with(|| Subject { latest: it.clone(), pace: Pace::new(now), named: None });
        subject.latest.clone_from(it);
        subject.pace.told(now, it.closed.is_some());
    }

    /// Notes that a disagreement is not watched any further: what is declared now does not explain it.
    pub(super) fn forget(&mut self, it: &Disagreement) {
        self.told.remove(&(it.meter.clone(), it.between, it.opened.wall));
    }

    /// Takes a cause that was found and is news, and begins to look for the next that is due.
    pub(super) fn tick(&mut self) -> Option<(Disagreement, Code)> {
        let mut named = None;
        if self.running.as_ref().is_some_and(|(_, task)| task.is_finished())
            && let Some((key, task)) = self.running.take()
            && let Some(subject) = self.told.get_mut(&key)
        {
            let is_over = subject.latest.closed.is_some();
            // The task is finished: this does not wait.
            let code = outcome_of(task).flatten();
            let may_show_yet = code == Some(Code::Unexplained) && !is_over;
            if may_show_yet {
                subject.pace.nothing_seen();
            }
            let is_early = may_show_yet && subject.pace.age() < UNEXPLAINED_AFTER;
            if let Some(code) = code.filter(|code| !is_early && subject.named != Some(*code)) {
                subject.named = Some(code);
                named = Some((subject.latest.clone(), code));
            }
            if is_over && subject.pace.due.is_none() {
                self.told.remove(&key);
            }
        }
        if self.running.is_none() {
            self.begin();
        }
        named
    }

    fn begin(&mut self) {
        let Some(site) = self.site.clone() else { return };
        let now = Instant::now();
        let due = self.told.iter_mut().filter(|(_, subject)| subject.pace.is_due(now));
        let Some((key, subject)) = due.min_by_key(|(_, subject)| subject.pace.due) else { return };
        subject.pace.looked(now);
        let (key, it) = (key.clone(), &subject.latest);
        let end = it.closed.map_or_else(wall::now, |closed| WallMillis(closed.wall.0 + 1));
        let begin = (it.began.wall.0 - BEFORE_MS).max(end.0 - LONGEST_MS);
        let span = Span { from: Some(WallMillis(begin)), to: Some(end) };
        let (store, meter, between) = (self.store.clone(), it.meter.clone(), it.between);
        let task = tokio::task::spawn_blocking(move || {
            let explained = StoreReader::open(&store)
                .map_err(Into::into)
                .and_then(|store| explain_stored(&site, &store, &meter, span));
            match explained {
                // The tally is beyond doubt: where no cause of its witnesses is seen, it has one that is not known.
                Ok(explanation) => Some(explanation.cause_between(between).unwrap_or(Code::Unexplained)),
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds after the first at which a disagreement that grows every so often is looked into.
    fn looks(grows_every: Duration, ends: Duration) -> Vec<u64> {
        let first = Instant::now();
        let mut pace = Pace::new(first);
        let (mut looks, mut since) = (Vec::new(), Duration::ZERO);
        while since < ends {
            since += grows_every;
            pace.told(first + since, false);
            if pace.is_due(first + since) {
                pace.looked(first + since);
                looks.push(since.as_secs());
            }
        }
        looks
    }

    #[test]
    fn what_grows_all_the_time_is_looked_into_ever_less_often_and_never_put_off() {
        let looks = looks(Duration::from_secs(1), Duration::from_secs(30 * 86_400));
        assert_eq!(looks[..3], [8, 17, 26]);
        assert!(looks.len() < 70, "{} times in a month", looks.len());
        assert!(looks.windows(2).all(|pair| pair[1] - pair[0] <= pair[0] / 4 + 9));
    }

    #[test]
    fn what_shows_no_cause_is_looked_into_again_when_there_are_twice_the_readings() {
        let first = Instant::now();
        let mut pace = Pace::new(first);
        let mut looks = Vec::new();
        for second in 0..300 {
            let now = first + Duration::from_secs(second);
            if pace.is_due(now) {
                pace.looked(now);
                pace.nothing_seen();
                looks.push(second);
            }
        }
        assert_eq!(looks, [8, 16, 32, 64, 128, 256]);
    }

    #[test]
    fn what_ends_is_looked_into_once_more_at_once() {
        let first = Instant::now();
        let mut pace = Pace::new(first);
        let hours = |hours: u64| first + Duration::from_secs(hours * 3600);
        pace.looked(hours(100));
        pace.told(hours(101), false);
        assert!(!pace.is_due(hours(102)));
        pace.told(hours(102), true);
        assert!(pace.is_due(hours(102) + DELAY));
        pace.looked(hours(103));
        assert!(!pace.is_due(hours(1000)));
    }
}

//! Where one task stands.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use super::Task;
use crate::moment::Moment;
use crate::plan::{Gaps, PlannedRequest};

/// One request of a task.
#[derive(Clone, Debug)]
pub(super) struct RequestState {
    pub(super) planned: Arc<PlannedRequest>,
    /// It is passed over before this.
    pub(super) rests_until: Moment,
    /// Failures in a row.
    failures: u32,
}

impl RequestState {
    fn new(planned: PlannedRequest) -> Self {
        Self { planned: Arc::new(planned), rests_until: Moment(i64::MIN), failures: 0 }
    }

    pub(super) const fn succeeded(&mut self) {
        self.failures = 0;
    }

    pub(super) const fn failed(&mut self) -> u32 {
        self.failures = self.failures.saturating_add(1);
        self.failures
    }
}

/// One task and the turn that it is in or waits for.
#[derive(Clone, Debug)]
pub(super) struct TaskState {
    pub(super) task: Task,
    pub(super) requests: Vec<RequestState>,
    /// When the turn became or becomes due; for a period of zero, when the last one ended.
    pub(super) release: Moment,
    /// The request that is next in the turn.
    pub(super) cursor: usize,
    /// How long after the release the first request is planned to begin: after the others of its group.
    offset: Duration,
    /// Something of this turn was asked.
    begun: bool,
}

impl TaskState {
    /// All tasks of a line. Groups become due one after the other, so that nobody is late from the start.
    pub(super) fn phased(tasks: Vec<Task>, now: Moment) -> Vec<Self> {
        let mut states: Vec<Self> = Vec::with_capacity(tasks.len());
        let mut planned_until = Duration::ZERO;
        let mut phases: BTreeMap<usize, Duration> = BTreeMap::new();
        for task in tasks {
            let phase = match task.group {
                Some(group) => *phases.entry(group).or_insert(planned_until),
                None => planned_until,
            };
            let wire_time = if task.every.is_zero() { Duration::ZERO } else { task.wire_time() };
            let offset = planned_until.saturating_sub(phase);
            let phase = if task.every.is_zero() { Duration::ZERO } else { remainder(phase, task.every) };
            planned_until += wire_time;
            states.push(Self {
                requests: task.requests.iter().cloned().map(RequestState::new).collect(),
                task,
                release: now.after(phase),
                cursor: 0,
                offset,
                begun: false,
            });
        }
        states
    }

    /// Replaces requests that would read what is known to be unreadable.
    pub(super) fn cut_at(&mut self, unreadable: &Gaps) {
        while let Some(index) =
            self.requests.iter().position(|it| it.planned.bridged.iter().any(|gap| unreadable.contains(gap)))
        {
            let pieces = self.requests[index].planned.pieces();
            self.replace_request(index, pieces);
        }
    }

    pub(super) fn replace_request(&mut self, index: usize, pieces: Vec<PlannedRequest>) {
        self.requests.splice(index..=index, pieces.into_iter().map(RequestState::new));
    }

    /// The end of the period; none where there is no period.
    pub(super) fn deadline(&self) -> Option<Moment> {
        (!self.task.every.is_zero()).then(|| self.release.after(self.task.every))
    }

    /// True if the request that is next in the turn does not rest.
    pub(super) fn has_something_to_ask(&self, now: Moment) -> bool {
        self.requests.get(self.cursor).is_some_and(|request| request.rests_until <= now)
    }

    pub(super) fn is_due(&self, now: Moment) -> bool {
        self.release <= now && self.has_something_to_ask(now)
    }

    /// When the next request is planned to begin.
    pub(super) fn planned_start(&self) -> Option<Moment> {
        let before = self.requests[..self.cursor].iter().map(|request| request.planned.wire_time()).sum();
        self.deadline().map(|_| self.release.after(self.offset).after(before))
    }

    pub(super) fn left_in_turn(&self) -> Duration {
        self.requests[self.cursor.min(self.requests.len())..].iter().map(|request| request.planned.wire_time()).sum()
    }

    pub(super) fn whole_turn(&self) -> Duration {
        self.requests.iter().map(|request| request.planned.wire_time()).sum()
    }

    /// Skips requests that rest; a turn in which nothing is left to ask is over, and so are the periods until now.
    pub(super) fn pass_over_resting(&mut self, now: Moment) {
        if self.release > now {
            return;
        }
        while self.requests.get(self.cursor).is_some_and(|request| request.rests_until > now) {
            self.cursor += 1;
        }
        if self.cursor >= self.requests.len() {
            self.cursor = 0;
            self.begun = false;
            self.skip(self.periods_since_release(now) + 1);
        }
    }

    /// The turn's first request is asked: periods that have passed since it became due are skipped. Returns how many.
    pub(super) fn begin_turn(&mut self, now: Moment) -> u64 {
        if self.begun {
            return 0;
        }
        self.begun = true;
        let missed = self.periods_since_release(now);
        self.skip(missed);
        missed
    }

    /// The request at the cursor has had its turn.
    pub(super) fn move_on(&mut self, now: Moment) {
        self.cursor += 1;
        if self.cursor >= self.requests.len() {
            self.end_turn(now);
        }
    }

    fn end_turn(&mut self, now: Moment) {
        self.cursor = 0;
        self.begun = false;
        if self.task.every.is_zero() {
            self.release = now;
        } else {
            self.skip(1);
        }
    }

    fn periods_since_release(&self, now: Moment) -> u64 {
        match self.task.every.as_micros() {
            0 => 0,
            every => u64::try_from(now.since(self.release).as_micros() / every).unwrap_or(0),
        }
    }

    fn skip(&mut self, periods: u64) {
        let every = i64::try_from(self.task.every.as_micros()).unwrap_or(i64::MAX);
        let skipped = every.saturating_mul(i64::try_from(periods).unwrap_or(i64::MAX));
        self.release = Moment(self.release.0.saturating_add(skipped));
    }
}

fn remainder(time: Duration, every: Duration) -> Duration {
    let nanoseconds = time.as_nanos() % every.as_nanos();
    Duration::from_nanos(u64::try_from(nanoseconds).unwrap_or(0))
}

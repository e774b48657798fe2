//! What to ask next, given the time.
//!
//! Plans with periods are served earliest deadline first; a transaction is never interrupted. The rules:
//!
//! - a plan is due at every multiple of its period and has until the next one; periods that were missed are skipped, not
//!   piled up, and a plan that was begun is finished;
//! - plans of one group are due together and asked one after the other, so that witnesses of one meter lie close in time;
//! - a plan with a period of zero is served from what time is left: only where nothing with a period is waiting, and, as far
//!   as it can be foreseen, nothing will be late for it;
//! - after a time-out the *unit* rests until its answer can no longer come, and others are asked meanwhile;
//! - a unit that fails again and again is asked at growing intervals, and only where the time that it would waste is free;
//! - a request that a device refuses for good is cut into smaller ones, or put off for long.
//!
//! The caller tells the time with every call, asks what [`Schedule::next`] says, and tells what came of it.

mod rest;
mod state;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use crate::moment::Moment;
use crate::plan::{DevicePlan, Gaps, LinePlan, PlannedRequest};
use rest::{UnitState, permanent_rest, rest_after_silence, rest_when_passing, rest_when_spoiled};
use state::{RequestState, TaskState};

/// What is read of one unit with one period.
#[derive(Clone, Debug, PartialEq)]
pub struct Task {
    /// The device's name, for whoever is told.
    pub device: String,
    /// The unit's address.
    pub unit: u8,
    /// The period; zero is as fast as the line allows.
    pub every: Duration,
    /// Tasks of one group are neighbours in the list and asked one after the other.
    pub group: Option<usize>,
    /// The requests in the order of asking.
    pub requests: Vec<PlannedRequest>,
    /// The line's time that a request without a reply costs.
    pub silence: Duration,
}

impl Task {
    /// The task of one device's plan, on a line that waits `reply_timeout` for a reply.
    #[must_use]
    pub fn of(plan: &DevicePlan, line: &LinePlan, reply_timeout: Duration) -> Self {
        Self {
            device: plan.device.clone(),
            unit: plan.unit,
            every: plan.every,
            group: plan.group,
            requests: plan.plan.requests.clone(),
            silence: line.timing.request() + reply_timeout + line.timing.t3_5(),
        }
    }

    fn wire_time(&self) -> Duration {
        self.requests.iter().map(PlannedRequest::wire_time).sum()
    }
}

/// What to do now.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// Ask this.
    Ask(Ask),
    /// Nothing before this moment.
    WaitUntil(Moment),
    /// There is nothing to ask, ever.
    Nothing,
}

/// One request whose turn it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// The index of its task.
    pub task: usize,
    /// The index of the request in the task, as it is now.
    pub index: usize,
    /// The unit to ask.
    pub unit: u8,
    /// What to ask.
    pub request: Arc<PlannedRequest>,
    /// How much later than planned it begins, where there was a plan: not for periods of zero, nor for units on trial.
    pub lateness: Option<Duration>,
    /// Periods of this task that were missed since its last turn.
    pub skipped: u64,
    /// The unit has not answered lately, and is tried again.
    pub on_trial: bool,
}

/// What came instead of a sound reply, as far as it matters for what is asked next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// Nothing came, or not the answer: it may still come.
    AnswerMayFollow,
    /// The unit spoke, and it could not be understood: broken, too short, too long, a wrong checksum.
    Spoiled,
    /// The unit refused, with the exception code of the standard.
    Refused(u8),
}

/// What a failure led to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reaction {
    /// It is asked again in the same period if time allows.
    Retry,
    /// This request rests; others of the unit go on.
    RequestRests {
        /// Until then.
        until: Moment,
    },
    /// The whole unit rests.
    UnitRests {
        /// Until then.
        until: Moment,
        /// How often in a row it has failed.
        failures: u32,
    },
    /// The request was replaced by smaller ones, which are asked from now on.
    Split {
        /// How many.
        pieces: usize,
    },
}

/// The order of asking on one line.
#[derive(Clone, Debug)]
pub struct Schedule {
    tasks: Vec<TaskState>,
    units: BTreeMap<u8, UnitState>,
}

/// So many of the longest periods beyond the latest deadline are looked at before time is spent on something else.
const LOOK_OUT_PERIODS: u32 = 3;

/// A plan with a period of zero, or a unit on trial, waits at most so long for a gap in which nobody begins later for it;
/// after that it is enough that nobody misses a deadline.
const PATIENCE: Duration = Duration::from_secs(1);

/// A unit on trial waits at most so long for free time before it is tried at the cost of others.
const LONGEST_WAIT_FOR_TRIAL: Duration = Duration::from_secs(60);

/// A unit that failed so often in a row is on trial.
const FAILURES_BEFORE_TRIAL: u32 = 2;

impl Schedule {
    /// A schedule that begins `now`.
    #[must_use]
    pub fn new(tasks: Vec<Task>, now: Moment) -> Self {
        let mut schedule = Self { tasks: Vec::new(), units: BTreeMap::new() };
        schedule.replace(tasks, now);
        schedule
    }

    /// Begins anew with other tasks. What is known of the units is kept: who rests, who fails, which gaps cannot be read.
    pub fn replace(&mut self, tasks: Vec<Task>, now: Moment) {
        self.tasks = TaskState::phased(tasks, now);
        for task in &mut self.tasks {
            let unit = self.units.entry(task.task.unit).or_default();
            task.cut_at(&unit.unreadable);
        }
    }

    /// Begins the same tasks anew at a moment to come, from which on the line can be asked; what came before is late for
    /// nobody.
    pub fn begin_at(&mut self, moment: Moment) {
        let tasks = self.tasks.drain(..).map(|state| state.task).collect();
        self.replace(tasks, moment);
    }

    /// The task of an index, as it was given.
    #[must_use]
    pub fn task(&self, index: usize) -> Option<&Task> {
        self.tasks.get(index).map(|state| &state.task)
    }

    /// Until when a unit must not be asked, because an answer to something earlier could still come or it is known to fail.
    #[must_use]
    pub fn rests_until(&self, unit: u8) -> Option<Moment> {
        self.units.get(&unit).map(|state| state.rests_until)
    }

    /// Lets a unit rest at least until a moment, whoever asked it.
    pub fn let_rest(&mut self, unit: u8, until: Moment) {
        let state = self.units.entry(unit).or_default();
        state.rests_until = state.rests_until.max(until);
    }

    /// The gaps that a unit has shown it cannot read.
    #[must_use]
    pub fn unreadable(&self, unit: u8) -> Option<&Gaps> {
        self.units.get(&unit).map(|state| &state.unreadable)
    }

    /// What to do now. Asking twice without telling what came of the first gives the same request again.
    pub fn next(&mut self, now: Moment) -> Next {
        for task in &mut self.tasks {
            task.pass_over_resting(now);
        }
        let task = self.long_on_trial(now).or_else(|| self.most_urgent(now)).or_else(|| self.with_spare_time(now));
        if let Some(task) = task {
            return Next::Ask(self.ask(task, now));
        }
        match self.next_change(now) {
            Some(moment) => Next::WaitUntil(moment),
            None => Next::Nothing,
        }
    }

    /// A sound reply came.
    pub fn answered(&mut self, ask: &Ask, now: Moment) {
        self.unit_of(ask).succeeded();
        if let Some(request) = self.request_of(ask) {
            request.succeeded();
            self.tasks[ask.task].move_on(now);
        }
    }

    /// No sound reply came. `worst_latency` is how long after `now` an answer must still be feared.
    pub fn failed(&mut self, ask: &Ask, failure: Failure, now: Moment, worst_latency: Duration) -> Reaction {
        match failure {
            Failure::AnswerMayFollow => {
                if let Some(request) = self.request_of(ask) {
                    let failures = request.failed();
                    if failures >= FAILURES_BEFORE_TRIAL {
                        request.rests_until = now.after(rest_after_silence(failures, worst_latency));
                    }
                }
                self.unit_rests(ask, now, worst_latency)
            }
            // The gateway speaks for a unit that it could not reach.
            Failure::Refused(0x0A | 0x0B) => self.unit_rests(ask, now, Duration::ZERO),
            Failure::Refused(0x02 | 0x03) if let Some(reaction) = self.split(ask) => reaction,
            Failure::Refused(0x01..=0x03) => self.request_rests(ask, now, permanent_rest),
            Failure::Refused(_) => self.request_rests(ask, now, rest_when_passing),
            Failure::Spoiled => self.request_rests(ask, now, rest_when_spoiled),
        }
    }

    fn unit_of(&mut self, ask: &Ask) -> &mut UnitState {
        self.units.entry(ask.unit).or_default()
    }

    /// The state of the request that was asked; none if the tasks were replaced meanwhile.
    fn request_of(&mut self, ask: &Ask) -> Option<&mut RequestState> {
        let request = self.tasks.get_mut(ask.task)?.requests.get_mut(ask.index)?;
        Arc::ptr_eq(&request.planned, &ask.request).then_some(request)
    }

    fn unit_rests(&mut self, ask: &Ask, now: Moment, worst_latency: Duration) -> Reaction {
        let unit = self.unit_of(ask);
        unit.failures += 1;
        let failures = unit.failures;
        let until = now.after(rest_after_silence(failures, worst_latency)).max(unit.rests_until);
        unit.rests_until = until;
        if self.request_of(ask).is_some() && !self.can_be_asked_again(ask.task, now, until) {
            self.tasks[ask.task].move_on(now);
        }
        Reaction::UnitRests { until, failures }
    }

    fn request_rests(&mut self, ask: &Ask, now: Moment, rest_after: fn(u32) -> Duration) -> Reaction {
        self.unit_of(ask).succeeded();
        let Some(request) = self.request_of(ask) else { return Reaction::Retry };
        let rest = rest_after(request.failed());
        let until = now.after(rest);
        request.rests_until = until;
        if rest.is_zero() && self.can_be_asked_again(ask.task, now, now) {
            return Reaction::Retry;
        }
        self.tasks[ask.task].move_on(now);
        Reaction::RequestRests { until }
    }

    /// True if the turn, with its present request again, can still end in its period, without harm to others.
    fn can_be_asked_again(&self, task: usize, now: Moment, not_before: Moment) -> bool {
        let task = &self.tasks[task];
        match task.deadline() {
            Some(deadline) => {
                not_before.after(task.left_in_turn()) <= deadline && self.deadlines_allow(now, Duration::ZERO)
            }
            None => not_before <= now,
        }
    }

    fn split(&mut self, ask: &Ask) -> Option<Reaction> {
        let pieces = ask.request.pieces();
        if pieces.is_empty() || self.request_of(ask).is_none() {
            return None;
        }
        let count = pieces.len();
        self.unit_of(ask).succeeded();
        self.unit_of(ask).unreadable.extend(ask.request.bridged.iter().copied());
        self.tasks[ask.task].replace_request(ask.index, pieces);
        Some(Reaction::Split { pieces: count })
    }

    fn ask(&mut self, index: usize, now: Moment) -> Ask {
        let on_trial = self.is_on_trial(index);
        let task = &mut self.tasks[index];
        let skipped = task.begin_turn(now);
        Ask {
            task: index,
            index: task.cursor,
            unit: task.task.unit,
            request: Arc::clone(&task.requests[task.cursor].planned),
            lateness: task.planned_start().filter(|_| !on_trial).map(|planned| now.since(planned)),
            skipped,
            on_trial,
        }
    }

    fn is_on_trial(&self, task: usize) -> bool {
        let unit = self.tasks[task].task.unit;
        self.units.get(&unit).is_some_and(|state| state.failures >= FAILURES_BEFORE_TRIAL)
    }

    fn unit_is_free(&self, task: usize, now: Moment) -> bool {
        let unit = self.tasks[task].task.unit;
        self.units.get(&unit).is_none_or(|state| state.rests_until <= now)
    }

    /// A unit on trial that has waited so long for free time that others have to give way.
    fn long_on_trial(&self, now: Moment) -> Option<usize> {
        (0..self.tasks.len())
            .filter(|&index| self.is_on_trial(index) && self.unit_is_free(index, now) && self.tasks[index].is_due(now))
            .map(|index| (self.waiting_since(index), index))
            .min()
            .filter(|(since, _)| now.since(*since) >= LONGEST_WAIT_FOR_TRIAL)
            .map(|(_, index)| index)
    }

    /// The waiting task with a period whose deadline is earliest.
    fn most_urgent(&self, now: Moment) -> Option<usize> {
        (0..self.tasks.len())
            .filter(|&index| self.tasks[index].is_due(now) && self.unit_is_free(index, now) && !self.is_on_trial(index))
            .filter_map(|index| Some((self.tasks[index].deadline()?, index)))
            .min()
            .map(|(_, index)| index)
    }

    /// A unit on trial, or else a task without a period, if there is time for it.
    fn with_spare_time(&self, now: Moment) -> Option<usize> {
        let mut waiting: Vec<(bool, bool, Moment, usize)> = (0..self.tasks.len())
            .filter(|&index| self.unit_is_free(index, now) && self.tasks[index].has_something_to_ask(now))
            .filter_map(|index| {
                let task = &self.tasks[index];
                let on_trial = self.is_on_trial(index);
                let takes_turn = if on_trial { task.release <= now } else { task.task.every.is_zero() };
                takes_turn.then(|| (!on_trial, task.cursor == 0, self.waiting_since(index), index))
            })
            .collect();
        waiting.sort_unstable();
        waiting.into_iter().map(|(_, _, _, index)| index).find(|&index| self.is_time_for(index, now))
    }

    fn waiting_since(&self, task: usize) -> Moment {
        let state = &self.tasks[task];
        let rested = self.units.get(&state.task.unit).map_or(state.release, |unit| unit.rests_until);
        state.release.max(rested)
    }

    fn is_time_for(&self, index: usize, now: Moment) -> bool {
        let task = &self.tasks[index];
        let on_trial = self.is_on_trial(index);
        let cost = if on_trial { task.task.silence } else { task.requests[task.cursor].planned.wire_time() };
        let gap_is_wide_enough = self.next_release(now).is_none_or(|release| now.after(cost) <= release);
        let out_of_patience = now.since(self.waiting_since(index)) >= PATIENCE;
        gap_is_wide_enough || (out_of_patience && self.deadlines_allow(now, cost))
    }

    fn next_release(&self, now: Moment) -> Option<Moment> {
        self.with_periods().map(|(_, task)| task.release).filter(|release| *release > now).min()
    }

    fn with_periods(&self) -> impl Iterator<Item = (usize, &TaskState)> {
        self.tasks.iter().enumerate().filter(|(index, task)| !task.task.every.is_zero() && !self.is_on_trial(*index))
    }

    /// True if every task with a period still meets its deadline after `cost` is spent on something else, with all turns
    /// that fall due meanwhile, and if idle time takes the delay up again before the end of the look-out: a delay that is
    /// still there then would travel on, and hit a deadline that was not looked at.
    fn deadlines_allow(&self, now: Moment, cost: Duration) -> bool {
        let Some(latest) = self.with_periods().filter_map(|(_, task)| task.deadline()).max() else { return true };
        let longest = self.with_periods().map(|(_, task)| task.task.every).max().unwrap_or_default();
        let horizon = latest.after(LOOK_OUT_PERIODS * longest);
        let mut turns: Vec<(Moment, Moment, Duration)> = Vec::new();
        for (_, task) in self.with_periods() {
            let (mut release, mut left) = (task.release, task.left_in_turn());
            while release.after(task.task.every) <= horizon {
                let deadline = release.after(task.task.every);
                turns.push((deadline, release, left));
                (release, left) = (deadline, task.whole_turn());
            }
        }
        turns.sort_unstable();
        let (mut free, mut free_without) = (now.after(cost), now);
        for (deadline, release, left) in turns {
            free = free.max(release).after(left);
            free_without = free_without.max(release).after(left);
            if free > deadline {
                return false;
            }
        }
        free == free_without || cost.is_zero()
    }

    /// The next moment at which something could be asked that cannot be asked now.
    fn next_change(&self, now: Moment) -> Option<Moment> {
        let mut moments = Vec::new();
        for (index, task) in self.tasks.iter().enumerate() {
            moments.push(task.release);
            moments.push(self.waiting_since(index));
            moments.push(self.waiting_since(index).after(PATIENCE));
            moments.push(self.waiting_since(index).after(LONGEST_WAIT_FOR_TRIAL));
            moments.extend(task.requests.iter().map(|request| request.rests_until));
        }
        let later = moments.into_iter().filter(|moment| *moment > now).min();
        // All that could change has changed and still there is no time: look again soon.
        later.or_else(|| (!self.tasks.is_empty()).then(|| now.after(PATIENCE)))
    }
}

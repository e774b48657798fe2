//! Requests that may still be answered although the master has gone on: for each of them a reply that comes may be its own.
//!
//! A request that got no reply is one of these until the line's worst latency has passed. Once another request that is
//! answered alike gets a reply, nobody can say which of the two was answered, so the second is one of these from then on, too:
//! the unit may be one reply behind. A unit that is behind and is left alone catches up, so it is not behind any more if it
//! kept silent for longer than it usually takes before it was asked again.

use std::time::Duration;

use super::super::moment::Moment;
use super::cutter::Times;
use super::frame::function_of;
use super::master::PollKey;

/// A request that may still be answered.
#[derive(Clone, Copy, Debug)]
pub(super) struct Unsettled {
    /// What was asked.
    pub(super) asked: PollKey,
    /// Its last character ended no sooner than this.
    pub(super) soonest: Moment,
    /// Nor later than this.
    pub(super) ended: Moment,
    until: Moment,
    /// A reply came in its turn.
    had_reply: bool,
    /// It is to be answered only if the unit is behind; since then nothing came of that.
    behind_since: Option<Moment>,
}

impl Unsettled {
    /// It is to be answered only if the unit is behind.
    pub(super) const fn is_only_behind(&self) -> bool {
        self.behind_since.is_some()
    }
}

/// All of them, oldest first.
#[derive(Clone, Debug)]
pub(super) struct AllUnsettled {
    worst_latency: Duration,
    all: Vec<Unsettled>,
}

impl AllUnsettled {
    /// None, on a line on which no reply comes later than this after its request.
    pub(super) const fn new(worst_latency: Duration) -> Self {
        Self { worst_latency, all: Vec::new() }
    }

    /// A request that passed then got no reply.
    pub(super) fn unanswered(&mut self, asked: PollKey, times: &Times) {
        self.push(asked, times, false, None);
    }

    /// A reply that came in the turn of this request was hardly the answer to it.
    pub(super) fn hardly_answered(&mut self, asked: PollKey, times: &Times) {
        self.push(asked, times, true, None);
    }

    /// A reply that ended at `replied` came in the turn of this request, and may have been the answer to another of them.
    pub(super) fn perhaps_answered(&mut self, asked: PollKey, times: &Times, is_repetition: bool, replied: Moment) {
        // A unit that missed its master's time is slow, and may be so again: its repetition is feared for as long.
        self.push(asked, times, true, (!is_repetition).then_some(replied));
    }

    fn push(&mut self, asked: PollKey, times: &Times, had_reply: bool, behind_since: Option<Moment>) {
        let (soonest, ended) = (times.last_ended.earliest, times.ended);
        self.all.push(Unsettled {
            asked,
            soonest,
            ended,
            until: ended.after(self.worst_latency),
            had_reply,
            behind_since,
        });
    }

    /// Forgets those that can no longer be answered at `now`.
    pub(super) fn forget_before(&mut self, now: Moment) {
        self.all.retain(|one| now <= one.until);
    }

    /// The unit is asked at `at`, not sooner; it usually answers within `quickly`.
    pub(super) fn ask(&mut self, unit: u8, at: Moment, quickly: Duration) {
        self.all
            .retain(|one| one.asked.unit != unit || one.behind_since.is_none_or(|since| at.since(since) <= quickly));
    }

    /// The unit has answered late, so it may be as late again, however long it was left alone.
    pub(super) fn was_late(&mut self, unit: u8) {
        self.all.iter_mut().filter(|one| one.asked.unit == unit).for_each(|one| one.behind_since = None);
    }

    /// The unit said something until `ended`.
    pub(super) fn hear(&mut self, unit: u8, ended: Moment) {
        let of_unit = self.all.iter_mut().filter(|one| one.asked.unit == unit);
        of_unit.filter_map(|one| one.behind_since.as_mut()).for_each(|since| *since = ended);
    }

    /// Those that a reply to this request may answer as well: the same request, and others.
    pub(super) fn alike(&self, asked: PollKey) -> (Vec<Unsettled>, Vec<Unsettled>) {
        let alike = self.all.iter().copied().filter(|one| looks_alike(one.asked, asked));
        alike.partition(|one| one.asked == asked)
    }

    /// Whether this unit may still answer something with this function, and so many data bytes if that is known.
    pub(super) fn holds(&self, unit: u8, function: u8, count: Option<u8>) -> bool {
        self.all.iter().map(|one| one.asked).any(|asked| {
            let counted = count.is_none_or(|count| u16::from(count) == asked.request.reply_bytes());
            asked.unit == unit && function_of(asked.request.table) == function && counted
        })
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// A reply of a unit that was not asked last answers one of them, if there is one; says whether it came in the time of a
    /// request that had no reply in its turn yet. `in_time` tells whether it is for a request that ended then.
    pub(super) fn settle(&mut self, unit: u8, function: u8, in_time: impl Fn(Moment) -> bool) -> Option<bool> {
        let answers = |one: &Unsettled| one.asked.unit == unit && function_of(one.asked.request.table) == function;
        let quick = self.all.iter().rposition(|one| answers(one) && !one.had_reply && in_time(one.ended));
        // One that came late leaves the others to be feared for as long as they can be.
        let place = quick.or_else(|| self.all.iter().position(answers))?;
        self.all.remove(place);
        Some(quick.is_some())
    }
}

/// Whether a reply to one request looks like a reply to the other.
fn looks_alike(one: PollKey, other: PollKey) -> bool {
    one.unit == other.unit
        && one.request.table == other.request.table
        && one.request.reply_bytes() == other.request.reply_bytes()
}

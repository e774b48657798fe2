//! How quickly a unit answers, so that a reply can be told for slow or for soon.

use std::time::Duration;

use super::super::moment::Moment;
use super::cutter::Times;

/// So many replies have to be seen before it is known how quickly a unit usually answers.
const REPLIES_TO_KNOW: u32 = 20;
/// So many, and it is known roughly.
const REPLIES_TO_KNOW_ROUGHLY: u32 = 8;
/// Until then it is taken to answer within this.
const USUAL_AT_FIRST: Duration = Duration::from_millis(40);
/// What a busy listener adds to every time that it measures.
const LISTENER_SLACK: Duration = Duration::from_millis(2);
/// Who knows a latency less well than this was kept waiting between request and reply: adapters do not hold bytes so long.
const KEPT_WAITING: Duration = Duration::from_millis(60);

/// How long after the end of a request its reply began, as far as the times of their arrival say.
#[derive(Clone, Copy, Debug)]
pub(super) struct Latency {
    pub(super) at_least: Duration,
    likely: Duration,
    pub(super) at_most: Duration,
}

impl Latency {
    /// Of a reply that began then and not before `soonest`.
    pub(super) fn between(asked: &Times, began: Moment, soonest: Moment) -> Self {
        Self {
            at_least: soonest.since(asked.ended),
            likely: began.since(asked.ended),
            at_most: began.since(asked.last_ended.earliest),
        }
    }

    fn was_kept_waiting(self) -> bool {
        self.at_most.saturating_sub(self.at_least) > KEPT_WAITING
    }
}

/// How quickly a unit answers: the longest latency of late, and the shortest, which fade.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Usual {
    /// As it was at the most.
    longest: Duration,
    /// As it most likely was.
    likely_longest: Duration,
    /// As it most likely was, not as it was at the least: what an adapter holds together seems to come at once.
    shortest: Duration,
    replies: u32,
}

impl Usual {
    /// A reply came that was surely the answer.
    pub(super) fn learn(&mut self, latency: Latency) {
        let Latency { at_least, likely, at_most } = latency;
        let (likely, at_most) = if latency.was_kept_waiting() { (at_least, at_least) } else { (likely, at_most) };
        let fading = self.shortest + self.shortest / 64;
        self.shortest = if self.replies == 0 { latency.likely } else { latency.likely.min(fading) };
        self.longest = at_most.max(self.longest - self.longest / 64);
        self.likely_longest = likely.max(self.likely_longest - self.likely_longest / 32);
        self.replies = self.replies.saturating_add(1);
    }

    /// Within what time it usually answers.
    pub(super) fn quickly(&self) -> Duration {
        let longest = if self.replies >= REPLIES_TO_KNOW { self.longest } else { USUAL_AT_FIRST };
        2 * longest + LISTENER_SLACK
    }

    /// Whether a reply is slower than it usually answers.
    pub(super) fn is_slow(&self, latency: Latency) -> bool {
        if self.replies < REPLIES_TO_KNOW_ROUGHLY {
            return latency.at_most > self.quickly();
        }
        let likely = if latency.was_kept_waiting() { latency.at_least } else { latency.likely };
        likely > 2 * self.likely_longest + LISTENER_SLACK
    }

    /// Whether a reply is sooner than it ever answers.
    pub(super) fn is_soon(&self, latency: Latency, silence: Duration) -> bool {
        latency.at_most < if self.replies >= REPLIES_TO_KNOW_ROUGHLY { self.shortest / 2 } else { silence }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(at_least: u64, likely: u64, at_most: u64) -> Latency {
        let [at_least, likely, at_most] = [at_least, likely, at_most].map(Duration::from_millis);
        Latency { at_least, likely, at_most }
    }

    #[test]
    fn a_listener_that_was_kept_waiting_takes_no_unit_for_slow_and_learns_nothing_wrong() {
        let mut usual = Usual::default();
        (0..30).for_each(|_| usual.learn(ms(5, 10, 20)));
        assert!(usual.is_slow(ms(30, 35, 45)));
        assert!(!usual.is_slow(ms(2, 200, 400)), "it may have come in time");
        usual.learn(ms(2, 200, 400));
        assert!(usual.is_slow(ms(30, 35, 45)));
        assert!(usual.quickly() < Duration::from_millis(50));
        assert!(usual.is_soon(ms(0, 1, 4), Duration::ZERO) && !usual.is_soon(ms(0, 1, 6), Duration::ZERO));
    }

    #[test]
    fn of_an_unknown_unit_only_what_was_surely_quick_is_not_slow() {
        let usual = Usual::default();
        assert!(usual.is_slow(ms(2, 50, 200)) && !usual.is_slow(ms(2, 50, 80)));
    }
}

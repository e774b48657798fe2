//! How long requests to a gateway may go unanswered before it is called anew.
//!
//! Where the other end of a connection is gone without a word, for a cut supply or a router that forgot it, requests still
//! leave, and nothing ever comes. A new connection mends that. Where the gateway is well and all devices behind it are dead,
//! it changes nothing, so it is tried less and less often.

use std::time::Duration;

use super::moment::Moment;

/// The first time, nothing may have come for so long. Common practice, no source.
const FIRST: Duration = Duration::from_secs(10);
/// And never for longer than this: somebody may have put the supply back.
const LAST: Duration = Duration::from_secs(300);
/// One device that does not answer is no reason.
const REQUESTS: u32 = 4;

/// What is known of the silence of a gateway.
#[derive(Debug)]
pub(super) struct Patience {
    /// The first request since anything came, and how many there were.
    unanswered: Option<(Moment, u32)>,
    limit: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { unanswered: None, limit: FIRST }
    }
}

impl Patience {
    /// On a new connection, silence counts from its first request.
    pub(super) const fn begin_anew(&mut self) {
        self.unanswered = None;
    }

    /// Takes one request: whether anything at all was heard, and when it began and ended. Says how long nothing was heard
    /// when it is time to call anew.
    pub(super) fn after(&mut self, is_heard: bool, began: Moment, ended: Moment) -> Option<Duration> {
        if is_heard {
            *self = Self::default();
            return None;
        }
        let (since, requests) = self.unanswered.unwrap_or((began, 0));
        self.unanswered = Some((since, requests + 1));
        let waited = ended.since(since);
        if waited < self.limit || requests + 1 < REQUESTS {
            return None;
        }
        self.limit = (self.limit * 2).min(LAST);
        Some(waited)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The seconds at which the gateway is called anew, with a request every second, of which some are heard.
    fn calls(seconds: i64, is_heard: impl Fn(i64) -> bool) -> Vec<i64> {
        let mut patience = Patience::default();
        let at = |second: i64| Moment(second * 1_000_000);
        let call = |second: &i64| {
            let called = patience.after(is_heard(*second), at(*second), at(*second + 1)).is_some();
            if called {
                patience.begin_anew();
            }
            called
        };
        (0..seconds).filter(call).collect()
    }

    #[test]
    fn a_silent_gateway_is_called_anew_less_and_less_often() {
        assert_eq!(calls(1_000, |_| false), [9, 29, 69, 149, 309, 609, 909]);
        assert_eq!(calls(1_000, |second| second % 9 == 0), Vec::<i64>::new(), "some devices answer");
        // Heard again, it is held to the first patience.
        assert_eq!(calls(60, |second| second == 35), [9, 29, 45]);
    }

    #[test]
    fn one_device_that_is_asked_seldom_is_no_reason() {
        let mut patience = Patience::default();
        let asked = |number: i64| (Moment(number * 60_000_000), Moment(number * 60_000_000 + 300_000));
        let called = (0..4).map(|number| {
            let (began, ended) = asked(number);
            patience.after(false, began, ended).is_some()
        });
        assert_eq!(called.collect::<Vec<_>>(), [false, false, false, true]);
    }
}

//! How another master polls, in figures: what it asks, how regularly, how long it waits, and its manners on the line.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;
use tallywell_witness::declared::Table;
use tallywell_witness::plan::Request;

use super::super::times::{Times, TimesReport};

/// The encoding's own version, its first byte.
const ENCODING: u8 = 1;
/// One master waits for its replies; this many requests that did not wait are no accident.
const INTERRUPTIONS_OF_TWO: u64 = 3;

/// What passes on a line that is listened to, beside replies that are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Passed {
    /// A request to read registers or bits.
    Read,
    /// A request to write.
    Write,
    /// A request to everybody.
    Broadcast,
    /// A request of another known function.
    Other,
    /// A sound frame of a function that is not known.
    Unknown,
    /// The same request again, after it got no good reply.
    Retry,
    /// A reply to nothing that was heard.
    Orphan,
    /// A reply that may belong to an older request, and is not used.
    Doubtful,
    /// A request after less silence than the standard asks for.
    ShortSilence,
    /// A request that came before the reply to the one before could have ended.
    Interruption,
}

impl Passed {
    /// Every kind.
    pub const ALL: [Self; 10] = [
        Self::Read,
        Self::Write,
        Self::Broadcast,
        Self::Other,
        Self::Unknown,
        Self::Retry,
        Self::Orphan,
        Self::Doubtful,
        Self::ShortSilence,
        Self::Interruption,
    ];

    /// The counter's name.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Read => "reads",
            Self::Write => "writes",
            Self::Broadcast => "broadcasts",
            Self::Other => "other_requests",
            Self::Unknown => "unknown_frames",
            Self::Retry => "retries",
            Self::Orphan => "orphan_replies",
            Self::Doubtful => "doubtful_replies",
            Self::ShortSilence => "short_silences",
            Self::Interruption => "interruptions",
        }
    }
}

/// What tells one reading request of a master from another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct PollKey {
    /// The device's address.
    pub unit: u8,
    /// What is asked.
    pub request: Request,
}

impl PollKey {
    /// A request to a unit.
    #[must_use]
    pub const fn new(unit: u8, request: Request) -> Self {
        Self { unit, request }
    }
}

/// How one request is repeated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PollTiming {
    /// How often it was asked.
    pub requests: u64,
    /// How often it was answered with values.
    pub answered: u64,
    /// From one to the next; repetitions after a failure are left out.
    pub period: Times,
}

/// One master (or several) over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MasterTiming {
    counts: [u64; Passed::ALL.len()],
    /// The shortest silence before a request; the true one was no longer.
    pub shortest_silence: Option<Duration>,
    /// How long it waits for a reply that does not come.
    pub gives_up: Times,
    /// What it asks.
    pub polls: BTreeMap<PollKey, PollTiming>,
}

impl MasterTiming {
    /// Counts one.
    pub fn count(&mut self, passed: Passed) {
        self.counts[passed as usize] += 1;
    }

    /// How many there were.
    #[must_use]
    pub const fn counted(&self, passed: Passed) -> u64 {
        self.counts[passed as usize]
    }

    /// What was asked and answered, with the address of who answered.
    #[must_use]
    pub fn answered(&self) -> Vec<(u8, Request)> {
        self.polls.iter().filter(|(_, poll)| poll.answered > 0).map(|(key, _)| (key.unit, key.request)).collect()
    }

    /// Whether more than one master asks.
    #[must_use]
    pub const fn are_two(&self) -> bool {
        self.counted(Passed::Interruption) >= INTERRUPTIONS_OF_TWO
    }

    /// Takes in the silence before a request, which was `at_most` so long, where the standard asks for `least`.
    pub fn silence(&mut self, at_most: Duration, least: Duration) {
        self.shortest_silence = Some(self.shortest_silence.map_or(at_most, |shortest| shortest.min(at_most)));
        if at_most < least {
            self.count(Passed::ShortSilence);
        }
    }

    /// Adds another stretch of the same line.
    pub fn merge(&mut self, other: &Self) {
        for (sum, more) in self.counts.iter_mut().zip(other.counts) {
            *sum += more;
        }
        self.shortest_silence = self.shortest_silence.into_iter().chain(other.shortest_silence).min();
        self.gives_up.merge(&other.gives_up);
        for (key, poll) in &other.polls {
            let sum = self.polls.entry(*key).or_default();
            sum.requests += poll.requests;
            sum.answered += poll.answered;
            sum.period.merge(&poll.period);
        }
    }

    /// Everything as bytes, for keeping.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![ENCODING];
        for count in self.counts {
            bytes.extend_from_slice(&count.to_le_bytes());
        }
        let shortest = self.shortest_silence.and_then(|silence| u64::try_from(silence.as_micros()).ok());
        bytes.extend_from_slice(&shortest.unwrap_or(u64::MAX).to_le_bytes());
        self.gives_up.put(&mut bytes);
        bytes.extend_from_slice(&(self.polls.len() as u64).to_le_bytes());
        for (PollKey { unit, request }, poll) in &self.polls {
            bytes.extend_from_slice(&[*unit, table_number(request.table)]);
            bytes.extend_from_slice(&request.start.to_le_bytes());
            bytes.extend_from_slice(&request.count.to_le_bytes());
            bytes.extend_from_slice(&poll.requests.to_le_bytes());
            bytes.extend_from_slice(&poll.answered.to_le_bytes());
            poll.period.put(&mut bytes);
        }
        bytes
    }

    /// What [`MasterTiming::encode`] wrote; nothing if the bytes are something else.
    #[must_use]
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let (&encoding, mut rest) = bytes.split_first()?;
        let bytes = &mut rest;
        if encoding != ENCODING {
            return None;
        }
        let mut timing = Self::default();
        for count in &mut timing.counts {
            *count = number(bytes)?;
        }
        timing.shortest_silence = Some(number(bytes)?).filter(|&silence| silence < u64::MAX).map(Duration::from_micros);
        timing.gives_up = Times::take(bytes)?;
        for _ in 0..number(bytes)? {
            let [unit, table] = take(bytes)?;
            let (start, count) = (u16::from_le_bytes(take(bytes)?), u16::from_le_bytes(take(bytes)?));
            let key = PollKey::new(unit, Request { table: table_of(table)?, start, count });
            let (requests, answered) = (number(bytes)?, number(bytes)?);
            timing.polls.insert(key, PollTiming { requests, answered, period: Times::take(bytes)? });
        }
        Some(timing)
    }

    /// The figures as the `timing` command reports them; `name_of` knows the devices by their addresses.
    #[must_use]
    pub fn report(&self, name_of: impl Fn(u8) -> Option<String>) -> MasterReport {
        MasterReport {
            counts: Passed::ALL.iter().map(|&passed| (passed.code(), self.counted(passed))).collect(),
            two_masters: self.are_two(),
            shortest_silence_ms: self.shortest_silence.map(|silence| silence.as_secs_f64() * 1e3),
            gives_up_after_ms: self.gives_up.report(),
            polls: self.polls.iter().map(|(key, poll)| poll.report(*key, name_of(key.unit))).collect(),
        }
    }
}

impl PollTiming {
    /// The time within which nine of ten periods lie, half left out at each end.
    #[must_use]
    pub fn jitter(&self) -> Option<Duration> {
        Some(self.period.quantile(0.95)?.saturating_sub(self.period.quantile(0.05)?))
    }

    fn report(&self, PollKey { unit, request }: PollKey, device: Option<String>) -> PollReport {
        PollReport {
            device,
            address: unit,
            table: request.table,
            start: request.start,
            count: request.count,
            requests: self.requests,
            answered: self.answered,
            every_ms: self.period.report(),
            jitter_ms: self.jitter().map(|jitter| jitter.as_secs_f64() * 1e3),
        }
    }
}

/// How another master polls.
#[derive(Clone, Debug, Serialize)]
pub struct MasterReport {
    /// What passed, by the name of its counter.
    #[serde(flatten)]
    pub counts: BTreeMap<&'static str, u64>,
    /// More than one master asks.
    pub two_masters: bool,
    /// The shortest silence before a request; the true one was no longer.
    pub shortest_silence_ms: Option<f64>,
    /// How long it waits for a reply that does not come.
    pub gives_up_after_ms: TimesReport,
    /// What it asks.
    pub polls: Vec<PollReport>,
}

/// One request of another master.
#[derive(Clone, Debug, Serialize)]
pub struct PollReport {
    /// The device's name, where it is declared.
    pub device: Option<String>,
    /// Its address.
    pub address: u8,
    /// The table.
    pub table: Table,
    /// The protocol's address of the first register or bit.
    pub start: u16,
    /// How many.
    pub count: u16,
    /// How often it was asked.
    pub requests: u64,
    /// How often it was answered with values.
    pub answered: u64,
    /// From one to the next.
    pub every_ms: TimesReport,
    /// Nine of ten periods lie within so much.
    pub jitter_ms: Option<f64>,
}

fn take<const COUNT: usize>(bytes: &mut &[u8]) -> Option<[u8; COUNT]> {
    let (taken, rest) = bytes.split_first_chunk::<COUNT>()?;
    *bytes = rest;
    Some(*taken)
}

fn number(bytes: &mut &[u8]) -> Option<u64> {
    take(bytes).map(u64::from_le_bytes)
}

const fn table_number(table: Table) -> u8 {
    super::frame::function_of(table)
}

const fn table_of(number: u8) -> Option<Table> {
    super::frame::table_of(number)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn timing(polls: &[(u8, u16, Vec<u64>)], counts: &[usize]) -> MasterTiming {
        let mut timing = MasterTiming::default();
        for (unit, start, periods) in polls {
            let key = PollKey::new(*unit, Request { table: Table::Input, start: *start, count: 2 });
            let poll = timing.polls.entry(key).or_default();
            poll.requests += 1 + periods.len() as u64;
            periods.iter().for_each(|&period| poll.period.record(Duration::from_micros(period)));
        }
        for &place in counts {
            timing.count(Passed::ALL[place]);
            timing.silence(Duration::from_micros(900 + place as u64), Duration::from_micros(905));
            timing.gives_up.record(Duration::from_millis(300));
        }
        timing
    }

    proptest! {
        #[test]
        fn kept_and_merged_without_loss(
            polls in proptest::collection::vec((1..9_u8, 0..9_u16, proptest::collection::vec(1..9_000_000_u64, 0..9)), 0..9),
            counts in proptest::collection::vec(0..Passed::ALL.len(), 0..9),
        ) {
            let one = timing(&polls, &counts);
            prop_assert_eq!(MasterTiming::decode(&one.encode()), Some(one.clone()));
            let mut merged = timing(&polls, &[]);
            merged.merge(&timing(&[], &counts));
            prop_assert_eq!(merged, one);
        }

        #[test]
        fn other_bytes_are_refused_or_harmless(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = MasterTiming::decode(&bytes);
            let mut kept = timing(&[(1, 2, vec![3])], &[4]).encode();
            kept.truncate(bytes.len().min(kept.len() - 1));
            prop_assert_eq!(MasterTiming::decode(&kept), None);
        }
    }

    #[test]
    fn the_report_has_every_counter_under_its_name() {
        let report = timing(&[(11, 0, vec![999_000, 1_000_000, 1_001_000])], &[0, 5, 9, 9, 9]);
        let report =
            serde_json::to_value(report.report(|_| Some("bore-1".to_owned()))).expect("a report is plain data");
        for (key, value) in [("reads", 1), ("retries", 1), ("interruptions", 3), ("short_silences", 1), ("writes", 0)] {
            assert_eq!(report[key], value, "{key}");
        }
        assert_eq!(report["two_masters"], true);
        let poll = &report["polls"][0];
        assert_eq!(
            (&poll["device"], &poll["table"], &poll["requests"]),
            (&"bore-1".into(), &"input".into(), &4.into())
        );
        let median = poll["every_ms"]["p50"].as_f64().expect("there were periods");
        assert!((median / 1000.0 - 1.0).abs() < 0.01, "{median}");
    }
}

//! The line's timing: how each device answered, how often and why not, and how much of the line's time was used.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use super::fault::FaultKind;
use super::listen::master::{MasterReport, MasterTiming};
use super::times::{Times, TimesReport};

/// The encoding's own version, its first byte.
const ENCODING: u8 = 1;
/// A reply that takes longer than this on the wire should not arrive in one piece.
const LUMP: Duration = Duration::from_millis(3);
/// Characters that a sound serial port may gather before it gives any: the buffer of a 16550 and its kind.
const BUFFER: usize = 16;
/// So many long replies have to be seen before anything is said about the adapter.
const LUMPS_TO_TELL: u64 = 50;
/// So many requests of somebody else are no chance any more.
const REQUESTS_TO_BE_A_MASTER: u64 = 3;
/// Noise holds a sound request once in 2.8 million bytes (a checksum of 16 bits, 6 functions of 256); a master's own
/// requests and the replies to them at least once in 263.
const NOISE_BYTES_A_REQUEST: u64 = 10_000;

/// How one device answered.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DeviceTiming {
    /// Sound replies.
    pub replies: u64,
    /// Bad replies by kind, in the order of [`FaultKind::ALL`].
    faults: [u64; FaultKind::ALL.len()],
    /// Bytes outside any reply, counted to the device that was asked last.
    pub noise_bytes: u64,
    /// From the end of the request to the beginning of the reply.
    pub reply: Times,
    /// From the beginning of the reply to its end.
    pub duration: Times,
    /// From the planned start to the real one.
    pub lateness: Times,
    /// Long replies, and how many of them arrived in pieces larger than any that a sound port gives.
    long_replies: u64,
    lumps: u64,
}

impl DeviceTiming {
    /// How many bad replies of a kind there were.
    #[must_use]
    pub fn faults(&self, kind: FaultKind) -> u64 {
        self.faults[index(kind)]
    }

    /// Counts a bad reply.
    pub fn count_fault(&mut self, kind: FaultKind) {
        self.faults[index(kind)] += 1;
    }

    /// Counts a sound reply, its times, of how many characters it was and in how many pieces it came; `on_wire` is what
    /// its characters take.
    pub fn count_reply(
        &mut self,
        latency: Duration,
        duration: Duration,
        on_wire: Duration,
        characters: usize,
        pieces: usize,
    ) {
        self.replies += 1;
        self.reply.record(latency);
        self.duration.record(duration);
        if on_wire >= LUMP && characters > BUFFER {
            self.long_replies += 1;
            self.lumps += u64::from(characters > BUFFER * pieces);
        }
    }

    /// The same for a reply to somebody else's request; there is no latency where both came in one lump.
    pub fn count_heard_reply(
        &mut self,
        latency: Option<Duration>,
        duration: Duration,
        on_wire: Duration,
        characters: usize,
        pieces: usize,
    ) {
        match latency {
            Some(latency) => self.count_reply(latency, duration, on_wire, characters, pieces),
            None => self.replies += 1,
        }
    }

    /// Whether long replies nearly always arrive in large pieces and late: an adapter that holds bytes back.
    ///
    /// It takes replies of more than 16 characters (6 registers or more) that come in pieces of more: a sound serial port
    /// may gather 16 before it gives any, so that a shorter reply comes in one piece from either, and what it waited
    /// for the timer looks like a device that takes its time. So a timer of 16 ms is not seen below 19200 bits a second,
    /// where fewer characters pass between two ticks, one of 8 ms not below 38400, and neither on a line whose devices are
    /// asked for a few registers at once.
    #[must_use]
    pub fn looks_held_back(&self) -> bool {
        self.long_replies >= LUMPS_TO_TELL
            && self.lumps * 10 >= self.long_replies * 9
            && self.reply.quantile(0.5).is_some_and(|median| median >= LUMP)
    }

    /// Adds another stretch of the same device.
    pub fn merge(&mut self, other: &Self) {
        self.replies += other.replies;
        for (sum, more) in self.faults.iter_mut().zip(other.faults) {
            *sum += more;
        }
        self.noise_bytes += other.noise_bytes;
        self.reply.merge(&other.reply);
        self.duration.merge(&other.duration);
        self.lateness.merge(&other.lateness);
        self.long_replies += other.long_replies;
        self.lumps += other.lumps;
    }

    /// Everything as bytes, for keeping.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![ENCODING];
        let counts = [self.replies, self.noise_bytes, self.long_replies, self.lumps];
        for count in counts.into_iter().chain(self.faults) {
            bytes.extend_from_slice(&count.to_le_bytes());
        }
        for times in [&self.reply, &self.duration, &self.lateness] {
            times.put(&mut bytes);
        }
        bytes
    }

    /// What [`DeviceTiming::encode`] wrote; nothing if the bytes are something else.
    #[must_use]
    pub fn decode(mut bytes: &[u8]) -> Option<Self> {
        let (&encoding, rest) = bytes.split_first()?;
        bytes = rest;
        if encoding != ENCODING {
            return None;
        }
        let mut count = || {
            let (number, rest) = bytes.split_first_chunk::<8>()?;
            bytes = rest;
            Some(u64::from_le_bytes(*number))
        };
        let (replies, noise_bytes, long_replies, lumps) = (count()?, count()?, count()?, count()?);
        let mut faults = [0; FaultKind::ALL.len()];
        for fault in &mut faults {
            *fault = count()?;
        }
        let (reply, duration, lateness) =
            (Times::take(&mut bytes)?, Times::take(&mut bytes)?, Times::take(&mut bytes)?);
        Some(Self { replies, faults, noise_bytes, reply, duration, lateness, long_replies, lumps })
    }
}

fn index(kind: FaultKind) -> usize {
    FaultKind::ALL.iter().position(|&other| other == kind).expect("every kind is in the list of all")
}

/// One line over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineTiming {
    /// How long the stretch was.
    pub elapsed: Duration,
    /// How long of it a transaction occupied the line, from its request to the silence after it.
    pub busy: Duration,
    /// Requests sent.
    pub transactions: u64,
    /// Requests that somebody else sent, on a line that this program polls.
    pub foreign_requests: u64,
    /// Its devices by name.
    pub devices: BTreeMap<String, DeviceTiming>,
    /// How another master polls, where the line is listened to.
    pub master: Option<MasterTiming>,
}

impl LineTiming {
    /// The share of the time in which the line was occupied, 0 to 1.
    #[must_use]
    pub fn line_use(&self) -> f64 {
        if self.elapsed.is_zero() { 0.0 } else { self.busy.div_duration_f64(self.elapsed) }
    }

    /// Whether somebody else asks on a line that this program polls.
    #[must_use]
    pub fn another_master_asks(&self) -> bool {
        let noise: u64 = self.devices.values().map(|timing| timing.noise_bytes).sum();
        self.foreign_requests >= REQUESTS_TO_BE_A_MASTER.max(noise / NOISE_BYTES_A_REQUEST)
    }

    /// Adds another stretch of the same line.
    pub fn merge(&mut self, other: &Self) {
        self.elapsed += other.elapsed;
        self.busy += other.busy;
        self.transactions += other.transactions;
        self.foreign_requests += other.foreign_requests;
        for (name, timing) in &other.devices {
            self.devices.entry(name.clone()).or_default().merge(timing);
        }
        if let Some(master) = &other.master {
            self.master.get_or_insert_default().merge(master);
        }
    }

    /// The figures as the `timing` command reports them; `address_of` knows the devices' addresses.
    #[must_use]
    pub fn report(&self, line: &str, address_of: impl Fn(&str) -> Option<u8>) -> LineReport {
        LineReport {
            line: line.to_owned(),
            transactions: self.transactions,
            line_use: (self.line_use() * 1e4).round() / 1e4,
            foreign_requests: self.foreign_requests,
            two_masters: self.another_master_asks() || self.master.as_ref().is_some_and(MasterTiming::are_two),
            hint: self.hint(),
            devices: self.devices.iter().map(|(name, timing)| timing.report(name, address_of(name))).collect(),
            master: self.master.as_ref().map(|master| {
                let named = |address| self.devices.keys().find(|name| address_of(name) == Some(address));
                master.report(|address| named(address).cloned())
            }),
        }
    }

    /// What the figures say about the adapter, if anything.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let held = self.devices.values().filter(|timing| timing.looks_held_back()).count();
        (held > 0 && held * 2 > self.devices.len()).then(|| {
            "long replies arrive in large pieces and late: the adapter seems to hold bytes back \
             (many USB adapters do so for 16 ms unless told otherwise)"
                .to_owned()
        })
    }
}

impl DeviceTiming {
    fn report(&self, device: &str, address: Option<u8>) -> DeviceReport {
        DeviceReport {
            device: device.to_owned(),
            address,
            replies: self.replies,
            faults: FaultKind::ALL.iter().map(|&kind| (kind.code(), self.faults(kind))).collect(),
            noise_bytes: self.noise_bytes,
            reply_ms: self.reply.report(),
            reply_duration_ms: self.duration.report(),
            lateness_ms: self.lateness.report(),
        }
    }
}

/// The `timing` command's whole answer.
#[derive(Clone, Debug, Serialize)]
pub struct TimingReport {
    /// One for each line.
    pub lines: Vec<LineReport>,
}

/// One line's figures.
#[derive(Clone, Debug, Serialize)]
pub struct LineReport {
    /// Its name.
    pub line: String,
    /// Requests sent.
    pub transactions: u64,
    /// Share of the time in which it was occupied, 0 to 1.
    pub line_use: f64,
    /// Requests that somebody else sent, on a line that this program polls.
    pub foreign_requests: u64,
    /// More than one master asks, this program among them where it polls.
    pub two_masters: bool,
    /// What the figures say about the adapter.
    pub hint: Option<String>,
    /// Its devices.
    pub devices: Vec<DeviceReport>,
    /// How another master polls, where the line is listened to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub master: Option<MasterReport>,
}

/// One device's figures.
#[derive(Clone, Debug, Serialize)]
pub struct DeviceReport {
    /// Its name.
    pub device: String,
    /// Its address, where it is still declared.
    pub address: Option<u8>,
    /// Sound replies.
    pub replies: u64,
    /// Bad replies by the name of their counter.
    #[serde(flatten)]
    pub faults: BTreeMap<&'static str, u64>,
    /// Bytes outside any reply.
    pub noise_bytes: u64,
    /// From the end of the request to the beginning of the reply.
    pub reply_ms: TimesReport,
    /// From the beginning of the reply to its end.
    pub reply_duration_ms: TimesReport,
    /// From the planned start of a request to the real one.
    pub lateness_ms: TimesReport,
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn timing(latencies_us: &[u64], faults: &[(usize, u8)], noise: u64) -> DeviceTiming {
        let mut timing = DeviceTiming { noise_bytes: noise, ..DeviceTiming::default() };
        for &latency in latencies_us {
            let latency = Duration::from_micros(latency);
            timing.count_reply(latency, latency / 2, latency / 3, 20, 1);
            timing.lateness.record(latency / 10);
        }
        for &(kind, count) in faults {
            for _ in 0..count {
                timing.count_fault(FaultKind::ALL[kind]);
            }
        }
        timing
    }

    proptest! {
        /// What is kept comes back the same, and hours merge into what one long stretch would have been.
        #[test]
        fn kept_and_merged_without_loss(
            first in proptest::collection::vec(0..200_000_000_u64, 0..60),
            second in proptest::collection::vec(0..200_000_000_u64, 0..60),
            faults in proptest::collection::vec((0..FaultKind::ALL.len(), 0..5_u8), 0..6),
            noise in 0..1000_u64,
        ) {
            let (one, other) = (timing(&first, &faults, noise), timing(&second, &[], 7));
            prop_assert_eq!(DeviceTiming::decode(&one.encode()), Some(one.clone()));
            let mut merged = one.clone();
            merged.merge(&other);
            let together: Vec<u64> = first.iter().chain(&second).copied().collect();
            prop_assert_eq!(merged, timing(&together, &faults, noise + 7));
        }

        #[test]
        fn other_bytes_are_refused_or_harmless(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = DeviceTiming::decode(&bytes);
            let mut kept = timing(&[1000], &[], 0).encode();
            kept.truncate(bytes.len().min(kept.len() - 1));
            prop_assert_eq!(DeviceTiming::decode(&kept), None);
        }
    }

    #[test]
    fn a_master_is_told_from_requests_that_noise_made() {
        let heard = |foreign_requests, noise| LineTiming {
            foreign_requests,
            devices: BTreeMap::from([("bore-1".to_owned(), timing(&[], &[], noise))]),
            ..LineTiming::default()
        };
        let mut hours = heard(2, 526);
        assert!(!hours.another_master_asks());
        hours.merge(&heard(1, 263));
        assert!(hours.another_master_asks());
        // A day of noise at 19200 baud, and what it holds by chance.
        let noise = 1_745 * 86_400;
        assert!(!heard(noise / 2_800_000, noise).another_master_asks());
        let report = hours.report("shed", |_| None);
        assert_eq!((report.foreign_requests, report.two_masters), (3, true));
    }

    #[test]
    fn the_report_has_every_counter_under_its_name() {
        let latencies: Vec<u64> = (1..=1000).map(|step| step * 10).collect();
        let mut line = LineTiming { transactions: 1003, ..LineTiming::default() };
        line.elapsed = Duration::from_secs(100);
        line.busy = Duration::from_secs(25);
        line.devices.insert("bore-1".to_owned(), timing(&latencies, &[(0, 2), (5, 1)], 4));
        let report = serde_json::to_value(line.report("shed", |_| Some(11))).expect("a report is plain data");
        assert_eq!((&report["transactions"], &report["line_use"]), (&1003.into(), &0.25.into()));
        let device = &report["devices"][0];
        for (key, value) in [
            ("replies", 1000),
            ("timeouts", 2),
            ("crc_errors", 1),
            ("exceptions", 0),
            ("short_replies", 0),
            ("long_replies", 0),
            ("wrong_unit", 0),
            ("wrong_function", 0),
            ("early_replies", 0),
            ("late_replies", 0),
            ("noise_bytes", 4),
            ("address", 11),
        ] {
            assert_eq!(device[key], value, "{key}");
        }
        for (key, scale) in [("reply_ms", 1.0), ("lateness_ms", 0.1)] {
            for (share, expected) in [("p50", 5.0), ("p90", 9.0), ("p99", 9.9), ("max", 10.0)] {
                let found = device[key][share].as_f64().expect("there were replies");
                assert!((found / (expected * scale) - 1.0).abs() < 0.01, "{key} {share}: {found}");
            }
        }
    }

    /// A device that answers after 5 ms, asked at moments that come at every phase of what the adapter does.
    fn through(baud: u32, characters: u32, arrival: impl Fn(Duration, Duration) -> Duration) -> DeviceTiming {
        let character = Duration::from_secs(11) / baud;
        let mut timing = DeviceTiming::default();
        for phase in 0..200_u32 {
            let began = Duration::from_millis(1005) + Duration::from_micros(80) * phase;
            let mut arrivals: Vec<Duration> =
                (1..=characters).map(|count| arrival(began + character * count, character)).collect();
            let first = arrivals[0];
            let in_first = u32::try_from(arrivals.iter().filter(|at| **at == first).count()).expect("a few");
            let seen_to_begin = first - character * in_first;
            let latency = Duration::from_millis(5) + seen_to_begin.saturating_sub(began);
            let duration = arrivals[arrivals.len() - 1] - seen_to_begin;
            arrivals.dedup();
            timing.count_reply(latency, duration, character * characters, characters as usize, arrivals.len());
        }
        timing
    }

    #[test]
    fn an_adapter_that_holds_bytes_back_is_noticed_where_it_can_be_and_a_sound_one_never() {
        let held = |baud, characters, timer_ms| {
            let timer = Duration::from_millis(timer_ms).as_nanos();
            through(baud, characters, |at, _| {
                Duration::from_nanos(u64::try_from(at.as_nanos().div_ceil(timer) * timer).expect("seconds"))
            })
            .looks_held_back()
        };
        for (baud, characters, timer_ms) in
            [(115_200, 53, 16), (115_200, 53, 8), (38_400, 53, 16), (38_400, 53, 8), (19_200, 53, 16)]
        {
            assert!(held(baud, characters, timer_ms), "{characters} characters at {baud}, {timer_ms} ms");
        }
        // What cannot be told from a sound port and a slow device is not said.
        assert!(!held(19_200, 13, 16) && !held(115_200, 13, 16) && !held(9600, 53, 16) && !held(19_200, 53, 8));

        for (baud, characters) in [(9600, 7), (9600, 53), (19_200, 13), (19_200, 53), (115_200, 53), (115_200, 255)] {
            // A serial port that gives its characters when so many are there, and the rest after a silence.
            for buffer in [1, 4, 8, 14, 16] {
                let mut gathered = DeviceTiming::default();
                let on_wire = Duration::from_secs(11) / baud * characters;
                for _ in 0..200 {
                    let pieces = characters.div_ceil(buffer) as usize;
                    gathered.count_reply(Duration::from_millis(5), on_wire, on_wire, characters as usize, pieces);
                }
                assert!(!gathered.looks_held_back(), "{characters} characters at {baud}, {buffer} gathered");
            }
            let on_the_millisecond = through(baud, characters, |at, _| {
                Duration::from_millis(u64::try_from(at.as_micros().div_ceil(1000)).expect("seconds"))
            });
            assert!(!on_the_millisecond.looks_held_back(), "{characters} characters at {baud}, each millisecond");
        }
    }
}

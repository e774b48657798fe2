//! Faults of the line, as wrappers around a healthy station: each can be turned on for any test, and counts what it did.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::frame::{frame, with_right_check_sum};
use crate::slave::{Answer, Begins, Station};

/// What can happen to a reply.
#[derive(Clone, Debug, PartialEq)]
pub enum FaultKind {
    /// The unit does not answer, and does not even look.
    Dead,
    /// The reply is lost.
    Lost,
    /// The reply begins later than the unit's latency, by something in this range.
    Late(Range<Duration>),
    /// The reply waits for the master's next request, to whomever, and begins so long after its end.
    LateAfterNextRequest(Duration),
    /// A buffer in the adapter or gateway keeps the reply, and gives it as soon as the next request begins: earlier than any
    /// answer to that could be.
    HeldInAdapter,
    /// The reply breaks off: at least one byte is left, at least one is missing.
    Short,
    /// Up to so many bytes follow the reply without a pause.
    Long(u8),
    /// So many bits are wrong.
    FlippedBits(u8),
    /// A burst of up to 16 bits is wrong: what a check sum of 16 bits always finds.
    Burst,
    /// The byte count is too large.
    ByteCountUp(CheckSum),
    /// The byte count is too small.
    ByteCountDown(CheckSum),
    /// The address byte is wrong, and so is the check sum.
    AddressByte,
    /// Another unit's reply, check sum right.
    WrongUnit,
    /// A reply to another function, check sum right.
    WrongFunction,
    /// A refusal with this code (01 to 0B).
    Exception(u8),
    /// The reply comes twice, with this pause between.
    Doubled(Duration),
    /// Up to so many bytes of noise, this long after the reply.
    Noise(u8, Duration),
    /// One byte as the direction turns, directly before the reply.
    Glitch(u8),
    /// The reply pauses somewhere inside for this long.
    Pause(Duration),
    /// Another unit answers at the same address, at most this much later: on a paced wire the two collide.
    TwoTalkers(Duration),
}

/// Whether a changed frame has the check sum of before or the one that fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckSum {
    /// That of the frame before it was changed, so that it is wrong now.
    Stale,
    /// Right for the changed frame: the device itself is at fault.
    Right,
}

impl FaultKind {
    /// Its name in scenarios and counts.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Dead => "dead",
            Self::Lost => "lost",
            Self::Late(_) => "late",
            Self::LateAfterNextRequest(_) => "late-after-next-request",
            Self::HeldInAdapter => "held-in-adapter",
            Self::Short => "short",
            Self::Long(_) => "long",
            Self::FlippedBits(_) => "flipped-bits",
            Self::Burst => "burst",
            Self::ByteCountUp(_) => "byte-count-up",
            Self::ByteCountDown(_) => "byte-count-down",
            Self::AddressByte => "address-byte",
            Self::WrongUnit => "wrong-unit",
            Self::WrongFunction => "wrong-function",
            Self::Exception(_) => "exception",
            Self::Doubled(_) => "doubled",
            Self::Noise(..) => "noise",
            Self::Glitch(_) => "glitch",
            Self::Pause(_) => "pause",
            Self::TwoTalkers(_) => "two-talkers",
        }
    }
}

/// A fault that strikes a share of the replies for a while.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// What happens.
    pub kind: FaultKind,
    /// The share of the replies that it strikes, 0 to 1. Of several faults at most one strikes each reply.
    pub rate: f64,
    /// From when, counted from the start of the wire.
    pub begins: Duration,
    /// Until when; for ever if absent.
    pub ends: Option<Duration>,
}

impl Fault {
    /// A fault that strikes this share of the replies all the time.
    #[must_use]
    pub const fn always(kind: FaultKind, rate: f64) -> Self {
        Self { kind, rate, begins: Duration::ZERO, ends: None }
    }

    fn stands_at(&self, at: Duration) -> bool {
        self.begins <= at && self.ends.is_none_or(|ends| at < ends)
    }
}

/// What the faults did, by unit and name; clones share one count.
#[derive(Clone, Debug, Default)]
pub struct Injected {
    counts: Arc<Mutex<BTreeMap<(u8, &'static str), Struck>>>,
}

/// How often a fault struck, and how many bytes that nobody should have sent it put on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Struck {
    /// The times.
    pub times: u64,
    /// The bytes beyond the healthy reply.
    pub extra_bytes: u64,
}

impl Injected {
    /// All counts so far.
    #[must_use]
    pub fn counts(&self) -> BTreeMap<(u8, &'static str), Struck> {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// How often the fault of this name struck, over all units.
    #[must_use]
    pub fn times(&self, name: &str) -> u64 {
        self.counts().iter().filter(|((_, own), _)| *own == name).map(|(_, struck)| struck.times).sum()
    }

    /// Counts one strike.
    pub fn strike(&self, unit: u8, name: &'static str, extra_bytes: usize) {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let struck = counts.entry((unit, name)).or_default();
        struck.times += 1;
        struck.extra_bytes += u64::try_from(extra_bytes).unwrap_or(u64::MAX);
    }
}

/// A station with faults around it.
pub struct Faulty<S> {
    station: S,
    faults: Vec<Fault>,
    random: ChaCha8Rng,
    injected: Injected,
}

impl<S: Station> Faulty<S> {
    /// Puts faults around a station. The same seed and unit give the same faults for the same requests.
    pub fn new(station: S, faults: Vec<Fault>, seed: u64, injected: &Injected) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(u64::from(station.address()));
        Self { station, faults, random, injected: injected.clone() }
    }

    /// The fault that strikes now, if one does. One number decides, so that rates are exact while their sum is below 1.
    fn struck(&mut self, at: Duration) -> Option<FaultKind> {
        let mut left: f64 = self.random.random();
        for fault in self.faults.iter().filter(|fault| fault.stands_at(at)) {
            if left < fault.rate {
                return Some(fault.kind.clone());
            }
            left -= fault.rate;
        }
        None
    }

    /// What goes out in place of the healthy reply; nothing if this reply cannot be struck so.
    fn changed(&mut self, kind: &FaultKind, reply: Vec<u8>) -> Option<Vec<Answer>> {
        let random = &mut self.random;
        let at_once = Begins::After(Duration::ZERO);
        let one = |bytes, begins| Some(vec![Answer { bytes, begins }]);
        match *kind {
            FaultKind::Dead | FaultKind::Lost => Some(Vec::new()),
            FaultKind::Late(ref by) => one(reply, Begins::After(between(random, by))),
            FaultKind::LateAfterNextRequest(delay) => one(reply, Begins::AfterNextRequest(delay)),
            FaultKind::HeldInAdapter => one(reply, Begins::WithNextRequest),
            FaultKind::Short => {
                let left = random.random_range(1..reply.len());
                one(reply[..left].to_vec(), at_once)
            }
            FaultKind::Long(most) => one([reply, noise(random, most)].concat(), at_once),
            FaultKind::FlippedBits(bits) => one(with_flipped_bits(random, reply, bits), at_once),
            FaultKind::Burst => one(with_burst(random, reply), at_once),
            FaultKind::ByteCountUp(sum) => {
                let count = byte_count(&reply).filter(|&count| count < u8::MAX)?;
                one(with_byte(reply, 2, random.random_range(count + 1..=u8::MAX), sum), at_once)
            }
            FaultKind::ByteCountDown(sum) => {
                let count = byte_count(&reply).filter(|&count| count > 0)?;
                one(with_byte(reply, 2, random.random_range(0..count), sum), at_once)
            }
            FaultKind::AddressByte => {
                let other = reply[0] ^ random.random_range(1..=u8::MAX);
                one(with_byte(reply, 0, other, CheckSum::Stale), at_once)
            }
            FaultKind::WrongUnit => {
                let other = random.random_range(1..=246);
                let other = if other < reply[0] { other } else { other + 1 };
                one(with_byte(reply, 0, other, CheckSum::Right), at_once)
            }
            FaultKind::WrongFunction => {
                let others: Vec<u8> = (1..=4).filter(|&function| function != reply[1] & 0x7F).collect();
                let other = *others.choose(random)?;
                one(with_byte(reply, 1, other, CheckSum::Right), at_once)
            }
            FaultKind::Exception(code) => one(frame(reply[0], &[reply[1] | 0x80, code]), at_once),
            FaultKind::Doubled(pause) => Some(vec![
                Answer { bytes: reply.clone(), begins: at_once },
                Answer { bytes: reply, begins: Begins::Following(pause) },
            ]),
            FaultKind::Noise(most, pause) => Some(vec![
                Answer { bytes: reply, begins: at_once },
                Answer { bytes: noise(random, most), begins: Begins::Following(pause) },
            ]),
            FaultKind::Glitch(byte) => one([vec![byte], reply].concat(), at_once),
            FaultKind::Pause(pause) => {
                let (first, rest) = reply.split_at(random.random_range(1..reply.len()));
                Some(vec![
                    Answer { bytes: first.to_vec(), begins: at_once },
                    Answer { bytes: rest.to_vec(), begins: Begins::Following(pause) },
                ])
            }
            FaultKind::TwoTalkers(apart) => {
                let mut other = reply.clone();
                let body = 2..other.len() - 2;
                random.fill(&mut other[body]);
                let begins = Begins::Beside(apart.mul_f64(random.random()));
                Some(vec![
                    Answer { bytes: reply, begins: at_once },
                    Answer { bytes: with_right_check_sum(other), begins },
                ])
            }
        }
    }
}

impl<S: Station> Station for Faulty<S> {
    fn address(&self) -> u8 {
        self.station.address()
    }

    fn overhear(&mut self, sound: bool) {
        self.station.overhear(sound);
    }

    fn latency(&mut self) -> Duration {
        self.station.latency()
    }

    fn answer(&mut self, request: &[u8], at: Duration) -> Vec<Answer> {
        let struck = self.struck(at);
        if struck == Some(FaultKind::Dead) {
            self.injected.strike(self.address(), FaultKind::Dead.name(), 0);
            return Vec::new();
        }
        let healthy = self.station.answer(request, at);
        let (Some(kind), [only]) = (struck, healthy.as_slice()) else { return healthy };
        // Address, function, one byte and check sum: the shortest reply that there is.
        if only.bytes.len() < 5 {
            return healthy;
        }
        let Some(changed) = self.changed(&kind, only.bytes.clone()) else { return healthy };
        let sent: usize = changed.iter().map(|answer| answer.bytes.len()).sum();
        self.injected.strike(self.address(), kind.name(), sent.saturating_sub(only.bytes.len()));
        changed
    }
}

fn between(random: &mut ChaCha8Rng, range: &Range<Duration>) -> Duration {
    range.start + range.end.saturating_sub(range.start).mul_f64(random.random())
}

fn noise(random: &mut ChaCha8Rng, most: u8) -> Vec<u8> {
    let length = random.random_range(1..=usize::from(most.max(1)));
    (0..length).map(|_| random.random()).collect()
}

/// The byte count of a reply that carries registers or bits.
fn byte_count(reply: &[u8]) -> Option<u8> {
    matches!(reply[1], 0x01..=0x04).then(|| reply[2])
}

fn with_byte(mut reply: Vec<u8>, place: usize, byte: u8, sum: CheckSum) -> Vec<u8> {
    reply[place] = byte;
    match sum {
        CheckSum::Stale => reply,
        CheckSum::Right => with_right_check_sum(reply),
    }
}

fn with_flipped_bits(random: &mut ChaCha8Rng, mut reply: Vec<u8>, bits: u8) -> Vec<u8> {
    let all = reply.len() * 8;
    for place in rand::seq::index::sample(random, all, usize::from(bits).clamp(1, all)) {
        reply[place / 8] ^= 1 << (place % 8);
    }
    reply
}

/// Bits go over the wire lowest first, so neighbours on the wire are neighbours here.
fn with_burst(random: &mut ChaCha8Rng, mut reply: Vec<u8>) -> Vec<u8> {
    let length = random.random_range(1..=16);
    let begin = random.random_range(0..=reply.len() * 8 - length);
    for place in begin..begin + length {
        let edge = place == begin || place == begin + length - 1;
        if edge || random.random() {
            reply[place / 8] ^= 1 << (place % 8);
        }
    }
    reply
}

#[cfg(test)]
#[path = "fault_tests.rs"]
mod tests;

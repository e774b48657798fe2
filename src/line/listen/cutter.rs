//! Cuts the bytes of a line into frames: by silence, by length and by checksum together.
//!
//! Adapters hand bytes over in lumps, so silence alone does not part frames; a frame does not say whether it is a request
//! or a reply, so length alone does not; and random bytes pass a checksum once in 65,536 times, so that alone does not
//! either. What begins like a frame is waited for until its checksum decides. A silence ends the waiting. So do two sound
//! frames inside what is waited for: one may be chance, two are not, and so the listener is in step again at the latest
//! with the second good frame after any garbage.

use std::collections::VecDeque;
use std::time::Duration;

use super::super::checksum::is_sound;
use super::super::moment::{Between, Moment};
use super::arrival::Arrived;
use super::frame::{EXCEPTION_BIT, Length, reply_length, request_length};

/// Between two searches for frames inside what is waited for so many bytes have to come: a request's length.
const SEARCH_EVERY: usize = 8;
/// Noise that never ends is given in pieces; longer than a frame of an unknown function and its reply.
const MOST_NOISE: usize = 600;
/// Functions whose reply repeats the request.
const REPEATING: [u8; 4] = [0x05, 0x06, 0x08, 0x16];

/// What a sound frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// A master asks.
    Request,
    /// A device answers or refuses.
    Reply,
    /// A function that is not known: its length cannot be told, but the checksum of what stood alone is right.
    Unknown,
}

/// When a stretch of bytes was on the wire, as far as their arrival says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Times {
    /// Its first character most likely began.
    pub began: Moment,
    /// Its last character most likely ended.
    pub ended: Moment,
    /// Within what time its first character certainly ended.
    pub first_ended: Between,
    /// The same for its last character.
    pub last_ended: Between,
    /// The number of the lump in which its first byte came.
    pub first_lump: u64,
    /// The number of the lump in which its last byte came.
    pub last_lump: u64,
    /// The longest silence that was certainly inside as this machine saw it, an adapter's holding included.
    pub largest_gap: Duration,
}

impl Times {
    /// How long the line was certainly quiet at the most after what passed `before`, given how little time a character takes;
    /// nothing where the bounds contradict each other, because an adapter held bytes for longer than it was said to.
    #[must_use]
    pub fn silence_at_most(&self, before: &Self, shortest_character: Duration) -> Option<Duration> {
        let began = self.first_ended.latest.before(shortest_character);
        (began > before.last_ended.earliest).then(|| began.since(before.last_ended.earliest))
    }
}

/// A sound frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// What it is.
    pub role: Role,
    /// Its bytes, checksum included.
    pub bytes: Vec<u8>,
    /// When it passed.
    pub times: Times,
}

impl Frame {
    /// The address in it.
    #[must_use]
    pub fn unit(&self) -> u8 {
        self.bytes[0]
    }

    /// The function in it, without the mark of an exception.
    #[must_use]
    pub fn function(&self) -> u8 {
        self.bytes[1] & !EXCEPTION_BIT
    }
}

/// What was cut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cut {
    /// A sound frame.
    Frame(Frame),
    /// Bytes that belong to no sound frame.
    Noise {
        /// The bytes.
        bytes: Vec<u8>,
        /// When they passed.
        times: Times,
    },
}

/// Bytes that were handed over at once.
#[derive(Clone, Copy, Debug)]
struct Lump {
    number: u64,
    /// The place of its first byte in the stream.
    first: u64,
    count: u64,
    arrived: Arrived,
    /// Its first character did not end before this.
    first_not_before: Moment,
}

/// The reply that a request calls for.
#[derive(Clone, Debug)]
struct Expected {
    request: Vec<u8>,
}

/// A machine that takes bytes with their times, and gives frames and noise in the order in which they passed.
#[derive(Debug)]
pub struct Cutter {
    character: Duration,
    /// What is not judged yet.
    bytes: Vec<u8>,
    /// The place of the first of them in the stream.
    first: u64,
    /// What was judged to be noise and stands directly before.
    noise: Vec<u8>,
    lumps: VecDeque<Lump>,
    heard: u64,
    lumps_heard: u64,
    /// What is heard next did not end before this.
    next_not_before: Moment,
    expected: Option<Expected>,
    searched: usize,
}

/// What the first byte that is not judged yet begins.
enum Start {
    Frame(Role, usize),
    Noise(usize),
    Wait,
}

impl Cutter {
    /// For a line whose characters take so long.
    #[must_use]
    pub const fn new(character: Duration) -> Self {
        Self {
            character,
            bytes: Vec::new(),
            first: 0,
            noise: Vec::new(),
            lumps: VecDeque::new(),
            heard: 0,
            lumps_heard: 0,
            next_not_before: Moment(i64::MIN),
            expected: None,
            searched: 0,
        }
    }

    /// Takes bytes that arrived within `arrived`, and gives what can be told by now.
    pub fn hear(&mut self, bytes: &[u8], arrived: impl Into<Arrived>) -> Vec<Cut> {
        if bytes.is_empty() {
            return Vec::new();
        }
        let (count, arrived) = (bytes.len() as u64, arrived.into());
        // One character follows the other, whatever an adapter makes of them.
        let first_not_before = self.next_not_before.max(arrived.on_wire.earliest);
        self.next_not_before = first_not_before.after(self.characters_at_least(count));
        self.lumps.push_back(Lump { number: self.lumps_heard, first: self.heard, count, arrived, first_not_before });
        self.lumps_heard += 1;
        self.heard += count;
        self.bytes.extend_from_slice(bytes);
        self.cut(false)
    }

    /// Says that the line has been quiet for longer than any pause inside a frame.
    pub fn quiet(&mut self) -> Vec<Cut> {
        self.cut(true)
    }

    /// Whether bytes wait to be judged, so that the end of a silence is of interest.
    #[must_use]
    pub fn waits(&self) -> bool {
        !self.bytes.is_empty() || !self.noise.is_empty()
    }

    fn cut(&mut self, over: bool) -> Vec<Cut> {
        let mut cuts = Vec::new();
        while !self.bytes.is_empty() {
            match self.start(over) {
                Start::Frame(role, length) => {
                    self.give_noise(&mut cuts);
                    let times = self.times(self.first, length);
                    let bytes = self.take(length);
                    self.expected = match role {
                        Role::Request if bytes[0] != 0 => Some(Expected { request: bytes.clone() }),
                        _ => None,
                    };
                    cuts.push(Cut::Frame(Frame { role, bytes, times }));
                }
                Start::Noise(count) => {
                    let noise = self.take(count);
                    self.noise.extend(noise);
                    if self.noise.len() >= MOST_NOISE {
                        self.give_noise(&mut cuts);
                    }
                }
                Start::Wait => break,
            }
        }
        if over {
            self.give_noise(&mut cuts);
        }
        let kept_from = self.first - self.noise.len() as u64;
        while self.lumps.front().is_some_and(|lump| lump.first + lump.count <= kept_from) {
            self.lumps.pop_front();
        }
        cuts
    }

    fn start(&mut self, over: bool) -> Start {
        let bytes = self.bytes.as_slice();
        let lengths = [reply_length(bytes), request_length(bytes)];
        let awaited = !over && self.is_awaited(lengths[0]);
        if let Some((role, length)) = self.sound_at(0) {
            let disputed = awaited && lengths[0] != Length::Exactly(length);
            return if !disputed || self.two_sound().is_some() { Start::Frame(role, length) } else { Start::Wait };
        }
        let may_become = |length: &Length| match *length {
            Length::Exactly(length) => length > bytes.len(),
            Length::NotYet => true,
            Length::Never => false,
        };
        if over || !lengths.iter().any(may_become) {
            return Start::Noise(1);
        }
        self.two_sound().map_or(Start::Wait, Start::Noise)
    }

    /// Whether the expected reply may be under way: it begins so, and is not whole yet.
    fn is_awaited(&self, reply: Length) -> bool {
        let Some(Expected { request }) = &self.expected else { return false };
        let bytes = self.bytes.as_slice();
        let counted =
            request[1] > 0x04 || bytes.get(2).is_none_or(|&count| Some(usize::from(count)) == data_of(request));
        let under_way = match reply {
            Length::Exactly(length) => length > bytes.len(),
            Length::NotYet => true,
            Length::Never => false,
        };
        bytes.get(..2) == request.get(..2) && counted && under_way
    }

    /// The sound frame that begins at `at`, if a whole one does.
    fn sound_at(&self, at: usize) -> Option<(Role, usize)> {
        let bytes = &self.bytes[at..];
        let sound = |length: Length| match length {
            Length::Exactly(length) => bytes.get(..length).filter(|frame| is_sound(frame)).map(|_| length),
            Length::NotYet | Length::Never => None,
        };
        let (reply, request) = (sound(reply_length(bytes)), sound(request_length(bytes)));
        match (reply, request) {
            (Some(reply), Some(_)) if self.answers(&bytes[..reply]) => Some((Role::Reply, reply)),
            (_, Some(request)) => Some((Role::Request, request)),
            (Some(reply), None) => Some((Role::Reply, reply)),
            (None, None) => None,
        }
    }

    /// Whether a frame that may be a request as well is the reply that the last request called for. The same request once
    /// more is a request, unless it is one of those that are answered by repeating them.
    fn answers(&self, frame: &[u8]) -> bool {
        self.expected.as_ref().is_some_and(|Expected { request }| {
            let fits =
                frame[..2] == request[..2] && (request[1] > 0x04 || Some(usize::from(frame[2])) == data_of(request));
            fits && (REPEATING.contains(&request[1]) || frame != request)
        })
    }

    /// The place of the first of two sound frames among the bytes that are not judged yet.
    fn two_sound(&mut self) -> Option<usize> {
        if self.bytes.len() < self.searched + SEARCH_EVERY {
            return None;
        }
        self.searched = self.bytes.len();
        let next_from = |from: usize| {
            (from..self.bytes.len()).find_map(|at| self.sound_at(at).map(|(_, length)| (at, at + length)))
        };
        let (first, end) = next_from(0)?;
        next_from(end).map(|_| first)
    }

    fn take(&mut self, count: usize) -> Vec<u8> {
        self.first += count as u64;
        self.searched = self.searched.saturating_sub(count);
        self.bytes.drain(..count).collect()
    }

    fn give_noise(&mut self, cuts: &mut Vec<Cut>) {
        if self.noise.is_empty() {
            return;
        }
        let bytes = std::mem::take(&mut self.noise);
        let begins = self.first - bytes.len() as u64;
        let Some(parts) = unknown_frames(&bytes) else {
            let times = self.times(begins, bytes.len());
            return cuts.push(Cut::Noise { bytes, times });
        };
        let mut from = 0;
        for length in parts {
            let times = self.times(begins + from as u64, length);
            cuts.push(Cut::Frame(Frame { role: Role::Unknown, bytes: bytes[from..from + length].to_vec(), times }));
            from += length;
        }
    }

    fn characters_at_least(&self, count: u64) -> Duration {
        shortest_character(self.character) * u32::try_from(count).unwrap_or(u32::MAX)
    }

    fn times(&self, first: u64, length: usize) -> Times {
        let last = first + length as u64 - 1;
        let holds = |place: u64| move |lump: &&Lump| lump.first <= place && place < lump.first + lump.count;
        let within: Vec<&Lump> =
            self.lumps.iter().filter(|lump| lump.first <= last && first < lump.first + lump.count).collect();
        let of = |place: u64| {
            within.iter().copied().find(holds(place)).copied().unwrap_or(Lump {
                number: self.lumps_heard,
                first: place,
                count: 1,
                arrived: Between::exactly(Moment(0)).into(),
                first_not_before: Moment(0),
            })
        };
        let (begins, ends) = (of(first), of(last));
        let ended = |lump: &Lump, place: u64| {
            let after = u32::try_from(lump.first + lump.count - 1 - place).unwrap_or(u32::MAX);
            lump.arrived.on_wire.latest.before(self.character * after).max(lump.arrived.on_wire.earliest)
        };
        let certainly = |lump: &Lump, place: u64| Between {
            earliest: lump.first_not_before.after(self.characters_at_least(place.saturating_sub(lump.first))),
            latest: lump.arrived.on_wire.latest.before(self.characters_at_least(lump.first + lump.count - 1 - place)),
        };
        let gaps = within.windows(2).map(|pair| {
            let [before, after] = [pair[0], pair[1]].map(|lump| lump.arrived.at_machine);
            after.earliest.since(before.latest)
        });
        Times {
            began: ended(&begins, first).before(self.character),
            ended: ended(&ends, last),
            first_ended: certainly(&begins, first),
            last_ended: certainly(&ends, last),
            first_lump: begins.number,
            last_lump: ends.number,
            largest_gap: gaps.max().unwrap_or_default(),
        }
    }
}

/// How little time a character takes that is declared to take so long: senders are off by 1 % at the most (MODBUS over Serial
/// Line V1.02, section 3.2).
#[must_use]
pub fn shortest_character(character: Duration) -> Duration {
    character * 99 / 100
}

/// The data bytes that answer a reading request.
fn data_of(request: &[u8]) -> Option<usize> {
    let quantity = usize::from(u16::from_be_bytes([*request.get(4)?, *request.get(5)?]));
    Some(if request[1] <= 0x02 { quantity.div_ceil(8) } else { 2 * quantity })
}

/// The lengths of the frames of unknown functions that these bytes are: one, or one and its reply.
fn unknown_frames(bytes: &[u8]) -> Option<Vec<usize>> {
    let whole = |bytes: &[u8]| {
        is_sound(bytes)
            && bytes.len() <= super::frame::LONGEST
            && reply_length(bytes) == Length::Never
            && request_length(bytes) == Length::Never
            && bytes[0] <= 247
    };
    if whole(bytes) {
        return Some(vec![bytes.len()]);
    }
    (4..bytes.len().saturating_sub(3))
        .find(|&end| bytes[0] == bytes[end] && whole(&bytes[..end]) && whole(&bytes[end..]))
        .map(|end| vec![end, bytes.len() - end])
}

#[cfg(test)]
#[path = "cutter_tests.rs"]
mod tests;

//! Replies that may still be under way although nobody waits for them.
//!
//! A reply that comes after its time-out looks like any other. It is known by the unit, the function and the length that
//! were asked for, for as long as the line's worst latency; meanwhile the unit rests, so the reply can be nobody else's.

use super::checksum::is_sound;
use super::moment::Moment;
use super::request::{ReadRequest, UnitAddress};
use super::scan::overheard::frames;

/// A request to read or to write one value.
const REQUEST_LENGTH: usize = 8;

/// Shortest whole reply: an exception.
const EXCEPTION_LENGTH: usize = 5;

#[derive(Clone, Debug)]
struct Waiting {
    unit: UnitAddress,
    request: ReadRequest,
    until: Moment,
    /// Nothing had come before the time-out, so what comes now is late; otherwise it is the rest of a counted fault.
    counts: bool,
}

/// What may still come.
#[derive(Clone, Debug, Default)]
pub struct Overdue {
    waiting: Vec<Waiting>,
    last_request: Option<Vec<u8>>,
    last_reply: Option<(Vec<u8>, Moment)>,
}

/// Bytes that belong to nobody's turn, sorted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Strays {
    /// The units whose late replies were found, once for each reply.
    pub late: Vec<UnitAddress>,
    /// Bytes that belong to no reply.
    pub noise: usize,
    /// Requests among them: somebody else asks on this line.
    pub requests: usize,
    /// Requests of this program that came back in front of whatever answered them: the adapter returns what it sends.
    pub echoes: usize,
}

impl Strays {
    /// Adds more of them.
    pub fn add(&mut self, more: Self) {
        self.late.extend(more.late);
        self.noise += more.noise;
        self.requests += more.requests;
        self.echoes += more.echoes;
    }
}

impl Overdue {
    /// Remembers that `unit` may still answer `request` until then; `counts` if the answer will be a late reply, not if
    /// its transaction was already counted as something else than a time-out.
    pub fn expect(&mut self, unit: UnitAddress, request: ReadRequest, until: Moment, counts: bool) {
        self.waiting.push(Waiting { unit, request, until, counts });
    }

    /// Remembers what was sent last, so that an adapter that returns it is not taken for another master.
    pub fn remember_request(&mut self, frame: &[u8]) {
        self.last_request = Some(frame.to_vec());
    }

    /// Remembers a reply that was taken, so that a repetition of it is not taken for another's.
    pub fn remember_reply(&mut self, frame: &[u8], until: Moment) {
        self.last_reply = Some((frame.to_vec(), until));
    }

    /// Forgets what can no longer come.
    pub fn forget_before(&mut self, now: Moment) {
        self.waiting.retain(|waiting| waiting.until >= now);
        self.last_reply.take_if(|(_, until)| *until < now);
    }

    /// Sorts bytes that are nobody's answer into late replies and noise.
    pub fn sort(&mut self, bytes: &[u8]) -> Strays {
        let mut strays = Strays { requests: others_requests(bytes, self.last_request.as_deref()), ..Strays::default() };
        let mut at = 0;
        while at < bytes.len() {
            match self.claim(&bytes[at..], None) {
                Some((length, late)) => {
                    match late {
                        Some(unit) => strays.late.push(unit),
                        None => strays.noise += length,
                    }
                    at += length;
                }
                None => {
                    strays.noise += 1;
                    at += 1;
                }
            }
        }
        strays
    }

    /// A reply of another unit than `asked` at the beginning of `bytes`: its length, and whose late reply it is if it counts
    /// as one. It is expected no longer then.
    pub fn claim(&mut self, bytes: &[u8], asked: Option<UnitAddress>) -> Option<(usize, Option<UnitAddress>)> {
        let is_asked = |unit: u8| asked.is_some_and(|asked| asked.value() == unit);
        if is_asked(*bytes.first()?) {
            return None;
        }
        if let Some(index) = self.waiting.iter().position(|waiting| reply_length(waiting, bytes).is_some()) {
            let waiting = self.waiting.remove(index);
            let length = reply_length(&waiting, bytes)?;
            return Some((length, waiting.counts.then_some(waiting.unit)));
        }
        let (frame, _) = self.last_reply.take_if(|(frame, _)| bytes.starts_with(frame))?;
        Some((frame.len(), UnitAddress::new(frame[0])))
    }
}

/// The requests to read or to write single values among these bytes, but for `own`.
pub(super) fn others_requests(bytes: &[u8], own: Option<&[u8]>) -> usize {
    // Three bytes of bits come in a frame as long as a request, and could be one from 300h on.
    let is_plain = |frame: &&[u8]| match frame[1] {
        0x01 | 0x02 => frame[2] != 3,
        0x03..=0x06 => true,
        _ => false,
    };
    let found = frames(bytes).into_iter();
    found.filter(|frame| frame.len() == REQUEST_LENGTH && Some(*frame) != own).filter(is_plain).count()
}

/// The length of the sound reply to `waiting` at the beginning of `bytes`, if there is one.
fn reply_length(waiting: &Waiting, bytes: &[u8]) -> Option<usize> {
    let (&unit, &function) = (bytes.first()?, bytes.get(1)?);
    if unit != waiting.unit.value() {
        return None;
    }
    let length = if function == waiting.request.function() {
        waiting.request.reply_shape().whole_length(bytes)?
    } else if function == waiting.request.function() | 0x80 {
        EXCEPTION_LENGTH
    } else {
        return None;
    };
    is_sound(bytes.get(..length)?).then_some(length)
}

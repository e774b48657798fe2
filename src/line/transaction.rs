//! One request and its reply, judged: a pure machine of bytes and times.
//!
//! A shell sends the request, hands over every byte with the bounds of its arrival, and asks again at the instant that it
//! is told. The verdict is a whole, sound, expected reply, or a [`Fault`]. Nothing else is ever taken for an answer, and
//! a broken reply ends as soon as the line has been quiet, not at the time-out.
//!
//! Bytes are judged in bursts that a silence ends. A burst may begin with noise (a glitch as the line turns round, a late
//! reply of another unit) and still end with the answer: the answer is known by its unit, its function, its byte count and
//! its checksum together, so a wrong one is as unlikely there as at the beginning.

use std::ops::Range;
use std::time::Duration;

use tallywell_witness::declared::EarlyReplies;

use super::checksum::is_sound;
use super::fault::Fault;
use super::moment::{Between, Moment};
use super::overdue::{Overdue, Strays};
use super::request::{ReadRequest, ReplyShape, UnitAddress};

/// An exception's whole frame.
const EXCEPTION_LENGTH: usize = 5;

/// The function code of an exception is the request's with this bit set.
const EXCEPTION_BIT: u8 = 0x80;

/// Longer than any frame and its echo; what goes on beyond it is not a reply (the longest frame is 256 bytes, MODBUS
/// over Serial Line V1.02, section 2.5.1).
const MOST_BYTES: usize = 600;

/// A sender's clock may be off by 1 % and a receiver bears 2 % (MODBUS over Serial Line V1.02, section 3.2): what comes
/// at this share of the time that the request needs may still be right.
const SOONEST_SHARE: f64 = 0.97;

/// The times by which a reply is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplyTiming {
    /// How long one character occupies the wire; zero where bytes take no time.
    pub character: Duration,
    /// The silence that ends a frame.
    pub silence: Duration,
    /// The silence that ends a broken reply.
    pub quiet_gap: Duration,
    /// How long to wait for the first byte, from the end of the request.
    pub reply_timeout: Duration,
    /// What to do with a reply that begins before the request could have ended.
    pub early_replies: EarlyReplies,
    /// The adapter returns what it sends.
    pub echo: bool,
}

impl ReplyTiming {
    /// How long `count` characters occupy the wire.
    #[must_use]
    pub fn characters(&self, count: usize) -> Duration {
        self.character * u32::try_from(count).unwrap_or(u32::MAX)
    }
}

/// A whole, sound, expected reply.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// The frame, checksum included.
    pub frame: Vec<u8>,
    /// When it happened.
    pub times: ReplyTimes,
    /// It certainly began after the request had ended. Where it may have lain there before, because the machine was too
    /// busy to look in time, it may be the answer to something else.
    pub proven: bool,
}

/// When a transaction's parts were on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReplyTimes {
    /// The request's last character had gone out.
    pub request_ended: Moment,
    /// The reply's first character began.
    pub reply_began: Moment,
    /// The reply's last character had come.
    pub reply_ended: Moment,
    /// The longest silence that may have been inside the reply.
    pub largest_gap: Duration,
    /// In how many pieces the reply arrived.
    pub pieces: usize,
    /// How many characters the reply had.
    pub characters: usize,
}

impl ReplyTimes {
    /// From the end of the request to the beginning of the reply.
    #[must_use]
    pub fn latency(&self) -> Duration {
        self.reply_began.since(self.request_ended)
    }

    /// From the beginning of the reply to its end.
    #[must_use]
    pub fn duration(&self) -> Duration {
        self.reply_ended.since(self.reply_began)
    }

    /// When the device most likely read its registers: after it had the request and before it began to answer.
    #[must_use]
    pub fn sampled_at(&self) -> Moment {
        self.request_ended.midpoint(self.reply_began)
    }

    /// How far [`ReplyTimes::sampled_at`] may be off, either way.
    #[must_use]
    pub fn uncertainty(&self) -> Duration {
        self.latency() / 2
    }
}

/// What the shell has to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    /// Read, and ask again when bytes came or at this instant.
    WaitUntil(Moment),
    /// The answer is there, and the line has been quiet after it for as long as a frame's end takes.
    Done(Reply),
    /// There will be no answer.
    Fault(Fault),
}

/// One request and what became of it.
#[derive(Debug)]
pub struct Transaction<'line> {
    unit: UnitAddress,
    request: ReadRequest,
    shape: ReplyShape,
    sent_frame: Vec<u8>,
    timing: ReplyTiming,
    overdue: &'line mut Overdue,
    request_ended: Moment,
    written: Moment,
    soonest: Moment,
    deadline: Moment,
    bytes: Vec<u8>,
    /// For each byte the index of the chunk with which it arrived.
    chunk_of: Vec<usize>,
    chunks: Vec<Between>,
    echo_pending: bool,
    strays: Strays,
    unfit: Vec<u8>,
    verdict: Option<Action>,
}

impl<'line> Transaction<'line> {
    /// A request whose frame was handed to the port at an instant within `sent`.
    ///
    /// `overdue` holds the replies to earlier requests that may still come.
    #[must_use]
    pub fn new(
        unit: UnitAddress,
        request: ReadRequest,
        frame: &[u8],
        timing: ReplyTiming,
        overdue: &'line mut Overdue,
        sent: Between,
    ) -> Self {
        let on_wire = timing.characters(frame.len());
        let request_ended = sent.latest.after(on_wire);
        let to_first_byte = timing.characters(frame.len() + 1).mul_f64(SOONEST_SHARE);
        Self {
            unit,
            request,
            shape: request.reply_shape(),
            sent_frame: frame.to_vec(),
            timing,
            overdue,
            request_ended,
            written: sent.latest,
            soonest: sent.earliest.after(to_first_byte),
            deadline: request_ended.after(timing.reply_timeout),
            bytes: Vec::with_capacity(MOST_BYTES),
            chunk_of: Vec::with_capacity(MOST_BYTES),
            chunks: Vec::new(),
            echo_pending: timing.echo,
            strays: Strays::default(),
            unfit: Vec::new(),
            verdict: None,
        }
    }

    /// Takes bytes that arrived within `arrived`. The earliest bound is the last instant at which the port had nothing.
    pub fn on_bytes(&mut self, bytes: &[u8], arrived: Between) -> Action {
        if let action @ (Action::Done(_) | Action::Fault(_)) = self.on_time(arrived.earliest) {
            self.strays.noise += bytes.len();
            return action;
        }
        if !bytes.is_empty() {
            self.chunk_of.resize(self.bytes.len() + bytes.len(), self.chunks.len());
            self.chunks.push(arrived);
            self.bytes.extend_from_slice(bytes);
            self.drop_echo();
        }
        self.on_time(arrived.latest)
    }

    /// Says what to do at `now`, when the port had nothing more to give.
    pub fn on_time(&mut self, now: Moment) -> Action {
        if let Some(verdict) = &self.verdict {
            return verdict.clone();
        }
        let last = self.chunks.last().filter(|_| !self.bytes.is_empty());
        let action = match last {
            // Whatever is there at this instant cannot be the answer, and what comes later is known to have come later.
            None if now < self.soonest && self.refuses_early() => Action::WaitUntil(self.soonest),
            None if now >= self.deadline => Action::Fault(Fault::Timeout),
            None => Action::WaitUntil(self.deadline),
            Some(_) if self.bytes.len() > MOST_BYTES => self.long(),
            Some(last) => {
                let quiet = if self.answer_start().is_some() { self.timing.silence } else { self.timing.quiet_gap };
                let ends = last.latest.after(quiet);
                if now < ends {
                    Action::WaitUntil(ends)
                } else {
                    match self.judge() {
                        Judgement::Verdict(action) => action,
                        Judgement::NotAReply => {
                            self.discard();
                            return self.on_time(now);
                        }
                    }
                }
            }
        };
        if !matches!(action, Action::WaitUntil(_)) {
            self.unfit.append(&mut self.bytes);
            self.verdict = Some(action.clone());
        }
        action
    }

    /// What came and was nobody's answer to this request.
    #[must_use]
    pub const fn strays(&self) -> &Strays {
        &self.strays
    }

    /// The bytes that came meanwhile and were no part of an answer: noise, and a reply that was refused.
    #[must_use]
    pub fn unfit(&self) -> &[u8] {
        &self.unfit
    }

    /// Whether the answer is there and only the silence after it is being waited for, to the microsecond.
    #[must_use]
    pub fn awaits_silence_only(&self) -> bool {
        self.answer_start().is_some()
    }

    /// Takes the adapter's own echo off the beginning of what came.
    fn drop_echo(&mut self) {
        let length = self.sent_frame.len();
        if !self.echo_pending || self.bytes.len() < length {
            return;
        }
        self.echo_pending = false;
        if self.bytes.starts_with(&self.sent_frame) {
            self.remove(0..length);
        }
    }

    fn remove(&mut self, range: Range<usize>) {
        self.bytes.drain(range.clone());
        self.chunk_of.drain(range);
    }

    /// Takes out of the burst what is known to be another unit's late reply, wherever it stands.
    fn set_late_replies_aside(&mut self) {
        let mut at = 0;
        while at < self.bytes.len() {
            let Some((length, late)) = self.overdue.claim(&self.bytes[at..], Some(self.unit)) else {
                at += 1;
                continue;
            };
            self.remove(at..at + length);
            match late {
                Some(unit) => self.strays.late.push(unit),
                None => self.strays.noise += length,
            }
        }
    }

    /// Forgets a burst that was no reply.
    fn discard(&mut self) {
        self.strays.noise += self.bytes.len();
        self.unfit.append(&mut self.bytes);
        self.chunk_of.clear();
        self.chunks.clear();
    }

    /// Judges a burst that has ended, in the order in which faults are counted.
    fn judge(&mut self) -> Judgement {
        self.set_late_replies_aside();
        if let Some(start) = self.answer_start() {
            return Judgement::Verdict(self.accept(start));
        }
        if self.bytes.is_empty() {
            return Judgement::NotAReply;
        }
        let received = self.bytes.len();
        let expected = self.expected_length();
        let sound = is_sound(&self.bytes);
        if self.came_too_soon(0) {
            return if sound || self.begins_as_reply() {
                let echo = self.bytes.starts_with(&self.sent_frame);
                Judgement::Verdict(Action::Fault(Fault::Early { echo }))
            } else {
                Judgement::NotAReply
            };
        }
        if sound {
            return Judgement::Verdict(Action::Fault(self.sound_but_wrong(expected)));
        }
        if received < expected {
            return if self.begins_as_reply() {
                Judgement::Verdict(Action::Fault(Fault::Short { received, expected }))
            } else {
                Judgement::NotAReply
            };
        }
        if received > expected {
            Judgement::Verdict(self.long())
        } else {
            Judgement::Verdict(Action::Fault(Fault::Crc))
        }
    }

    /// The burst ends with the expected reply, or the device's refusal; what stands before it is noise.
    fn accept(&mut self, start: usize) -> Action {
        if self.came_too_soon(start) {
            return Action::Fault(Fault::Early { echo: false });
        }
        let times = self.times(start);
        let proven = !self.refuses_early() || self.chunks[self.chunk_of[start]].earliest >= self.soonest;
        self.strays.noise += start;
        let frame = self.bytes.split_off(start);
        if frame.len() == EXCEPTION_LENGTH && frame[1] & EXCEPTION_BIT != 0 {
            return Action::Fault(Fault::Exception(frame[2]));
        }
        Action::Done(Reply { frame, times, proven })
    }

    /// What is wrong with a burst whose checksum is right.
    fn sound_but_wrong(&self, expected: usize) -> Fault {
        let (unit, function, received) = (self.bytes[0], self.bytes[1], self.bytes.len());
        if unit != self.unit.value() {
            Fault::WrongUnit { answered: unit }
        } else if function & !EXCEPTION_BIT != self.request.function() {
            Fault::WrongFunction { answered: function }
        } else if received > expected {
            Fault::Long { received, expected }
        } else if received < expected {
            Fault::Short { received, expected }
        } else {
            // As long as it should be, but its own byte count or sub-function says otherwise.
            match self.shape {
                ReplyShape::Data(bytes) if u16::from(self.bytes[2]) > bytes => Fault::Long { received, expected },
                ReplyShape::Data(_) => Fault::Short { received, expected },
                _ => Fault::WrongFunction { answered: function },
            }
        }
    }

    fn long(&self) -> Action {
        Action::Fault(Fault::Long { received: self.bytes.len(), expected: self.expected_length() })
    }

    /// The length of a whole reply, judging by what came: an exception is shorter, but a whole reply whose function was
    /// corrupted into an exception's is as long as it should be.
    fn expected_length(&self) -> usize {
        let whole = self.shape.whole_length(&self.bytes).unwrap_or(EXCEPTION_LENGTH);
        let refuses = self.bytes.get(1) == Some(&(self.request.function() | EXCEPTION_BIT));
        if refuses && self.bytes.len() != whole { EXCEPTION_LENGTH } else { whole }
    }

    /// Whether a broken burst is a piece of the expected reply rather than noise.
    fn begins_as_reply(&self) -> bool {
        let unit_fits = self.bytes.first() == Some(&self.unit.value());
        match self.bytes.get(1) {
            None => unit_fits,
            Some(function) => unit_fits && function & !EXCEPTION_BIT == self.request.function(),
        }
    }

    /// Where the expected reply begins, if the burst ends with it. A burst that begins with it and goes on has none.
    fn answer_start(&self) -> Option<usize> {
        let last = self.bytes.len().checked_sub(EXCEPTION_LENGTH)?;
        let start = (0..=last).find(|&start| self.is_answer(&self.bytes[start..]))?;
        let goes_on_from_zero = start > 0 && self.whole_answer_at_zero();
        (!goes_on_from_zero).then_some(start)
    }

    /// Whether the burst begins with a whole sound reply, whatever follows it.
    fn whole_answer_at_zero(&self) -> bool {
        [self.shape.whole_length(&self.bytes), Some(EXCEPTION_LENGTH)]
            .into_iter()
            .flatten()
            .filter_map(|length| self.bytes.get(..length))
            .any(|frame| self.is_answer(frame))
    }

    /// Whether `frame` is exactly a sound reply to this request, or the device's refusal.
    fn is_answer(&self, frame: &[u8]) -> bool {
        let function = self.request.function();
        if frame.first() != Some(&self.unit.value()) {
            return false;
        }
        let fits = match frame.get(1) {
            Some(&code) if code == function => {
                self.shape.whole_length(frame) == Some(frame.len()) && self.shape.fits(&frame[2..frame.len() - 2])
            }
            Some(&code) if code == function | EXCEPTION_BIT => frame.len() == EXCEPTION_LENGTH,
            _ => false,
        };
        fits && is_sound(frame)
    }

    const fn refuses_early(&self) -> bool {
        matches!(self.timing.early_replies, EarlyReplies::Refuse)
    }

    /// Whether what begins at `start` of the burst arrived before the wire could have carried the request and then it: each
    /// byte needs the time of a character after the one before.
    fn came_too_soon(&self, start: usize) -> bool {
        let character = self.timing.character.mul_f64(SOONEST_SHARE);
        let mut soonest = Duration::ZERO;
        self.refuses_early()
            && self.chunk_of[start..].iter().any(|&chunk| {
                let too_soon = self.chunks[chunk].latest < self.soonest.after(soonest);
                soonest += character;
                too_soon
            })
    }

    /// The times of a reply that begins at `start` of the burst and ends with it.
    fn times(&self, start: usize) -> ReplyTimes {
        let chunk_of = &self.chunk_of[start..];
        let (first, last) = (chunk_of[0], chunk_of[chunk_of.len() - 1]);
        let opening = self.chunks[first];
        let characters_in = |chunk: usize| chunk_of.iter().filter(|&&of| of == chunk).count();
        // Where bytes take less time than on a wire, the request was over when it was written.
        let request_ended = if opening.latest < self.request_ended { self.written } else { self.request_ended };
        let began = opening.latest.before(self.timing.characters(characters_in(first)));
        let largest_gap = (first + 1..=last)
            .map(|chunk| {
                let between = self.chunks[chunk].latest.since(self.chunks[chunk - 1].latest);
                between.saturating_sub(self.timing.characters(characters_in(chunk)))
            })
            .max()
            .unwrap_or(Duration::ZERO);
        ReplyTimes {
            request_ended,
            reply_began: began.max(request_ended),
            reply_ended: self.chunks[last].latest,
            largest_gap,
            pieces: last - first + 1,
            characters: chunk_of.len(),
        }
    }
}

/// What a burst was.
enum Judgement {
    Verdict(Action),
    NotAReply,
}

#[cfg(test)]
#[path = "transaction_tests.rs"]
mod tests;

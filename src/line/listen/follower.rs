//! Pairs another master's requests with the replies to them, and counts how it polls.
//!
//! A value is taken only where it is sure which registers it came from. The rules, of which each doubt names one that failed:
//!
//! 1. A reply belongs to the request directly before it, of the same unit, function and length. With more than a glitch
//!    between them another request may have been lost there.
//! 2. A request that got no reply may still get one within the line's declared worst latency (`unsettled` has those). A
//!    reply that fits one of them as well is certain where all ask for the same registers: its time is then uncertain back
//!    to the first question. Where they ask for others it is used only if it came neither later nor sooner than this unit
//!    usually answers, if nothing but the master's next request followed it, and if until the worst latency had passed
//!    nothing more came of this unit than it was asked for: a late reply is one too many on the line, sooner or later.
//! 3. A reply waits until the master's next request follows it, or until the line has been quiet for longer than the unit
//!    usually takes: another reply of the same unit behind it shows that it answers an older request. If it was slow, or the
//!    unit late lately, anything else behind it does.
//! 4. A unit that gave one too many is not believed so for ten minutes: what fits another request without an answer is not
//!    used.
//! 5. What was not heard well counts only for what it must have been: a broken reply in the place of the one that was asked for
//!    is that one, whatever address it seems to have, unless only a bit of another's late one is wrong or more follows.
//!
//! What no listener can tell: a unit that was never late before answers late, within a few characters after it was asked
//! for other registers, so that it cannot hear that; or it answers late, quickly after the next request, and that one's reply
//! is lost without a trace. The master takes the same reply for its answer then.

use std::collections::BTreeMap;
use std::time::Duration;

use tallywell_witness::plan::Request;

use super::super::fault::{Fault, FaultKind};
use super::super::moment::Moment;
use super::super::statistics::DeviceTiming;
use super::cutter::{Cut, Frame, Role, Times, shortest_character};
use super::exchange::{Doubt, Exchange, Unused, Values};
use super::frame::{Asked, EXCEPTION_BIT, asked, function_of, words};
use super::master::{MasterTiming, Passed, PollKey};
use super::mending::{Lost, REQUEST_LENGTH, nearly_requests, nearly_sound};
use super::open::{AROUND_DATA, Open};
use super::unsettled::AllUnsettled;
use super::usual::{Latency, Usual};
use super::waiting::WaitingRoom;

/// A glitch as the line turns round has one byte or two; anything longer may have been a request.
const GLITCH: usize = 2;
/// A unit that has answered late is trusted again after so long.
const LATE_UNIT_DOUBTED: Duration = Duration::from_secs(600);
/// More different requests than these are not told apart, so that a scanning master does not fill the memory.
const MOST_POLLS: usize = 512;

/// The times by which a line is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FollowTiming {
    /// How long one character occupies the wire.
    pub character: Duration,
    /// The silence between frames.
    pub silence: Duration,
    /// A reply that comes later than this after its request is taken to be impossible.
    pub worst_latency: Duration,
}

/// Everything that was counted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counted {
    /// How each unit answered.
    pub units: BTreeMap<u8, DeviceTiming>,
    /// How the master polled.
    pub master: MasterTiming,
    /// How long the line was in use.
    pub busy: Duration,
    /// Requests heard.
    pub requests: u64,
}

/// A reply that is not used yet: another of its unit behind it would show that it answers an older request.
#[derive(Clone, Debug)]
struct Held {
    exchange: Exchange,
    ended: Moment,
    /// It is used only if the master's next request follows it.
    is_doubted: bool,
    /// Another request may have called for it: then it waits until no reply to that can come any more.
    until: Option<Moment>,
}

impl Held {
    fn is_followed_by_its_like(&self, bytes: &[u8]) -> bool {
        let Exchange { unit, request, .. } = self.exchange;
        let begins_so = matches!(bytes, [of, function, ..] if *of == unit && function & !EXCEPTION_BIT == function_of(request.table));
        // What has another byte count is mostly a request.
        let is_exception = bytes.get(1).is_some_and(|function| function & EXCEPTION_BIT != 0);
        begins_so && (is_exception || bytes.get(2).is_none_or(|&count| u16::from(count) == request.reply_bytes()))
    }
}

/// A machine that takes what was cut, and gives exchanges.
#[derive(Debug)]
pub struct Follower {
    timing: FollowTiming,
    open: Option<Open>,
    held: Option<Held>,
    waiting: WaitingRoom,
    unsettled: AllUnsettled,
    usual: BTreeMap<u8, Usual>,
    /// Units that have answered late: until then a quick answer may be a late one to something else.
    late_until: BTreeMap<u8, Moment>,
    last_failed: Option<Vec<u8>>,
    last_asked: BTreeMap<PollKey, Moment>,
    last_unit: Option<u8>,
    /// When the frame directly before passed; nothing where noise did, in which a request may be found by chance.
    last_times: Option<Times>,
    counted: Counted,
}

impl Follower {
    /// One that has heard nothing.
    #[must_use]
    pub fn new(timing: FollowTiming) -> Self {
        Self {
            timing,
            open: None,
            held: None,
            waiting: WaitingRoom::default(),
            unsettled: AllUnsettled::new(timing.worst_latency),
            usual: BTreeMap::new(),
            late_until: BTreeMap::new(),
            last_failed: None,
            last_asked: BTreeMap::new(),
            last_unit: None,
            last_times: None,
            counted: Counted::default(),
        }
    }

    /// What was counted so far.
    #[must_use]
    pub const fn counted(&self) -> &Counted {
        &self.counted
    }

    /// Begins to count anew, and gives what was counted until now.
    pub fn take_counted(&mut self) -> Counted {
        std::mem::take(&mut self.counted)
    }

    /// Takes what passed.
    pub fn take(&mut self, cut: Cut) -> Vec<Exchange> {
        let (Cut::Noise { times, .. } | Cut::Frame(Frame { times, .. })) = &cut;
        let now = self.soonest(times);
        let told = self.follow(cut);
        self.waiting.in_order(told, now)
    }

    fn follow(&mut self, cut: Cut) -> Vec<Exchange> {
        match cut {
            Cut::Noise { bytes, times } => {
                let is_known = |asked: &PollKey| self.last_asked.contains_key(asked);
                let lost = nearly_requests(&bytes, is_known);
                if let Some(likeliest) = lost.perhaps.iter().find(|asked| is_known(asked)).or(lost.perhaps.first()) {
                    return self.lost_request(*likeliest, &lost, &bytes, &times);
                }
                let told = self.judge_held(&bytes);
                self.noise(&bytes, &times);
                told
            }
            Cut::Frame(frame) => match frame.role {
                Role::Request => self.request(frame),
                Role::Reply => self.reply(&frame),
                Role::Unknown => {
                    let told = self.unknown(&frame);
                    self.last_times = Some(frame.times);
                    told
                }
            },
        }
    }

    /// Says that nothing more was on the wire until `now`.
    pub fn on_time(&mut self, now: Moment) -> Vec<Exchange> {
        let mut told = Vec::new();
        if self.open.as_ref().is_some_and(|open| now > open.frame.times.ended.after(self.timing.worst_latency)) {
            told.extend(self.close_unanswered(now));
        }
        self.unsettled.forget_before(now);
        let is_over = |held: &Held| {
            let quickly = self.quickly(held.exchange.unit);
            now > held.ended.after(quickly) && (!held.is_doubted || self.unsettled.is_empty())
        };
        if self.held.as_ref().is_some_and(is_over) {
            told.extend(self.release_held());
        }
        self.waiting.in_order(told, now)
    }

    /// The master asked, and was not heard well; it may be answered, in time or late.
    fn lost_request(&mut self, asked: PollKey, lost: &Lost, bytes: &[u8], times: &Times) -> Vec<Exchange> {
        // Whatever else came before it may have been the right reply.
        let before = if lost.is_first { &[] } else { &bytes[..bytes.len() - REQUEST_LENGTH] };
        let mut told = if lost.is_first { self.release_held().into_iter().collect() } else { self.judge_held(before) };
        if !lost.is_first {
            self.noise(before, times);
        }
        told.extend(self.close_unanswered(times.began));
        let noise = bytes.len() - before.len();
        self.unit(asked.unit).noise_bytes += noise as u64;
        self.counted.busy += self.characters(noise);
        lost.perhaps.iter().for_each(|&asked| self.unsettled.unanswered(asked, times));
        self.last_unit = Some(asked.unit);
        self.last_times = None;
        told
    }

    /// The unit that a broken reply seems to be of, if that was not asked last or has answered already: then this is late.
    fn broken_late_reply(&self, bytes: &[u8]) -> Option<u8> {
        let &[unit, function, ref rest @ ..] = bytes else { return None };
        let count = rest.first().filter(|_| self.last_unit == Some(unit));
        let is_answered = self.last_unit != Some(unit) || self.open.is_none() && count.is_some();
        let function = function & !EXCEPTION_BIT;
        let like_waiting = rest.first().is_some_and(|&count| self.waiting.holds_like(unit, function, count));
        let is_feared = self.unsettled.holds(unit, function, count.copied())
            || like_waiting && (count.is_some() || nearly_sound(&[], bytes));
        (is_answered && is_feared).then_some(unit)
    }

    fn noise(&mut self, bytes: &[u8], times: &Times) {
        self.counted.busy += self.characters(bytes.len());
        self.last_times = None;
        let mut late = self.broken_late_reply(bytes);
        let soonest = self.soonest(times);
        let Some(mut open) = self.open.take() else {
            if let Some(unit) = self.last_unit {
                self.unit(unit).noise_bytes += bytes.len() as u64;
            }
            return late.into_iter().for_each(|unit| self.was_late(unit, times.began));
        };
        if open.noise == 0 && soonest.since(open.frame.times.ended) <= self.quickly(open.frame.unit()) {
            open.noise_is_its_reply = open.is_answered_by(bytes, |unit| self.counted.units.contains_key(&unit));
            // It took the place of the reply that was asked for. Mostly it is that, unless only a bit of it is wrong or something
            // more comes.
            let is_unclear = open.calls_for(bytes.len()) && !nearly_sound(&[], bytes);
            open.late_if_more = late.take_if(|_| is_unclear || open.noise_is_its_reply);
        } else {
            late = late.or(open.late_if_more.take());
        }
        if open.noise == 0 {
            open.noise_begins_as_reply = bytes.get(..2) == open.frame.bytes.get(..2);
        }
        open.noise += bytes.len();
        self.open = Some(open);
        late.into_iter().for_each(|unit| self.was_late(unit, times.began));
    }

    fn request(&mut self, frame: Frame) -> Vec<Exchange> {
        let mut told: Vec<Exchange> = self.release_held().into_iter().collect();
        self.judge_manners(&frame);
        told.extend(self.close_unanswered(frame.times.began));
        // A unit that was late before may be as late again, however long it was left alone.
        if !self.is_doubted(frame.unit(), frame.times.began) {
            self.unsettled.ask(frame.unit(), self.soonest(&frame.times), self.quickly(frame.unit()));
        }
        let asked = asked(&frame.bytes);
        self.counted.requests += 1;
        let retry = self.last_failed.take().is_some_and(|failed| failed == frame.bytes);
        if retry {
            self.counted.master.count(Passed::Retry);
        }
        self.counted.master.count(match asked {
            _ if frame.unit() == 0 => Passed::Broadcast,
            Asked::Read(_) => Passed::Read,
            Asked::Write(_) => Passed::Write,
            Asked::Other(_) => Passed::Other,
        });
        if let Asked::Read(request) = asked {
            self.count_poll(PollKey::new(frame.unit(), request), frame.times.began, retry);
        }
        self.last_times = Some(frame.times);
        self.open = if frame.unit() == 0 {
            // Nobody answers what is for everybody.
            self.counted.busy += self.characters(frame.bytes.len()) + self.timing.silence;
            None
        } else {
            self.last_unit = Some(frame.unit());
            Some(Open::new(frame, asked, retry))
        };
        told
    }

    /// The silence before a request, and whether whoever sent it waited for the reply to the one before: only what is certain
    /// whatever an adapter held, and this machine.
    fn judge_manners(&mut self, frame: &Frame) {
        let shortest = shortest_character(self.timing.character);
        let silence_after = |times: &Times| frame.times.silence_at_most(times, shortest);
        if let Some(at_most) = self.last_times.as_ref().and_then(silence_after) {
            self.counted.master.silence(at_most, self.timing.silence);
        }
        if let Some(Open { frame: open, asked: Asked::Read(request), noise: 0, .. }) = &self.open {
            let reply = AROUND_DATA + usize::from(request.reply_bytes());
            let needed = self.timing.silence + shortest * u32::try_from(reply).unwrap_or(u32::MAX);
            if silence_after(&open.times).is_some_and(|at_most| at_most < needed) {
                self.counted.master.count(Passed::Interruption);
            }
        }
    }

    fn count_poll(&mut self, key: PollKey, at: Moment, retry: bool) {
        let polls = &mut self.counted.master.polls;
        if polls.len() >= MOST_POLLS && !polls.contains_key(&key) {
            return;
        }
        let poll = polls.entry(key).or_default();
        poll.requests += 1;
        if retry {
            return;
        }
        if let Some(before) = self.last_asked.insert(key, at) {
            poll.period.record(at.since(before));
        }
        if self.last_asked.len() > 2 * MOST_POLLS {
            self.last_asked.clear();
        }
    }

    /// The master went on without a whole reply, at `next`.
    fn close_unanswered(&mut self, next: Moment) -> Option<Exchange> {
        let open = self.open.take()?;
        let unit = open.frame.unit();
        self.counted.busy += next.since(open.frame.times.began).min(self.timing.worst_latency);
        self.last_failed = Some(open.frame.bytes.clone());
        let Asked::Read(request) = open.asked else {
            self.unit(unit).noise_bytes += open.noise as u64;
            return None;
        };
        let expected = AROUND_DATA + usize::from(request.reply_bytes());
        let received = open.noise;
        let fault = match received {
            0 => Fault::Timeout,
            _ if received < expected && !open.noise_begins_as_reply => Fault::Timeout,
            _ if received < expected => Fault::Short { received, expected },
            _ if received > expected => Fault::Long { received, expected },
            _ => Fault::Crc,
        };
        if matches!(fault, Fault::Timeout) {
            self.unit(unit).noise_bytes += received as u64;
            if received == 0 {
                self.counted.master.gives_up.record(next.since(open.frame.times.ended));
            }
        }
        // What is not its reply leaves that to be feared.
        if !open.noise_is_its_reply {
            self.unsettled.unanswered(PollKey::new(unit, request), &open.frame.times);
        }
        self.unit(unit).count_fault(fault.kind());
        Some(Exchange { unit, request, outcome: Err(Unused::Fault(fault)) })
    }

    fn reply(&mut self, frame: &Frame) -> Vec<Exchange> {
        if self.held.as_ref().is_some_and(|held| held.is_followed_by_its_like(&frame.bytes)) {
            self.was_late(frame.unit(), frame.times.began);
        }
        let mut told = self.judge_held(&frame.bytes);
        self.unsettled.forget_before(self.soonest(&frame.times));
        self.unsettled.hear(frame.unit(), frame.times.ended);
        self.last_times = Some(frame.times);
        self.counted.busy += self.characters(frame.bytes.len()) + self.timing.silence;
        let Some(open) = self.open.take_if(|open| open.frame.unit() == frame.unit()) else {
            told.extend(self.foreign_reply(frame));
            return told;
        };
        let Asked::Read(request) = open.asked else {
            return told;
        };
        open.late_if_more.into_iter().for_each(|unit| self.was_late(unit, frame.times.began));
        let (unit, function) = (frame.unit(), function_of(request.table));
        let exchange = |outcome| Exchange { unit, request, outcome };
        let answered = if frame.bytes[1] == function | EXCEPTION_BIT {
            Err(Fault::Exception(frame.bytes[2]))
        } else if frame.function() != function {
            Err(Fault::WrongFunction { answered: frame.function() })
        } else {
            let (received, expected) = (frame.bytes.len(), AROUND_DATA + usize::from(request.reply_bytes()));
            words(&frame.bytes, request).ok_or(if received > expected {
                Fault::Long { received, expected }
            } else {
                Fault::Short { received, expected }
            })
        };
        self.counted.busy += frame.times.began.since(open.frame.times.began);
        self.unit(unit).noise_bytes += open.noise as u64;
        match answered {
            Err(fault) => {
                // It may be the answer to another request, and then this one's is still to come.
                if !matches!(fault, Fault::Exception(_)) || self.unsettled.holds(unit, function, None) {
                    self.unsettled.hardly_answered(PollKey::new(unit, request), &open.frame.times);
                }
                self.last_failed = Some(open.frame.bytes);
                self.unit(unit).count_fault(fault.kind());
                told.push(exchange(Err(Unused::Fault(fault))));
            }
            Ok(words) => told.extend(self.answered(&open, frame, request, words)),
        }
        told
    }

    /// A sound reply as the request calls for one.
    fn answered(&mut self, open: &Open, frame: &Frame, request: Request, words: Vec<u16>) -> Option<Exchange> {
        let unit = frame.unit();
        let asked = &open.frame.times;
        let exchange = |outcome| Exchange { unit, request, outcome };
        let latency = Latency::between(asked, frame.times.began, self.soonest(&frame.times));
        let usually = self.usual.get(&unit).copied().unwrap_or_default();
        let quick = latency.at_most <= usually.quickly();
        let key = PollKey::new(unit, request);
        let (same, other) = self.unsettled.alike(key);
        // Only what was certainly slow is held against the unit: a listener that was kept waiting sees slow answers, too.
        let was_certainly_slow = latency.at_least > usually.quickly();
        if was_certainly_slow && (!same.is_empty() || !other.is_empty() || self.waiting.holds(unit)) {
            self.doubt_waiting(unit);
        }
        let (slow, soon) = (usually.is_slow(latency), usually.is_soon(latency, self.timing.silence));
        // One that is only behind gives a reply too many when it is left alone: waiting for that is enough.
        let was_late = self.is_doubted(unit, frame.times.began) && other.iter().any(|one| !one.is_only_behind());
        let may_be_late = was_late || !other.is_empty() && (slow || soon);
        let doubt = match () {
            () if open.noise > GLITCH => Some(Doubt::NoiseBetween),
            () if latency.at_most > self.timing.worst_latency => Some(Doubt::TooLate),
            () if may_be_late && slow => Some(Doubt::SlowAfterAnother),
            () if may_be_late && soon => Some(Doubt::SoonAfterAnother),
            () if may_be_late => Some(Doubt::UnitWasLate),
            () => None,
        };
        if let Some(doubt) = doubt {
            if doubt == Doubt::UnitWasLate {
                self.unsettled.perhaps_answered(key, asked, open.is_repetition, frame.times.ended);
            } else {
                self.unsettled.hardly_answered(key, asked);
            }
            self.counted.master.count(Passed::Doubtful);
            return Some(exchange(Err(Unused::Doubtful(doubt))));
        }
        // The same question was asked before and not answered: this may be the answer to that.
        let first_asked = same.iter().filter(|_| !quick).map(|one| one.ended).min().unwrap_or(asked.ended);
        let began = frame.times.began.max(asked.ended);
        let sampled_at = first_asked.midpoint(began);
        // The request had ended after the last instant at which its end had not arrived.
        let soonest = same.iter().map(|one| one.soonest).fold(asked.last_ended.earliest, Moment::min);
        let values = Values {
            words,
            sampled_at,
            uncertainty: began.since(sampled_at).max(sampled_at.since(soonest)),
            characters: frame.bytes.len(),
            largest_gap: frame.times.largest_gap,
        };
        let is_doubted = !other.is_empty() || (quick && !same.is_empty());
        if !is_doubted {
            self.usual.entry(unit).or_default().learn(latency);
        }
        let on_wire = self.characters(frame.bytes.len());
        let pieces = usize::try_from(frame.times.last_lump - frame.times.first_lump).unwrap_or(usize::MAX - 1) + 1;
        let in_one_lump = asked.last_lump == frame.times.first_lump;
        let latency = (!in_one_lump).then(|| began.since(asked.ended));
        let duration = frame.times.ended.since(frame.times.began);
        self.unit(unit).count_heard_reply(latency, duration, on_wire, frame.bytes.len(), pieces);
        if let Some(poll) = self.counted.master.polls.get_mut(&PollKey::new(unit, request)) {
            poll.answered += 1;
        }
        let exchange = exchange(Ok(values));
        if !(same.is_empty() && other.is_empty()) {
            self.unsettled.perhaps_answered(key, asked, open.is_repetition, frame.times.ended);
        }
        let until = (!other.is_empty()).then(|| asked.ended.after(self.timing.worst_latency));
        let is_doubted = is_doubted || slow || self.is_doubted(unit, frame.times.began);
        self.held = Some(Held { exchange, ended: frame.times.ended, is_doubted, until });
        None
    }

    /// A reply of a unit that was not asked last.
    fn foreign_reply(&mut self, frame: &Frame) -> Option<Exchange> {
        let unit = frame.unit();
        let (in_time, soonest) = (self.quickly(unit), self.soonest(&frame.times));
        let settled = self.unsettled.settle(unit, frame.function(), |ended| soonest.since(ended) <= in_time);
        // However quick it was, it is late if the master has asked another unit since.
        if settled == Some(false) || settled.is_some() && self.open.is_some() {
            self.was_late(unit, frame.times.began);
            self.unit(unit).count_fault(FaultKind::Late);
            return None;
        }
        self.counted.master.count(Passed::Orphan);
        let open = self.open.as_ref().filter(|open| open.noise == 0)?;
        let (asked_unit, Asked::Read(request)) = (open.frame.unit(), open.asked) else { return None };
        // Somebody answered in the place of the unit that was asked, or a request was lost on the way to us.
        self.unsettled.unanswered(PollKey::new(asked_unit, request), &open.frame.times);
        self.last_failed = Some(open.frame.bytes.clone());
        self.open = None;
        let fault = Fault::WrongUnit { answered: unit };
        self.unit(asked_unit).count_fault(fault.kind());
        Some(Exchange { unit: asked_unit, request, outcome: Err(Unused::Fault(fault)) })
    }

    fn unknown(&mut self, frame: &Frame) -> Vec<Exchange> {
        let mut told = self.judge_held(&frame.bytes);
        self.counted.master.count(Passed::Unknown);
        self.counted.busy += self.characters(frame.bytes.len()) + self.timing.silence;
        // It took the turn of whatever was open.
        told.extend(self.close_unanswered(frame.times.began));
        told
    }

    /// The master went on as after the right reply.
    fn release_held(&mut self) -> Option<Exchange> {
        let Held { exchange, until, .. } = self.held.take()?;
        let Some(until) = until else { return Some(exchange) };
        self.waiting.keep(exchange, until);
        None
    }

    /// Something else than the master's next request followed: it may have been the wrong reply, surely so before another of
    /// the same unit.
    fn judge_held(&mut self, followed_by: &[u8]) -> Vec<Exchange> {
        let Some(held) = self.held.take_if(|held| held.is_doubted || held.is_followed_by_its_like(followed_by)) else {
            return self.release_held().into_iter().collect();
        };
        self.counted.master.count(Passed::Doubtful);
        vec![Exchange { outcome: Err(Unused::Doubtful(Doubt::NotWentOn)), ..held.exchange }]
    }

    /// What passed then did not begin sooner than this.
    fn soonest(&self, times: &Times) -> Moment {
        times.first_ended.earliest.before(self.timing.character)
    }

    /// Within what time a unit usually answers.
    fn quickly(&self, unit: u8) -> Duration {
        self.usual.get(&unit).copied().unwrap_or_default().quickly()
    }

    /// Whether a unit has answered late not long ago.
    fn is_doubted(&self, unit: u8, at: Moment) -> bool {
        self.late_until.get(&unit).is_some_and(|until| at < *until)
    }

    /// A unit has answered late.
    fn was_late(&mut self, unit: u8, at: Moment) {
        self.late_until.insert(unit, at.after(LATE_UNIT_DOUBTED));
        self.unsettled.was_late(unit);
        self.doubt_waiting(unit);
    }

    /// What this unit answered lately, and could have been a late answer, is not used.
    fn doubt_waiting(&mut self, unit: u8) {
        for _ in 0..self.waiting.doubt(unit) {
            self.counted.master.count(Passed::Doubtful);
        }
    }

    fn unit(&mut self, unit: u8) -> &mut DeviceTiming {
        self.counted.units.entry(unit).or_default()
    }

    fn characters(&self, count: usize) -> Duration {
        self.timing.character * u32::try_from(count).unwrap_or(u32::MAX)
    }
}

#[cfg(test)]
#[path = "silence_tests.rs"]
mod silence_tests;
#[cfg(test)]
#[path = "follower_tests.rs"]
mod tests;

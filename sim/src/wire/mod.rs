//! A half-duplex wire with slaves on it, in simulated time: bytes and an instant go in, bytes with their instants come out.
//!
//! Nothing here waits or reads a clock. Whoever drives the wire tells it what the master sent and when, asks when it next
//! has something to do, and calls [`Wire::advance`] then; a rig does so in real time, a test in no time at all.
//!
//! What is modelled: each byte takes its characters' time on the one pair that all share; a frame ends with a silence of 3.5
//! characters; a slave samples and answers only after that silence and its own latency; two that talk at once spoil each
//! other's bytes; the master's adapter does not hear while it sends, and passes on what it hears in chunks.

mod adapter;
mod bus;
mod characters;
mod disturbance;
mod ears;
mod pace;
mod witnessed;

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub use self::adapter::{Adapter, Delivery};
pub use self::characters::{Characters, ParityBit};
pub use self::disturbance::{Disturbance, Stranger};
pub use self::ears::Ears;
pub use self::pace::Pace;
pub use self::witnessed::{Lateness, Passage, Talker, Witnessed};

use self::adapter::Held;
use self::bus::{Closed, Listening};
use self::ears::Hearing;
use crate::fault::Injected;
use crate::frame::sound;
use crate::slave::{Answer, Begins, Station};

/// On a wire without pace, what does not become a whole request in this time is dropped.
const PATIENCE_WITHOUT_PACE: Duration = Duration::from_millis(5);

/// One line: its pace, the master's adapter, and the slaves.
pub struct Wire {
    pace: Option<Pace>,
    characters: Option<Characters>,
    adapter: Adapter,
    stations: Vec<Box<dyn Station>>,
    events: BinaryHeap<Reverse<Planned>>,
    planned: u64,
    talks: Vec<Talk>,
    begun_talks: u64,
    listening: Listening,
    held: Held,
    hearing: Option<Hearing>,
    deliveries: Vec<Delivery>,
    waiting_for_request: Vec<(usize, Answer)>,
    disturbances: Vec<(Disturbance, Injected)>,
    station_free: Vec<Duration>,
    last_end: Option<Duration>,
    random: ChaCha8Rng,
    witnessed: Witnessed,
}

/// One talker's bytes, back to back.
#[derive(Debug)]
struct Talk {
    number: u64,
    from: Talker,
    begins: Duration,
    bytes: Vec<u8>,
    /// How many of its bytes have been heard.
    heard: usize,
    /// A byte that a listening port hears wrong, and how.
    spoiled: Option<(usize, u8)>,
}

impl Talk {
    fn begin_of_byte(&self, pace: Option<Pace>, place: usize) -> Duration {
        self.begins + pace.map_or(Duration::ZERO, |pace| pace.characters(place))
    }

    fn end_of_byte(&self, pace: Option<Pace>, place: usize) -> Duration {
        self.begin_of_byte(pace, place + 1)
    }

    fn ends(&self, pace: Option<Pace>) -> Duration {
        self.begin_of_byte(pace, self.bytes.len())
    }

    fn is_heard(&self) -> bool {
        self.heard == self.bytes.len()
    }
}

#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Planned {
    at: Duration,
    number: u64,
    event: Event,
}

#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    /// Some bytes of this talk have ended.
    Hear { talk: u64 },
    /// The line may have been quiet long enough.
    Quiet,
    /// The adapter's timer ticks.
    Tick,
    /// A listening port has held its bytes for long enough.
    Release { holding: u64 },
    /// A station samples its registers and answers.
    Sample { station: usize, request: Vec<u8>, asked_by: Talker },
    /// A stranger speaks.
    Disturb { disturbance: usize },
    /// An answer or a stranger's bytes begin on the wire.
    Speak { from: Talker, bytes: Vec<u8> },
}

impl Wire {
    /// A wire with nobody on it; without a pace, bytes take no time and no silence parts them.
    #[must_use]
    pub fn new(pace: Option<Pace>, adapter: Adapter) -> Self {
        Self {
            pace,
            characters: None,
            adapter: Adapter { chunk: adapter.chunk.clamp(1, 64), ..adapter },
            stations: Vec::new(),
            events: BinaryHeap::new(),
            planned: 0,
            talks: Vec::new(),
            begun_talks: 0,
            listening: Listening::default(),
            held: Held::default(),
            hearing: None,
            deliveries: Vec::new(),
            waiting_for_request: Vec::new(),
            disturbances: Vec::new(),
            station_free: Vec::new(),
            last_end: None,
            random: ChaCha8Rng::seed_from_u64(0),
            witnessed: Witnessed::default(),
        }
    }

    /// A wire whose talkers send and receive so, at the pace that follows: a port with other settings hears junk, and is not
    /// understood.
    #[must_use]
    pub fn with_characters(characters: Characters, adapter: Adapter) -> Self {
        Self { characters: Some(characters), ..Self::new(Some(characters.pace()), adapter) }
    }

    /// How its talkers send and receive; nothing where the port's settings do not matter.
    #[must_use]
    pub const fn characters(&self) -> Option<Characters> {
        self.characters
    }

    /// Puts a station on the wire.
    pub fn attach(&mut self, station: impl Station + 'static) {
        self.stations.push(Box::new(station));
        self.station_free.push(Duration::ZERO);
    }

    /// What the wire saw so far.
    #[must_use]
    pub fn witnessed(&self) -> &Witnessed {
        &self.witnessed
    }

    /// Notes how late a delivery was given.
    pub fn delivered(&mut self, late: Duration) {
        self.witnessed.lateness.record(late);
    }

    /// Lets a stranger speak on the wire, and counts each time under unit 0.
    pub fn disturb(&mut self, disturbance: Disturbance, injected: &Injected) {
        self.disturbances.push((disturbance, injected.clone()));
        self.plan_disturbance(self.disturbances.len() - 1, Duration::ZERO);
    }

    /// Takes bytes that the master gave its adapter at `at`. Call [`Wire::advance`] to that time first.
    pub fn master_sends(&mut self, bytes: &[u8], at: Duration) {
        self.witnessed.bytes_from_master += count(bytes.len());
        let still_sending = |talk: &Talk| talk.from == Talker::Master && talk.ends(self.pace) > at;
        if let Some(index) = self.talks.iter().position(still_sending) {
            self.talks[index].bytes.extend_from_slice(bytes);
            self.plan_hearing(index);
            return;
        }
        if let (Some(pace), Some(last_end)) = (self.pace, self.last_end) {
            // Of bytes that have not reached it yet the master cannot know.
            let busy = self.talks.iter().any(|talk| talk.heard > 0 && talk.begins <= at && talk.ends(self.pace) > at);
            let silence = if busy { Duration::ZERO } else { at.saturating_sub(last_end) };
            let continues = self.listening.from() == Some(Talker::Master);
            if continues && silence < pace.silence_between_frames() {
                self.witnessed.broken_requests += u64::from(silence > pace.silence_inside_frame());
            } else {
                self.witnessed.silence(silence, pace.silence_between_frames());
            }
        }
        if self.witnessed.span.is_none() {
            self.witnessed.span = Some((at, at));
        }
        self.begin(Talker::Master, bytes.to_vec(), at);
        self.release_with_request(at);
    }

    /// When the wire next has something to do, and whether the master waits for it to the microsecond.
    #[must_use]
    pub fn next(&self) -> Option<(Duration, bool)> {
        self.events.peek().map(|Reverse(planned)| {
            (
                planned.at,
                matches!(
                    planned.event,
                    Event::Hear { .. } | Event::Tick | Event::Release { .. } | Event::Sample { .. }
                ),
            )
        })
    }

    /// Lets everything happen up to and including `now`; gives what has reached the master.
    pub fn advance(&mut self, now: Duration) -> Vec<Delivery> {
        while let Some(Reverse(planned)) = self.events.peek() {
            if planned.at > now {
                break;
            }
            let Some(Reverse(Planned { at, event, .. })) = self.events.pop() else { break };
            self.happen(event, at);
        }
        std::mem::take(&mut self.deliveries)
    }

    fn happen(&mut self, event: Event, at: Duration) {
        match event {
            Event::Hear { talk } => {
                if let Some(index) = self.talks.iter().position(|running| running.number == talk) {
                    self.hear(index, at);
                }
            }
            Event::Quiet => self.quiet(at),
            Event::Tick => {
                let bytes = self.held.tick(at);
                self.give(bytes, at);
            }
            Event::Release { holding } => {
                if let Some(hearing) = &mut self.hearing {
                    hearing.release(holding, at);
                }
            }
            Event::Sample { station, request, asked_by } => self.sample(station, &request, asked_by, at),
            Event::Disturb { disturbance } => {
                let (stranger, injected) = &self.disturbances[disturbance];
                let bytes = stranger.bytes(&mut self.random);
                injected.strike(0, stranger.name(), bytes.len());
                self.begin(Talker::Stranger, bytes, at);
                self.plan_disturbance(disturbance, at);
            }
            Event::Speak { from, bytes } => self.begin(from, bytes, at),
        }
    }

    fn begin(&mut self, from: Talker, bytes: Vec<u8>, at: Duration) {
        if bytes.is_empty() {
            return;
        }
        self.begun_talks += 1;
        let spoiled = self.hearing.as_mut().and_then(|hearing| hearing.spoil(bytes.len()));
        self.talks.push(Talk { number: self.begun_talks, from, begins: at, bytes, heard: 0, spoiled });
        self.plan_hearing(self.talks.len() - 1);
    }

    /// Bytes of a talk that have ended by `at`: slaves hear them, and the master if it is not sending.
    fn hear(&mut self, index: usize, at: Duration) {
        let talk = &self.talks[index];
        let (from, first) = (talk.from, talk.heard);
        let begins = talk.begin_of_byte(self.pace, first);
        let ended = (first..talk.bytes.len()).take_while(|&place| talk.end_of_byte(self.pace, place) <= at).count();
        let mut heard = Vec::with_capacity(ended);
        for place in first..first + ended {
            heard.extend(self.as_heard(index, place));
        }
        self.talks[index].heard += ended;
        self.overhear(index, &heard, at);
        if !heard.is_empty() {
            self.pass_on(from, &heard, begins, at);
        }
        if self.talks[index].is_heard() {
            self.finish_talk(index, at);
        } else {
            self.plan_hearing(index);
        }
    }

    /// The byte that others hear: spoiled where another talks at the same time, nothing where that other began earlier.
    fn as_heard(&mut self, index: usize, place: usize) -> Option<u8> {
        let talk = &self.talks[index];
        let byte = talk.bytes[place];
        let (begin, end) = (talk.begin_of_byte(self.pace, place), talk.end_of_byte(self.pace, place));
        let mut spoiled = false;
        let mut swallowed = false;
        for other in self.talks.iter().filter(|other| other.number != talk.number) {
            if other.begins < end && other.ends(self.pace) > begin {
                spoiled = true;
                swallowed |= (other.begins, other.number) < (talk.begins, talk.number) && other.ends(self.pace) >= end;
            }
        }
        self.witnessed.collided_bytes += u64::from(spoiled);
        if swallowed {
            return None;
        }
        Some(if spoiled { byte ^ self.random.random_range(1..=u8::MAX) } else { byte })
    }

    fn pass_on(&mut self, from: Talker, bytes: &[u8], begins: Duration, at: Duration) {
        if let Some(pace) = self.pace
            && let Some(last_end) = self.last_end
            && (begins.saturating_sub(last_end) > pace.silence_inside_frame() || self.is_master_after_slave(from))
        {
            // The last frame ended, but too soon for anyone to answer it.
            let closed = self.listening.close();
            self.count_unanswerable(closed);
        }
        self.listening.hear(from, bytes);
        self.last_end = Some(self.last_end.map_or(at, |last| last.max(at)));
        let sending = self.pace.is_some()
            && self
                .talks
                .iter()
                .any(|talk| talk.from == Talker::Master && talk.begins < at && talk.ends(self.pace) > begins);
        let to_master = if from == Talker::Master { self.adapter.echo } else { self.adapter.echo || !sending };
        if to_master {
            let (now, tick) = self.held.take(self.adapter, bytes.to_vec(), at);
            if let Some(tick) = tick {
                self.plan(tick, Event::Tick);
            }
            self.give(now, at);
        }
    }

    /// Slaves know where a reply ends by its length, and forgive a master that leaves no silence after it.
    fn is_master_after_slave(&self, from: Talker) -> bool {
        from == Talker::Master && matches!(self.listening.from(), Some(Talker::Unit(_)))
    }

    fn give(&mut self, bytes: Vec<u8>, at: Duration) {
        if !bytes.is_empty() {
            self.witnessed.bytes_to_master += count(bytes.len());
            self.deliveries.push(Delivery { due: at, bytes });
        }
    }

    fn finish_talk(&mut self, index: usize, at: Duration) {
        let talk = &self.talks[index];
        let (from, begins, spoiled) = (talk.from, talk.begins, talk.spoiled.is_some());
        let bytes = talk.bytes.clone();
        self.witnessed.busy += at.saturating_sub(begins);
        self.witnessed.remember(Passage { from, begun: begins, ended: at, bytes, spoiled });
        let silence = self.pace.map_or(Duration::ZERO, Pace::silence_between_frames);
        self.plan(at + silence, Event::Quiet);
        if self.pace.is_none() && from == Talker::Master {
            self.plan(at + PATIENCE_WITHOUT_PACE, Event::Quiet);
        }
        if from == Talker::Master {
            self.release_after_request(at);
        }
        // A finished talk still matters to bytes of others that began before it ended.
        let oldest = self.talks.iter().filter(|talk| !talk.is_heard()).map(|talk| talk.begins).min();
        let pace = self.pace;
        self.talks.retain(|talk| !talk.is_heard() || oldest.is_some_and(|oldest| talk.ends(pace) > oldest));
    }

    /// The line may be quiet: then the frame on it is whole.
    fn quiet(&mut self, at: Duration) {
        let Some(pace) = self.pace else {
            self.quiet_without_pace(at);
            return;
        };
        let talking = self.talks.iter().any(|talk| talk.begins < at && !talk.is_heard());
        let quiet_since = self.last_end.is_some_and(|last| last + pace.silence_between_frames() <= at);
        if talking || !quiet_since {
            return;
        }
        let closed = self.listening.close();
        self.frame_ended(closed, at);
    }

    fn quiet_without_pace(&mut self, at: Duration) {
        let abandoned = self.last_end.is_some_and(|last| last + PATIENCE_WITHOUT_PACE <= at);
        while let Some(closed) = self.listening.close_request(abandoned) {
            self.frame_ended(Some(closed), at);
        }
    }

    fn frame_ended(&mut self, closed: Option<Closed>, at: Duration) {
        let Some(closed) = closed else { return };
        let whole = sound(&closed.bytes);
        self.let_overhear(closed.from, whole.is_some());
        let Some((unit, protocol_data)) = whole else {
            self.witnessed.bad_requests += u64::from(closed.from == Talker::Master);
            return;
        };
        if matches!(closed.from, Talker::Unit(_)) {
            return;
        }
        let station = self.stations.iter().position(|station| station.address() == unit);
        if closed.from == Talker::Master {
            self.witnessed.requests += 1;
            *self.witnessed.functions.entry(protocol_data[0]).or_default() += 1;
            self.witnessed.unanswered += u64::from(station.is_none());
            if let Some(pace) = self.pace {
                self.witnessed.needed += pace.characters(closed.bytes.len()) + pace.silence_between_frames();
            }
        }
        if let Some(station) = station {
            let latency = self.stations[station].latency();
            if closed.from == Talker::Master {
                self.witnessed.needed += latency;
            }
            self.plan(at + latency, Event::Sample { station, request: closed.bytes, asked_by: closed.from });
        }
    }

    fn count_unanswerable(&mut self, closed: Option<Closed>) {
        let Some(closed) = closed else { return };
        self.let_overhear(closed.from, sound(&closed.bytes).is_some());
        self.witnessed.bad_requests += u64::from(closed.from == Talker::Master);
    }

    /// Every station hears every frame but its own.
    fn let_overhear(&mut self, from: Talker, sound: bool) {
        for station in self.stations.iter_mut().filter(|station| Talker::Unit(station.address()) != from) {
            station.overhear(sound);
        }
    }

    fn sample(&mut self, station: usize, request: &[u8], asked_by: Talker, at: Duration) {
        for answer in self.stations[station].answer(request, at) {
            let begins = match answer.begins {
                Begins::After(delay) => (at + delay).max(self.free_again(station)),
                Begins::Following(pause) => at.max(self.station_free[station]) + pause,
                Begins::Beside(delay) => {
                    let from = Talker::Unit(self.stations[station].address());
                    self.plan(at + delay, Event::Speak { from, bytes: answer.bytes });
                    continue;
                }
                Begins::AfterNextRequest(_) | Begins::WithNextRequest => {
                    self.waiting_for_request.push((station, answer));
                    continue;
                }
            };
            let ends = self.send(station, answer.bytes, begins);
            if asked_by == Talker::Master {
                self.account(begins, ends);
            }
        }
    }

    /// When a station can begin another frame: it keeps the silence after its own, too.
    fn free_again(&self, station: usize) -> Duration {
        self.station_free[station] + self.pace.map_or(Duration::ZERO, Pace::silence_between_frames)
    }

    /// Lets a station talk, and says when it will have ended.
    fn send(&mut self, station: usize, bytes: Vec<u8>, begins: Duration) -> Duration {
        let time = self.pace.map_or(Duration::ZERO, |pace| pace.characters(bytes.len()));
        self.station_free[station] = begins + time;
        let from = Talker::Unit(self.stations[station].address());
        self.plan(begins, Event::Speak { from, bytes });
        begins + time
    }

    fn account(&mut self, begins: Duration, ends: Duration) {
        let silence = self.pace.map_or(Duration::ZERO, Pace::silence_between_frames);
        self.witnessed.needed += ends.saturating_sub(begins) + silence;
        if let Some((_, last)) = &mut self.witnessed.span {
            *last = (*last).max(ends + silence);
        }
    }

    fn release_with_request(&mut self, at: Duration) {
        let (released, waiting) = std::mem::take(&mut self.waiting_for_request)
            .into_iter()
            .partition(|(_, answer)| answer.begins == Begins::WithNextRequest);
        self.waiting_for_request = waiting;
        for (_, answer) in released {
            self.give(answer.bytes, at);
        }
    }

    fn release_after_request(&mut self, at: Duration) {
        let (released, waiting): (Vec<_>, Vec<_>) = std::mem::take(&mut self.waiting_for_request)
            .into_iter()
            .partition(|(_, answer)| matches!(answer.begins, Begins::AfterNextRequest(_)));
        self.waiting_for_request = waiting;
        for (station, answer) in released {
            if let Begins::AfterNextRequest(delay) = answer.begins {
                let begins = (at + delay).max(self.free_again(station));
                self.send(station, answer.bytes, begins);
            }
        }
    }

    fn plan_disturbance(&mut self, disturbance: usize, after: Duration) {
        let next = self.disturbances[disturbance].0.next(after, &mut self.random);
        if let Some(next) = next {
            self.plan(next, Event::Disturb { disturbance });
        }
    }

    fn plan(&mut self, at: Duration, event: Event) {
        self.planned += 1;
        self.events.push(Reverse(Planned { at, number: self.planned, event }));
    }

    /// Plans the hearing of a talk's next chunk. Where the master's bytes are heard by slaves only, all at their end.
    fn plan_hearing(&mut self, index: usize) {
        let talk = &self.talks[index];
        let left = talk.bytes.len() - talk.heard;
        let whole = self.pace.is_none() || talk.from == Talker::Master && !self.adapter.echo && self.hearing.is_none();
        let next = if whole { left } else { left.min(self.adapter.chunk) };
        let at = talk.end_of_byte(self.pace, talk.heard + next - 1);
        let talk = talk.number;
        self.plan(at, Event::Hear { talk });
    }
}

fn count(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests;

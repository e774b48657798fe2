//! The line's own thread where another master polls: it reads, and never writes.
//!
//! Whatever passes becomes the same events as polling makes, so that nobody behind has to know who asked.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use tallywell_witness::declared::Line;
use tallywell_witness::plan::WireTiming;
use tallywell_witness::schedule::Task;
use tallywell_witness::units::WallMillis;
use tokio::io::AsyncReadExt as _;
use tokio::sync::mpsc;

use super::super::adapter::AdapterNote;
use super::super::bus::PortLost;
use super::super::clock::{Clock, steady};
use super::super::event::{EventSender, LineEvent, RegistersRead};
use super::super::fault::Fault;
use super::super::moment::Moment;
use super::super::orders::{Order, StartError};
use super::super::port::{self, Connection};
use super::super::post::{OnPost, Post};
use super::super::quiet::QuietGap;
use super::super::statistics::LineTiming;
use super::arrival::Arrivals;
use super::cutter::{Cut, Cutter};
use super::exchange::{Exchange, Unused};
use super::follower::{FollowTiming, Follower};
use crate::wall;

/// The most that is taken from the port at once.
const READ_AT_ONCE: usize = 1024;
/// The system is asked at least so often whether something has come: bytes that came since may have waited as long.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// A busy machine hands over the rest of a frame within this.
const UNHURRIED: Duration = Duration::from_millis(100);
/// So many failures in a row, and a device is said to be silent.
const FAILURES_TO_BE_SILENT: u32 = 3;
/// No request for so long: nobody polls.
const NOBODY_POLLS: Duration = Duration::from_secs(60);
/// So many bytes without one frame: the settings are others.
const BYTES_TO_DOUBT: usize = 400;
/// What anybody gets who wants something to be asked.
const ONLY_LISTENS: &str = "this line only listens, and nothing is ever sent on it";

/// Everything that a listening thread knows.
pub(in super::super) struct Listener {
    post: Post,
    names: BTreeMap<u8, String>,
    cutter: Cutter,
    follower: Follower,
    quiet_gap: QuietGap,
    arrivals: Arrivals,
    failures: BTreeMap<u8, u32>,
    silent: BTreeSet<u8>,
    last_heard: Moment,
    last_request: Moment,
    nobody_polls: bool,
    /// Bytes since the last frame; nothing once it was said that they cannot be understood.
    not_understood: Option<usize>,
}

impl Listener {
    pub(in super::super) fn new(
        line: Line,
        tasks: &[Task],
        clock: Clock,
        events: EventSender,
        inbox: mpsc::UnboundedReceiver<Order>,
    ) -> Self {
        let wire = WireTiming::new(line.framing);
        let character = wire.character();
        let timing = FollowTiming { character, silence: wire.t3_5(), worst_latency: line.worst_latency };
        let now = clock.now();
        Self {
            quiet_gap: QuietGap::new(&line, wire.t3_5()),
            post: Post::new(line, clock, events, inbox),
            names: names(tasks),
            cutter: Cutter::new(character),
            follower: Follower::new(timing),
            arrivals: Arrivals::default(),
            failures: BTreeMap::new(),
            silent: BTreeSet::new(),
            last_heard: now,
            last_request: now,
            nobody_polls: false,
            not_understood: Some(0),
        }
    }

    /// Takes bytes from a read that began after `asked`.
    fn hear(&mut self, bytes: &[u8], asked: Moment) -> Result<(), PortLost> {
        if bytes.is_empty() {
            return Err(std::io::Error::from(std::io::ErrorKind::UnexpectedEof).into());
        }
        self.last_heard = self.post.clock.now();
        let all = bytes.len() < READ_AT_ONCE;
        let Some(arrived) = self.arrivals.read(asked, self.last_heard, all, self.quiet_gap.held()) else {
            return Ok(());
        };
        self.doubt_settings(bytes.len());
        let cuts = self.cutter.hear(bytes, arrived);
        self.take(cuts);
        Ok(())
    }

    /// How long a silence ends what is not whole. The cutter is in step without it, so there is no haste: whoever gives the
    /// bytes may have been kept waiting.
    fn patience(&self) -> Duration {
        self.quiet_gap.current().max(UNHURRIED)
    }

    /// Nothing had come by `now`.
    fn nothing_came(&mut self, now: Moment) {
        if self.cutter.waits() && now.since(self.last_heard) >= self.patience() {
            let cuts = self.cutter.quiet();
            self.take(cuts);
        }
        // What waits to be judged has passed already.
        if !self.cutter.waits() {
            // An adapter may hold something yet.
            let told = self.follower.on_time(now.before(self.quiet_gap.held()));
            self.tell_all(told);
        }
        if !self.nobody_polls && now.since(self.last_request) >= NOBODY_POLLS {
            self.nobody_polls = true;
            self.tell(LineEvent::NobodyPolls { since: now.since(self.last_request) });
        }
    }

    fn take(&mut self, cuts: Vec<Cut>) {
        for cut in cuts {
            if let Cut::Frame(frame) = &cut {
                self.not_understood = Some(0);
                self.last_request = frame.times.ended;
                if std::mem::take(&mut self.nobody_polls) {
                    self.tell(LineEvent::SomebodyPolls);
                }
            }
            let told = self.follower.take(cut);
            self.tell_all(told);
        }
    }

    /// Says once that what comes is no protocol at these settings.
    fn doubt_settings(&mut self, bytes: usize) {
        if let Some(not_understood) = &mut self.not_understood {
            *not_understood += bytes;
            if *not_understood >= BYTES_TO_DOUBT {
                let bytes = *not_understood;
                self.not_understood = None;
                self.tell(LineEvent::NotUnderstood { bytes });
            }
        }
    }

    fn tell_all(&mut self, exchanges: Vec<Exchange>) {
        for exchange in exchanges {
            let declared = self.names.get(&exchange.unit).cloned();
            let failed = match &exchange.outcome {
                Ok(values) => {
                    self.quiet_gap.learn(values.characters, values.largest_gap);
                    None
                }
                Err(Unused::Fault(fault)) => Some(*fault).filter(Fault::answer_may_follow),
                Err(Unused::Doubtful(_)) => None,
            };
            let Some(device) = declared else { continue };
            self.note_silence(exchange.unit, &device, failed);
            self.tell_exchange(device, exchange);
        }
    }

    fn note_silence(&mut self, unit: u8, device: &str, failed: Option<Fault>) {
        let failures = self.failures.entry(unit).or_default();
        let device = || device.to_owned();
        match failed {
            Some(fault) => {
                *failures = failures.saturating_add(1);
                if *failures >= FAILURES_TO_BE_SILENT && self.silent.insert(unit) {
                    self.tell(LineEvent::DeviceSilent { device: device(), fault });
                }
            }
            None => {
                *failures = 0;
                if self.silent.remove(&unit) {
                    self.tell(LineEvent::DeviceBack { device: device() });
                }
            }
        }
    }

    fn tell_exchange(&self, device: String, Exchange { request, outcome, .. }: Exchange) {
        let event = match outcome {
            Ok(values) => {
                let age = self.post.clock.now().since(values.sampled_at);
                LineEvent::Read(RegistersRead {
                    device,
                    request,
                    words: values.words,
                    sampled_at: values.sampled_at,
                    uncertainty: values.uncertainty,
                    steady: steady(values.sampled_at),
                    wall: WallMillis(wall::now().0 - i64::try_from(age.as_millis()).unwrap_or(0)),
                })
            }
            Err(Unused::Fault(fault)) => LineEvent::Fault { device, request, fault, wall: wall::now() },
            Err(Unused::Doubtful(doubt)) => LineEvent::Doubtful { device, request, doubt },
        };
        self.tell(event);
    }

    fn tell(&self, event: LineEvent) {
        self.post.tell(event);
    }
}

impl OnPost for Listener {
    type Open = Connection;

    fn post(&mut self) -> &mut Post {
        &mut self.post
    }

    async fn open(&mut self) -> Result<Connection, StartError> {
        let opened = port::open(&self.post.line).await?;
        // Who never sends need not know who would have to turn the direction.
        let of_use = |note: &AdapterNote| *note != AdapterNote::DirectionByAdapter;
        self.tell(LineEvent::PortOpened { notes: opened.notes.into_iter().filter(of_use).collect() });
        self.arrivals = Arrivals::default();
        Ok(opened.connection)
    }

    async fn work(&mut self, connection: &mut Connection) -> Result<(), PortLost> {
        let mut buffer = [0; READ_AT_ONCE];
        while !self.post.stopping {
            self.hand_over_finished_hour();
            // That nothing came is known only after the system itself was asked.
            let asked = self.post.clock.now();
            match connection.read_now(&mut buffer) {
                Ok(count) => {
                    self.hear(&buffer[..count], asked)?;
                    if let Ok(order) = self.post.inbox.try_recv() {
                        self.obey(Some(order));
                    }
                    continue;
                }
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => self.arrivals.nothing(asked),
                Err(error) => return Err(error.into()),
            }
            tokio::select! {
                biased;
                count = connection.read(&mut buffer) => self.hear(&buffer[..count?], asked)?,
                order = self.post.inbox.recv() => self.obey(order),
                () = tokio::time::sleep(LOOK_EVERY) => self.nothing_came(asked),
            }
        }
        Ok(())
    }

    fn obey(&mut self, order: Option<Order>) {
        match order {
            // Who has gone away needs no answer.
            Some(Order::AskOnce(asked)) => drop(asked.reply.send(Err(ONLY_LISTENS.to_owned()))),
            Some(Order::Replace(tasks)) => self.names = names(&tasks),
            Some(Order::Timing(reply)) => drop(reply.send((self.post.counted_from.1, self.timing_so_far()))),
            Some(Order::Stop) | None => self.post.stopping = true,
        }
    }

    fn timing_so_far(&mut self) -> LineTiming {
        let counted = self.follower.counted();
        let name = |unit: u8| self.names.get(&unit).cloned().unwrap_or_else(|| format!("address {unit}"));
        LineTiming {
            elapsed: self.post.clock.now().since(self.post.counted_from.0),
            busy: counted.busy,
            transactions: counted.requests,
            foreign_requests: 0,
            devices: counted.units.iter().map(|(unit, timing)| (name(*unit), timing.clone())).collect(),
            master: Some(counted.master.clone()),
        }
    }

    fn count_anew(&mut self) {
        self.follower.take_counted();
    }
}

fn names(tasks: &[Task]) -> BTreeMap<u8, String> {
    tasks.iter().map(|task| (task.unit, task.device.clone())).collect()
}

//! One open port: requests out, judged replies in, and the silences between kept.
//!
//! This is the one place that performs what the pure transaction asks for. It owns the port, a kernel timer and the
//! protocol crate, and belongs to one task: nothing here is shared.

use std::io;
use std::time::Duration;

use tallywell_witness::declared::{EarlyReplies, Line, Port};
use tallywell_witness::plan::WireTiming;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use super::clock::{Clock, PreciseTimer};
use super::fault::Fault;
use super::gateway::GatewayFrames;
use super::moment::{Between, Moment};
use super::overdue::{Overdue, Strays, others_requests};
use super::port::Connection;
use super::quiet::QuietGap;
use super::request::{Answer, ReadRequest, UnitAddress};
use super::tap::Codec;
use super::transaction::{Action, Reply, ReplyTimes, ReplyTiming, Transaction};

/// The most that is taken from the port at once.
const READ_AT_ONCE: usize = 1024;

/// A line that has not been quiet for so long is not about to be.
const PATIENCE: Duration = Duration::from_secs(2);

/// The port no longer works: unplugged, or a gateway that hung up.
#[derive(Debug, thiserror::Error)]
#[error("the port is gone: {0}")]
pub struct PortLost(#[from] io::Error);

/// Why a transaction did not take place.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// The port no longer works.
    #[error(transparent)]
    PortLost(#[from] PortLost),
    /// Bytes never stopped coming, so nothing could be asked.
    #[error("the line is never quiet: {} bytes in two seconds; another master, a wrong baud rate or a missing bias resistor", .0.noise)]
    NeverQuiet(Strays),
}

/// A transaction that took place.
#[derive(Debug)]
pub struct Asked {
    /// The answer and its times, or what was wrong with the reply.
    pub outcome: Result<(Answer, ReplyTimes), Fault>,
    /// When the request was handed to the port.
    pub began: Moment,
    /// When the line was free again.
    pub ended: Moment,
    /// What came before and meanwhile that was no answer to it.
    pub strays: Strays,
    /// The bytes that came meanwhile and were no part of an answer, as they came.
    pub unfit: Vec<u8>,
}

/// One open port.
#[derive(Debug)]
pub struct Bus {
    codec: Codec,
    wire: Wire,
}

/// Everything but the codec, which has to call back into it.
#[derive(Debug)]
struct Wire {
    connection: Connection,
    /// Where the other end is a gateway with frames of its own.
    gateway: Option<GatewayFrames>,
    clock: Clock,
    timer: PreciseTimer,
    timing: ReplyTiming,
    worst_latency: Duration,
    quiet_gap: QuietGap,
    overdue: Overdue,
    /// The last instant at which the port was asked itself and had nothing more.
    known_empty: Moment,
    /// The last instant at which something was or may have been on the wire.
    last_activity: Moment,
    /// Bytes that came while nothing was asked, until the line is quiet.
    unasked: Vec<u8>,
    /// Replies that a gateway itself marked as belonging to an earlier request.
    marked_late: Vec<u8>,
    /// What the last read brought, as serial frames.
    heard: Vec<u8>,
    buffer: Box<[u8; READ_AT_ONCE]>,
}

impl Bus {
    /// A line on a port just opened.
    ///
    /// # Errors
    /// When the system gives no timer.
    pub fn new(line: &Line, connection: Connection, clock: Clock) -> io::Result<Self> {
        let timing = reply_timing(line);
        let now = clock.now();
        let wire = Wire {
            connection,
            gateway: matches!(line.port, Port::Tcp(_)).then(GatewayFrames::default),
            clock,
            timer: PreciseTimer::new(clock)?,
            timing,
            worst_latency: line.worst_latency,
            quiet_gap: QuietGap::new(line, timing.silence),
            overdue: Overdue::default(),
            known_empty: now,
            last_activity: now,
            unasked: Vec::new(),
            marked_late: Vec::new(),
            heard: Vec::new(),
            buffer: Box::new([0; READ_AT_ONCE]),
        };
        Ok(Self { codec: Codec::default(), wire })
    }

    /// Asks one unit: waits until the line is quiet, sends, and judges what comes.
    ///
    /// On a busy machine this thread may sleep through the time in which it can be seen that a reply came too soon. Then
    /// it is asked once more: an answer that belonged to an earlier request is out of the way by now.
    ///
    /// # Errors
    /// The port is gone, or the line is never quiet.
    pub async fn ask(&mut self, unit: UnitAddress, request: ReadRequest) -> Result<Asked, AskError> {
        let mut strays = Strays::default();
        let first = self.ask_once(unit, request, &mut strays).await?;
        let asked = if first.1 { first.0 } else { self.ask_once(unit, request, &mut strays).await?.0 };
        Ok(Asked { strays, ..asked })
    }

    /// Asks once; says also whether the outcome is certainly this request's.
    async fn ask_once(
        &mut self,
        unit: UnitAddress,
        request: ReadRequest,
        strays: &mut Strays,
    ) -> Result<(Asked, bool), AskError> {
        let Self { codec, wire } = self;
        strays.add(wire.wait_for_quiet().await?);
        let mut proven = true;
        let mut began = wire.clock.now();
        let mut times = None;
        let mut unfit = Vec::new();
        let outcome = codec
            .exchange(unit, request, async |frame: &[u8]| {
                let carried = wire.carry(unit, request, frame).await.map_err(Failed::Port)?;
                began = carried.began;
                strays.add(carried.strays);
                unfit = carried.unfit;
                let reply = carried.outcome.map_err(Failed::Judged)?;
                times = Some(reply.times);
                proven = reply.proven;
                Ok(reply.frame)
            })
            .await;
        let outcome = match (outcome, times) {
            (Ok(Ok(answer)), Some(times)) => Ok((answer, times)),
            // Sound, and yet its inner lengths do not add up: less is there than it says.
            (Ok(_), _) => Err(Fault::Short { received: 0, expected: 0 }),
            (Err(Failed::Judged(fault)), _) => Err(fault),
            (Err(Failed::Port(lost)), _) => return Err(lost.into()),
        };
        Ok((Asked { outcome, began, ended: wire.clock.now(), strays: Strays::default(), unfit }, proven))
    }

    /// Listens until `until`, so that late replies and noise are noticed as what they are, and a lost port at once.
    ///
    /// May be dropped at any time without losing bytes.
    ///
    /// # Errors
    /// The port is gone.
    pub async fn listen_until(&mut self, until: Moment) -> Result<Strays, PortLost> {
        self.wire.listen_until(until).await
    }

    /// Gives the port back, to be used with other settings.
    #[must_use]
    pub fn into_connection(self) -> Connection {
        self.wire.connection
    }

    /// How much later than its request a reply may come; a unit that may still answer rests so long.
    #[must_use]
    pub const fn worst_latency(&self) -> Duration {
        self.wire.worst_latency
    }

    /// How long `count` characters occupy the wire.
    #[must_use]
    pub fn characters(&self, count: usize) -> Duration {
        self.wire.timing.characters(count)
    }
}

enum Failed {
    Port(PortLost),
    Judged(Fault),
}

/// A request that was sent and its judged reply.
struct Carried {
    outcome: Result<Reply, Fault>,
    began: Moment,
    strays: Strays,
    unfit: Vec<u8>,
}

impl Wire {
    /// Sends a frame and collects bytes until the transaction has its verdict.
    async fn carry(&mut self, unit: UnitAddress, request: ReadRequest, frame: &[u8]) -> Result<Carried, PortLost> {
        self.overdue.forget_before(self.clock.now());
        let mut overdue = std::mem::take(&mut self.overdue);
        let timing = ReplyTiming { quiet_gap: self.quiet_gap.current(), ..self.timing };
        let began = self.clock.now();
        let wrapped = self.gateway.as_mut().map(|gateway| gateway.wrap(frame));
        let write = self.connection.write_all(wrapped.as_deref().unwrap_or(frame));
        tokio::time::timeout(PATIENCE, write).await.map_err(|_elapsed| io::Error::from(io::ErrorKind::TimedOut))??;
        let sent = Between { earliest: began, latest: self.clock.now() };
        let mut transaction = Transaction::new(unit, request, frame, timing, &mut overdue, sent);
        self.last_activity = sent.latest.after(timing.characters(frame.len()));

        let mut action = transaction.on_time(sent.latest);
        let outcome = loop {
            let until = match action {
                Action::WaitUntil(until) => until,
                Action::Done(reply) => break Ok(reply),
                Action::Fault(fault) => break Err(fault),
            };
            action = match self.hear_until(until, transaction.awaits_silence_only()).await? {
                Heard::Bytes(arrived) => transaction.on_bytes(&self.heard, arrived),
                Heard::Nothing(now) => transaction.on_time(now),
            };
        };
        let mut strays = transaction.strays().clone();
        let unfit = transaction.unfit().to_vec();
        strays.requests += others_requests(&unfit, Some(frame));
        strays.echoes += usize::from(unfit.starts_with(frame));
        self.overdue = overdue;
        self.overdue.remember_request(frame);
        self.learn_from(unit, request, &outcome);
        Ok(Carried { outcome, began, strays, unfit })
    }

    fn learn_from(&mut self, unit: UnitAddress, request: ReadRequest, outcome: &Result<Reply, Fault>) {
        let until = self.clock.now().after(self.worst_latency);
        match outcome {
            Ok(reply) => {
                self.quiet_gap.learn(reply.frame.len(), reply.times.largest_gap);
                self.overdue.remember_reply(&reply.frame, until);
            }
            Err(fault) if fault.answer_may_follow() => {
                self.overdue.expect(unit, request, until, matches!(fault, Fault::Timeout));
            }
            Err(_) => {}
        }
    }

    /// Waits until nothing has been on the wire for as long as a frame's end takes.
    async fn wait_for_quiet(&mut self) -> Result<Strays, AskError> {
        let give_up = self.clock.now().after(PATIENCE);
        loop {
            let quiet_at = self.last_activity.after(self.timing.silence);
            match self.hear_until(quiet_at, true).await? {
                Heard::Bytes(_) => self.unasked.extend_from_slice(&self.heard),
                Heard::Nothing(_) => return Ok(self.sort_unasked()),
            }
            if self.clock.now() > give_up {
                return Err(AskError::NeverQuiet(self.sort_unasked()));
            }
        }
    }

    async fn listen_until(&mut self, until: Moment) -> Result<Strays, PortLost> {
        loop {
            let quiet_at = self.last_activity.after(self.quiet_gap.current());
            let wake = if self.unasked.is_empty() { until } else { until.min(quiet_at) };
            match self.hear_until(wake, false).await? {
                Heard::Bytes(_) => self.unasked.extend_from_slice(&self.heard),
                Heard::Nothing(now) if now >= until || !self.unasked.is_empty() => return Ok(self.sort_unasked()),
                Heard::Nothing(_) => {}
            }
        }
    }

    fn sort_unasked(&mut self) -> Strays {
        let bytes = std::mem::take(&mut self.unasked);
        self.overdue.forget_before(self.clock.now());
        let mut strays = self.overdue.sort(&bytes);
        strays.add(self.overdue.sort(&std::mem::take(&mut self.marked_late)));
        strays
    }

    /// Waits for bytes until `until`. That nothing came is said only after the system itself has been asked.
    async fn hear_until(&mut self, until: Moment, exactly: bool) -> Result<Heard, PortLost> {
        let before = self.clock.now();
        if before < until {
            let Self { connection, timer, buffer, .. } = self;
            let wait = async { if exactly { timer.until_just_before(until).await } else { timer.until(until).await } };
            tokio::select! {
                biased;
                count = connection.read(buffer.as_mut_slice()) => {
                    return self.heard(count?, before);
                }
                waited = wait => waited?,
            }
            if exactly {
                self.timer.spin_until(until);
            }
        }
        let asked = self.clock.now();
        match self.connection.read_now(self.buffer.as_mut_slice()) {
            Ok(count) => self.heard(count, asked),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                self.known_empty = asked;
                Ok(Heard::Nothing(asked))
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Bytes that a read brought, with the bounds of their arrival. `asked` is an instant before the read.
    fn heard(&mut self, count: usize, asked: Moment) -> Result<Heard, PortLost> {
        if count == 0 {
            return Err(io::Error::from(io::ErrorKind::UnexpectedEof).into());
        }
        let latest = self.clock.now();
        let arrived = Between { earliest: self.known_empty.min(latest), latest };
        // A read that did not fill the buffer took everything that was there when it began.
        if count < READ_AT_ONCE {
            self.known_empty = asked.max(self.known_empty);
        }
        self.last_activity = latest;
        self.heard.clear();
        match &mut self.gateway {
            None => self.heard.extend_from_slice(&self.buffer[..count]),
            Some(gateway) => {
                let unwrapped = gateway.unwrap(&self.buffer[..count]).map_err(io::Error::other)?;
                self.heard.extend_from_slice(&unwrapped.frames);
                unwrapped.late.iter().for_each(|frame| self.marked_late.extend_from_slice(frame));
            }
        }
        Ok(Heard::Bytes(arrived))
    }
}

enum Heard {
    /// Bytes came within these bounds.
    Bytes(Between),
    /// Nothing had come at this instant.
    Nothing(Moment),
}

/// The times by which a line's replies are judged.
fn reply_timing(line: &Line) -> ReplyTiming {
    let wire = WireTiming::new(line.framing);
    let (character, silence, early_replies) = match line.port {
        Port::Serial(_) => (wire.character(), wire.t3_5(), line.early_replies),
        // The gateway keeps the wire's times; packets come in their own.
        Port::Tcp(_) | Port::RtuOverTcp(_) => (Duration::ZERO, Duration::ZERO, EarlyReplies::Accept),
    };
    ReplyTiming {
        character,
        silence,
        quiet_gap: silence,
        reply_timeout: line.reply_timeout,
        early_replies,
        echo: line.echo,
    }
}

//! Polls a line by its schedule.
//!
//! Requests from people wait between its transactions. A port that vanishes is opened again by its name.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::io;
use std::time::Duration;

use tallywell_witness::declared::{Line, Port};
use tallywell_witness::moment::Moment;
use tallywell_witness::plan::Request;
use tallywell_witness::schedule::{Ask, Failure, Next, Reaction, Schedule, Task};
use tallywell_witness::units::WallMillis;
use tokio::sync::mpsc;

use super::bus::{AskError, Asked, Bus, PortLost};
use super::clock::{Clock, steady};
use super::event::{EventSender, LineEvent, RegistersRead};
use super::fault::{Fault, FaultKind};
use super::orders::{Once, Order, PersonsRequest, StartError};
use super::overdue::Strays;
use super::patience::Patience;
use super::port;
use super::post::{OnPost, Post};
use super::request::{Answer, ReadRequest, UnitAddress};
use super::statistics::LineTiming;
use super::transaction::ReplyTimes;
use crate::wall;

/// It looks up from waiting at least so often.
const LONGEST_WAIT: Duration = Duration::from_secs(1);
/// So many failures in a row, and a device is said to be silent.
const FAILURES_TO_BE_SILENT: u32 = 3;
/// So often a request has to come back before the adapter is said to do that.
const ECHOES_TO_TELL: usize = 3;
/// Another master is told of so often.
const MASTER_TOLD_EVERY: Duration = Duration::from_secs(3_600);

/// Everything that it knows.
pub(super) struct Poller {
    post: Post,
    schedule: Schedule,
    names: BTreeMap<u8, String>,
    last_asked: Option<u8>,
    /// Until when an answer to a failed request could still come, whatever the schedule makes of that.
    answer_feared_until: BTreeMap<u8, Moment>,
    asked_once: VecDeque<PersonsRequest>,
    silent: BTreeSet<u8>,
    never_quiet: bool,
    /// When it was told last that somebody else asks here.
    master_told: Option<Moment>,
    /// Requests that came back since the port was opened.
    echoes: usize,
    /// With a gateway that takes requests and answers none.
    patience: Patience,
    /// Nothing is asked before: whoever had the port before may have asked something that is still being answered.
    asks_from: Moment,
    timing: LineTiming,
}

impl Poller {
    pub(super) fn new(
        line: Line,
        tasks: Vec<Task>,
        clock: Clock,
        events: EventSender,
        inbox: mpsc::UnboundedReceiver<Order>,
    ) -> Self {
        let now = clock.now();
        let mut poller = Self {
            post: Post::new(line, clock, events, inbox),
            schedule: Schedule::new(Vec::new(), now),
            names: BTreeMap::new(),
            last_asked: None,
            answer_feared_until: BTreeMap::new(),
            asked_once: VecDeque::new(),
            silent: BTreeSet::new(),
            never_quiet: false,
            master_told: None,
            echoes: 0,
            patience: Patience::default(),
            asks_from: now,
            timing: LineTiming::default(),
        };
        poller.replace(tasks);
        poller
    }

    fn replace(&mut self, tasks: Vec<Task>) {
        self.names = tasks.iter().map(|task| (task.unit, task.device.clone())).collect();
        self.schedule.replace(tasks, self.post.clock.now());
    }

    fn tell(&self, event: LineEvent) {
        self.post.tell(event);
    }

    /// Sends nothing until `until` or until somebody wants something.
    async fn listen(&mut self, bus: &mut Bus, until: Moment) -> Result<(), PortLost> {
        tokio::select! {
            strays = bus.listen_until(until) => self.count_strays(&strays?),
            order = self.post.inbox.recv() => self.obey(order),
        }
        Ok(())
    }

    /// Waiting ends earlier if a person's request comes free before.
    fn wake_at(&self, until: Moment) -> Moment {
        let feared = |asked: &PersonsRequest| self.answer_feared_until.get(&asked.unit.value()).copied();
        self.asked_once.iter().filter_map(feared).fold(until, Moment::min)
    }

    /// The first request of a person whose unit can be asked without taking an old answer for the new one.
    fn next_asked_once(&mut self) -> Option<PersonsRequest> {
        let now = self.post.clock.now();
        let index = self
            .asked_once
            .iter()
            .position(|asked| self.answer_feared_until.get(&asked.unit.value()).is_none_or(|feared| *feared <= now))?;
        self.asked_once.remove(index)
    }

    async fn ask_for_a_person(
        &mut self,
        bus: &mut Bus,
        unit: UnitAddress,
        request: ReadRequest,
    ) -> Result<Result<Once, String>, PortLost> {
        match self.ask(bus, unit, request).await {
            Ok(asked) => {
                if let Some(feared) = self.answer_feared_until.get(&unit.value()) {
                    self.schedule.let_rest(unit.value(), *feared);
                }
                Ok(Ok(asked.outcome))
            }
            Err(AskError::NeverQuiet(strays)) => Ok(Err(AskError::NeverQuiet(strays).to_string())),
            Err(AskError::PortLost(lost)) => Err(lost),
        }
    }

    /// Carries out one request of the schedule.
    async fn perform(&mut self, bus: &mut Bus, ask: &Ask) -> Result<(), PortLost> {
        let Request { table, start, count } = ask.request.request;
        let request = (UnitAddress::new(ask.unit), ReadRequest::table(table, start, count));
        let (Some(unit), Ok(request)) = request else {
            tracing::error!(line = %self.post.name, unit = ask.unit, ?table, start, count, "this cannot be asked");
            self.schedule.failed(ask, Failure::Refused(0x03), self.post.clock.now(), Duration::ZERO);
            return Ok(());
        };
        let device = self.device_of(ask.unit);
        match self.ask(bus, unit, request).await {
            Ok(asked) => self.take_outcome(ask, device, asked, bus.worst_latency()),
            Err(AskError::NeverQuiet(strays)) => {
                self.count_strays(&strays);
                if !self.never_quiet {
                    self.never_quiet = true;
                    self.tell(LineEvent::NeverQuiet { reason: AskError::NeverQuiet(strays).to_string() });
                }
            }
            Err(AskError::PortLost(lost)) => return Err(lost),
        }
        Ok(())
    }

    /// Asks, and counts everything but the outcome's own meaning for the schedule.
    async fn ask(&mut self, bus: &mut Bus, unit: UnitAddress, request: ReadRequest) -> Result<Asked, AskError> {
        let asked = bus.ask(unit, request).await?;
        self.never_quiet = false;
        self.last_asked = Some(unit.value());
        self.timing.transactions += 1;
        self.timing.busy += asked.ended.since(asked.began);
        self.count_strays(&asked.strays);
        let device = self.device_of(unit.value());
        let timing = self.timing.devices.entry(device).or_default();
        match &asked.outcome {
            Ok((_, times)) => {
                let on_wire = bus.characters(times.characters);
                timing.count_reply(times.latency(), times.duration(), on_wire, times.characters, times.pieces);
                self.answer_feared_until.remove(&unit.value());
            }
            Err(fault) => {
                timing.count_fault(fault.kind());
                if fault.answer_may_follow() {
                    self.answer_feared_until.insert(unit.value(), asked.ended.after(bus.worst_latency()));
                }
            }
        }
        if !matches!(self.post.line.port, Port::Serial(_)) {
            self.judge_gateway(&asked)?;
        }
        Ok(asked)
    }

    /// A connection whose other end is gone takes requests for a quarter of an hour before the system says so.
    fn judge_gateway(&mut self, asked: &Asked) -> Result<(), PortLost> {
        let is_heard = !matches!(asked.outcome, Err(Fault::Timeout)) || asked.strays != Strays::default();
        match self.patience.after(is_heard, asked.began, asked.ended) {
            None => Ok(()),
            Some(waited) => {
                let reason = format!("the gateway takes requests and has answered none for {} s", waited.as_secs());
                Err(io::Error::new(io::ErrorKind::TimedOut, reason).into())
            }
        }
    }

    fn take_outcome(&mut self, ask: &Ask, device: String, asked: Asked, worst_latency: Duration) {
        if let (Some(lateness), Some(timing)) = (ask.lateness, self.timing.devices.get_mut(&device)) {
            timing.lateness.record(lateness);
        }
        // Periods of a unit that rests went by with its silence, which was told.
        if ask.skipped > 0 && !ask.on_trial {
            self.tell(LineEvent::PeriodsMissed { device: device.clone(), periods: ask.skipped });
        }
        let now = asked.ended;
        match asked.outcome {
            Ok((answer, times)) => {
                self.schedule.answered(ask, now);
                if self.silent.remove(&ask.unit) {
                    self.tell(LineEvent::DeviceBack { device: device.clone() });
                }
                self.tell(LineEvent::Read(self.registers_read(device, ask.request.request, answer, &times)));
            }
            Err(fault) => {
                let failure = match fault {
                    Fault::Exception(code) => Failure::Refused(code),
                    _ if fault.answer_may_follow() => Failure::AnswerMayFollow,
                    _ => Failure::Spoiled,
                };
                let reaction = self.schedule.failed(ask, failure, now, worst_latency);
                let request = ask.request.request;
                self.tell(LineEvent::Fault { device: device.clone(), request, fault, wall: wall::now() });
                match reaction {
                    Reaction::Split { pieces } => self.tell(LineEvent::RequestSplit { device, request, pieces }),
                    Reaction::UnitRests { failures, .. }
                        if failures >= FAILURES_TO_BE_SILENT && self.silent.insert(ask.unit) =>
                    {
                        self.tell(LineEvent::DeviceSilent { device, fault });
                    }
                    _ => {}
                }
            }
        }
    }

    fn registers_read(&self, device: String, request: Request, answer: Answer, times: &ReplyTimes) -> RegistersRead {
        let words = match answer {
            Answer::Registers(words) => words,
            Answer::Bits(bits) => bits.into_iter().map(u16::from).collect(),
            // The schedule asks for tables only, and the reply's function was checked.
            Answer::Diagnostic(_) | Answer::ServerId(_) | Answer::Identification { .. } => Vec::new(),
        };
        let sampled_at = times.sampled_at();
        let age = self.post.clock.now().since(sampled_at);
        RegistersRead {
            device,
            request,
            words,
            sampled_at,
            uncertainty: times.uncertainty(),
            steady: steady(sampled_at),
            wall: WallMillis(wall::now().0 - i64::try_from(age.as_millis()).unwrap_or(0)),
        }
    }

    fn device_of(&self, unit: u8) -> String {
        self.names.get(&unit).cloned().unwrap_or_else(|| format!("address {unit}"))
    }

    /// Counts late replies to the units that sent them, and noise to the unit that was asked last.
    fn count_strays(&mut self, strays: &Strays) {
        for unit in &strays.late {
            let device = self.device_of(unit.value());
            self.timing.devices.entry(device).or_default().count_fault(FaultKind::Late);
        }
        if strays.noise > 0
            && let Some(unit) = self.last_asked.or_else(|| self.names.keys().next().copied())
        {
            let device = self.device_of(unit);
            self.timing.devices.entry(device).or_default().noise_bytes += strays.noise as u64;
        }
        let untold = self.echoes < ECHOES_TO_TELL;
        self.echoes += strays.echoes;
        if untold && self.echoes >= ECHOES_TO_TELL {
            self.tell(LineEvent::EchoUndeclared);
        }
        self.timing.foreign_requests += strays.requests as u64;
        let now = self.post.clock.now();
        let is_due = self.master_told.is_none_or(|told| now.since(told) >= MASTER_TOLD_EVERY);
        if is_due && self.timing.another_master_asks() {
            self.master_told = Some(now);
            self.tell(LineEvent::AnotherMaster { requests: self.timing.foreign_requests });
        }
    }
}

impl OnPost for Poller {
    type Open = Bus;

    fn post(&mut self) -> &mut Post {
        &mut self.post
    }

    async fn open(&mut self) -> Result<Bus, StartError> {
        let opened = port::open(&self.post.line).await?;
        let bus = Bus::new(&self.post.line, opened.connection, self.post.clock)?;
        // A gateway numbers its answers, and those of an earlier connection do not come through a new one.
        if !matches!(self.post.line.port, Port::Tcp(_)) {
            self.asks_from = self.post.clock.now().after(self.post.line.worst_latency);
        }
        self.schedule.begin_at(self.asks_from.max(self.post.clock.now()));
        self.patience.begin_anew();
        self.echoes = 0;
        self.tell(LineEvent::PortOpened { notes: opened.notes });
        Ok(bus)
    }

    async fn work(&mut self, bus: &mut Bus) -> Result<(), PortLost> {
        loop {
            while let Ok(order) = self.post.inbox.try_recv() {
                self.obey(Some(order));
            }
            if self.post.stopping {
                return Ok(());
            }
            self.hand_over_finished_hour();
            if self.post.clock.now() < self.asks_from {
                self.listen(bus, self.asks_from).await?;
                continue;
            }
            if let Some(PersonsRequest { unit, request, reply }) = self.next_asked_once() {
                let answer = self.ask_for_a_person(bus, unit, request).await?;
                // A person who has gone away needs no answer.
                let _ = reply.send(answer);
                continue;
            }
            let now = self.post.clock.now();
            let until = match self.schedule.next(now) {
                Next::Ask(ask) => {
                    self.perform(bus, &ask).await?;
                    continue;
                }
                Next::WaitUntil(until) => until.min(now.after(LONGEST_WAIT)),
                Next::Nothing => now.after(LONGEST_WAIT),
            };
            self.listen(bus, self.wake_at(until)).await?;
        }
    }

    fn obey(&mut self, order: Option<Order>) {
        match order {
            Some(Order::AskOnce(asked)) => self.asked_once.push_back(asked),
            Some(Order::Replace(tasks)) => self.replace(tasks),
            Some(Order::Timing(reply)) => drop(reply.send((self.post.counted_from.1, self.timing_so_far()))),
            Some(Order::Stop) | None => self.post.stopping = true,
        }
    }

    fn without_port(&mut self) {
        for asked in self.asked_once.drain(..) {
            let _ = asked.reply.send(Err("the port is gone".to_owned()));
        }
    }

    fn timing_so_far(&mut self) -> LineTiming {
        LineTiming { elapsed: self.post.clock.now().since(self.post.counted_from.0), ..self.timing.clone() }
    }

    fn count_anew(&mut self) {
        self.timing = LineTiming::default();
    }
}

//! Performing a scan on an open port.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Port, Table};
use tallywell_witness::probing::{Probe, Search, first_byte_within};

use super::super::bus::{AskError, Asked, Bus};
use super::super::clock::Clock;
use super::super::fault::Fault;
use super::super::port::{self, Connection, PortError};
use super::super::request::{Answer, ReadRequest, UnitAddress};
use super::identity::{self, Identity};
use super::listening::listen;
use super::overheard::{Heard, frames};
use super::{Ended, FirstAnswer, Found, Progress, Scan, ScanError, ScanPlan, Settled};

/// So long a device is waited for once it is known to be there.
const LONG_PATIENCE: Duration = Duration::from_secs(1);

/// A broken reply is asked for again so often, to tell a disturbance from something that is always so.
const LOOKS: u32 = 3;

/// So many foreign frames between our own requests are another master's, not a device's mistake.
const FRAMES_OF_A_MASTER: u32 = 3;

/// Exceptions with which a gateway says that nobody is there (MODBUS Application Protocol V1.1b3, section 7).
const GATEWAY_FOUND_NOBODY: [u8; 2] = [0x0A, 0x0B];

/// Scans a port.
///
/// # Errors
/// The port cannot be used, or is lost meanwhile.
pub fn scan(plan: &ScanPlan, tell: &mut dyn FnMut(Progress)) -> Result<Scan, ScanError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(ScanError::System)?;
    runtime.block_on(async {
        let search = Search::new(&plan.settings, &plan.addresses, plan.patience, plan.until);
        let framing = search.next_framing().ok_or(ScanError::Nothing)?;
        let mut scanner = Scanner {
            plan,
            tell,
            clock: Clock::since(Instant::now()),
            search,
            scan: Scan {
                listened: Duration::ZERO,
                ended: Ended::Done,
                settled: None,
                devices: Vec::new(),
                garbled: Vec::new(),
                tried: Vec::new(),
                refused: Vec::new(),
                noise_bytes: 0,
                noisy: false,
                echo: false,
            },
            foreign: BTreeSet::new(),
            foreign_frames: 0,
            late: Vec::new(),
        };
        let opened = port::open(&scanner.line(framing, plan.patience)).await?;
        match scanner.run(opened.connection, framing).await {
            Ok(()) => {}
            Err(Stop::Ended(ended)) => scanner.scan.ended = ended,
            Err(Stop::Failed(error)) => return Err(error),
        }
        scanner.scan.tried = scanner.search.tried();
        scanner.scan.devices.sort_by_key(|device| device.address);
        Ok(scanner.scan)
    })
}

struct Scanner<'plan> {
    plan: &'plan ScanPlan,
    tell: &'plan mut dyn FnMut(Progress),
    clock: Clock,
    search: Search,
    scan: Scan,
    /// Units named by frames that nobody asked for here, and how many such frames there were.
    foreign: BTreeSet<u8>,
    foreign_frames: u32,
    /// Units whose replies came after their turn.
    late: Vec<UnitAddress>,
}

/// Why a scan goes no further.
enum Stop {
    Ended(Ended),
    Failed(ScanError),
}

impl<Error: Into<ScanError>> From<Error> for Stop {
    fn from(error: Error) -> Self {
        Self::Failed(error.into())
    }
}

/// A port, how it is set, and how long replies are waited for.
struct Tuned {
    bus: Bus,
    framing: Framing,
    patience: Duration,
    takes_echo: bool,
}

/// What came while a device was asked several things.
struct Kept {
    replies: u32,
    broken: u32,
    /// The code of the last refusal.
    refusal: Option<u8>,
    /// From the end of the last answered request to the beginning of its reply.
    latency: Option<Duration>,
}

/// What one probe brought.
enum Reaction {
    Answered(FirstAnswer, Option<Duration>),
    Garbled,
    Silent,
}

impl Scanner<'_> {
    async fn run(&mut self, mut connection: Connection, framing: Framing) -> Result<(), Stop> {
        self.listen_first(&mut connection, framing).await?;
        let mut tuned = self.tune(connection, framing, self.plan.patience)?;
        while let Some(probe) = self.search.next_probe() {
            if probe.framing != tuned.framing {
                self.await_the_late(&mut tuned).await?;
                match self.retune(tuned, probe.framing, self.plan.patience)? {
                    (again, true) => tuned = again,
                    (again, false) => {
                        tuned = again;
                        continue;
                    }
                }
            }
            let (found, left) = (self.scan.devices.len(), self.search.left());
            (self.tell)(Progress::Asking { probe, found, left });
            tuned = self.look(tuned, probe).await?;
            tuned = self.look_at_the_late(tuned).await?;
            if self.search.left().probes == 0 {
                self.await_the_late(&mut tuned).await?;
                tuned = self.look_at_the_late(tuned).await?;
            }
        }
        self.add_garbled();
        tuned = self.settle(tuned).await?;
        self.identify_all(tuned).await
    }

    /// Nothing is sent where another master speaks.
    async fn listen_first(&mut self, connection: &mut Connection, framing: Framing) -> Result<(), Stop> {
        let mut framings = vec![framing];
        framings.extend(self.plan.settings.iter().copied().filter(|other| *other != framing));
        if self.plan.listen.is_zero() || !matches!(self.plan.port, Port::Serial(_)) {
            return Ok(());
        }
        let mut worst = Heard::Silence;
        for (index, &framing) in framings.iter().enumerate() {
            // What is noise at the first setting may be frames at another.
            if index == 1 && worst == Heard::Silence {
                break;
            }
            if index > 0 && connection.set_framing(framing, self.path()).is_err() {
                continue;
            }
            let listen_for = if index == 0 { self.plan.listen } else { self.plan.listen / 2 };
            (self.tell)(Progress::Listening(framing));
            let (heard, bytes) = listen(connection, framing, listen_for).await?;
            self.scan.listened += listen_for;
            self.scan.noise_bytes += bytes;
            match heard {
                Heard::Frames(units) => {
                    self.scan.noise_bytes = 0;
                    return Err(Stop::Ended(Ended::AnotherMaster {
                        framing: Some(framing),
                        units,
                        nothing_sent: true,
                    }));
                }
                Heard::Traffic => worst = Heard::Traffic,
                Heard::Noise(_) if worst == Heard::Silence => worst = heard,
                Heard::Noise(_) | Heard::Silence => {}
            }
        }
        self.scan.noisy = worst != Heard::Silence;
        if worst == Heard::Traffic {
            let ended = Ended::AnotherMaster { framing: None, units: BTreeSet::new(), nothing_sent: true };
            return Err(Stop::Ended(ended));
        }
        if framings.len() > 1 && self.scan.noisy {
            connection.set_framing(framing, self.path())?;
        }
        Ok(())
    }

    /// Asks one address, and again if something came that was no reply.
    async fn look(&mut self, mut tuned: Tuned, probe: Probe) -> Result<Tuned, Stop> {
        let mut broken = 0;
        for attempt in 0..LOOKS {
            let reaction = self.probe(&mut tuned, probe.address).await?;
            if self.scan.echo && !tuned.takes_echo {
                let (framing, patience) = (tuned.framing, tuned.patience);
                tuned = self.tune(tuned.bus.into_connection(), framing, patience)?;
                continue;
            }
            match reaction {
                Reaction::Answered(answer, reply) => {
                    self.found(probe, answer, reply, broken, tuned.patience > self.plan.patience);
                    return Ok(tuned);
                }
                Reaction::Garbled => broken += 1,
                Reaction::Silent if attempt == 0 => return Ok(tuned),
                Reaction::Silent => {}
            }
        }
        if broken > LOOKS / 2 {
            if self.scan.garbled.is_empty() {
                self.search.heard_something(probe.framing);
            }
            if !self.scan.garbled.contains(&probe) {
                self.scan.garbled.push(probe);
            }
        }
        Ok(tuned)
    }

    async fn probe(&mut self, tuned: &mut Tuned, address: u8) -> Result<Reaction, Stop> {
        let Some(unit) = UnitAddress::new(address) else { return Ok(Reaction::Silent) };
        let Ok(request) = ReadRequest::table(Table::Holding, self.plan.register, 1) else {
            return Ok(Reaction::Silent);
        };
        let asked = self.ask(tuned, unit, request).await?;
        let register = self.plan.register;
        let echoed = asked.strays.echoes > 0;
        self.scan.echo |= echoed;
        Ok(match asked.outcome {
            Ok((Answer::Registers(words), times)) => {
                let content = Ok(words.first().copied().unwrap_or(0));
                Reaction::Answered(FirstAnswer { register, content }, Some(times.latency()))
            }
            Err(Fault::Exception(code)) if GATEWAY_FOUND_NOBODY.contains(&code) => Reaction::Silent,
            Err(Fault::Exception(code)) => Reaction::Answered(FirstAnswer { register, content: Err(code) }, None),
            // Another unit's frame says nothing about this address.
            Err(Fault::WrongUnit { .. }) => Reaction::Silent,
            _ if echoed || !self.is_broken_reply(&asked.unfit, unit) => Reaction::Silent,
            _ => Reaction::Garbled,
        })
    }

    /// Whether these bytes may be what is left of a reply of this unit. Where noise comes by itself, they have to begin so.
    fn is_broken_reply(&self, bytes: &[u8], unit: UnitAddress) -> bool {
        bytes.first().is_some_and(|&first| !self.scan.noisy || first == unit.value())
    }

    /// Asks, and keeps account of everything that came beside the answer.
    async fn ask(&mut self, tuned: &mut Tuned, unit: UnitAddress, request: ReadRequest) -> Result<Asked, Stop> {
        let asked = match tuned.bus.ask(unit, request).await {
            Ok(asked) => asked,
            Err(AskError::PortLost(lost)) => return Err(lost.into()),
            Err(AskError::NeverQuiet(strays)) => {
                self.scan.noise_bytes += strays.noise;
                return Err(Stop::Ended(Ended::NeverQuiet));
            }
        };
        self.late.extend(&asked.strays.late);
        if !self.scan.echo {
            self.scan.noise_bytes += asked.strays.noise;
        }
        for frame in frames(&asked.unfit).into_iter().filter(|frame| frame[0] != unit.value()) {
            self.foreign.insert(frame[0]);
            self.foreign_frames += 1;
        }
        if self.foreign_frames >= FRAMES_OF_A_MASTER {
            return Err(Stop::Ended(Ended::AnotherMaster {
                framing: Some(tuned.framing),
                units: self.foreign.clone(),
                nothing_sent: false,
            }));
        }
        Ok(asked)
    }

    fn found(&mut self, probe: Probe, answer: FirstAnswer, reply: Option<Duration>, broken: u32, slow: bool) {
        self.search.answered(probe);
        if self.scan.devices.iter().any(|device| device.address == probe.address) {
            return;
        }
        self.scan.devices.push(Found {
            address: probe.address,
            framing: probe.framing,
            answer: Some(answer),
            reply,
            slow,
            identity: Identity::default(),
            replies: broken + 1,
            broken,
        });
    }

    /// Gives a device that was asked last the time that a slow one may need.
    async fn await_the_late(&mut self, tuned: &mut Tuned) -> Result<(), Stop> {
        let strays = tuned.bus.listen_until(self.clock.now().after(self.plan.patience)).await?;
        self.scan.noise_bytes += strays.noise;
        self.late.extend(strays.late);
        Ok(())
    }

    /// Whoever answered too late is there: it is asked once more, and waited for.
    async fn look_at_the_late(&mut self, mut tuned: Tuned) -> Result<Tuned, Stop> {
        if self.late.is_empty() {
            return Ok(tuned);
        }
        let framing = tuned.framing;
        tuned = self.tune(tuned.bus.into_connection(), framing, LONG_PATIENCE)?;
        for unit in std::mem::take(&mut self.late) {
            tuned = self.look(tuned, Probe { framing, address: unit.value() }).await?;
        }
        self.late.clear();
        self.tune(tuned.bus.into_connection(), framing, self.plan.patience)
    }

    /// Where sound replies came at the same settings, an address with broken ones only is a finding of its own.
    fn add_garbled(&mut self) {
        let Some(settled) = self.search.settled() else { return };
        for probe in self.scan.garbled.iter().filter(|probe| probe.framing == settled) {
            self.scan.devices.push(Found {
                address: probe.address,
                framing: settled,
                answer: None,
                reply: None,
                slow: false,
                identity: Identity::default(),
                replies: LOOKS,
                broken: LOOKS,
            });
        }
    }

    /// Asks one of the devices with other settings: whether it answers then, too, says how sure the settings are.
    async fn settle(&mut self, mut tuned: Tuned) -> Result<Tuned, Stop> {
        let Some(framing) = self.search.settled() else { return Ok(tuned) };
        let mut settled = Settled { framing, also: Vec::new(), compared: 0 };
        let sample = self.scan.devices.iter().find(|device| device.framing == framing && device.answer.is_some());
        if let (Some(sample), Port::Serial(_)) = (sample, &self.plan.port) {
            let (address, patience) = (sample.address, if sample.slow { LONG_PATIENCE } else { self.plan.patience });
            for other in others_to_compare(&self.plan.settings, framing) {
                let (again, runs) = self.retune(tuned, other, patience)?;
                tuned = again;
                if !runs {
                    continue;
                }
                settled.compared += 1;
                if let Reaction::Answered(..) = self.probe(&mut tuned, address).await? {
                    settled.also.push(other);
                }
            }
        }
        // One stop bit takes less of the line's time, where the devices do with it.
        let one = Framing { stop_bits: 1, ..framing };
        if framing.stop_bits == 2 && settled.also.contains(&one) {
            settled.also.retain(|other| *other != one);
            settled.also.insert(0, framing);
            settled.framing = one;
            for device in self.scan.devices.iter_mut().filter(|device| device.framing == framing) {
                device.framing = one;
            }
        }
        self.scan.settled = Some(settled);
        Ok(tuned)
    }

    /// Asks every device what it is.
    async fn identify_all(&mut self, mut tuned: Tuned) -> Result<(), Stop> {
        for index in 0..self.scan.devices.len() {
            let Found { address, framing, answer, .. } = self.scan.devices[index];
            let (Some(unit), Some(_)) = (UnitAddress::new(address), answer) else { continue };
            (self.tell)(Progress::Identifying(address));
            tuned = self.retune(tuned, framing, LONG_PATIENCE)?.0;
            let mut kept = Kept { replies: 0, broken: 0, refusal: None, latency: None };
            if let Ok(request) = ReadRequest::table(Table::Holding, 0, 1) {
                let content = match self.ask_patiently(&mut tuned, unit, request, &mut kept).await? {
                    Some(Answer::Registers(words)) => words.first().map(|&word| Ok(word)),
                    _ => kept.refusal.map(Err),
                };
                let device = &mut self.scan.devices[index];
                device.reply = kept.latency.or(device.reply);
                if let Some(content) = content {
                    device.answer = Some(FirstAnswer { register: 0, content });
                }
            }
            let ask = async |request| self.ask_patiently(&mut tuned, unit, request, &mut kept).await;
            let identity = identity::ask_all(ask).await?;
            let device = &mut self.scan.devices[index];
            device.identity = identity;
            device.replies += kept.replies;
            device.broken += kept.broken;
        }
        Ok(())
    }

    /// The answer, if one came; a broken one is asked for again.
    async fn ask_patiently(
        &mut self,
        tuned: &mut Tuned,
        unit: UnitAddress,
        request: ReadRequest,
        kept: &mut Kept,
    ) -> Result<Option<Answer>, Stop> {
        for _ in 0..LOOKS {
            let asked = self.ask(tuned, unit, request).await?;
            match asked.outcome {
                Ok((answer, times)) => {
                    kept.replies += 1;
                    kept.latency = Some(times.latency());
                    return Ok(Some(answer));
                }
                Err(Fault::Exception(code)) => {
                    kept.replies += 1;
                    kept.refusal = Some(code);
                    return Ok(None);
                }
                // The first question comes after others for other units, and a device that reads along may take it for the
                // reply to one of those.
                Err(Fault::Timeout) if kept.replies == 0 => {}
                // Many devices say nothing to functions that they do not know.
                Err(Fault::Timeout) => return Ok(None),
                Err(_) if self.is_broken_reply(&asked.unfit, unit) => {
                    kept.replies += 1;
                    kept.broken += 1;
                }
                Err(_) => {}
            }
        }
        Ok(None)
    }

    /// The same port at other settings; says whether it runs at them.
    fn retune(&mut self, tuned: Tuned, framing: Framing, patience: Duration) -> Result<(Tuned, bool), Stop> {
        if tuned.framing == framing && tuned.patience == patience {
            return Ok((tuned, true));
        }
        let before = tuned.framing;
        let mut connection = tuned.bus.into_connection();
        match connection.set_framing(framing, self.path()) {
            Ok(()) => Ok((self.tune(connection, framing, patience)?, true)),
            Err(PortError::BaudRefused { .. }) => {
                self.search.rule_out(framing);
                self.scan.refused.push(framing);
                connection.set_framing(before, self.path())?;
                Ok((self.tune(connection, before, tuned.patience)?, false))
            }
            Err(error) => Err(error.into()),
        }
    }

    fn tune(&self, connection: Connection, framing: Framing, patience: Duration) -> Result<Tuned, Stop> {
        let bus = Bus::new(&self.line(framing, patience), connection, self.clock).map_err(ScanError::System)?;
        Ok(Tuned { bus, framing, patience, takes_echo: self.scan.echo })
    }

    /// The line as it is tried now. Replies may come early: nothing else was asked, and simulated ports take no time.
    fn line(&self, framing: Framing, patience: Duration) -> Line {
        Line {
            name: "line".to_owned(),
            port: self.plan.port.clone(),
            framing,
            mode: LineMode::Poll,
            reply_timeout: first_byte_within(framing, patience),
            quiet_gap: None,
            worst_latency: LONG_PATIENCE,
            echo: self.scan.echo,
            early_replies: EarlyReplies::Accept,
        }
    }

    fn path(&self) -> &Path {
        match &self.plan.port {
            Port::Serial(path) => path,
            Port::Tcp(_) | Port::RtuOverTcp(_) => Path::new(""),
        }
    }
}

/// The other formats of the same rate, and the same format at one other rate.
fn others_to_compare(settings: &[Framing], found: Framing) -> Vec<Framing> {
    let same_rate = settings.iter().filter(|other| other.baud == found.baud && **other != found);
    let other_rate = settings.iter().find(|other| other.baud != found.baud && other.parity == found.parity);
    same_rate.chain(other_rate).copied().collect()
}

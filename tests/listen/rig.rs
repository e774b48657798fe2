//! A wire with a foreign master on one port and the program's listener on the other, and what came of it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use tallywell::line::clock::Clock;
use tallywell::line::event::{EventReceiver, LineEvent, RegistersRead, event_queue};
use tallywell::line::listen::master::Passed;
use tallywell::line::statistics::LineTiming;
use tallywell::line::thread::LineThread;
use tallywell_sim::controller::{Controller, Polling};
use tallywell_sim::fault::{CheckSum, Fault, FaultKind, Faulty, Injected};
use tallywell_sim::image::Encoded;
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::{Latency, Slave};
use tallywell_sim::wire::{Adapter, Ears, Pace, Wire};
use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Parity, Port};
use tallywell_witness::moment::Moment;
use tallywell_witness::plan::Request;
use tallywell_witness::schedule::Task;

use crate::account::{Account, Said, account};

/// Devices on the wire.
pub const DEVICES: u8 = 4;
/// Registers of each.
pub const REGISTERS: u16 = 10;
/// What the line is declared with.
const WORST_LATENCY: Duration = Duration::from_secs(1);
/// How far the program's and the simulator's idea of one instant may lie apart on a busy machine.
const SLACK: Duration = Duration::from_millis(100);

/// The silence that the simulated master leaves before each request.
pub const CONTROLLERS_SILENCE: Duration = Duration::from_millis(5);

/// The other master.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Master {
    /// The simulator's own, which needs nothing installed.
    Simulated,
    /// A master of pymodbus.
    Pymodbus,
    /// A master of libmodbus.
    Libmodbus,
}

/// One run.
#[derive(Clone, Debug)]
pub struct Case {
    pub master: Master,
    pub baud: u32,
    /// Registers that it asks for at a time.
    pub at_a_time: u16,
    pub ears: Ears,
    /// What happens to the replies of every unit.
    pub faults: Vec<Fault>,
    pub patience: Duration,
    pub retries: u32,
    pub length: Duration,
    /// The listener opens its port so long after the simulated master began.
    pub begins_later: Duration,
}

impl Case {
    /// A healthy line.
    pub fn healthy(master: Master, baud: u32, at_a_time: u16, length: Duration) -> Self {
        Self {
            master,
            baud,
            at_a_time,
            ears: Ears { lumps: (1, 64), hold: Duration::from_millis(4), spoiled: 0.0, seed: 20_261_125 },
            faults: Vec::new(),
            patience: Duration::from_millis(120),
            retries: 1,
            length,
            begins_later: Duration::ZERO,
        }
    }
}

/// What came of a run.
pub struct Outcome {
    /// What became of the replies that passed whole, to requests that passed whole, and were heard so.
    pub account: Account,
    /// Values that were not what the unit had in its registers.
    pub wrong: Vec<String>,
    /// Bytes that came out of the listening port.
    pub sent: u64,
    /// How late the simulated wire was at most.
    pub late: Duration,
    /// The share of a core that the listener's thread took while the master polled.
    pub processor: f64,
    /// Silences before requests that were shorter than 3.5 characters, on the wire.
    pub short_silences: u64,
    pub timing: LineTiming,
}

impl Outcome {
    /// Those that the listener says were certainly so short.
    pub fn said_short(&self) -> u64 {
        self.timing.master.as_ref().map_or(0, |master| master.counted(Passed::ShortSilence))
    }

    /// Whether at least this share of the good replies was used; the run may have ended amid the last one.
    pub fn used_at_least(&self, share: f64) -> bool {
        (self.account.used + 1) as f64 >= share * self.account.good as f64
    }
}

/// Runs a case in real time.
pub fn run(case: &Case) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let (link, listener) = (folder.path().join("port"), folder.path().join("listener"));
    let rig = overheard(case, &link, &listener);
    let (sender, mut events) = event_queue();
    let tasks = (1..=DEVICES).map(task).collect();
    let early = (!case.begins_later.is_zero()).then(|| start_master(case, &link));
    std::thread::sleep(case.begins_later);
    let thread = LineThread::start(line(&listener, case.baud), tasks, Clock::since(rig.started()), sender).unwrap();
    let master = early.unwrap_or_else(|| start_master(case, &link));
    let mut seen = Seen::default();
    let begun = std::time::Instant::now();
    let processor_before = thread_time("line shed");
    while begun.elapsed() < case.length {
        std::thread::sleep(Duration::from_millis(20));
        seen.take_all(&mut events);
    }
    let processor = (thread_time("line shed") - processor_before).as_secs_f64() / begun.elapsed().as_secs_f64();
    master.stop();
    // What is on the wire still passes, and what waits until it is beyond doubt is told.
    std::thread::sleep(WORST_LATENCY + Duration::from_millis(600));
    thread.stop();
    seen.take_all(&mut events);
    rig.witnessed(|witnessed| Outcome {
        account: account(witnessed, &seen.said),
        // Bytes that the wire itself was late to give were on it as much sooner than anybody can know.
        wrong: seen.reads.iter().filter_map(|read| what_is_wrong(read, SLACK + witnessed.lateness.most)).collect(),
        sent: witnessed.bytes_from_listener,
        late: witnessed.lateness.most,
        processor,
        short_silences: witnessed.short_silences + witnessed.broken_requests,
        timing: seen.timing,
    })
}

/// A wire with a port for a master at `link`, and one at `listener` that only hears.
pub fn overheard(case: &Case, link: &Path, listener: &Path) -> Rig {
    let mut wire =
        Wire::new(Some(Pace { baud: case.baud, bits_per_character: 11 }), Adapter { chunk: 4, ..Adapter::default() });
    for address in 1..=DEVICES {
        let latency = Latency { fixed: Duration::from_millis(2), jitter: Duration::from_millis(3) };
        let slave = Slave::new(address, Encoded { unit: address, addresses: 0..REGISTERS }).with_latency(latency);
        wire.attach(Faulty::new(slave, case.faults.clone(), 20_261_125, &Injected::default()));
    }
    Rig::run_overheard(wire, link, case.ears.clone(), listener).unwrap()
}

/// What the threads of this name in this process have taken of a core until now (the first figure of
/// `/proc/PID/task/TID/schedstat`, in nanoseconds).
fn thread_time(name: &str) -> Duration {
    let tasks = std::fs::read_dir("/proc/self/task").unwrap().flatten().map(|task| task.path());
    let named = tasks.filter(|task| std::fs::read_to_string(task.join("comm")).is_ok_and(|it| it.trim_end() == name));
    let taken = |task: PathBuf| {
        let figures = std::fs::read_to_string(task.join("schedstat")).ok()?;
        Some(Duration::from_nanos(figures.split_whitespace().next()?.parse().ok()?))
    };
    named.filter_map(taken).sum()
}

#[derive(Default)]
struct Seen {
    said: Vec<Said>,
    reads: Vec<RegistersRead>,
    timing: LineTiming,
}

impl Seen {
    fn take_all(&mut self, events: &mut EventReceiver) {
        while let Some(found) = events.try_next() {
            match found.event {
                LineEvent::Read(read) => {
                    self.say(&read.device, read.request, Ok(read.sampled_at));
                    self.reads.push(read);
                }
                LineEvent::Fault { device, request, fault, .. } => {
                    self.say(&device, request, Err(format!("fault {}", fault.kind().code())));
                }
                LineEvent::Doubtful { device, request, doubt } => {
                    self.say(&device, request, Err(format!("doubt {}", doubt.code())));
                }
                LineEvent::Timing { timing, .. } => self.timing.merge(&timing),
                LineEvent::Dropped { readings, .. } => assert_eq!(readings, 0, "the test keeps up with the line"),
                _ => {}
            }
        }
    }

    fn say(&mut self, device: &str, request: Request, outcome: Result<Moment, String>) {
        let unit = device.rsplit('-').next().and_then(|number| number.parse().ok()).unwrap();
        self.said.push(Said { unit, request, outcome });
    }
}

/// This share of all replies comes to everybody as what a line makes of replies, each kind as often.
pub fn bad_frames(share: f64) -> Vec<Fault> {
    let kinds = [
        FaultKind::FlippedBits(2),
        FaultKind::Burst,
        FaultKind::Short,
        FaultKind::ByteCountUp(CheckSum::Stale),
        FaultKind::Lost,
    ];
    let part = share / kinds.len() as f64;
    kinds.into_iter().map(|kind| Fault::always(kind, part)).collect()
}

/// The program's line, which only listens.
pub fn line(port: &Path, baud: u32) -> Line {
    Line {
        name: "shed".to_owned(),
        port: Port::Serial(port.to_owned()),
        framing: Framing { baud, parity: Parity::None, stop_bits: 2 },
        mode: LineMode::Listen,
        reply_timeout: Duration::from_millis(300),
        quiet_gap: None,
        worst_latency: WORST_LATENCY,
        echo: false,
        early_replies: EarlyReplies::Refuse,
    }
}

/// Names a unit; what is asked of it is the other master's business.
pub fn task(address: u8) -> Task {
    Task {
        device: format!("unit-{address}"),
        unit: address,
        every: Duration::from_secs(1),
        group: None,
        requests: Vec::new(),
        silence: Duration::ZERO,
    }
}

/// A master at work.
pub enum Running {
    Simulated(Controller),
    Peer(std::process::Child),
}

impl Running {
    /// Waits for a peer that ends by itself, and ends the simulated master.
    pub fn stop(self) {
        match self {
            Self::Simulated(controller) => drop(controller),
            Self::Peer(mut peer) => {
                let status = peer.wait().unwrap();
                assert!(status.success(), "the peer failed: {status}");
            }
        }
    }
}

fn start_master(case: &Case, link: &Path) -> Running {
    if case.master != Master::Simulated {
        return start_peer(case, link, DEVICES, REGISTERS);
    }
    let starts = (0..REGISTERS).step_by(usize::from(case.at_a_time));
    let read = |start: u16| [&[3][..], &start.to_be_bytes(), &case.at_a_time.to_be_bytes()].concat();
    let requests = (1..=DEVICES).flat_map(|unit| starts.clone().map(move |start| (unit, read(start)))).collect();
    let silence = CONTROLLERS_SILENCE;
    let (every, patience, retries) = (Duration::ZERO, case.patience, case.retries);
    let polling = Polling { requests, every, patience, retries, silence };
    Running::Simulated(Controller::start(link, polling).unwrap())
}

/// A master that no one here wrote reads the first `registers` holding registers of the addresses from 1 to `devices`.
pub fn start_peer(case: &Case, link: &Path, devices: u8, registers: u16) -> Running {
    let command = match case.master {
        Master::Pymodbus => vec![peer("python3"), root("tests/peers/pymodbus_controller.py")],
        Master::Libmodbus | Master::Simulated => vec![peer("libmodbus_controller")],
    };
    let mut process = Command::new(&command[0]);
    process.args(&command[1..]).arg(link).args([
        case.baud.to_string(),
        case.length.as_secs_f64().to_string(),
        case.at_a_time.to_string(),
        devices.to_string(),
        registers.to_string(),
        case.patience.as_millis().to_string(),
        case.retries.to_string(),
    ]);
    Running::Peer(process.spawn().unwrap())
}

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn peer(program: &str) -> PathBuf {
    let path = root("target/peers/bin").join(program);
    assert!(path.exists(), "{} is missing: run tests/setup.sh", path.display());
    path
}

fn what_is_wrong(read: &RegistersRead, slack: Duration) -> Option<String> {
    value_is_wrong(&read.device, read.request, &read.words, read.sampled_at, read.uncertainty + slack)
}

/// Holds values against what the simulated unit must have had in its registers at that time, within `bound`.
pub fn value_is_wrong(
    device: &str,
    request: Request,
    words: &[u16],
    sampled_at: Moment,
    bound: Duration,
) -> Option<String> {
    let mut numbers: BTreeMap<u16, u32> = BTreeMap::new();
    for (address, word) in (request.start..).zip(words) {
        *numbers.entry(address / 2).or_default() |= u32::from(*word) << if address % 2 == 0 { 16 } else { 0 };
    }
    let end = request.start + request.count;
    for (half_address, number) in numbers {
        let [unit, half, high, low] = number.to_be_bytes();
        let has = |address: u16| (request.start..end).contains(&address);
        let (has_high, has_low) = (has(2 * half_address), has(2 * half_address + 1));
        if has_high && (format!("unit-{unit}") != device || u16::from(half) != half_address) {
            return Some(format!(
                "{} {:?} holds a value of unit {unit}, address {}",
                device,
                request,
                2 * u16::from(half)
            ));
        }
        if has_low {
            let sampled_ms = i64::from(u16::from_be_bytes([high, low]));
            let apart = (sampled_at.0 / 1000 - sampled_ms + 32_768).rem_euclid(65_536) - 32_768;
            if u128::from(apart.unsigned_abs()) > bound.as_millis() {
                return Some(format!("{}: sampled {apart} ms from when it was believed to be", device));
            }
        }
    }
    None
}

//! A line of the program on a simulated wire, and what came of it.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use tallywell::line::clock::Clock;
use tallywell::line::event::{EventReceiver, LineEvent, RegistersRead, event_queue};
use tallywell::line::statistics::LineTiming;
use tallywell::line::thread::LineThread;
use tallywell_sim::fault::{Fault, Faulty, Injected};
use tallywell_sim::image::Encoded;
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::{Latency, Slave};
use tallywell_sim::wire::{Adapter, Pace, Wire};
use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Parity, Port, ValueType};
use tallywell_witness::plan::WireTiming;
use tallywell_witness::schedule::Task;

use super::plan::all_registers;

/// Registers that every simulated unit has.
const REGISTERS: u16 = 10;
/// The fastest rate of ordinary lines: thousands of transactions take seconds.
const BAUD: u32 = 115_200;
/// Long enough for a busy machine, short enough for thousands of transactions.
pub const REPLY_TIMEOUT: Duration = Duration::from_millis(150);
/// Replies that the tests delay come before this.
const WORST_LATENCY: Duration = Duration::from_millis(400);
/// A quick device.
pub const QUICK: Duration = Duration::from_micros(300);
/// How far the program's and the simulator's idea of one instant may lie apart on a busy machine.
const SLACK: Duration = Duration::from_millis(100);

/// A line of the program on any port.
pub fn line_on(port: Port, early_replies: EarlyReplies) -> Line {
    Line {
        name: "shed".to_owned(),
        port,
        framing: Framing { baud: BAUD, parity: Parity::None, stop_bits: 2 },
        mode: LineMode::Poll,
        reply_timeout: REPLY_TIMEOUT,
        quiet_gap: None,
        worst_latency: WORST_LATENCY,
        echo: false,
        early_replies,
    }
}

/// Starts the program's line; times are counted from `began`.
pub fn start(line: Line, tasks: Vec<Task>, began: Instant) -> Running {
    let (sender, events) = event_queue();
    let thread = LineThread::start(line, tasks, Clock::since(began), sender).unwrap();
    Running { thread, events, seen: Seen::default() }
}

/// A folder with the port in it, the wire behind it, and the program's line before it.
pub struct Bench {
    folder: tempfile::TempDir,
    /// Two wires on one machine keep each other's threads waiting.
    _alone: File,
    pub rig: Rig,
    pub injected: Injected,
    watchman: Watchman,
}

/// A thread that notices when threads of this machine are kept waiting.
struct Watchman {
    stalls: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Watchman {
    /// Silences between frames are 1.75 ms.
    const STALL: Duration = Duration::from_millis(1);
    const NAP: Duration = Duration::from_micros(500);

    fn start() -> Self {
        let watchman = Self { stalls: Arc::default(), stop: Arc::default() };
        let (stalls, stop) = (Arc::clone(&watchman.stalls), Arc::clone(&watchman.stop));
        std::thread::spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                let begun = Instant::now();
                std::thread::sleep(Self::NAP);
                if begun.elapsed() > Self::NAP + Self::STALL {
                    stalls.fetch_add(1, Ordering::Relaxed);
                }
            }
        });
        watchman
    }
}

impl Drop for Watchman {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// One simulated unit and what is wrong with it.
pub struct UnitOnLine {
    pub address: u8,
    pub faults: Vec<Fault>,
}

pub fn unit(address: u8, faults: Vec<Fault>) -> UnitOnLine {
    UnitOnLine { address, faults }
}

impl Bench {
    /// A wire with these units, which take `latency` to answer. Without a pace bytes take no time.
    pub fn new(paced: bool, latency: Duration, units: Vec<UnitOnLine>) -> Self {
        let alone = File::create(Path::new(env!("CARGO_TARGET_TMPDIR")).join("wire.lock")).unwrap();
        alone.lock().unwrap();
        let injected = Injected::default();
        let pace = paced.then_some(Pace { baud: BAUD, bits_per_character: 11 });
        let mut wire = Wire::new(pace, Adapter { chunk: 8, ..Adapter::default() });
        for unit in units {
            let slave = Slave::new(unit.address, Encoded { unit: unit.address, addresses: 0..REGISTERS })
                .with_latency(Latency { fixed: latency, jitter: latency / 4 });
            wire.attach(Faulty::new(slave, unit.faults, 20_261_125, &injected));
        }
        let folder = tempfile::tempdir().unwrap();
        let rig = Rig::run(wire, &folder.path().join("port")).unwrap();
        Self { folder, _alone: alone, rig, injected, watchman: Watchman::start() }
    }

    /// How often this machine was too busy to keep the times of a line; on a quiet one never. Where the simulator or the
    /// program sleeps through a silence, two frames become one or a reply late, and that is counted as what it then is.
    pub fn stalls(&self) -> u64 {
        self.watchman.stalls.load(Ordering::Relaxed)
    }

    /// The line as a site file would declare it; an unpaced wire answers sooner than a real one could.
    pub fn line(&self, early_replies: EarlyReplies) -> Line {
        line_on(Port::Serial(self.folder.path().join("port")), early_replies)
    }

    /// Starts the program's line.
    pub fn start(&self, line: Line, tasks: Vec<Task>) -> Running {
        start(line, tasks, self.rig.started())
    }
}

/// The task of reading all registers of one unit.
pub fn task(address: u8, every: Duration) -> Task {
    let timing = WireTiming::new(Framing { baud: BAUD, parity: Parity::None, stop_bits: 2 });
    Task {
        device: name_of(address),
        unit: address,
        every,
        group: None,
        requests: all_registers(REGISTERS, ValueType::U32, timing, Duration::from_millis(2)),
        silence: timing.request() + REPLY_TIMEOUT + timing.t3_5(),
    }
}

pub fn name_of(address: u8) -> String {
    format!("unit-{address}")
}

/// The program's line while it runs.
pub struct Running {
    pub thread: LineThread,
    events: EventReceiver,
    pub seen: Seen,
}

/// What came of it so far.
#[derive(Default)]
pub struct Seen {
    pub readings: BTreeMap<String, u64>,
    pub wrong: Vec<String>,
    pub events: Vec<LineEvent>,
    pub timing: LineTiming,
}

impl Running {
    /// Takes events until `enough` says so or `longest` has passed; says whether there was enough.
    pub fn watch(&mut self, longest: Duration, mut enough: impl FnMut(&Seen) -> bool) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < longest {
            while let Some(found) = self.events.try_next() {
                self.seen.take(found.event);
            }
            if enough(&self.seen) {
                return true;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        false
    }

    /// Stops the line and takes what is left.
    pub fn stop(mut self) -> Seen {
        self.thread.stop();
        while let Some(found) = self.events.try_next() {
            self.seen.take(found.event);
        }
        self.seen
    }
}

impl Seen {
    pub fn all_readings(&self) -> u64 {
        self.readings.values().sum()
    }

    fn take(&mut self, event: LineEvent) {
        match event {
            LineEvent::Read(read) => {
                *self.readings.entry(read.device.clone()).or_default() += 1;
                self.wrong.extend(what_is_wrong(&read));
            }
            LineEvent::Timing { timing, .. } => self.timing.merge(&timing),
            LineEvent::Dropped { readings, .. } => assert_eq!(readings, 0, "the test keeps up with the line"),
            other => self.events.push(other),
        }
    }
}

/// Holds a reading against what the simulated unit must have had in its registers at that time.
fn what_is_wrong(read: &RegistersRead) -> Option<String> {
    let numbers: Vec<u32> =
        read.words.chunks(2).map(|pair| u32::from(pair[0]) << 16 | u32::from(*pair.last().unwrap())).collect();
    if numbers.len() != usize::from(read.request.count) / 2 {
        return Some(format!("{} of {} words", read.words.len(), read.request.count));
    }
    for (index, number) in numbers.iter().enumerate() {
        let [unit, half_address, high, low] = number.to_be_bytes();
        if name_of(unit) != read.device || usize::from(half_address) != index {
            return Some(format!("{} holds a value of unit {unit}, address {}", read.device, 2 * half_address));
        }
        let sampled_ms = i64::from(u16::from_be_bytes([high, low]));
        let believed_ms = read.sampled_at.0 / 1000;
        let apart = (believed_ms - sampled_ms + 32_768).rem_euclid(65_536) - 32_768;
        let allowed = read.uncertainty + SLACK;
        if u128::from(apart.unsigned_abs()) > allowed.as_millis() {
            return Some(format!("{}: sampled {apart} ms from when it was believed to be", read.device));
        }
    }
    None
}

//! The program's own line on a simulated wire, for as long as a run takes.

#[path = "../../line_wire/plan.rs"]
mod plan;

use std::path::Path;
use std::time::{Duration, Instant};

use plan::all_registers;
use tallywell::line::clock::Clock;
use tallywell::line::event::{LineEvent, event_queue};
use tallywell::line::thread::LineThread;
use tallywell_sim::image::Encoded;
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::{Latency, Slave};
use tallywell_sim::wire::{Adapter, Pace, Wire};
use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Parity, Port, ValueType};
use tallywell_witness::plan::WireTiming;
use tallywell_witness::schedule::Task;

/// Devices on the wire.
pub const DEVICES: u8 = 4;
/// Registers of each.
pub const REGISTERS: u16 = 10;
/// What each device takes to answer.
pub const LATENCY: Duration = Duration::from_millis(2);

/// A paced wire with `devices` devices behind a port at `link`.
pub fn wire(baud: u32, devices: u8, link: &Path) -> Rig {
    // A UART gives its bytes in pieces of eight.
    let adapter = Adapter { chunk: 8, ..Adapter::default() };
    let mut wire = Wire::new(Some(Pace { baud, bits_per_character: 11 }), adapter);
    for address in 1..=devices {
        let slave = Slave::new(address, Encoded { unit: address, addresses: 0..REGISTERS });
        wire.attach(slave.with_latency(Latency { fixed: LATENCY, jitter: Duration::ZERO }));
    }
    Rig::run(wire, link).unwrap()
}

/// Polls all devices as fast as the line allows; gives the number of values and the time that they took.
///
/// The time counts from the first answer, as that of the other masters counts from their first request: a port just
/// opened is left quiet for as long as a reply to whoever had it before might take.
pub fn poll(baud: u32, link: &Path, length: Duration) -> (u64, Duration) {
    let framing = Framing { baud, parity: Parity::None, stop_bits: 2 };
    let line = Line {
        name: "bench".to_owned(),
        port: Port::Serial(link.to_owned()),
        framing,
        mode: LineMode::Poll,
        reply_timeout: Duration::from_millis(300),
        quiet_gap: None,
        worst_latency: Duration::from_secs(1),
        echo: false,
        early_replies: EarlyReplies::Refuse,
    };
    let (sender, mut events) = event_queue();
    let tasks = (1..=DEVICES).map(|address| task(address, framing)).collect();
    let begun = Instant::now();
    let thread = LineThread::start(line, tasks, Clock::since(begun), sender).unwrap();
    let (mut values, mut first) = (0, None);
    while first.is_none_or(|first: Instant| first.elapsed() < length) && begun.elapsed() < 2 * length {
        std::thread::sleep(Duration::from_millis(20));
        while let Some(found) = events.try_next() {
            match found.event {
                LineEvent::Read(_) if first.is_none() => first = Some(Instant::now()),
                LineEvent::Read(read) => values += read.words.len() as u64,
                LineEvent::PortOpened { .. } | LineEvent::Timing { .. } => {}
                other => println!("  unexpected: {other:?}"),
            }
        }
    }
    let elapsed = first.unwrap_or(begun).elapsed();
    thread.stop();
    (values, elapsed)
}

fn task(address: u8, framing: Framing) -> Task {
    let timing = WireTiming::new(framing);
    Task {
        device: format!("device-{address}"),
        unit: address,
        every: Duration::ZERO,
        group: None,
        requests: all_registers(REGISTERS, ValueType::U16, timing, timing.t3_5() + LATENCY),
        silence: Duration::from_millis(310),
    }
}

//! Gateways: Modbus TCP with its numbers, and serial frames through a TCP stream.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use tallywell::line::event::LineEvent;
use tallywell::line::fault::FaultKind;
use tallywell_sim::frame::frame;
use tallywell_sim::image::Encoded;
use tallywell_sim::slave::Slave;
use tallywell_witness::declared::{EarlyReplies, Port};

use super::rig::{line_on, name_of, start, task};

const UNITS: u8 = 3;
const LONGEST: Duration = Duration::from_secs(60);
/// Every so many requests the gateway keeps the reply, and gives it together with the next one.
const KEPT: u64 = 7;
/// After so many requests it has had enough.
const ENOUGH: u64 = 120;

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Numbered,
    SerialFrames,
}

/// What it does when it has had enough.
#[derive(Clone, Copy, PartialEq)]
enum Then {
    HangsUp,
    /// It is gone without a word: requests are taken, and nothing is ever answered.
    FallsSilent,
}

/// A gateway with devices behind it, until the test ends; counts what it kept.
fn gateway(kind: Kind, then: Then, began: Instant) -> (String, Arc<AtomicU64>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let kept = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&kept);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            // The end of a connection is whoever asked hanging up.
            let mut stream = stream.unwrap();
            let served = serve(kind, &mut stream, began, &counted);
            if then == Then::FallsSilent && served.is_ok() {
                let _ = std::io::copy(&mut stream, &mut std::io::sink());
            }
        }
    });
    (address, kept)
}

fn serve(kind: Kind, stream: &mut TcpStream, began: Instant, kept: &AtomicU64) -> std::io::Result<()> {
    let mut slaves: Vec<Slave> = (1..=UNITS).map(|unit| Slave::new(unit, Encoded { unit, addresses: 0..10 })).collect();
    stream.set_nodelay(true)?;
    let mut held: Vec<u8> = Vec::new();
    for count in 1..=ENOUGH {
        // Six bytes of header before unit and data, or two of checksum after them.
        let mut request = vec![0; if kind == Kind::Numbered { 12 } else { 8 }];
        stream.read_exact(&mut request)?;
        let body = if kind == Kind::Numbered { &request[6..] } else { &request[..6] };
        let data = slaves[usize::from(body[0]) - 1].reply(&body[1..], began.elapsed());
        let reply = match kind {
            Kind::Numbered => {
                let length = u16::try_from(data.len() + 1).unwrap();
                [&request[..4], &length.to_be_bytes(), &body[..1], &data].concat()
            }
            Kind::SerialFrames => frame(body[0], &data),
        };
        if count % KEPT == 0 {
            held = reply;
            kept.fetch_add(1, Ordering::Relaxed);
            continue;
        }
        let all = [std::mem::take(&mut held), reply].concat();
        for piece in all.chunks(5) {
            stream.write_all(piece)?;
        }
    }
    Ok(())
}

fn run(kind: Kind, then: Then) {
    let began = Instant::now();
    let (address, kept) = gateway(kind, then, began);
    let port = if kind == Kind::Numbered { Port::Tcp(address) } else { Port::RtuOverTcp(address) };
    let tasks = (1..=UNITS).map(|unit| task(unit, Duration::ZERO)).collect();
    let mut running = start(line_on(port, EarlyReplies::Refuse), tasks, began);
    let (connections, readings) = if then == Then::HangsUp { (3, 300) } else { (2, 150) };
    let enough = running.watch(LONGEST, |seen| seen.all_readings() >= readings);
    let seen = running.stop();
    assert!(enough, "only {} readings", seen.all_readings());
    assert!(seen.wrong.is_empty(), "{:#?}", &seen.wrong[..seen.wrong.len().min(5)]);
    let all = |counter| (1..=UNITS).map(|unit| seen.timing.devices[&name_of(unit)].faults(counter)).sum::<u64>();
    let kept = kept.load(Ordering::Relaxed);
    // The last one kept before a connection ends never comes.
    let lost = seen.events.iter().filter(|event| matches!(event, LineEvent::PortLost { .. })).count() as u64;
    assert!(lost + 1 >= connections, "the gateway had had enough, and was called again");
    let (timeouts, late) = (all(FaultKind::Timeout), all(FaultKind::Late));
    if then == Then::FallsSilent {
        assert!(timeouts > kept + lost * u64::from(UNITS), "{timeouts} time-outs");
        let is_said =
            |event: &LineEvent| matches!(event, LineEvent::PortLost { reason } if reason.contains("answered none"));
        assert!(seen.events.iter().any(is_said), "{:?}", seen.events);
        return;
    }
    assert!(kept.abs_diff(timeouts) <= 1 + lost, "{timeouts} time-outs, {kept} replies kept");
    assert!(kept.abs_diff(late) <= 1 + lost, "{late} late replies, {kept} kept");
    for counter in [FaultKind::WrongUnit, FaultKind::WrongFunction, FaultKind::Crc, FaultKind::Long, FaultKind::Short] {
        assert_eq!(all(counter), 0, "{}", counter.code());
    }
}

#[test]
fn a_gateway_that_numbers_its_frames() {
    run(Kind::Numbered, Then::HangsUp);
}

#[test]
fn a_gateway_that_passes_serial_frames_on() {
    run(Kind::SerialFrames, Then::HangsUp);
}

#[test]
fn a_gateway_that_is_gone_without_a_word_is_called_anew() {
    run(Kind::Numbered, Then::FallsSilent);
}

#[test]
fn so_is_one_that_passes_serial_frames_on() {
    run(Kind::SerialFrames, Then::FallsSilent);
}

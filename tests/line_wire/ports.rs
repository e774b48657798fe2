//! Ports that vanish and come back, two programs on one port, and what may leave the program at all.

use std::time::Duration;

use tallywell::line::clock::Clock;
use tallywell::line::event::{LineEvent, event_queue};
use tallywell::line::request::{Answer, Diagnostic, ReadRequest, UnitAddress};
use tallywell::line::thread::LineThread;
use tallywell_sim::fault::{Fault, FaultKind};
use tallywell_sim::frame::Request;
use tallywell_sim::rig::Rig;
use tallywell_sim::wire::{Adapter, Wire};
use tallywell_witness::declared::{EarlyReplies, Table};

use super::rig::{Bench, QUICK, task, unit};

const LONGEST: Duration = Duration::from_secs(20);

fn count(events: &[LineEvent], wanted: impl Fn(&LineEvent) -> bool) -> usize {
    events.iter().filter(|event| wanted(event)).count()
}

#[test]
fn a_port_that_is_unplugged_comes_back_by_its_name() {
    let bench = Bench::new(false, QUICK, vec![unit(1, Vec::new())]);
    let mut running = bench.start(bench.line(EarlyReplies::Accept), vec![task(1, Duration::from_millis(20))]);
    assert!(running.watch(LONGEST, |seen| seen.all_readings() >= 10));
    let mut others = Vec::new();
    for round in 1..=3 {
        let number = std::fs::read_link(bench.rig.link()).unwrap();
        bench.rig.unplug();
        let lost = |event: &LineEvent| matches!(event, LineEvent::PortLost { .. });
        assert!(running.watch(LONGEST, |seen| count(&seen.events, lost) == round), "the loss is told, and once");
        // Somebody else takes the number that the adapter had: it comes back under another, behind the same link.
        let elsewhere = bench.rig.link().with_extension(round.to_string());
        others.push(Rig::run(Wire::new(None, Adapter::default()), &elsewhere).unwrap());
        bench.rig.replug();
        let opened = |event: &LineEvent| matches!(event, LineEvent::PortOpened { .. });
        assert!(running.watch(LONGEST, |seen| count(&seen.events, opened) == round + 1));
        assert!(std::fs::read_link(bench.rig.link()).unwrap() != number, "under the same number");
        let before = running.seen.all_readings();
        assert!(running.watch(LONGEST, |seen| seen.all_readings() >= before + 10), "no readings after coming back");
    }
    let seen = running.stop();
    assert!(seen.wrong.is_empty(), "{:?}", seen.wrong);
}

/// Amid a request, a reply, a silence, a time-out, a rest, and while the port is just being opened again.
#[test]
fn a_port_may_be_pulled_out_at_any_moment() {
    let late = FaultKind::Late(Duration::from_millis(160)..Duration::from_millis(350));
    let faults = [FaultKind::Lost, late, FaultKind::Short].map(|kind| Fault::always(kind, 0.15)).to_vec();
    let bench = Bench::new(true, QUICK, vec![unit(1, faults), unit(2, Vec::new())]);
    let tasks = [1, 2].map(|address| task(address, Duration::from_millis(20))).to_vec();
    let mut running = bench.start(bench.line(EarlyReplies::Refuse), tasks);
    assert!(running.watch(LONGEST, |seen| seen.all_readings() >= 10));
    let opened = |event: &LineEvent| matches!(event, LineEvent::PortOpened { .. });
    for round in 0..24_u64 {
        // From the middle of a frame to beyond what the line waits before it asks on a port just opened.
        std::thread::sleep(Duration::from_micros(round * round * 1_009));
        bench.rig.unplug();
        let lost = |event: &LineEvent| matches!(event, LineEvent::PortLost { .. });
        let before = count(&running.seen.events, lost);
        assert!(running.watch(LONGEST, |seen| count(&seen.events, lost) > before), "round {round}: a loss is told");
        let times = count(&running.seen.events, opened);
        bench.rig.replug();
        assert!(running.watch(LONGEST, |seen| count(&seen.events, opened) > times), "round {round}: it comes back");
    }
    let before = running.seen.all_readings();
    assert!(running.watch(LONGEST, |seen| seen.all_readings() >= before + 10), "and is polled as before");
    let seen = running.stop();
    assert!(seen.wrong.is_empty(), "{:?}", &seen.wrong[..seen.wrong.len().min(5)]);
}

#[test]
fn a_second_program_on_the_port_is_told_so() {
    let bench = Bench::new(false, QUICK, vec![unit(1, Vec::new())]);
    let running = bench.start(bench.line(EarlyReplies::Accept), vec![task(1, Duration::from_millis(20))]);
    let (sender, _events) = event_queue();
    let clock = Clock::since(std::time::Instant::now());
    let second = LineThread::start(bench.line(EarlyReplies::Accept), Vec::new(), clock, sender);
    let said = second.expect_err("the port is held").to_string();
    assert!(said.contains("another program holds the port"), "{said}");
    drop(running);
}

/// Everything that the program can ask, asked; the wire itself says what left.
#[test]
fn only_reading_functions_leave_the_program() {
    let bench = Bench::new(false, QUICK, vec![unit(1, Vec::new())]);
    let running = bench.start(bench.line(EarlyReplies::Accept), vec![task(1, Duration::from_millis(20))]);
    let tables = [Table::Coil, Table::Discrete, Table::Holding, Table::Input];
    let mut requests: Vec<ReadRequest> = tables.iter().map(|&table| ReadRequest::table(table, 0, 4).unwrap()).collect();
    requests.extend(
        [
            Diagnostic::Echo(0xA537),
            Diagnostic::Register,
            Diagnostic::BusMessages,
            Diagnostic::BusErrors,
            Diagnostic::Exceptions,
            Diagnostic::ServerMessages,
            Diagnostic::NoResponses,
            Diagnostic::Overruns,
        ]
        .map(ReadRequest::diagnostic),
    );
    requests.extend([ReadRequest::server_id(), ReadRequest::identification(0)]);
    let unit = UnitAddress::new(1).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    for request in &requests {
        let outcome = runtime.block_on(running.thread.handle().ask_once(unit, *request)).unwrap();
        if request.count() > 0 {
            let (answer, _) = outcome.unwrap();
            let length = match answer {
                Answer::Registers(words) => words.len(),
                Answer::Bits(bits) => bits.len(),
                other => panic!("{other:?}"),
            };
            assert_eq!(length, 4);
        }
    }
    running.stop();
    bench.rig.witnessed(|seen| {
        let functions: Vec<u8> = seen.functions.keys().copied().collect();
        assert_eq!(functions, [0x01, 0x02, 0x03, 0x04, 0x08, 0x11, 0x2B]);
        assert_eq!(seen.bad_requests, 0);
        let bytes: u64 = seen.from_master().map(|passage| passage.bytes.len() as u64).sum();
        assert_eq!(bytes, seen.bytes_from_master, "every byte that left is part of a frame looked at here");
        for passage in seen.from_master() {
            let protocol_data = &passage.bytes[1..passage.bytes.len() - 2];
            assert!(Request::parse(protocol_data).is_ok() || protocol_data[0] == 0x08, "{protocol_data:02X?}");
        }
    });
}

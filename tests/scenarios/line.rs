//! The faults of a line: each runs on the paced wire behind a pseudo-terminal, and the program's own line polls through it.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use tallywell::line::clock::Clock;
use tallywell::line::event::{LineEvent, RegistersRead, event_queue};
use tallywell::line::statistics::LineTiming;
use tallywell::line::thread::LineThread;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Parity, Port, ValueType};
use tallywell_witness::plan::WireTiming;
use tallywell_witness::schedule::Task;

use super::plan::all_registers;
use super::{each, expected, scenarios, table_says};

const LENGTH: Duration = Duration::from_millis(3_500);
/// Counts bytes, where the others count replies.
const NOISE: &str = "noise_bytes";
const REPLY_TIMEOUT: Duration = Duration::from_millis(150);

/// What the program found on a line.
#[derive(Debug, Default)]
struct Found {
    reads: u64,
    /// Values that another unit or another register had.
    wrong: Vec<String>,
    port_is_lost: bool,
    another_master: bool,
    echo_is_told: bool,
    timing: LineTiming,
}

fn polled(name: &str, text: &str) -> Found {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("port");
    let scenario = Scenario::parse(text, name).unwrap();
    let devices = scenario.devices.clone();
    let rig = Rig::start(scenario, &link).unwrap();
    let written: toml::Table = toml::from_str(text).unwrap();
    let polled_at = written["expected"].get("polled_at").unwrap_or(&written["line"]["baud"]);
    let baud = u32::try_from(polled_at.as_integer().unwrap()).unwrap();
    let framing = Framing { baud, parity: Parity::Even, stop_bits: 1 };
    let last = written["device"]["one"]["encoded"][1].as_integer().unwrap();
    let registers = u16::try_from(last).unwrap() + 1;
    let line = Line {
        name: "line".to_owned(),
        port: Port::Serial(link),
        framing,
        mode: LineMode::Poll,
        reply_timeout: REPLY_TIMEOUT,
        quiet_gap: None,
        worst_latency: Duration::from_millis(400),
        echo: written["expected"].get("echo_is_declared").is_some_and(|it| it.as_bool().unwrap()),
        early_replies: EarlyReplies::Refuse,
    };
    let (sender, mut events) = event_queue();
    let units: BTreeMap<String, u8> = devices.iter().cloned().collect();
    let tasks = devices.into_iter().map(|(device, unit)| task(device, unit, registers, framing)).collect();
    let thread = LineThread::start(line, tasks, Clock::since(rig.started()), sender).unwrap();
    let mut found = Found::default();
    let begun = Instant::now();
    let mut take = |found: &mut Found| {
        while let Some(event) = events.try_next() {
            match event.event {
                LineEvent::Read(read) => {
                    found.reads += 1;
                    found.wrong.extend(foreign(&read, units[&read.device]));
                }
                LineEvent::PortLost { .. } => found.port_is_lost = true,
                LineEvent::AnotherMaster { .. } => found.another_master = true,
                LineEvent::EchoUndeclared => found.echo_is_told = true,
                LineEvent::Timing { timing, .. } => found.timing.merge(&timing),
                _ => {}
            }
        }
    };
    while begun.elapsed() < LENGTH {
        std::thread::sleep(Duration::from_millis(20));
        take(&mut found);
    }
    thread.stop();
    take(&mut found);
    found
}

/// All registers of a device in one request, again and again.
fn task(device: String, unit: u8, registers: u16, framing: Framing) -> Task {
    let timing = WireTiming::new(framing);
    let requests = all_registers(registers, ValueType::U16, timing, Duration::from_millis(2));
    let silence = timing.request() + REPLY_TIMEOUT + timing.t3_5();
    Task { device, unit, every: Duration::ZERO, group: None, requests, silence }
}

/// Each even register of a simulated device holds its own address and half the register's.
fn foreign(read: &RegistersRead, unit: u8) -> Option<String> {
    let is_own = |(address, word): (u16, &u16)| *word == ((u16::from(unit) << 8) | (address / 2));
    let held = (read.request.start..).zip(&read.words).filter(|(address, _)| address % 2 == 0);
    let strange: Vec<_> = held.filter(|pair| !is_own(*pair)).collect();
    (!strange.is_empty()).then(|| format!("{}: {strange:04x?}", read.device))
}

/// The counters that moved: of bad replies, the one that moved most first, and of bytes outside any reply, the last.
fn counted(timing: &LineTiming) -> Vec<String> {
    let report = serde_json::to_value(timing.report("line", |_| None)).unwrap();
    let mut sums: BTreeMap<String, u64> = BTreeMap::new();
    for device in report["devices"].as_array().unwrap() {
        for (name, count) in device.as_object().unwrap() {
            let is_fault = !matches!(name.as_str(), "device" | "address" | "replies" | "reply_ms" | "lateness_ms");
            if let Some(count) = count.as_u64().filter(|count| is_fault && *count > 0) {
                *sums.entry(name.clone()).or_default() += count;
            }
        }
    }
    let mut sums: Vec<(String, u64)> = sums.into_iter().collect();
    sums.sort_by_key(|(name, count)| (name == NOISE, std::cmp::Reverse(*count)));
    sums.into_iter().map(|(name, _)| name).collect()
}

#[test]
fn every_fault_of_a_line_has_a_scenario_and_is_counted_under_its_name() {
    let scenarios = scenarios("line");
    let found = each(&scenarios, 2, polled);
    let mut rows = Vec::new();
    let mut misses = Vec::new();
    for ((name, text), found) in scenarios.iter().zip(found) {
        let expected = expected(text);
        let counted = counted(&found.timing);
        let must: BTreeSet<String> =
            expected["counted"].as_array().unwrap().iter().map(|it| it.as_str().unwrap().to_owned()).collect();
        println!("{name}: {} reads, {counted:?}", found.reads);
        assert_eq!(found.wrong, Vec::<String>::new(), "{name}: a wrong value");
        let is_understood = expected.get("understood").is_none_or(|it| it.as_bool().unwrap());
        assert!(found.reads > 10 || !is_understood, "{name}: {} replies were read", found.reads);
        assert!(found.reads == 0 || is_understood, "{name}: {} replies were understood", found.reads);
        let lost = expected.get("port_is_lost").is_some_and(|it| it.as_bool().unwrap());
        let another_master = expected.get("another_master").is_some_and(|it| it.as_bool().unwrap());
        let report = found.timing.report("line", |_| None);
        let hint = report.hint;
        let hinted = expected.get("hint").and_then(toml::Value::as_str);
        let echo_is_told = expected.get("echo_is_told").is_some_and(|it| it.as_bool().unwrap());
        let is_right = must.iter().all(|name| counted.contains(name))
            && (must.contains(NOISE) || must.is_empty() || must.contains(&counted[0]))
            && lost == found.port_is_lost
            && another_master == found.another_master
            && another_master == report.two_masters
            && echo_is_told == found.echo_is_told
            && hinted.is_none_or(|words| hint.as_ref().is_some_and(|hint| hint.contains(words)));
        if !is_right {
            let Found { port_is_lost, another_master, echo_is_told, .. } = found;
            misses.push(format!(
                "{name}: {must:?} expected, {counted:?}, lost {port_is_lost}, master {another_master}, echo {echo_is_told}, hint {hint:?}"
            ));
        }
        let mut what: Vec<String> = must.iter().map(|name| format!("`{name}`")).collect();
        what.extend(lost.then(|| "the port is lost, and opened again".to_owned()));
        what.extend(another_master.then(|| "another master is told of".to_owned()));
        what.extend((!is_understood).then(|| "no value at all".to_owned()));
        what.extend(echo_is_told.then(|| "the adapter is said to return what it sends".to_owned()));
        what.extend(hinted.map(|_| "a hint that the adapter holds bytes back".to_owned()));
        let what = if what.is_empty() { "nothing".to_owned() } else { what.join(", ") };
        rows.push(format!("| line/{name}.toml | {what} |"));
    }
    assert!(misses.is_empty(), "{misses:#?}");
    table_says("line", &rows);
}

//! A long time on a bad line: one reply in ten is lost, late, broken, corrupted or followed by noise, and the adapter is
//! pulled out for a while. Memory stays flat, every period that was missed has its fault on record, and what was stored is
//! right: meters that agree are not found to disagree.
//!
//! `TALLYWELL_BAD_LINE_MINUTES=60 cargo test --release --test unattended -- --nocapture bad_line` is a real hour; without
//! it half a minute is run.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use rustix::process::{Pid, Signal, kill_process};
use tallywell::record::parse_instant;
use tallywell::store::{Span, StoreReader};
use tallywell_witness::reading::Reading;

use crate::kills::METERS;
use crate::shed::Shed;

/// A period of the site file. Faults of other devices make a reading late; one that is late by nearly a period was missed.
const PERIOD_MS: i64 = 1_000;
const LATE_MS: i64 = 950;
/// What memory may grow by after the first quarter: buffers that find their size.
const MOST_GROWTH_KIB: u64 = 4 * 1024;
/// Whoever wakes so much later than asked was kept waiting by the machine, and so may the daemon have been.
const KEPT_WAITING: Duration = Duration::from_millis(100);
const NAP: Duration = Duration::from_millis(10);

fn bad(scenario: &str, length: Duration) -> String {
    let wrong = scenario.find("goes_wrong").unwrap();
    let end = wrong + scenario[wrong..].find('\n').unwrap();
    let mut text = format!("{}{}", &scenario[..wrong], &scenario[end..]);
    let kinds = [
        "kind = \"lost\"",
        "kind = \"late\", least = \"350ms\", most = \"700ms\"",
        "kind = \"short\"",
        "kind = \"flipped-bits\", bits = 2",
        "kind = \"burst\"",
        "kind = \"long\", most_bytes = 9",
        "kind = \"noise\", most_bytes = 6, pause = \"4ms\"",
        "kind = \"exception\", code = 6",
        "kind = \"wrong-unit\"",
        "kind = \"two-talkers\", apart = \"1ms\"",
    ];
    for kind in kinds {
        text.push_str(&format!("\n[[fault]]\nrate = 0.01\nwhat = {{ {kind} }}\n"));
    }
    let pulled = length.as_millis() * 2 / 5;
    text + &format!("\n[[unplugged]]\nbegins = \"{pulled}ms\"\nends = \"{}ms\"\n", pulled + 4_000)
}

fn resident_kib(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// When this machine kept a thread waiting, by the clock on the wall, for as long as the test runs.
fn watch_the_machine() -> Arc<Mutex<Vec<(i64, i64)>>> {
    let stalls: Arc<Mutex<Vec<(i64, i64)>>> = Arc::default();
    let kept = Arc::clone(&stalls);
    let wall_ms = || i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap();
    std::thread::spawn(move || {
        loop {
            let (from, begun) = (wall_ms(), Instant::now());
            std::thread::sleep(NAP);
            if begun.elapsed() > NAP + KEPT_WAITING {
                kept.lock().unwrap().push((from, wall_ms()));
            }
        }
    });
    stalls
}

/// What the process has had the system write to disks, the log included.
fn written_bytes(process: u32) -> u64 {
    let io = std::fs::read_to_string(format!("/proc/{process}/io")).unwrap();
    let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap();
    line.parse().unwrap()
}

#[test]
fn a_bad_line_costs_what_is_on_record_and_nothing_else() {
    let minutes = std::env::var("TALLYWELL_BAD_LINE_MINUTES").map_or(0.5, |minutes| minutes.parse().unwrap());
    let length = Duration::from_secs_f64(minutes * 60.0);
    let shed = Shed::with(|site| site, |scenario| bad(&scenario, length));
    let mut daemon = shed.daemon();
    let begun = Instant::now();
    let machine = watch_the_machine();
    let (mut early, mut later) = (0, 0);
    while begun.elapsed() < length {
        std::thread::sleep(length / 60);
        assert!(daemon.try_wait().unwrap().is_none(), "it ended by itself:\n{}", shed.log());
        let most = if begun.elapsed() < length / 4 { &mut early } else { &mut later };
        *most = resident_kib(daemon.id()).max(*most);
    }
    let a_day_mib = written_bytes(daemon.id()) as f64 * 86_400.0 / begun.elapsed().as_secs_f64() / f64::from(1 << 20);
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());

    // What the log says of the counter and of the port, and when.
    let log = shed.log();
    let told: Vec<i64> = log
        .lines()
        .filter(|line| {
            ["counter: ", "the port is", "counter does not", "counter answers"].iter().any(|it| line.contains(it))
        })
        .filter_map(|line| Some(parse_instant(line.split_whitespace().next()?)?.0))
        .collect();
    let store = StoreReader::open(&shed.path("kestrel.db")).unwrap();
    let stalls = machine.lock().unwrap().clone();
    let mut all_unexplained = Vec::new();
    for meter in METERS {
        let readings: Vec<Reading> = store.readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect();
        let counted: Vec<i64> = readings.iter().filter_map(|it| Some(it.wall.0 - it.at.0 + it.pulses?.at.0)).collect();
        let gaps: Vec<(i64, i64)> = counted
            .windows(2)
            .map(|pair| (pair[0], pair[1]))
            .filter(|(from, to)| to - from > PERIOD_MS + LATE_MS)
            .collect();
        let is_told = |(from, to): &&(i64, i64)| told.iter().any(|at| (from - 100..to + 100).contains(at));
        let is_the_machines = |(from, to): &(i64, i64)| stalls.iter().any(|(since, until)| since < to && from < until);
        let untold: Vec<(i64, i64)> = gaps.iter().filter(|gap| !is_told(gap)).copied().collect();
        let (of_the_machine, unexplained): (Vec<_>, Vec<_>) = untold.into_iter().partition(is_the_machines);
        println!(
            "{meter}: {} readings with pulses, {} stretches without, {} while the machine kept threads waiting, {} of them \
             unexplained",
            counted.len(),
            gaps.len(),
            of_the_machine.len(),
            unexplained.len()
        );
        assert!(counted.len() as f64 > 0.4 * length.as_secs_f64(), "{meter}: {} readings", counted.len());
        all_unexplained.extend(unexplained);
        let disagreements = store.disagreements(Some(meter), Span::ALL).unwrap();
        let steps = store.steps(Some(meter), Span::ALL).unwrap();
        assert!(disagreements.is_empty() && steps.is_empty(), "{meter} agrees, and yet: {disagreements:?} {steps:?}");
    }
    let timing: serde_json::Value =
        serde_json::from_str(&shed.printed(&["timing", "--config", "site.toml", "--format", "json"])).unwrap();
    println!("{minutes} minutes: {early} KiB resident in the first quarter, {later} at most later");
    println!("written to the disk, by what was written until now: {a_day_mib:.0} MiB a day");
    println!("the machine kept threads waiting {} times", stalls.len());
    println!("{}", shed.printed(&["timing", "--config", "site.toml"]));
    assert!(all_unexplained.is_empty(), "{all_unexplained:?}\n{log}");
    assert!(later <= early + MOST_GROWTH_KIB, "memory grows: {early} KiB, then {later}");
    assert!(timing["lines"][0]["devices"].as_array().unwrap().iter().any(|it| it["crc_errors"].as_u64() > Some(0)));
}

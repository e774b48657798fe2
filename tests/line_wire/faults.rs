//! Every fault of the line, at rates up to a fifth, over thousands of transactions: no wrong value, each under its name.

use std::time::Duration;

use tallywell::line::fault::FaultKind as Counter;
use tallywell_sim::fault::{CheckSum, Fault, FaultKind};
use tallywell_witness::declared::EarlyReplies;

use super::rig::{Bench, QUICK, Seen, UnitOnLine, name_of, task, unit};

const LONGEST: Duration = Duration::from_secs(90);
const AS_FAST_AS_POSSIBLE: Duration = Duration::ZERO;

fn ms(milliseconds: u64) -> Duration {
    Duration::from_millis(milliseconds)
}

/// One kind of fault, how often, and what it must be counted as.
struct Case {
    fault: FaultKind,
    rate: f64,
    counted: &'static [Counter],
}

fn case(fault: FaultKind, rate: f64, counted: &'static [Counter]) -> Case {
    Case { fault, rate, counted }
}

/// Polls one unit for each case until so many values came; none may be wrong, and each unit's counters must say exactly
/// what was done to its replies, but for what the machine itself did to them by keeping threads waiting.
fn run(bench: (bool, Duration), early: EarlyReplies, values: u64, cases: &[Case]) -> (Seen, Bench) {
    let addresses: Vec<u8> = (1..).take(cases.len()).collect();
    let units: Vec<UnitOnLine> = addresses
        .iter()
        .zip(cases)
        .map(|(&address, case)| unit(address, vec![Fault::always(case.fault.clone(), case.rate)]))
        .collect();
    let (paced, latency) = bench;
    let bench = Bench::new(paced, latency, units);
    let tasks = addresses.iter().map(|&address| task(address, AS_FAST_AS_POSSIBLE)).collect();
    let mut running = bench.start(bench.line(early), tasks);
    let enough = running.watch(LONGEST, |seen| seen.all_readings() >= values);
    // Replies to the last requests may still be under way.
    running.thread.replace(Vec::new());
    running.watch(ms(600), |_| false);
    let seen = running.stop();
    assert!(enough, "only {} values in {LONGEST:?}", seen.all_readings());
    assert!(seen.wrong.is_empty(), "{} wrong values: {:#?}", seen.wrong.len(), &seen.wrong[..seen.wrong.len().min(5)]);
    let mut off = Vec::new();
    let struck = bench.injected.counts();
    for (&address, case) in addresses.iter().zip(cases) {
        let times = struck.get(&(address, case.fault.name())).map_or(0, |struck| struck.times);
        let timing = &seen.timing.devices[&name_of(address)];
        for counter in Counter::ALL {
            let expected = if case.counted.contains(&counter) { times } else { 0 };
            let counted = timing.faults(counter);
            // However busy the machine is, most of what is counted has to be what was done.
            let most = (expected / 5).max(values / 100);
            if counted.abs_diff(expected) > bench.stalls().min(most) {
                off.push(format!("{}: {} is {counted}, not {expected}", case.fault.name(), counter.code()));
            }
        }
    }
    assert!(off.is_empty(), "{off:#?}\n{} stalls of the machine\n{struck:?}", bench.stalls());
    (seen, bench)
}

#[test]
fn replies_that_are_lost_late_broken_or_refused() {
    let cases = [
        case(FaultKind::Lost, 0.1, &[Counter::Timeout]),
        case(FaultKind::Late(ms(170)..ms(350)), 0.1, &[Counter::Timeout, Counter::Late]),
        case(FaultKind::LateAfterNextRequest(ms(1)), 0.1, &[Counter::Timeout, Counter::Late]),
        case(FaultKind::Short, 0.2, &[Counter::Short]),
        case(FaultKind::Long(20), 0.2, &[Counter::Long]),
        case(FaultKind::FlippedBits(1), 0.2, &[Counter::Crc]),
        case(FaultKind::FlippedBits(2), 0.2, &[Counter::Crc]),
        case(FaultKind::Burst, 0.2, &[Counter::Crc]),
        case(FaultKind::AddressByte, 0.2, &[Counter::Crc]),
        case(FaultKind::ByteCountUp(CheckSum::Stale), 0.2, &[Counter::Crc]),
        case(FaultKind::ByteCountUp(CheckSum::Right), 0.2, &[Counter::Long]),
        case(FaultKind::ByteCountDown(CheckSum::Right), 0.2, &[Counter::Short]),
        case(FaultKind::WrongFunction, 0.2, &[Counter::WrongFunction]),
        case(FaultKind::Exception(6), 0.2, &[Counter::Exception]),
        case(FaultKind::Pause(ms(6)), 0.2, &[]),
    ];
    run((false, QUICK), EarlyReplies::Accept, 3000, &cases);
}

#[test]
fn another_units_address_is_counted_as_such() {
    let cases = [case(FaultKind::WrongUnit, 0.2, &[Counter::WrongUnit]), case(FaultKind::Glitch(0), 0.0, &[])];
    run((false, QUICK), EarlyReplies::Accept, 2000, &cases);
}

#[test]
fn noise_between_frames_and_glitches_are_counted_byte_for_byte() {
    // Noise falls between the next request and its reply.
    let cases = [case(FaultKind::Noise(12, ms(4)), 0.2, &[]), case(FaultKind::Glitch(0), 0.2, &[])];
    let (seen, bench) = run((false, ms(6)), EarlyReplies::Accept, 1000, &cases);
    let sent: u64 = bench.injected.counts().values().map(|struck| struck.extra_bytes).sum();
    let counted: u64 = seen.timing.devices.values().map(|timing| timing.noise_bytes).sum();
    let allowed = (bench.stalls() * 13).min(sent / 5);
    assert!(counted.abs_diff(sent) <= allowed, "{counted} bytes counted, {sent} sent");
}

#[test]
fn on_a_paced_wire_early_replies_are_refused_and_every_silence_is_kept() {
    let cases = [
        case(FaultKind::Lost, 0.1, &[Counter::Timeout]),
        // With others on the line the reply that the adapter kept comes in another's turn: late.
        case(FaultKind::HeldInAdapter, 0.2, &[Counter::Timeout, Counter::Late]),
        case(FaultKind::Burst, 0.2, &[Counter::Crc]),
        case(FaultKind::Doubled(Duration::ZERO), 0.2, &[Counter::Long]),
        case(FaultKind::Glitch(0xFF), 0.2, &[]),
    ];
    let (_, bench) = run((true, QUICK), EarlyReplies::Refuse, 800, &cases);
    bench.rig.witnessed(|seen| {
        assert_eq!(seen.short_silences, 0, "shortest silence {:?}", seen.shortest_silence);
        assert!(seen.bad_requests + seen.broken_requests <= bench.stalls(), "{} bad requests", seen.bad_requests);
        assert_eq!(seen.functions.keys().collect::<Vec<_>>(), [&3]);
    });
}

/// Alone on the line, and kept longer than the worst latency that was declared: the reply comes as the same unit is asked
/// again, and only its being too soon tells that it is not the answer.
#[test]
fn a_reply_that_was_held_until_its_unit_is_asked_again_is_early() {
    let bench = Bench::new(true, QUICK, vec![unit(1, vec![Fault::always(FaultKind::HeldInAdapter, 0.2)])]);
    let mut running = bench.start(bench.line(EarlyReplies::Refuse), vec![task(1, AS_FAST_AS_POSSIBLE)]);
    assert!(running.watch(LONGEST, |seen| seen.all_readings() >= 60));
    let seen = running.stop();
    // A machine that keeps the simulator's bytes for longer than a request takes hides that they came too soon, and beyond
    // the worst latency nothing else tells.
    let hidden = u64::try_from(seen.wrong.len()).unwrap();
    assert!(hidden <= bench.stalls(), "{:#?}", seen.wrong);
    let timing = &seen.timing.devices[&name_of(1)];
    assert!(timing.faults(Counter::Early) > 2, "{} early replies", timing.faults(Counter::Early));
}

#[test]
fn a_dead_unit_of_ten_leaves_the_others_their_period() {
    let dead = 5;
    let units = (1..=10).map(|address| {
        let faults = if address == dead { vec![Fault::always(FaultKind::Dead, 1.0)] } else { Vec::new() };
        unit(address, faults)
    });
    let bench = Bench::new(true, QUICK, units.collect());
    let period = ms(500);
    let tasks = (1..=10).map(|address| task(address, period)).collect();
    let mut running = bench.start(bench.line(EarlyReplies::Refuse), tasks);
    // A port is listened to for the worst latency before anything is asked.
    running.watch(ms(6400), |_| false);
    let seen = running.stop();
    for address in (1..=10).filter(|&address| address != dead) {
        let readings = seen.readings[&name_of(address)];
        assert!((11..=13).contains(&readings), "unit {address} was read {readings} times in 12 periods");
        let timeouts = seen.timing.devices[&name_of(address)].faults(Counter::Timeout);
        assert!(timeouts <= bench.stalls().min(1), "unit {address} had {timeouts} time-outs");
    }
    assert!(seen.timing.devices[&name_of(dead)].faults(Counter::Timeout) > 2, "the dead unit is still tried");
}

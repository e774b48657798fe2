//! What a foreign master reads is taken as it was, and nothing is sent.

use std::time::Duration;

use tallywell::line::listen::master::Passed;
use tallywell_sim::fault::{CheckSum, Fault, FaultKind};
use tallywell_sim::wire::Ears;

use crate::rig::{CONTROLLERS_SILENCE, Case, Master, Outcome, run};

const LENGTH: Duration = Duration::from_secs(3);

/// A share of the good replies that the listener uses in real time, where the listener's thread may be kept waiting unseen;
/// of the hundred replies of a noisy run, one that is kept waiting is a hundredth already. What is used where time itself is
/// simulated is told to the last reply in `virtual_line`.
const LEAST_SHARE: f64 = 0.95;
/// A machine that keeps the wire's own thread waiting for so long keeps its listener waiting, too: frames fall apart.
const KEPT_WAITING: Duration = Duration::from_millis(3);
const LEAST_SHARE_WHEN_BUSY: f64 = 0.9;

fn is_followed(case: &Case) -> Outcome {
    let outcome = run(case);
    assert_eq!(outcome.sent, 0, "nothing is ever sent");
    // How little it takes is told by `cargo bench --bench listen`; one that spins takes all.
    assert!(outcome.processor < 0.5, "the listener took {} of a core", outcome.processor);
    assert_eq!(outcome.wrong, Vec::<String>::new(), "{case:?}");
    let account = &outcome.account;
    assert!(account.good > 20, "{account:?}");
    let counts = outcome.timing.report("shed", |_| None);
    let least = if outcome.late > KEPT_WAITING { LEAST_SHARE_WHEN_BUSY } else { LEAST_SHARE };
    assert!(outcome.used_at_least(least), "{account:?}, wire late by {:?}: {case:?}; {counts:?}", outcome.late);
    outcome
}

fn noisy(share: f64) -> Vec<Fault> {
    let part = share / 4.0;
    vec![
        Fault::always(FaultKind::FlippedBits(2), part),
        Fault::always(FaultKind::Short, part),
        Fault::always(FaultKind::ByteCountUp(CheckSum::Stale), part),
        Fault::always(FaultKind::Lost, part),
    ]
}

#[test]
fn a_healthy_line_is_followed_reply_for_reply() {
    for (master, at_a_time) in [(Master::Libmodbus, 10), (Master::Pymodbus, 2)] {
        let outcome = is_followed(&Case::healthy(master, 115_200, at_a_time, LENGTH));
        let heard = outcome.timing.master.as_ref().unwrap();
        assert!(heard.polls.values().all(|poll| poll.requests <= poll.answered + 1), "{heard:?}");
        assert!(!heard.are_two());
        let (said, short) = (outcome.said_short(), outcome.short_silences);
        assert!(said <= short, "{said} short silences of {short}, wire late by {:?}", outcome.late);
    }
}

#[test]
fn corrupted_frames_time_outs_and_repetitions_give_no_wrong_value() {
    for (master, at_a_time, retries) in [(Master::Libmodbus, 1, 0), (Master::Pymodbus, 2, 2)] {
        let ears = Ears { lumps: (1, 64), hold: Duration::from_millis(16), spoiled: 0.05, seed: 7 };
        let case = Case { ears, faults: noisy(0.1), retries, ..Case::healthy(master, 38_400, at_a_time, LENGTH) };
        let outcome = is_followed(&case);
        let timing = &outcome.timing;
        let faults: u64 =
            timing.devices.values().map(|device| device.faults(tallywell::line::fault::FaultKind::Crc)).sum();
        assert!(faults > 0, "{timing:?}");
    }
}

#[test]
fn slow_lines_are_followed_in_lumps_of_one_and_of_many() {
    for lumps in [(1, 1), (64, 64)] {
        let ears = Ears { lumps, hold: Duration::from_millis(16), spoiled: 0.1, seed: 3 };
        let case = Case { ears, ..Case::healthy(Master::Simulated, 9_600, 10, LENGTH) };
        is_followed(&case);
    }
}

/// A port may hold what came before it was opened, and a controller that polls does not wait for its listener.
#[test]
fn what_came_before_the_port_was_opened_accuses_nobody() {
    let case =
        Case { begins_later: Duration::from_millis(300), ..Case::healthy(Master::Simulated, 19_200, 10, LENGTH) };
    let outcome = run(&case);
    assert_eq!(outcome.wrong, Vec::<String>::new());
    assert_eq!(outcome.said_short(), 0);
    let heard = outcome.timing.master.as_ref().unwrap();
    assert!(heard.counted(Passed::Read) > 20);
    assert!(heard.shortest_silence >= Some(CONTROLLERS_SILENCE), "{:?}", heard.shortest_silence);
    assert!(!heard.are_two());
}

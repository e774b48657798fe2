//! The whole daemon killed at random moments: the store opens, what is older than four seconds is there ([`BOUND_MS`]), the
//! tallies go on, and no disagreement comes of the cut.
//!
//! `TALLYWELL_KILLS=1000 cargo test --release --test unattended -- --nocapture killed` is the long form; it prints what
//! it saw.

use std::fmt;
use std::time::{Duration, Instant};

use rusqlite::{Connection, OpenFlags};
use rustix::process::{Pid, Signal, kill_process};
use rustix::time::{ClockId, clock_gettime};
use tallywell::store::{Span, StoreReader};
use tallywell_sim::wire::Talker;
use tallywell_witness::reading::Reading;

use crate::shed::{PATIENCE, Shed};

pub const METERS: [&str; 3] = ["bore-1", "bore-2", "booster"];
/// The counter module's address: its pulses are read once a period for all three meters.
const COUNTER: Talker = Talker::Unit(41);
/// How far the wire's and the daemon's clock are apart, both in whole milliseconds.
const CLOCKS_DIFFER_MS: i64 = 5;
/// What a kill may take: the time between transactions, and what a busy disk and a busy machine may add to it.
pub const BOUND_MS: i64 = 2_000 + 2_000;

/// The clock from which the daemon's readings count.
pub fn steady_ms() -> i64 {
    let now = clock_gettime(ClockId::Monotonic);
    now.tv_sec * 1_000 + now.tv_nsec / 1_000_000
}

/// One answer of the counter, on the daemon's clock.
#[derive(Debug)]
struct Answer {
    /// When the wire fell silent before its question: the wire itself may see the question late.
    silent: i64,
    ended: i64,
    /// When the next question of all began: the daemon had this answer by then, however late it was woken.
    next: i64,
}

impl Answer {
    /// Whether a reading with pulses sampled then tells this answer.
    fn is_told_by(&self, sampled: i64) -> bool {
        (self.silent.saturating_sub(CLOCKS_DIFFER_MS)..self.next.saturating_add(CLOCKS_DIFFER_MS)).contains(&sampled)
    }
}

/// The counter's answers that ended between two moments.
fn answers(shed: &Shed, from: i64, to: i64) -> Vec<Answer> {
    let started = steady_ms() - i64::try_from(shed.rig.started().elapsed().as_millis()).unwrap();
    let at = |since: Duration| started + i64::try_from(since.as_millis()).unwrap();
    shed.rig.witnessed(|seen| {
        let mut answers: Vec<Answer> = Vec::new();
        let (mut silent, mut before) = (i64::MIN, i64::MIN);
        for passage in &seen.passages {
            if passage.from == Talker::Master {
                let begun = at(passage.begun);
                if let Some(answer) = answers.last_mut().filter(|answer| answer.next == i64::MAX) {
                    answer.next = begun;
                }
                silent = before;
            } else if passage.from == COUNTER {
                answers.push(Answer { silent, ended: at(passage.ended), next: i64::MAX });
            }
            before = at(passage.ended);
        }
        answers.retain(|answer| (from..to).contains(&answer.ended));
        answers
    })
}

/// When the pulses of a meter's readings were sampled.
pub fn sampled(readings: &[Reading], from: i64) -> Vec<i64> {
    readings.iter().filter_map(|reading| Some(reading.pulses?.at.0)).filter(|at| *at >= from).collect()
}

/// What many kills did.
#[derive(Debug, Default)]
pub struct Seen {
    pub kills: u64,
    /// Before anything was stored in that life.
    pub before_anything: u64,
    pub readings: usize,
    /// The longest stretch of answers that a kill took, ms.
    pub most_lost_ms: i64,
    /// Answers older than what a kill took, and not stored.
    pub missing: usize,
    /// Answers that the daemon itself called faults, since the machine was too busy.
    pub faults: usize,
}

impl fmt::Display for Seen {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            out,
            "{} readings stored; {} lives left none; at most {} ms lost; {} older answers missing, {} faults of the line",
            self.readings, self.before_anything, self.most_lost_ms, self.missing, self.faults
        )
    }
}

/// Looks at the store after a kill at `killed` of a life that began at `born`; it may have taken `bound_ms` of answers.
pub fn look(shed: &Shed, born: i64, killed: i64, bound_ms: i64, seen: &mut Seen) {
    let path = shed.path("kestrel.db");
    if !path.exists() {
        seen.before_anything += 1;
        return;
    }
    let database = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let sound: String = database.query_row("PRAGMA quick_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
    let Ok(store) = StoreReader::open(&path) else {
        // A kill before the first table: the next life makes them.
        seen.before_anything += 1;
        assert!(seen.readings == 0, "a store that was there cannot be opened any more");
        return;
    };
    let answered = answers(shed, born, killed);
    let faults = shed.log().lines().filter(|line| line.contains("line shed: counter: ")).count();
    seen.faults += faults;
    seen.readings = 0;
    for meter in METERS {
        let readings: Vec<Reading> = store.readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect();
        assert!(
            readings.is_sorted_by(|before, after| before.at < after.at),
            "{meter}: a moment twice, or out of order"
        );
        seen.readings += readings.len();
        let stored = sampled(&readings, born);
        let Some(last) = stored.last() else {
            let lived = answered.last().map_or(0, |last| last.ended - answered[0].ended);
            assert!(lived <= bound_ms, "{meter}: {lived} ms of answers, and nothing is stored");
            seen.before_anything += u64::from(meter == METERS[0]);
            continue;
        };
        let lost = answered.last().map_or(0, |newest| newest.ended - last);
        assert!(lost <= bound_ms, "{meter}: {lost} ms were lost");
        seen.most_lost_ms = seen.most_lost_ms.max(lost);
        let is_told = |answer: &Answer| stored.iter().any(|sampled| answer.is_told_by(*sampled));
        // The first may be to a question that the life before left in the wire.
        let left_over = usize::from(answered.first().is_some_and(|first| !is_told(first)));
        let older = answered.iter().skip(left_over).filter(|answer| answer.ended <= *last);
        let missed: Vec<&Answer> = older.filter(|answer| !is_told(answer)).collect();
        let missing = missed.len();
        assert!(
            missing <= faults,
            "{meter}: {missing} answers before the last that is stored are not, {faults} faults: {missed:?} of {answered:?}; \
             stored are {stored:?}\n{}",
            shed.log()
        );
        seen.missing += missing;
    }
    // Bore-2 was set wrong before the first reading: that is one disagreement, however often the daemon dies.
    for meter in METERS {
        let log = store.disagreements(Some(meter), Span::ALL).unwrap();
        let steps = store.steps(Some(meter), Span::ALL).unwrap();
        if meter == "bore-2" {
            let mut between: Vec<_> = log.iter().map(|it| format!("{:?}", it.disagreement.between)).collect();
            let all = between.len();
            between.sort_unstable();
            between.dedup();
            assert_eq!(between.len(), all, "a disagreement was opened twice: {log:?}");
            assert!(log.iter().all(|it| it.disagreement.closed.is_none()), "a kill closed it: {log:?}");
        } else {
            assert!(log.is_empty() && steps.is_empty(), "{meter} agrees, and yet: {log:?} {steps:?}");
        }
    }
}

/// A life that may last, after so many that were cut short: it opens the store, goes on, and is told to end. Returns when
/// the disagreement opened that there is.
pub fn last_life(shed: &Shed, first_born: i64, lives: usize, bound_ms: i64, seen: &mut Seen) -> i64 {
    let born = steady_ms();
    let mut daemon = shed.daemon();
    let goes_on = || {
        let store = StoreReader::open(&shed.path("kestrel.db")).ok()?;
        let readings: Vec<Reading> = store.readings("bore-2", Span::ALL).ok()?.filter_map(Result::ok).collect();
        let found = !store.disagreements(Some("bore-2"), Span::ALL).ok()?.is_empty();
        Some(found && sampled(&readings, born).last().is_some_and(|last| *last > born + 3_000))
    };
    let until = Instant::now() + PATIENCE;
    while goes_on() != Some(true) {
        assert!(Instant::now() < until, "nothing is stored or found any more:\n{}", shed.log());
        std::thread::sleep(Duration::from_millis(100));
    }
    let killed = steady_ms();
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
    look(shed, born, killed, bound_ms, seen);
    let store = StoreReader::open(&shed.path("kestrel.db")).unwrap();
    let opened = store.disagreements(Some("bore-2"), Span::ALL).unwrap()[0].disagreement.opened.steady.0;
    // What was seen in one life is not forgotten in the next: many short ones find what a long one does.
    let all = steady_ms() - first_born;
    assert!(
        lives < 50 || opened - first_born < all / 2,
        "found {} ms after the beginning, of {all}",
        opened - first_born
    );
    opened
}

#[test]
fn a_daemon_killed_at_any_moment_goes_on_where_it_was() {
    let kills = std::env::var("TALLYWELL_KILLS").map_or(10, |kills| kills.parse().unwrap());
    let shed = Shed::steady();
    // The moments come from a simple generator with a known seed: x -> 48271 x mod (2^31 - 1), Park and Miller 1988.
    let mut state: u64 = std::env::var("TALLYWELL_SEED").map_or(20_260, |seed| seed.parse().unwrap());
    let mut seen = Seen::default();
    let begun = Instant::now();
    let first_born = steady_ms();
    for round in 0..kills {
        state = state * 48_271 % 2_147_483_647;
        // Some die at birth, most while they poll, some after several transactions.
        let life = Duration::from_millis(20 + state % [400, 6_000, 9_000][round % 3]);
        let born = steady_ms();
        let mut daemon = shed.daemon();
        std::thread::sleep(life);
        let alive = daemon.try_wait().unwrap().is_none();
        daemon.kill().unwrap();
        let killed = steady_ms();
        daemon.wait().unwrap();
        assert!(alive, "it ended by itself:\n{}", shed.log());
        seen.kills += 1;
        look(&shed, born, killed, BOUND_MS, &mut seen);
    }
    let opened = last_life(&shed, first_born, kills, BOUND_MS, &mut seen);
    println!(
        "{} kills in {:.0} s: {seen}; the disagreement opened {} s after the beginning and is open still",
        seen.kills,
        begun.elapsed().as_secs_f64(),
        (opened - first_born) / 1_000,
    );
}

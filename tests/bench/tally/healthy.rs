//! False alarms over simulated meter-years in which nothing is wrong but everything is awkward.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};

use tallywell_sim::cases::{Case, HEALTHY_KINDS, HealthyKind};
use tallywell_witness::tally::{Between, Change, MeterTallies, VolumeJudged};

use super::cases::{declared, reading};
use super::interval::of_count;

const YEAR_S: f64 = 365.25 * 86_400.0;
/// Threads: as many as the machine this is quoted for has cores.
const THREADS: usize = 2;
const KINDS: u64 = HEALTHY_KINDS.len() as u64;

#[derive(Debug, Default)]
struct Found {
    cases: u64,
    seconds: f64,
    readings: usize,
    /// The seeds of those with steps between counts, once for each step.
    steps: Vec<u64>,
    opened: BTreeMap<String, Vec<u64>>,
}

pub(super) fn print(years: f64, first_seed: u64) {
    let mut kinds: BTreeMap<usize, Found> = BTreeMap::new();
    let next = AtomicU64::new(0);
    let per_kind = years * YEAR_S / KINDS as f64;
    let done: Vec<AtomicU64> = HEALTHY_KINDS.iter().map(|_| AtomicU64::new(0)).collect();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..THREADS)
            .map(|_| {
                scope.spawn(|| {
                    let mut kinds: BTreeMap<usize, Found> = BTreeMap::new();
                    loop {
                        let ticket = next.fetch_add(1, Ordering::Relaxed);
                        let place = usize::try_from(ticket % KINDS).unwrap();
                        if done.iter().all(|seconds| seconds.load(Ordering::Relaxed) as f64 >= per_kind) {
                            break kinds;
                        }
                        if done[place].load(Ordering::Relaxed) as f64 >= per_kind {
                            continue;
                        }
                        let seconds = one(HEALTHY_KINDS[place], first_seed + ticket, kinds.entry(place).or_default());
                        done[place].fetch_add(seconds as u64, Ordering::Relaxed);
                    }
                })
            })
            .collect();
        for worker in workers {
            for (place, found) in worker.join().unwrap() {
                let sum = kinds.entry(place).or_default();
                sum.cases += found.cases;
                sum.seconds += found.seconds;
                sum.readings += found.readings;
                sum.steps.extend(found.steps);
                for (tally, seeds) in found.opened {
                    sum.opened.entry(tally).or_default().extend(seeds);
                }
            }
        }
    });
    println!(
        "False alarms over simulated meter-years of healthy flow from seed {first_seed}; the daemon's own state machine"
    );
    println!(
        "{:16} {:>7} {:>12} {:>12} {:>6}  disagreements opened (seeds); seeds of steps",
        "kind", "meters", "meter-days", "readings", "steps"
    );
    let (mut seconds, mut steps, mut opened) = (0.0, 0, 0);
    for (place, found) in &kinds {
        let days = found.seconds / 86_400.0;
        println!(
            "{:16} {:>7} {days:>12.1} {:>12} {:>6}  {}{}",
            format!("{:?}", HEALTHY_KINDS[*place]),
            found.cases,
            found.readings,
            found.steps.len(),
            if found.opened.is_empty() { "none".to_owned() } else { format!("{:?}", found.opened) },
            if found.steps.is_empty() { String::new() } else { format!("; {:?}", found.steps) }
        );
        seconds += found.seconds;
        steps += found.steps.len();
        opened += found.opened.values().map(Vec::len).sum::<usize>();
    }
    println!("{:.2} meter-years: {steps} steps between counts, {opened} disagreements.", seconds / YEAR_S);
    let (_, most) = of_count(opened as u64);
    println!("Disagreements to be expected in as many years: at most {most:.2} (exact 95 % interval).");
    println!("Flows are judged in blocks of at least 10 s, 4 dampings and 5 readings.");
}

/// Lets one meter be watched; returns the seconds of its life.
fn one(kind: HealthyKind, seed: u64, found: &mut Found) -> f64 {
    let case = Case::healthy(kind, seed);
    let facts = declared(&case);
    let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
    let mut changes = Vec::new();
    for row in case.rows() {
        tallies.push(&facts, &reading(&case, &row), &mut changes);
        found.readings += 1;
        for change in changes.drain(..) {
            match change {
                Change::Opened(it) => {
                    found.opened.entry(words(it.between)).or_default().push(seed);
                }
                Change::Step(_) => found.steps.push(seed),
                _ => {}
            }
        }
    }
    found.cases += 1;
    found.seconds += case.duration;
    case.duration
}

fn words(between: Between) -> String {
    between.words().join("/")
}

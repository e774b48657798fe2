//! The smallest loss of pulses that is seen, against how many are lost at once.

use tallywell_sim::cases::{Case, HealthyKind};
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Between, Change, MeterTallies, VolumeJudged};

use super::cases::readings;

const FIRST_SEED: u64 = 2_000_000;
const MOST: u32 = 12;

pub(super) fn print(meters: u64) {
    let mut seen = [0_u32; MOST as usize];
    let mut later: [Vec<f64>; MOST as usize] = Default::default();
    let mut runs = 0;
    for seed in FIRST_SEED..FIRST_SEED + meters {
        let case = Case::healthy(HealthyKind::Plain, seed);
        let (facts, readings) = readings(&case);
        let onset = readings.len() / 3;
        let counts = || readings.iter().filter_map(|reading| reading.pulses).map(|pulses| pulses.value);
        let Some(held) = readings[..onset].iter().rev().find_map(|reading| reading.pulses) else { continue };
        // A counter that wraps cannot be kept back by a subtraction.
        if !counts().is_sorted() {
            continue;
        }
        runs += 1;
        for lost in 1..=MOST {
            if let Some(pulses) = found(&facts, &readings, onset, held.value, f64::from(lost)) {
                seen[lost as usize - 1] += 1;
                later[lost as usize - 1].push(pulses);
            }
        }
    }
    println!("Pulses lost at once from a sound meter of random settings: how often it is proven, {runs} meters");
    println!("{:>5} {:>8} {:>28}", "lost", "seen", "pulses until then, median");
    for lost in 0..MOST as usize {
        let pulses = &mut later[lost];
        pulses.sort_by(f64::total_cmp);
        let median = pulses.get(pulses.len() / 2).map_or_else(|| "-".to_owned(), |it| format!("{it:.0}"));
        println!("{:>5} {:>6.1} % {median:>28}", lost + 1, 100.0 * f64::from(seen[lost]) / f64::from(runs));
    }
}

/// Lets the counter stand at `held` from one reading on until so many pulses are lost; the pulses that came until that is
/// proven, if it is.
fn found(facts: &MeterFacts, readings: &[Reading], onset: usize, held: f64, lost: f64) -> Option<f64> {
    let mut tallies = MeterTallies::new(facts, VolumeJudged::Whole);
    let mut changes = Vec::new();
    for (place, reading) in readings.iter().enumerate() {
        let mut reading = *reading;
        if place >= onset
            && let Some(pulses) = &mut reading.pulses
        {
            let came = pulses.value - held;
            pulses.value = (pulses.value - lost).max(held);
            tallies.push(facts, &reading, &mut changes);
            let is_proven = |change: &Change| matches!(change, Change::Step(it) if it.between == Between::TotalPulse);
            if changes.drain(..).any(|change| is_proven(&change)) {
                return Some(came);
            }
        } else {
            tallies.push(facts, &reading, &mut changes);
            changes.clear();
        }
    }
    None
}

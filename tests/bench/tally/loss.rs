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
        if !readings[..onset].iter().any(|reading| reading.pulses.is_some()) {
            continue;
        }
        runs += 1;
        for lost in 1..=MOST {
            if let Some(pulses) = found(&facts, &readings, onset, f64::from(lost)) {
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

/// Takes pulses away from one reading on; the pulses counted until that is proven, if it is.
fn found(facts: &MeterFacts, readings: &[Reading], onset: usize, lost: f64) -> Option<f64> {
    let mut tallies = MeterTallies::new(facts, VolumeJudged::Whole);
    let mut changes = Vec::new();
    let mut counted = None;
    for (place, reading) in readings.iter().enumerate() {
        let mut reading = *reading;
        if place >= onset
            && let Some(pulses) = &mut reading.pulses
        {
            let first = *counted.get_or_insert(pulses.value);
            pulses.value -= lost;
            tallies.push(facts, &reading, &mut changes);
            let is_proven = |change: &Change| matches!(change, Change::Step(it) if it.between == Between::TotalPulse);
            if changes.drain(..).any(|change| is_proven(&change)) {
                return Some(reading.pulses.map_or(0.0, |pulses| pulses.value) + lost - first);
            }
        } else {
            tallies.push(facts, &reading, &mut changes);
            changes.clear();
        }
    }
    None
}

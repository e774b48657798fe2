//! How many readings a second one core takes to all tallies of a meter, by the processor's time: others use the machine,
//! too.

use std::hint::black_box;
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};
use tallywell_sim::cases::{Case, HealthyKind};
use tallywell_witness::tally::{MeterTallies, VolumeJudged};

use super::cases::readings;

const SEEDS: [u64; 3] = [3_000_001, 3_000_002, 3_000_003];

pub(super) fn print(at_least: usize) {
    println!("Readings of flow, total, current and pulses taken to all tallies, one core");
    println!("{:>12} {:>10} {:>14} {:>16}", "readings", "poll s", "ns a reading", "readings a second");
    let (mut all, mut all_seconds) = (0, 0.0);
    for seed in SEEDS {
        let case = Case::healthy(HealthyKind::Plain, seed);
        let (facts, readings) = readings(&case);
        let mut changes = Vec::new();
        let mut count = 0;
        // All of a case at once: to ask for the time after each thousand readings costs as much as some of them.
        let begun = processor_time();
        while count < at_least / SEEDS.len() {
            let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
            for reading in black_box(&readings) {
                tallies.push(&facts, reading, &mut changes);
                changes.clear();
            }
            count += readings.len();
            black_box(&tallies);
        }
        let seconds = (processor_time() - begun).as_secs_f64();
        all += count;
        all_seconds += seconds;
        say(count, &format!("{}", case.poll), seconds);
    }
    say(all, "all", all_seconds);
}

fn say(count: usize, poll: &str, seconds: f64) {
    let rate = count as f64 / seconds;
    println!("{count:>12} {poll:>10} {:>14.0} {rate:>16.0}", 1e9 / rate);
}

/// What this thread has had of a processor.
fn processor_time() -> Duration {
    Duration::try_from(clock_gettime(ClockId::ThreadCPUTime)).unwrap()
}

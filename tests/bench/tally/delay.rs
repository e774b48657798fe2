//! How long a shift of unknown size goes on unseen, beside the delay of the CUSUM that knows the size.
//!
//! Blocks are independent and standard normal. The CUSUM that is matched to a shift is exactly optimal for it (Moustakides
//! 1986), and its delay is known exactly; nothing that does not know the shift can be quicker at the same run length.

use tallywell_sim::random::Stream;
use tallywell_witness::tally::run_length::{average_run_length, threshold_for};
use tallywell_witness::tally::sequential::{Bank, Cusum, Thresholds};

const SEED: u64 = 8;
const IN_CONTROL: f64 = 1e6;
const SHIFTS: [f64; 13] = [0.25, 0.3, 0.35, 0.42, 0.5, 0.6, 0.71, 0.84, 1.0, 1.41, 2.0, 2.8, 4.0];
/// Shares of the runs that a run length is simulated with: in control runs are long.
const CONTROL_SHARE: u32 = 10;

pub(super) fn print(runs: u32) {
    println!("Run lengths in control: wanted, simulated (standard error), in blocks");
    println!("{:>10} {:>22} {:>22}", "wanted", "one CUSUM, k = 0.5", "the bank, at least");
    for wanted in [1e3, 1e4] {
        let threshold = threshold_for(0.5, wanted);
        let thresholds = Thresholds::for_run_length(wanted);
        let runs = runs / CONTROL_SHARE;
        let one = simulated(runs, 0.0, 1, || {
            let mut cusum = Cusum::default();
            move |score| cusum.push(score, 0.5, threshold)
        });
        let bank = simulated(runs, 0.0, 2, || banked(thresholds));
        println!("{wanted:>10} {:>13.0} ({:.0}) {:>15.0} ({:.0})", one.0, one.1, bank.0, bank.1);
    }
    println!();
    println!("Mean delay in blocks at a run length of {IN_CONTROL:.0} blocks in control, {runs} runs");
    println!("{:>7} {:>18} {:>20} {:>7}", "shift", "matched, exact", "unknown shift (s.e.)", "ratio");
    let thresholds = Thresholds::for_run_length(IN_CONTROL);
    let mut worst: f64 = 0.0;
    for (number, shift) in (3_u64..).zip(SHIFTS) {
        let matched = average_run_length(shift / 2.0, threshold_for(shift / 2.0, IN_CONTROL), shift);
        let (mean, error) = simulated(runs, shift, number, || banked(thresholds));
        worst = worst.max(mean / matched);
        println!("{shift:>7} {matched:>18.2} {mean:>12.2} ({error:.2}) {:>7.3}", mean / matched);
    }
    println!("The largest ratio is {worst:.3}.");
}

fn banked(thresholds: Thresholds) -> impl FnMut(f64) -> bool {
    let mut bank = Bank::default();
    move |score| bank.push(score, &thresholds)
}

/// Mean and standard error of the blocks until an alarm.
fn simulated<T: FnMut(f64) -> bool>(runs: u32, shift: f64, stream: u64, begin: impl Fn() -> T) -> (f64, f64) {
    let mut random = Stream::new(SEED, stream);
    let (mut sum, mut squares) = (0.0, 0.0);
    for _ in 0..runs {
        let mut push = begin();
        let mut blocks = 1.0;
        while !push(shift + random.normal()) {
            blocks += 1.0;
        }
        sum += blocks;
        squares += blocks * blocks;
    }
    let runs = f64::from(runs);
    let mean = sum / runs;
    (mean, ((squares / runs - mean * mean) / runs).sqrt())
}

//! The needed time of the wire by the elapsed, with the silences checked by the wire itself.

use std::time::Duration;

use super::poll::{DEVICES, LATENCY, REGISTERS, poll, wire};

/// Rates and the shares that have to be reached.
const TARGETS: [(u32, f64); 3] = [(9_600, 0.99), (19_200, 0.985), (115_200, 0.97)];
/// A simulator that gives its bytes later than this at one of a hundred has missed its pacing.
const SIMULATOR_LATE: Duration = Duration::from_micros(256);

/// Prints the table.
pub fn run(length: Duration) {
    println!(
        "Needed time of the wire / elapsed; {DEVICES} devices of {REGISTERS} registers that take {LATENCY:?} to answer"
    );
    println!("  baud   share  target          requests  short silences  simulator late (p99, most)");
    for (baud, target) in TARGETS {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("port");
        let rig = wire(baud, DEVICES, &link);
        poll(baud, &link, length);
        rig.witnessed(|seen| {
            let share = seen.use_of_the_wire().unwrap_or(0.0);
            let late = seen.lateness.quantile(0.99);
            let verdict = match (share >= target && seen.short_silences == 0, late > SIMULATOR_LATE) {
                (true, _) => "reached",
                (false, false) => "MISSED",
                (false, true) => "simulator late",
            };
            println!(
                "{baud:>6}  {share:.4}  {target:<5}  {verdict:<14}  {:>8}  {:>14}  {late:?}, {:?}",
                seen.requests, seen.short_silences, seen.lateness.most
            );
        });
    }
    println!();
}

//! Values a second, beside two independent masters on the same wire.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use super::poll::{DEVICES, REGISTERS, poll, wire};

const BAUDS: [u32; 3] = [9_600, 19_200, 115_200];

/// Prints the table. `tests/setup.sh` installs the other masters; one that is not there is left out.
pub fn run(length: Duration) {
    let peers = [("pymodbus", pymodbus()), ("libmodbus", libmodbus())];
    println!("Values a second, {DEVICES} devices of {REGISTERS} registers of one value each; x: tallywell by it.");
    println!(
        "A master that leaves out the silence before a request is quicker by that silence, and out of the standard."
    );
    println!("  baud  tallywell  peer       a block a device   a request a value   its short silences");
    for baud in BAUDS {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("port");
        let rig = wire(baud, DEVICES, &link);
        let (values, elapsed) = poll(baud, &link, length);
        let own = values as f64 / elapsed.as_secs_f64();
        for (name, command) in &peers {
            let Some(command) = command else {
                println!("{baud:>6}  {own:>9.1}  {name}: not installed, run tests/setup.sh");
                continue;
            };
            let before = rig.witnessed(|seen| (seen.requests, seen.short_silences));
            let block = peer_rate(command, &link, baud, length, REGISTERS);
            let single = peer_rate(command, &link, baud, length, 1);
            let (requests, short) = rig.witnessed(|seen| (seen.requests - before.0, seen.short_silences - before.1));
            match (block, single) {
                (Ok(block), Ok(single)) => println!(
                    "{baud:>6}  {own:>9.1}  {name:<9}  {block:>9.1} {:>6}   {single:>10.1} {:>6}   {:>5.1} %",
                    by(own, block),
                    by(own, single),
                    100.0 * short as f64 / requests.max(1) as f64
                ),
                (Err(error), _) | (_, Err(error)) => println!("{baud:>6}  {own:>9.1}  {name}: {error}"),
            }
        }
        drop(rig);
    }
    println!();
}

fn by(own: f64, other: f64) -> String {
    format!("x{:.2}", own / other)
}

/// Runs a peer's poller: it asks all devices in turn for so long, so many registers at a time, and prints the values read.
fn peer_rate(command: &[PathBuf], link: &Path, baud: u32, length: Duration, at_a_time: u16) -> Result<f64, String> {
    let output = Command::new(&command[0])
        .args(&command[1..])
        .arg(link)
        .args([baud.to_string(), length.as_secs().to_string(), at_a_time.to_string()])
        .args([DEVICES.to_string(), REGISTERS.to_string()])
        .output()
        .map_err(|error| error.to_string())?;
    let text = String::from_utf8_lossy(&output.stdout);
    text.trim().parse().map_err(|_| format!("{}{}", text, String::from_utf8_lossy(&output.stderr)))
}

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn pymodbus() -> Option<Vec<PathBuf>> {
    let python = root("target/peers/bin/python3");
    python.exists().then(|| vec![python, root("tests/peers/pymodbus_poller.py")])
}

fn libmodbus() -> Option<Vec<PathBuf>> {
    let poller = root("target/peers/bin/libmodbus_poller");
    poller.exists().then(|| vec![poller])
}

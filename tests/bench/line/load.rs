//! What polling costs the machine: processor time and memory of the daemon with 32 devices at one a second.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use super::machine::{processor_time, resident_mib, resident_of_files_mib};
use super::poll::{REGISTERS, wire};
use super::site::{Plain, write_site};

const DEVICES: u8 = 32;
const BAUD: u32 = 115_200;
const MOST_PROCESSOR: f64 = 3.0;
const MOST_MEMORY_MIB: f64 = 24.0;
/// The start is not what is measured.
const WARM_UP: Duration = Duration::from_secs(5);

/// Prints the table.
pub fn run(length: Duration) {
    println!("The daemon, {DEVICES} devices at 1 Hz on {BAUD} baud");
    let folder = tempfile::tempdir().unwrap();
    let _rig = wire(BAUD, DEVICES, &folder.path().join("port"));
    let line = &format!("port = \"port\"\nbaud = {BAUD}\nparity = \"none\"\nstop_bits = 2");
    write_site(folder.path(), &Plain { line, devices: DEVICES, registers: REGISTERS, every: "1s" });
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_tallywell"))
        .args(["run", "--config", "site.toml"])
        .current_dir(folder.path())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    std::thread::sleep(WARM_UP);
    let (Some(before), begun) = (processor_time(&daemon), Instant::now()) else {
        println!("  the daemon ended at once: {:?}", daemon.wait());
        return;
    };
    std::thread::sleep(length);
    let used = processor_time(&daemon).unwrap() - before;
    let processor = used.as_secs_f64() / begun.elapsed().as_secs_f64() * 100.0;
    let (memory, of_files) = (resident_mib(&daemon).unwrap(), resident_of_files_mib(&daemon).unwrap());
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    let verdict = |reached: bool| if reached { "reached" } else { "MISSED" };
    println!(
        "  processor  {processor:.2} % of a core  (under {MOST_PROCESSOR})  {}",
        verdict(processor < MOST_PROCESSOR)
    );
    println!(
        "  memory     {memory:.1} MiB resident, {of_files:.1} of them pages of the program and its libraries  \
         (under {MOST_MEMORY_MIB})  {}",
        verdict(memory < MOST_MEMORY_MIB)
    );
    println!();
}

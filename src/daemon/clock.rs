//! The machine's clocks, as the daemon needs them: one that never jumps, and who holds the one on the wall right.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use rustix::time::{ClockId, clock_gettime};

use crate::line::clock::Clock;

/// The clock that all lines share. It counts from the start of the machine, so that two daemons, one after the other on
/// one start of the machine, tell the same instant by the same number.
#[must_use]
pub fn since_boot() -> Clock {
    let running = clock_gettime(ClockId::Monotonic);
    let running = std::time::Duration::try_from(running).unwrap_or_default();
    Clock::since(Instant::now().checked_sub(running).unwrap_or_else(Instant::now))
}

/// What tells one start of the machine from another.
#[must_use]
pub fn boot() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id").map(|id| id.trim().to_owned()).unwrap_or_default()
}

/// Whether another clock holds the one on the wall right; `None` where nobody says. May take a moment: it asks the
/// system's time service.
#[must_use]
pub fn is_synchronised() -> Option<bool> {
    if Path::new("/run/systemd/timesync/synchronized").exists() {
        return Some(true);
    }
    let asked = Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output();
    match String::from_utf8_lossy(&asked.ok()?.stdout).trim() {
        "yes" => Some(true),
        "no" => Some(false),
        _ => None,
    }
}

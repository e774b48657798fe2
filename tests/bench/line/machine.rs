//! What a process or a thread costs the machine.

#![allow(dead_code, reason = "each benchmark uses a part of it")]

use std::process::Child;
use std::time::Duration;

/// User and system time of a process (proc(5), `stat`, fields 14 and 15), in the kernel's ticks of a hundredth of a second.
pub fn processor_time(process: &Child) -> Option<Duration> {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", process.id())).ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    if fields.first() == Some(&"Z") {
        return None;
    }
    let ticks: u64 = fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?;
    Some(Duration::from_millis(10 * ticks))
}

/// Resident memory (proc(5), `status`, `VmRSS`).
pub fn resident_mib(process: &Child) -> Option<f64> {
    status_mib(process, "VmRSS:")
}

/// The part of it that is pages of files: of the program itself, above all (`RssFile`).
pub fn resident_of_files_mib(process: &Child) -> Option<f64> {
    status_mib(process, "RssFile:")
}

fn status_mib(process: &Child, field: &str) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", process.id())).ok()?;
    let line = status.lines().find(|line| line.starts_with(field))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}

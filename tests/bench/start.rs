//! How long the daemon takes from its start until it says that it is ready, and how large the program is.
//!
//! `cargo bench --bench start [-- --runs N]`. Ready is what the service manager is told (`READY=1`, sd_notify(3)): the site
//! file is read, the store is open, the line's thread runs. Once with a store that is made anew, once with one in which the
//! daemon has been before.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot be set up has to fail")]

#[path = "../shipped/mod.rs"]
mod shipped;

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

/// What is promised.
const MOST: Duration = Duration::from_millis(100);
const PATIENCE: Duration = Duration::from_secs(20);
const PROGRAM: &str = env!("CARGO_BIN_EXE_tallywell");

fn main() {
    let mut runs = 20;
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--bench" => {}
            "--runs" => runs = arguments.next().and_then(|text| text.parse().ok()).unwrap(),
            other => panic!("{other}: only --runs N is known"),
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let link = shipped::site_in(folder.path(), |site| site);
    let scenario = Scenario::load(&config.join("scenarios/kestrel-creek.toml")).unwrap();
    let _rig = Rig::start(scenario, &link).unwrap();
    println!("From the start to READY=1, the shipped site of three meters, {runs} runs each");
    for (what, is_new) in [("a new store", true), ("a store that was there", false)] {
        let mut took: Vec<Duration> = (0..runs).map(|_| start(folder.path(), is_new)).collect();
        took.sort_unstable();
        let (median, most) = (took[took.len() / 2], took[took.len() - 1]);
        let verdict = if median < MOST { "reached" } else { "MISSED" };
        println!(
            "  {what:<24} median {:.1} ms, most {:.1} ms  (median under {} ms)  {verdict}",
            median.as_secs_f64() * 1e3,
            most.as_secs_f64() * 1e3,
            MOST.as_millis()
        );
    }
    let mib = |path: &Path| std::fs::metadata(path).unwrap().len() as f64 / f64::from(1 << 20);
    let stripped = folder.path().join("stripped");
    let strip = Command::new("strip").arg("-o").arg(&stripped).arg(PROGRAM).status();
    print!("The program has {:.1} MiB", mib(Path::new(PROGRAM)));
    match strip {
        Ok(status) if status.success() => println!(", {:.1} MiB without line tables, as it is packed", mib(&stripped)),
        _ => println!("; there is no `strip` to tell it without line tables"),
    }
}

fn start(folder: &Path, is_new: bool) -> Duration {
    if is_new {
        for file in std::fs::read_dir(folder).unwrap().flatten() {
            if file.file_name().to_string_lossy().starts_with("kestrel.db") {
                std::fs::remove_file(file.path()).unwrap();
            }
        }
    }
    let told = folder.join("told");
    let _ = std::fs::remove_file(&told);
    let socket = UnixDatagram::bind(&told).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let begun = Instant::now();
    let mut daemon = Command::new(PROGRAM)
        .args(["run", "--config", "site.toml"])
        .current_dir(folder)
        .env("NOTIFY_SOCKET", &told)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut buffer = [0; 4096];
    let took = loop {
        let length = socket.recv(&mut buffer).expect("it never said that it is ready");
        if String::from_utf8_lossy(&buffer[..length]).lines().any(|line| line == "READY=1") {
            break begun.elapsed();
        }
    };
    // It has to have lived: what it read is in the store when it is killed.
    std::thread::sleep(Duration::from_millis(if is_new { 0 } else { 300 }));
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    took
}

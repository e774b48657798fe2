//! `tallywell scan` against slaves that no one here wrote: libmodbus (Debian) and pymodbus (PyPI), installed by
//! `tests/setup.sh`, over a pair of pseudo-terminals that socat joins.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::hash::{BuildHasher, Hasher, RandomState};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A program that ends with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn peer(program: &str) -> PathBuf {
    let path = project().join("target/peers/bin").join(program);
    assert!(path.exists(), "{} is missing: run tests/setup.sh", path.display());
    path
}

/// Two ports, each the other's other end.
fn joined_ports(folder: &Path) -> (Running, PathBuf, PathBuf) {
    let ends = ["slave", "master"].map(|name| folder.join(name));
    let described = ends.clone().map(|end| format!("pty,raw,echo=0,link={}", end.display()));
    let socat = Running(Command::new("socat").args(described).spawn().unwrap());
    let begun = Instant::now();
    while !ends.iter().all(|end| end.exists()) {
        assert!(begun.elapsed() < Duration::from_secs(10), "socat made no ports");
        std::thread::sleep(Duration::from_millis(5));
    }
    let [slave, master] = ends;
    (socat, slave, master)
}

#[test]
fn independent_slaves_are_found() {
    let python = [peer("python3"), project().join("tests/peers/pymodbus_slave.py")];
    let fresh = RandomState::new().build_hasher().finish();
    let word = |number: u32| (fresh >> (16 * number)) as u16;
    // Somewhere, with something in its registers.
    let address = 10 + word(0) % 200;
    let around = format!("{}-{}", address - 5, address + 3);
    let registers = format!("holding:0:{},{}", word(1), word(2));
    for (name, command) in [("libmodbus", vec![peer("libmodbus_slave")]), ("pymodbus", python.to_vec())] {
        let folder = tempfile::tempdir().unwrap();
        let (_socat, slave_port, master_port) = joined_ports(folder.path());
        let mut slave = Command::new(&command[0]);
        slave.args(&command[1..]).arg(&slave_port).args([&address.to_string(), &registers]).stdout(Stdio::piped());
        let mut slave = Running(slave.spawn().unwrap());
        let mut said = String::new();
        BufReader::new(slave.0.stdout.as_mut().unwrap()).read_line(&mut said).unwrap();
        assert_eq!(said.trim(), "ready", "{name}");
        // Ready is said a moment before the port is open.
        std::thread::sleep(Duration::from_millis(500));

        let mut scan = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        scan.arg("scan").arg("--port").arg(&master_port);
        scan.args(["--addresses", &around, "--listen", "0.2", "--parity", "none", "--stop-bits", "1"]);
        let output = scan.args(["--baud", "19200", "--wait", "250", "--format", "json"]).output().unwrap();
        let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(output.status.code(), Some(0), "{name}: {report:#}");
        // pymodbus answers for every address: with a failure where it serves nothing.
        let devices = report["devices"].as_array().unwrap().iter().filter(|device| device["doubt"].is_null());
        let devices: Vec<_> = devices.collect();
        assert_eq!(devices.len(), 1, "{name}: {report:#}");
        assert_eq!(devices[0]["address"], address, "{name}: {report:#}");
        assert_eq!(devices[0]["answer"]["value"], word(1), "{name}: {report:#}");
    }
}

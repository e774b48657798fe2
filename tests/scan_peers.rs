//! `tallywell scan` against slaves that no one here wrote: libmodbus (Debian) and pymodbus (PyPI), installed by
//! `tests/setup.sh`, over a pair of pseudo-terminals that socat joins.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

#[path = "peers/on_a_pair.rs"]
mod on_a_pair;

use std::hash::{BuildHasher, Hasher, RandomState};
use std::process::Command;

use on_a_pair::{serve, slaves};

#[test]
fn independent_slaves_are_found() {
    let fresh = RandomState::new().build_hasher().finish();
    let word = |number: u32| (fresh >> (16 * number)) as u16;
    // Somewhere, with something in its registers.
    let address = 10 + word(0) % 200;
    let around = format!("{}-{}", address - 5, address + 3);
    let registers = format!("holding:0:{},{}", word(1), word(2));
    for (name, slave) in slaves() {
        let folder = tempfile::tempdir().unwrap();
        let mut served = serve(folder.path(), &slave, &[&address.to_string(), &registers]);

        let mut scan = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        scan.arg("scan").arg("--port").arg(&served.port);
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
        assert!(served.slave.0.try_wait().unwrap().is_none(), "{name} ended by itself");
    }
}

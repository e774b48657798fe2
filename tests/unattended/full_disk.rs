//! The disk is full while the daemon runs, and still is when it starts again: it polls and judges all the same, says what it
//! cannot store, and stores again by itself once there is room.

use std::io::Write as _;
use std::path::Path;
use std::process::Command;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tallywell::store::{Span, StoreReader};

use crate::kills::{METERS, sampled};
use crate::shed::{Shed, wait_for};

/// Where the test that runs in a name space of its own has its disk.
const DISK: &str = "TALLYWELL_SMALL_DISK";
/// What is read every 200 ms may come so much later on a busy machine.
const LONGEST_PAUSE_MS: i64 = 1_500;

/// A disk of a few MiB in a name space of its own, which needs no rights where the kernel lets users have that.
#[test]
fn a_full_disk_stops_neither_polling_nor_judging() {
    let folder = tempfile::tempdir().unwrap();
    let mount = format!("mount -t tmpfs -o size=4m tmpfs \"${DISK}\" || exit 77; exec \"$@\"");
    let inside = Command::new("unshare")
        .args(["-rm", "sh", "-c", &mount, "sh"])
        .arg(std::env::current_exe().unwrap())
        .args(["full_disk::on_a_small_disk", "--exact", "--ignored", "--nocapture"])
        .env(DISK, folder.path())
        .output();
    match inside {
        Ok(output) if output.status.success() => {}
        Ok(output) if output.status.code() == Some(101) => panic!("{}", String::from_utf8_lossy(&output.stderr)),
        other => eprintln!("not tried: this machine lets nobody mount a file system ({other:?})"),
    }
}

/// How things stand, as the daemon tells it; nothing while it does not.
fn state(shed: &Shed) -> Option<Value> {
    let mut watch = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    watch.args(["watch", "--once", "--format", "json", "--config", "site.toml"]).current_dir(shed.folder.path());
    serde_json::from_slice(&watch.output().unwrap().stdout).ok()
}

/// Readings that were judged, and what the store lacks.
fn judged_and_waiting(shed: &Shed) -> Option<(u64, u64, String)> {
    let state = state(shed)?;
    let judged =
        state["meters"].as_array()?.iter().map(|meter| meter["counted"]["readings"].as_u64()).sum::<Option<_>>();
    let store = &state["store"];
    Some((judged?, store["waiting"].as_u64()?, store["trouble"].as_str().unwrap_or_default().to_owned()))
}

/// Waits until readings are judged and wait for a disk that is said to be full.
fn goes_on_without_the_disk(shed: &Shed) {
    let mut before = None;
    wait_for("readings beside a full disk", || {
        let Some((judged, waiting, trouble)) = judged_and_waiting(shed) else { return false };
        if waiting == 0 || !trouble.starts_with("no room is left for the store") {
            return false;
        }
        judged >= *before.get_or_insert(judged) + 60
    });
}

#[test]
#[ignore = "run by a_full_disk_stops_neither_polling_nor_judging"]
fn on_a_small_disk() {
    let Some(disk) = std::env::var_os(DISK) else { return };
    let (store, filler) = (Path::new(&disk).join("kestrel.db"), Path::new(&disk).join("filler"));
    let shed = Shed::steady();
    let site = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let there = format!("path = \"{}\"", store.display());
    std::fs::write(shed.path("site.toml"), site.replace("path = \"kestrel.db\"", &there)).unwrap();
    let stored = |meter: &str| -> Vec<i64> {
        let Ok(reader) = StoreReader::open(&store) else { return Vec::new() };
        let readings: Vec<_> = reader.readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect();
        sampled(&readings, 0)
    };

    let mut daemon = shed.daemon();
    wait_for("stored readings", || stored("bore-1").len() > 20);
    let mut file = std::fs::File::create(&filler).unwrap();
    while file.write_all(&[0xA5; 4096]).is_ok() {}
    goes_on_without_the_disk(&shed);
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    let before = stored("bore-1").len();

    let mut daemon = shed.daemon();
    goes_on_without_the_disk(&shed);
    assert_eq!(stored("bore-1").len(), before, "there was no room");
    drop(file);
    std::fs::remove_file(&filler).unwrap();
    wait_for("the store is written again", || shed.log().contains("the store is written again"));
    let log_of = |meter: &str| StoreReader::open(&store).unwrap().disagreements(Some(meter), Span::ALL).unwrap();
    wait_for("the disagreement that there is", || !log_of("bore-2").is_empty());
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());

    for meter in METERS {
        let pauses = stored(meter).windows(2).filter(|pair| pair[1] - pair[0] > LONGEST_PAUSE_MS).count();
        assert!(
            pauses <= 1,
            "{meter}: what the killed daemon had in memory is gone, nothing else: {:?}",
            stored(meter)
        );
        let log = log_of(meter);
        if meter == "bore-2" {
            assert!(log.iter().all(|it| it.disagreement.closed.is_none()), "{log:?}");
        } else {
            assert!(log.is_empty(), "{meter} agrees, and yet: {log:?}");
        }
    }
}

//! The disk is full while the daemon runs, and still is when it starts again, or it may only be read, or the store on it is
//! damaged besides: the daemon polls and judges all the same, says what it cannot store, and stores again by itself once it
//! can.

use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tallywell::store::{Span, StoreReader};

use crate::kills::{METERS, sampled, steady_ms};
use crate::shed::{Shed, wait_for};

/// Where the test that runs in a name space of its own has its disk.
const DISK: &str = "TALLYWELL_SMALL_DISK";
/// What is read every 200 ms may come so much later on a busy machine.
const LONGEST_PAUSE_MS: i64 = 1_500;

/// Runs a test of this file on a disk of a few MiB in a name space of its own, which needs no rights where the kernel lets
/// users have that.
fn on_a_disk_of_its_own(test: &str) {
    let folder = tempfile::tempdir().unwrap();
    let mount = format!("mount -t tmpfs -o size=4m tmpfs \"${DISK}\" || exit 77; exec \"$@\"");
    let inside = Command::new("unshare")
        .args(["-rm", "sh", "-c", &mount, "sh"])
        .arg(std::env::current_exe().unwrap())
        .args([test, "--exact", "--ignored", "--nocapture"])
        .env(DISK, folder.path())
        .output();
    match inside {
        Ok(output) if output.status.success() => {}
        Ok(output) if output.status.code() == Some(101) => panic!("{}", String::from_utf8_lossy(&output.stderr)),
        other => eprintln!("not tried: this machine lets nobody mount a file system ({other:?})"),
    }
}

#[test]
fn a_full_disk_stops_neither_polling_nor_judging() {
    on_a_disk_of_its_own("full_disk::on_a_small_disk");
}

#[test]
fn a_disk_that_may_only_be_read_stops_neither_polling_nor_judging() {
    on_a_disk_of_its_own("full_disk::on_a_disk_to_read");
}

/// A quick shed whose store lies on the disk; the store's path.
fn shed_on(disk: &Path) -> (Shed, PathBuf) {
    let (store, shed) = (disk.join("kestrel.db"), Shed::steady());
    let site = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let there = format!("path = \"{}\"", store.display());
    std::fs::write(shed.path("site.toml"), site.replace("path = \"kestrel.db\"", &there)).unwrap();
    (shed, store)
}

fn stored(store: &Path, meter: &str) -> Vec<i64> {
    let Ok(reader) = StoreReader::open(store) else { return Vec::new() };
    let readings: Vec<_> = reader.readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect();
    sampled(&readings, 0)
}

fn end(mut daemon: Child, shed: &Shed) {
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
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
    let filler = Path::new(&disk).join("filler");
    let (shed, store) = shed_on(Path::new(&disk));
    let stored = |meter: &str| stored(&store, meter);

    let mut daemon = shed.daemon();
    wait_for("stored readings", || stored("bore-1").len() > 20);
    let file = filled(&filler);
    goes_on_without_the_disk(&shed);
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    let before = stored("bore-1").len();

    let daemon = shed.daemon();
    goes_on_without_the_disk(&shed);
    assert_eq!(stored("bore-1").len(), before, "there was no room");
    drop(file);
    std::fs::remove_file(&filler).unwrap();
    wait_for("the store is written again", || shed.log().contains("the store is written again"));
    let log_of = |meter: &str| StoreReader::open(&store).unwrap().disagreements(Some(meter), Span::ALL).unwrap();
    wait_for("the disagreement that there is", || !log_of("bore-2").is_empty());
    end(daemon, &shed);

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

/// Takes all room that there is.
fn filled(filler: &Path) -> File {
    let mut file = File::create(filler).unwrap();
    while file.write_all(&[0xA5; 4096]).is_ok() {}
    file
}

/// What a power cut may leave of the first sector.
fn empty_first_sector(store: &Path) {
    File::options().write(true).open(store).unwrap().write_all_at(&[0; 512], 0).unwrap();
}

fn is_set_aside(store: &Path) -> bool {
    let mut beside = std::fs::read_dir(store.parent().unwrap()).unwrap().flatten();
    beside.any(|entry| entry.file_name().to_string_lossy().contains(".damaged-"))
}

#[test]
#[ignore = "run by a_disk_that_may_only_be_read_stops_neither_polling_nor_judging"]
fn on_a_disk_to_read() {
    let Some(disk) = std::env::var_os(DISK) else { return };
    let (shed, store) = shed_on(Path::new(&disk));
    let remount = |how: &str| {
        let mounted = Command::new("mount").args(["-o", how]).arg(&disk).status().unwrap();
        assert!(mounted.success(), "{how}");
    };
    let is_judged = || shed.log().contains("bore-2: disagreement:");
    let is_refused = || shed.log().contains("the store cannot be written; polling goes on: ");
    let is_written_again = || shed.log().contains("the store is written again");
    let daemon = shed.daemon();
    wait_for("stored readings", || stored(&store, "bore-2").len() > 10);
    end(daemon, &shed);

    // A sound store: what is read meanwhile waits.
    remount("remount,ro");
    let born = steady_ms();
    let daemon = shed.daemon();
    wait_for("a word about the disk", is_refused);
    let said = shed.log();
    assert!(said.contains("read-only, or belongs to another user"), "{said}");
    let no_socket = said.lines().find(|line| line.contains("other commands cannot reach this daemon"));
    assert!(no_socket.is_some_and(|line| line.contains("Read-only file system")), "the reason belongs to it: {said}");
    std::thread::sleep(Duration::from_secs(3));
    let writable = steady_ms();
    remount("remount,rw");
    wait_for("the store is written again", is_written_again);
    let meanwhile = stored(&store, "bore-2").into_iter().filter(|at| (born..writable).contains(at)).count();
    assert!(meanwhile > 5, "{meanwhile} readings of the time in which nothing could be written");
    end(daemon, &shed);

    // A damaged one besides, of which nothing can be taken up: the disagreement is found anew.
    empty_first_sector(&store);
    remount("remount,ro");
    let daemon = shed.daemon();
    wait_for("a word about the disk", is_refused);
    wait_for("the disagreement that there is", is_judged);
    assert!(!is_set_aside(&store));
    remount("remount,rw");
    wait_for("a new store is written", is_written_again);
    assert!(is_set_aside(&store), "{}", shed.log());
    let log = StoreReader::open(&store).unwrap().disagreements(Some("bore-2"), Span::ALL).unwrap();
    assert!(!log.is_empty(), "what was found is in the new store: {}", shed.log());
    end(daemon, &shed);

    // And one on a disk that is full.
    std::fs::read_dir(&disk).unwrap().flatten().map(|entry| entry.path()).for_each(|path| {
        if path.to_string_lossy().contains(".damaged-") {
            std::fs::remove_file(path).unwrap();
        }
    });
    empty_first_sector(&store);
    let filler = Path::new(&disk).join("filler");
    let file = filled(&filler);
    let daemon = shed.daemon();
    goes_on_without_the_disk(&shed);
    assert!(!is_set_aside(&store), "there is no room for another");
    drop(file);
    std::fs::remove_file(&filler).unwrap();
    wait_for("a new store is written", is_written_again);
    assert!(is_set_aside(&store), "{}", shed.log());
    wait_for("the disagreement that there is", is_judged);
    end(daemon, &shed);
}

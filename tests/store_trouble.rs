//! A full disk, a read-only disk, a kill at any moment: against a real file system and a real process.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use tallywell::store::evidence::Run;
use tallywell::store::{Options, Span, StoreError, StoreReader, Writer};
use tallywell_witness::reading::{RawWords, Reading, Sample};
use tallywell_witness::units::{SteadyMillis, WallMillis};

const PATIENCE: Duration = Duration::from_secs(30);
/// Tells a test that is run within another where to work.
const FOLDER: &str = "STORE_TROUBLE_FOLDER";
const BEGIN: i64 = 4_000_000_000_000;

fn reading(number: i64) -> Reading {
    let at = number * 1000;
    let flow = Sample { value: number as f64, at: SteadyMillis(at), raw: RawWords::default() };
    Reading { at: SteadyMillis(at), wall: WallMillis(BEGIN + at), flow: Some(flow), ..Reading::default() }
}

fn run() -> Run {
    Run { boot: "one".to_owned(), ..Run::default() }
}

fn numbers(path: &Path) -> Vec<i64> {
    let reader = StoreReader::open(path).unwrap();
    reader.readings("bore-1", Span::ALL).unwrap().map(|it| it.unwrap().at.0 / 1000).collect()
}

fn folder() -> Option<PathBuf> {
    std::env::var_os(FOLDER).map(PathBuf::from)
}

/// Runs an ignored test of this file in a process of its own, behind `before`.
fn within(before: &[&str], test: &str, folder: &Path) -> Command {
    let me = std::env::current_exe().unwrap();
    let mut command = match before {
        [] => Command::new(&me),
        [program, arguments @ ..] => {
            let mut command = Command::new(program);
            command.args(arguments).arg(&me);
            command
        }
    };
    command.args([test, "--exact", "--ignored", "--nocapture"]).env(FOLDER, folder);
    command
}

/// A file system of one MiB in a name space of its own, which needs no rights where the kernel lets users have that.
#[test]
fn a_full_disk_costs_nothing_that_was_stored() {
    let folder = tempfile::tempdir().unwrap();
    let mount = "mount -t tmpfs -o size=1m tmpfs \"$STORE_TROUBLE_FOLDER\" || exit 77; exec \"$@\"";
    let inside = within(&["unshare", "-rm", "sh", "-c", mount, "sh"], "on_a_small_disk", folder.path()).output();
    match inside {
        Ok(output) if output.status.success() => {}
        Ok(output) if output.status.code() == Some(101) => panic!("{}", String::from_utf8_lossy(&output.stdout)),
        other => eprintln!("not tried: this machine lets nobody mount a file system ({other:?})"),
    }
}

#[test]
#[ignore = "run by a_full_disk_costs_nothing_that_was_stored"]
fn on_a_small_disk() {
    let Some(folder) = folder() else { return };
    let path = folder.join("kestrel.db");
    let often = Options { commit_every: Duration::from_millis(20), most_readings_waiting: 1_000, ..Options::default() };
    let writer = Writer::open(&path, often.clone()).unwrap();
    writer.begin_run(run());
    let mut next = 0;
    while writer.health().trouble.is_none() {
        for _ in 0..200 {
            writer.append("bore-1", &reading(next));
            next += 1;
        }
        let _ = writer.flush(Duration::from_millis(200));
        assert!(next < 200_000, "the disk never fills");
    }
    let (trouble, _) = writer.health().trouble.unwrap();
    assert!(trouble.starts_with("no room is left for the store"), "{trouble}");
    // While it lasts, readings wait, the oldest of them go, and what is stored can be read.
    let stored = numbers(&path);
    assert!(stored.len() > 1_000 && stored.iter().zip(0..).all(|(one, other)| *one == other));
    for _ in 0..5_000 {
        writer.append("bore-1", &reading(next));
        next += 1;
    }
    assert!(!writer.flush(Duration::from_millis(300)));
    assert!(writer.health().readings_dropped > 0);

    // A second start finds the disk full at once.
    let full = folder.join("full.db");
    let refused = Writer::open(&full, Options::default());
    assert!(matches!(refused, Err(StoreError::Full(_))), "{refused:?}");

    // Room again: it resumes by itself.
    Command::new("mount").args(["-o", "remount,size=16m"]).arg(&folder).status().unwrap();
    assert!(writer.flush(PATIENCE));
    writer.append("bore-1", &reading(next));
    next += 1;
    let health = writer.close();
    assert_eq!(health.trouble, None);
    assert_eq!(health.readings_stored + health.readings_dropped, u64::try_from(next).unwrap());
    let back = numbers(&path);
    assert_eq!(back.len() as u64, health.readings_stored);
    assert!(back.starts_with(&stored), "nothing that was stored is lost");
    assert_eq!(back.last(), Some(&(next - 1)));

    // Read-only, a store can still be read, and says what it is.
    Command::new("mount").args(["-o", "remount,ro"]).arg(&folder).status().unwrap();
    assert_eq!(numbers(&path).len(), back.len());
    let none = Writer::open(&folder.join("none.db"), Options::default());
    assert!(matches!(none, Err(StoreError::ReadOnly(_))), "{none:?}");

    // A start on it reads and waits, until it may be written.
    let writer = Writer::open(&path, often).unwrap();
    writer.begin_run(run());
    writer.append("bore-1", &reading(next));
    assert!(!writer.flush(Duration::from_millis(300)));
    let (trouble, _) = writer.health().trouble.unwrap();
    assert!(trouble.contains("read-only"), "{trouble}");
    Command::new("mount").args(["-o", "remount,rw"]).arg(&folder).status().unwrap();
    assert!(writer.flush(PATIENCE));
    let health = writer.close();
    assert_eq!((health.trouble, health.readings_stored, health.readings_dropped), (None, 1, 0));
    assert_eq!(numbers(&path).last(), Some(&next));
}

/// What was said to be on the disk is there after a kill, and nothing is broken.
#[test]
fn a_kill_takes_nothing_that_was_flushed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let mut flushed = 0;
    for round in 0..10_u64 {
        let mut child = within(&[], "writes_until_it_is_killed", folder.path()).stdout(Stdio::piped()).spawn().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        // Each round is killed at another moment: after so many flushes, and then somewhat later.
        let wanted = 1 + round * 3 % 7;
        let mut seen = 0;
        for line in lines {
            if let Some(count) = line.unwrap().strip_prefix("flushed ") {
                flushed = count.parse().unwrap();
                seen += 1;
                if seen == wanted {
                    std::thread::sleep(Duration::from_millis(round * 3));
                    child.kill().unwrap();
                    break;
                }
            }
        }
        child.wait().unwrap();
        let back = numbers(&path);
        assert!(back.len() >= flushed, "{} of {flushed}", back.len());
        assert!(back.iter().zip(0..).all(|(one, other)| *one == other), "no gap, nothing twice");
    }
}

#[test]
#[ignore = "run by a_kill_takes_nothing_that_was_flushed"]
fn writes_until_it_is_killed() {
    let Some(folder) = folder() else { return };
    let path = folder.join("kestrel.db");
    let begun = if path.exists() { numbers(&path).len() } else { 0 };
    let options = Options { tidy_every: Duration::ZERO, ..Options::default() };
    let writer = Writer::open(&path, options).unwrap();
    writer.begin_run(run());
    for next in begun.. {
        writer.append("bore-1", &reading(i64::try_from(next).unwrap()));
        if next % 500 == 499 {
            assert!(writer.flush(PATIENCE));
            println!("flushed {}", next + 1);
        }
    }
}

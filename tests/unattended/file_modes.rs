//! What the program writes is for its user and its group, whatever the shell's mask.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::StoreReader;

use crate::shed::{Shed, wait_for};

/// Every file under a folder and its mode.
fn modes(folder: &Path) -> Vec<(PathBuf, u32)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let metadata = path.symlink_metadata().unwrap();
        if metadata.is_dir() {
            found.extend(modes(&path));
        }
        if !metadata.is_symlink() {
            found.push((path, metadata.permissions().mode() & 0o777));
        }
    }
    found
}

#[test]
fn nothing_that_is_written_is_for_everybody() {
    let shed = Shed::with(|site| site, |scenario| scenario);
    let before: Vec<PathBuf> = modes(shed.folder.path()).into_iter().map(|(path, _)| path).collect();
    // A shell that lets everybody do everything.
    let careless = |command: &str| {
        let mut shell = Command::new("sh");
        let program = env!("CARGO_BIN_EXE_tallywell");
        shell.args(["-c", &format!("umask 000; exec '{program}' {command} --config site.toml")]);
        shell.current_dir(shed.folder.path());
        shell
    };
    let mut daemon = careless("run").spawn().unwrap();
    wait_for("the socket and the store's log", || {
        ["kestrel.db", "kestrel.db-wal", "kestrel.db.socket"].iter().all(|name| shed.path(name).exists())
    });
    wait_for("something to report", || {
        let store = StoreReader::open(&shed.path("kestrel.db"));
        store.is_ok_and(|store| store.extent("bore-1").is_ok_and(|extent| extent.is_some()))
    });
    let while_it_runs = modes(shed.folder.path());
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success());
    for command in [
        "export --meter bore-1 --out readings.csv",
        "export --meter bore-1 --format parquet --out table",
        "report --meter bore-1 --out report.html",
    ] {
        let output = careless(command).output().unwrap();
        assert!(output.status.code().is_some_and(|code| code < 2), "{command}: {output:?}");
    }
    let written: Vec<_> =
        while_it_runs.into_iter().chain(modes(shed.folder.path())).filter(|(path, _)| !before.contains(path)).collect();
    assert!(written.len() >= 10, "{written:?}");
    for (path, mode) in &written {
        assert_eq!(mode & 0o007, 0, "{} has mode {mode:03o}", path.display());
        assert!(!path.ends_with("kestrel.db.socket") || *mode == 0o600, "the socket has mode {mode:03o}");
    }
}

/// They say nothing of a site: who installs them under a shell's usual mask has installed them for everybody.
#[test]
fn manual_pages_are_for_everybody_as_the_mask_says() {
    for (mask, wanted) in [("022", 0o644), ("027", 0o640)] {
        let folder = tempfile::tempdir().unwrap();
        let program = env!("CARGO_BIN_EXE_tallywell");
        let install = format!("umask {mask}; exec '{program}' manual .");
        assert!(Command::new("sh").args(["-c", &install]).current_dir(&folder).status().unwrap().success());
        let pages = modes(folder.path());
        assert!(pages.len() > 10 && pages.iter().all(|(_, mode)| *mode == wanted), "{mask}: {pages:?}");
    }
}

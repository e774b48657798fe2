//! The daemon under a service manager: what it tells over the real socket, and the unit that is shipped.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod shipped;

use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

const PATIENCE: Duration = Duration::from_secs(60);

fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

/// Listens until a datagram holds the line.
fn hears(manager: &UnixDatagram, line: &str) -> String {
    let until = Instant::now() + PATIENCE;
    let mut buffer = [0; 1024];
    while Instant::now() < until {
        if let Ok(length) = manager.recv(&mut buffer) {
            let said = String::from_utf8_lossy(&buffer[..length]).into_owned();
            if said.lines().any(|it| it == line) {
                return said;
            }
        }
    }
    panic!("the manager never heard {line}");
}

#[test]
fn a_service_manager_hears_of_start_progress_reload_and_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    shipped::site_in(folder.path(), |site| site);
    let rig =
        Rig::start(Scenario::load(&config().join("scenarios/kestrel-creek.toml")).unwrap(), &path("line")).unwrap();
    let manager = UnixDatagram::bind(path("notify")).unwrap();
    manager.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_tallywell"))
        .args(["run", "--config", "site.toml"])
        .current_dir(folder.path())
        .env("NOTIFY_SOCKET", path("notify"))
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let signal = |signal| kill_process(Pid::from_child(&daemon), signal).unwrap();
    assert!(hears(&manager, "READY=1").contains("STATUS="));
    hears(&manager, "WATCHDOG=1");
    signal(Signal::HUP);
    assert!(hears(&manager, "RELOADING=1").contains("MONOTONIC_USEC="));
    hears(&manager, "READY=1");

    // A port that is pulled out is no reason to start anew: it is tried again.
    rig.unplug();
    std::thread::sleep(Duration::from_secs(1));
    hears(&manager, "WATCHDOG=1");
    hears(&manager, "WATCHDOG=1");

    // Stopped altogether, it feeds nobody.
    signal(Signal::STOP);
    std::thread::sleep(Duration::from_millis(300));
    let mut buffer = [0; 1024];
    while manager.recv(&mut buffer).is_ok() {}
    manager.set_read_timeout(Some(Duration::from_secs(3))).unwrap();
    assert!(manager.recv(&mut buffer).is_err(), "{}", String::from_utf8_lossy(&buffer));
    manager.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
    signal(Signal::CONT);
    hears(&manager, "WATCHDOG=1");

    signal(Signal::TERM);
    hears(&manager, "STOPPING=1");
    assert_eq!(daemon.wait().unwrap().code(), Some(0));
}

/// `systemd-analyze` finds nothing to say about the unit, and little that it is exposed to. `tests/setup.sh` installs it.
#[test]
fn the_unit_is_sound_and_shut_in() {
    let folder = tempfile::tempdir().unwrap();
    let unit = folder.path().join("tallywell.service");
    let text = std::fs::read_to_string(config().join("systemd/tallywell.service")).unwrap();
    assert!(text.contains("ExecStart=/usr/bin/tallywell run --config /etc/tallywell/site.toml\n"));
    std::fs::write(&unit, text.replace("/usr/bin/tallywell", env!("CARGO_BIN_EXE_tallywell"))).unwrap();
    let analyze = |arguments: &[&str]| {
        let output = Command::new("systemd-analyze").args(arguments).arg(&unit).output().unwrap();
        let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success(), "{said}");
        said
    };
    let said = analyze(&["verify", "--man=no", "--recursive-errors=no"]);
    assert!(!said.contains("tallywell"), "{said}");
    // In tenths: the README says 1.7.
    let said = analyze(&["security", "--offline=yes", "--no-pager", "--threshold=17"]);
    assert!(said.contains("Overall exposure level for tallywell.service: 1.7"), "{said}");
}

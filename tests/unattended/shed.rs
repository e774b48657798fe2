//! The shipped site in a folder of its own, on a simulated line, and the shipped binary on it.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

/// Longer than anything here takes; a test that waits so long has failed.
pub const PATIENCE: Duration = Duration::from_secs(60);

pub struct Shed {
    pub folder: tempfile::TempDir,
    pub rig: Rig,
}

impl Shed {
    /// The shipped site and scenario, each changed.
    pub fn with(site: impl FnOnce(String) -> String, scenario: impl FnOnce(String) -> String) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let link = folder.path().join("line");
        std::fs::create_dir(folder.path().join("maps")).unwrap();
        for map in std::fs::read_dir(config.join("maps")).unwrap() {
            let map = map.unwrap();
            std::fs::copy(map.path(), folder.path().join("maps").join(map.file_name())).unwrap();
        }
        let shipped = std::fs::read_to_string(config.join("kestrel-creek.toml")).unwrap();
        let port = link.display().to_string();
        std::fs::write(folder.path().join("site.toml"), site(shipped).replace("/dev/serial/by-id/usb-rs485", &port))
            .unwrap();
        let shipped = std::fs::read_to_string(config.join("scenarios/kestrel-creek.toml")).unwrap();
        let scenario = Scenario::parse(&scenario(shipped), "kestrel-creek.toml").unwrap();
        let rig = Rig::start(scenario, &link).unwrap();
        Self { folder, rig }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The daemon, its log in `log`.
    pub fn daemon(&self) -> Child {
        Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["--verbose", "run", "--config", "site.toml"])
            .current_dir(self.folder.path())
            .stdout(Stdio::null())
            .stderr(File::create(self.path("log")).unwrap())
            .spawn()
            .unwrap()
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }
}

pub fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !is_so() {
        assert!(Instant::now() < until, "{what} never came");
        std::thread::sleep(Duration::from_millis(20));
    }
}

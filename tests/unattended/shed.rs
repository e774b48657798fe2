//! The shipped site in a folder of its own, on a simulated line, and the shipped binary on it.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

use crate::shipped;

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
        let link = shipped::site_in(folder.path(), site);
        let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let written = std::fs::read_to_string(config.join("scenarios/kestrel-creek.toml")).unwrap();
        let scenario = Scenario::parse(&scenario(written), "kestrel-creek.toml").unwrap();
        let rig = Rig::start(scenario, &link).unwrap();
        Self { folder, rig }
    }

    /// A quick line on which all is well but for bore-2, whose pulses are set wrong from the beginning, and which never
    /// rests.
    pub fn steady() -> Self {
        let site =
            |site: String| site.replace("every = \"1s\"", "every = \"200ms\"").replace("baud = 19200", "baud = 115200");
        Self::with(site, |scenario| {
            let wrong = scenario.find("goes_wrong").unwrap();
            let end = wrong + scenario[wrong..].find('\n').unwrap();
            let healthy = format!("{}{}", &scenario[..wrong], &scenario[end..]);
            healthy
                .replace("baud = 19200", "baud = 115200")
                .replace(
                    "flow.points = [[0, 0], [8, 0], [14, 11], [60, 13.5], [66, 0], [90, 0], [95, 12], [118, 9], [124, 0]]",
                    "goes_wrong = [{ begins = \"0s\", what = { code = \"pulse-weight\", ratio = 0.5 } }]\nflow.constant_l_s = 15",
                )
                .replace("flow.repeats_after = \"130s\"\n", "")
        })
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The daemon, its log in `log`.
    pub fn daemon(&self) -> Child {
        self.daemon_with(&[])
    }

    /// The daemon with more in its environment.
    pub fn daemon_with(&self, environment: &[(&str, &Path)]) -> Child {
        Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["--verbose", "run", "--config", "site.toml"])
            .current_dir(self.folder.path())
            .envs(environment.iter().copied())
            .stdout(Stdio::null())
            .stderr(File::create(self.path("log")).unwrap())
            .spawn()
            .unwrap()
    }

    /// What a command prints, run in the folder; it has to succeed.
    pub fn printed(&self, arguments: &[&str]) -> String {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        let output = command.args(arguments).current_dir(self.folder.path()).output().unwrap();
        let error = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{arguments:?}: {error}{}", String::from_utf8_lossy(&output.stdout));
        String::from_utf8_lossy(&output.stdout).into_owned()
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

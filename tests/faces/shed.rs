//! The shipped site with a page, in a folder of its own, its line a simulated one.

use std::io::{BufRead, BufReader};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::{Span, StoreReader};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

use crate::shipped;
use crate::web::get;

/// Longer than anything here takes; a test that waits so long has failed.
const PATIENCE: Duration = Duration::from_secs(90);

pub struct Shed {
    folder: tempfile::TempDir,
    pub page: SocketAddr,
    _rig: Rig,
}

/// A daemon that runs; it ends with this.
pub struct Daemon(Child);

impl Shed {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        // The system names a free port; it is free again by the time the daemon takes it.
        let page = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let link = shipped::site_in(folder.path(), |site| format!("{site}\n[page]\nlisten = \"{page}\"\n"));
        let scenario = Scenario::load(&project().join("config/scenarios/kestrel-creek.toml")).unwrap();
        let rig = Rig::start(scenario, &link).unwrap();
        Self { folder, page, _rig: rig }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        command.args(arguments).args(["--config", "site.toml"]).current_dir(self.folder.path());
        command
    }

    /// Starts the daemon and waits until every meter was read on the page.
    pub fn start(&self) -> Daemon {
        let daemon = self.start_unseen();
        wait_for("every meter on the page", || {
            self.state().is_some_and(|state| {
                state["meters"].as_array().is_some_and(|meters| meters.len() == 3 && meters.iter().all(is_read))
            })
        });
        daemon
    }

    /// How many readings of a meter are stored.
    pub fn stored(&self, meter: &str) -> usize {
        let store = self.path("kestrel.db");
        if !store.exists() {
            return 0;
        }
        StoreReader::open(&store).map_or(0, |store| store.readings(meter, Span::ALL).unwrap().count())
    }

    /// Starts the daemon.
    pub fn start_unseen(&self) -> Daemon {
        let mut child = self.command(&["run"]).stderr(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
        let stderr = BufReader::new(child.stderr.take().unwrap());
        // Read away, so that the daemon never waits for us.
        std::thread::spawn(move || stderr.lines().for_each(drop));
        Daemon(child)
    }

    /// How things stand, as the page tells it to a program.
    pub fn state(&self) -> Option<serde_json::Value> {
        let answer = get(self.page, "/", &["Accept: application/json"])?;
        (answer.status == 200).then(|| serde_json::from_str(&answer.body).unwrap())
    }
}

fn is_read(meter: &serde_json::Value) -> bool {
    ["flow_l_s", "total_l", "loop_flow_l_s"].iter().all(|key| meter[key].is_number())
        && meter["pulses"]["value"].is_number()
}

impl Daemon {
    /// Has it read the site file again.
    pub fn reload(&self) {
        kill_process(Pid::from_child(&self.0), Signal::HUP).unwrap();
    }

    /// Ends it as a service manager does.
    pub fn end(mut self) {
        kill_process(Pid::from_child(&self.0), Signal::TERM).unwrap();
        assert_eq!(self.0.wait().unwrap().code(), Some(0));
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// An independent program that `tests/setup.sh` installs.
pub fn peer(name: &str) -> PathBuf {
    let installed = project().join("target/peers/bin").join(name);
    if installed.exists() { installed } else { PathBuf::from(name) }
}

pub fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !is_so() {
        assert!(Instant::now() < until, "{what} never came");
        std::thread::sleep(Duration::from_millis(100));
    }
}

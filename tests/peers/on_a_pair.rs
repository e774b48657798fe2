//! A slave that no one here wrote on one of two joined ports, for tests that meet it on the other.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A program that ends with the test.
pub struct Running(pub Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A slave that answers.
pub struct Served {
    /// The port to ask at.
    pub port: PathBuf,
    pub slave: Running,
    _joined: Running,
}

/// The slaves: libmodbus (Debian) and pymodbus (PyPI), installed by `tests/setup.sh`.
pub fn slaves() -> [(&'static str, Vec<PathBuf>); 2] {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let peer = |program: &str| {
        let path = project.join("target/peers/bin").join(program);
        assert!(path.exists(), "{} is missing: run tests/setup.sh", path.display());
        path
    };
    let python = vec![peer("python3"), project.join("tests/peers/pymodbus_slave.py")];
    [("libmodbus", vec![peer("libmodbus_slave")]), ("pymodbus", python)]
}

/// Starts a slave in a folder, with what it is told.
pub fn serve(folder: &Path, slave: &[PathBuf], told: &[&str]) -> Served {
    let ends = ["slave", "master"].map(|name| folder.join(name));
    let described = ends.clone().map(|end| format!("pty,raw,echo=0,link={}", end.display()));
    let joined = Running(Command::new("socat").args(described).spawn().unwrap());
    let begun = Instant::now();
    while !ends.iter().all(|end| end.exists()) {
        assert!(begun.elapsed() < Duration::from_secs(10), "socat made no ports");
        std::thread::sleep(Duration::from_millis(5));
    }
    let [behind, port] = ends;
    let mut command = Command::new(&slave[0]);
    command.args(&slave[1..]).arg(behind).args(told).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut slave = Running(command.spawn().unwrap());
    let mut said = String::new();
    BufReader::new(slave.0.stdout.as_mut().unwrap()).read_line(&mut said).unwrap();
    assert_eq!(said.trim(), "ready", "{told:?}");
    // Ready is said a moment before the port is open.
    std::thread::sleep(Duration::from_millis(500));
    Served { port, slave, _joined: joined }
}

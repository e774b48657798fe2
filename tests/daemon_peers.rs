//! The daemon against slaves and gateways that no one here wrote: libmodbus (Debian) and pymodbus (PyPI), installed by
//! `tests/setup.sh`, over serial frames on joined pseudo-terminals, Modbus TCP, and serial frames through a TCP stream, which
//! pymodbus speaks itself and socat carries to either's serial port.
//! Registers hold what chance gave them; every stored value has to be that, also after the peer was killed and came back.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

#[path = "peers/on_a_pair.rs"]
mod on_a_pair;

use std::fs::File;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use on_a_pair::{Running, Served, serve, slaves};
use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::{Span, StoreReader};
use tallywell_witness::reading::Reading;

const PATIENCE: Duration = Duration::from_secs(60);
/// So many readings before and after the peer was away.
const ENOUGH: usize = 20;

const MAP: &str = r#"
[entry.flow]
table = "holding"
address = 0
type = "f32"
unit = "L/s"
[entry.total]
table = "holding"
address = 2
type = "u32"
unit = "L"
[entry.current]
table = "input"
address = 5
type = "u16"
unit = "mA"
scale = 0.001
[entry.running]
table = "discrete"
address = 9
type = "bit"
[entry.gone]
table = "holding"
address = 2000
type = "f32"
unit = "L/s"
"#;

/// What the peer holds.
struct Held {
    flow: f32,
    total: u32,
    current: u16,
    running: bool,
}

impl Held {
    fn by_chance() -> Self {
        let fresh = RandomState::new().build_hasher().finish();
        let word = |number: u32| (fresh >> (16 * number)) as u16;
        Self {
            flow: f32::from(word(0) % 3_400) / 100.0 + 1.0,
            total: u32::from(word(1)) * 1_000 + u32::from(word(2)),
            current: 4_000 + word(3) % 16_000,
            running: word(2) & 1 == 1,
        }
    }

    fn told(&self) -> [String; 3] {
        let words = |value: u32| [(value >> 16) as u16, value as u16];
        let [flow_high, flow_low] = words(self.flow.to_bits());
        let [total_high, total_low] = words(self.total);
        [
            format!("holding:0:{flow_high},{flow_low},{total_high},{total_low}"),
            format!("input:5:{}", self.current),
            format!("discrete:9:{}", u8::from(self.running)),
        ]
    }

    /// Holds a reading against this; what was missed is nothing.
    fn is_in(&self, reading: &Reading) -> bool {
        reading.flow.is_none_or(|it| it.value == f64::from(self.flow))
            && reading.total.is_none_or(|it| it.value == f64::from(self.total))
            && reading.loop_ma.is_none_or(|it| (it.value - f64::from(self.current) / 1_000.0).abs() < 1e-9)
            && reading.running.is_none_or(|it| it == self.running)
            && reading.receiver_flow.is_none()
    }
}

/// A port of this machine's own that nobody has.
fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// A slave behind a port of this machine's own.
fn serve_tcp(slave: &[PathBuf], port: &str, told: &[&str]) -> Running {
    let mut command = Command::new(&slave[0]);
    command.args(&slave[1..]).arg(port).args(told).stdin(Stdio::null()).stdout(Stdio::piped());
    let mut slave = Running(command.spawn().unwrap());
    let mut said = String::new();
    BufReader::new(slave.0.stdout.as_mut().unwrap()).read_line(&mut said).unwrap();
    assert_eq!(said.trim(), "ready", "{port} {told:?}");
    slave
}

/// Serial frames through a TCP stream, by a program that no one here wrote: socat hands the bytes of one connection to a
/// serial port, and what comes from there back. It ends with the connection.
fn pump(served: &Served, number: u16) -> Running {
    let listens = format!("TCP-LISTEN:{number},bind=127.0.0.1,reuseaddr,nodelay");
    let pump = Command::new("socat").arg(listens).arg(format!("{},raw,echo=0", served.port.display())).spawn();
    Running(pump.unwrap())
}

/// A daemon on that port, with its folder.
struct Shed {
    folder: tempfile::TempDir,
    daemon: Running,
}

impl Shed {
    fn begin(folder: tempfile::TempDir, port: &str) -> Self {
        let site = format!(
            r#"
site = "Peers"
[store]
path = "peers.db"
[line.peer]
port = "{port}"
baud = 19200
parity = "none"
reply_timeout = "500ms"
early_replies = "accept"
[device.bore]
line = "peer"
address = 11
map = "map.toml"
every = "100ms"
[meter.bore]
flow = "bore.flow"
total = "bore.total"
running = "bore.running"
[meter.bore.loop]
current = "bore.current"
full_scale = "36 L/s"
receiver_flow = "bore.gone"
"#
        );
        std::fs::write(folder.path().join("site.toml"), site).unwrap();
        std::fs::write(folder.path().join("map.toml"), MAP).unwrap();
        let mut run = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        run.args(["run", "--config", "site.toml"]).current_dir(folder.path()).stdout(Stdio::null());
        let daemon = Running(run.stderr(File::create(folder.path().join("log")).unwrap()).spawn().unwrap());
        Self { folder, daemon }
    }

    fn readings(&self) -> Vec<Reading> {
        let Ok(store) = StoreReader::open(&self.folder.path().join("peers.db")) else { return Vec::new() };
        store
            .readings("bore", Span::ALL)
            .map_or_else(|_| Vec::new(), |readings| readings.filter_map(Result::ok).collect())
    }

    /// Waits for so many whole readings, counted from the beginning.
    fn has(&self, count: usize, when: &str) {
        let until = Instant::now() + PATIENCE;
        let is_whole = |it: &&Reading| it.flow.is_some() && it.total.is_some() && it.loop_ma.is_some();
        while self.readings().iter().filter(is_whole).count() < count {
            let log = std::fs::read_to_string(self.folder.path().join("log")).unwrap();
            assert!(Instant::now() < until, "{when}: {} readings\n{log}", self.readings().len());
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// Ends the daemon; every value has to be what was held.
    fn ends(mut self, held: &Held, name: &str) {
        kill_process(Pid::from_child(&self.daemon.0), Signal::TERM).unwrap();
        assert!(self.daemon.0.wait().unwrap().success(), "{name}");
        let wrong: Vec<Reading> = self.readings().into_iter().filter(|reading| !held.is_in(reading)).collect();
        assert!(wrong.is_empty(), "{name}: {:#?}", wrong.first());
        assert!(self.readings().iter().any(|reading| reading.running == Some(held.running)), "{name}");
        let timing = Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["timing", "--config", "site.toml", "--format", "json"])
            .current_dir(self.folder.path())
            .output()
            .unwrap();
        let timing: serde_json::Value = serde_json::from_slice(&timing.stdout).unwrap();
        let device = &timing["lines"][0]["devices"][0];
        assert!(device["exceptions"].as_u64() > Some(0), "{name} refuses what it does not have: {device:#}");
        assert!(device["replies"].as_u64() >= Some(ENOUGH as u64), "{name}: {device:#}");
    }
}

#[test]
fn independent_slaves_are_polled_on_a_serial_line() {
    for (name, slave) in slaves() {
        let held = Held::by_chance();
        let told = held.told();
        let folder = tempfile::tempdir().unwrap();
        let mut served = serve(folder.path(), &slave, &["11", &told[0], &told[1], &told[2]]);
        let shed = Shed::begin(folder, &served.port.display().to_string());
        shed.has(ENOUGH, name);
        shed.ends(&held, name);
        assert!(served.slave.0.try_wait().unwrap().is_none(), "{name} ended by itself");
    }
}

#[test]
fn independent_gateways_are_polled_and_called_again_when_they_come_back() {
    let [(libmodbus, libmodbus_slave), (pymodbus, pymodbus_slave)] = slaves();
    for (name, slave, scheme) in [
        (libmodbus, &libmodbus_slave, "tcp"),
        (pymodbus, &pymodbus_slave, "tcp"),
        (pymodbus, &pymodbus_slave, "rtu+tcp"),
    ] {
        let name = format!("{name} {scheme}");
        let held = Held::by_chance();
        let told = held.told();
        let told = ["11", &told[0], &told[1], &told[2]];
        let number = free_port();
        let gateway = serve_tcp(slave, &format!("{scheme}:{number}"), &told);
        // Ready is said a moment before the port is open.
        std::thread::sleep(Duration::from_millis(500));
        let shed = Shed::begin(tempfile::tempdir().unwrap(), &format!("{scheme}://127.0.0.1:{number}"));
        shed.has(ENOUGH, &name);
        drop(gateway);
        let before = shed.readings().len();
        std::thread::sleep(Duration::from_secs(1));
        let _back = serve_tcp(slave, &format!("{scheme}:{number}"), &told);
        shed.has(before + ENOUGH, &name);
        shed.ends(&held, &name);
    }
}

#[test]
fn independent_slaves_behind_a_serial_port_on_the_network_are_polled_and_called_again() {
    for (name, slave) in slaves() {
        let held = Held::by_chance();
        let told = held.told();
        let folder = tempfile::tempdir().unwrap();
        let mut served = serve(folder.path(), &slave, &["11", &told[0], &told[1], &told[2]]);
        let number = free_port();
        let gateway = pump(&served, number);
        let shed = Shed::begin(folder, &format!("rtu+tcp://127.0.0.1:{number}"));
        shed.has(ENOUGH, name);
        drop(gateway);
        let before = shed.readings().len();
        std::thread::sleep(Duration::from_secs(1));
        let _back = pump(&served, number);
        shed.has(before + ENOUGH, name);
        shed.ends(&held, name);
        assert!(served.slave.0.try_wait().unwrap().is_none(), "{name} ended by itself");
    }
}

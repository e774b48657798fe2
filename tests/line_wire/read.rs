//! `tallywell read`, run as people run it.

use std::path::Path;
use std::process::{Command, Output};

use tallywell_sim::frame::Table;
use tallywell_sim::image::Fixed;
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::Slave;
use tallywell_sim::wire::{Adapter, Wire};

const SITE: &str = r#"
site = "Shed"
[line.shed]
port = "port"
early_replies = "accept"
worst_latency = "400ms"
[device.bore-1]
line = "shed"
address = 11
map = "map.toml"
[device.absent]
line = "shed"
address = 12
map = "map.toml"
[meter.bore-1]
flow = "bore-1.flow_rate"
total = "bore-1.total_forward"
"#;

const MAP: &str = r#"
[entry.flow_rate]
table = "holding"
address = 0
type = "f32"
unit = "L/s"
[entry.total_forward]
table = "holding"
address = 2
type = "u32"
unit = "L"
[entry.status]
table = "input"
address = 0
type = "u16"
bits = { 0 = "empty pipe", 3 = "reverse flow" }
[entry.temperature]
table = "input"
address = 1
type = "i16"
unit = "°C"
scale = 0.1
"#;

/// 20.1 L/s, 5000 L, reverse flow, 12.3 degrees.
fn shed(folder: &Path) -> Rig {
    let image =
        Fixed::default().with(Table::Holding, 0, &[0x41A0, 0xCCCD, 0, 5000]).with(Table::Input, 0, &[0b1000, 123]);
    let mut wire = Wire::new(None, Adapter::default());
    wire.attach(Slave::new(11, image));
    std::fs::write(folder.join("site.toml"), SITE).unwrap();
    std::fs::write(folder.join("map.toml"), MAP).unwrap();
    Rig::run(wire, &folder.join("port")).unwrap()
}

fn read(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallywell")).arg("read").args(arguments).current_dir(folder).output().unwrap()
}

/// What it printed, without the times that differ from run to run.
fn steady(output: &Output) -> String {
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    let mut steady = String::new();
    for line in text.lines() {
        let line = match line.split_once(", reply after ") {
            Some((what, _)) => format!("{what}, reply after [TIME]"),
            None => line.to_owned(),
        };
        assert!(line.chars().count() <= 80, "{line}");
        steady.push_str(&line);
        steady.push('\n');
    }
    steady
}

#[test]
fn a_declared_device_is_read_and_decoded() {
    let folder = tempfile::tempdir().unwrap();
    let _rig = shed(folder.path());
    let output = read(folder.path(), &["--config", "site.toml", "--device", "bore-1"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    insta::assert_snapshot!(steady(&output));
    let output = read(folder.path(), &["--config", "site.toml", "--device", "bore-1", "--format", "json"]);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let entry = |name: &str| report["entries"].as_array().unwrap().iter().find(|entry| entry["entry"] == name).unwrap();
    assert_eq!(entry("flow_rate")["value"], 20.1);
    assert_eq!(entry("flow_rate")["raw"], serde_json::json!(["41A0", "CCCD"]));
    assert_eq!(entry("total_forward")["value"], 5000.0);
    assert_eq!(entry("temperature")["value"], 12.3);
    assert_eq!(entry("status")["set"], serde_json::json!(["reverse flow"]));
}

#[test]
fn an_unknown_device_shows_what_its_registers_could_be() {
    let folder = tempfile::tempdir().unwrap();
    let _rig = shed(folder.path());
    let raw = ["--port", "port", "--address", "11", "--raw", "holding", "0", "4", "--for", "0s"];
    let output = read(folder.path(), &raw);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    insta::assert_snapshot!(steady(&output));
    // Fewer registers are there than a first look asks for: the device refuses, and that is said.
    let output = read(folder.path(), &["--port", "port", "--address", "11"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(steady(&output).contains("no such register, or not so many (02h)"), "{}", steady(&output));
}

#[test]
fn who_does_not_answer_is_a_bad_answer_and_a_port_that_is_not_there_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let _rig = shed(folder.path());
    let output = read(folder.path(), &["--config", "site.toml", "--device", "absent"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(steady(&output).contains("no reply"), "{}", steady(&output));
    for (arguments, said) in [
        (vec!["--port", "nowhere", "--address", "1"], "there is no port nowhere"),
        (
            vec!["--config", "site.toml", "--device", "bore-9"],
            "there is no device `bore-9` in the site file; did you mean `bore-1`?",
        ),
        (vec!["--port", "port", "--address", "1", "--raw", "holding", "0", "126"], "1 to 125 are possible"),
        (vec!["--port", "port", "--address", "1", "--raw", "coils", "0", "1"], "\"coils\" is no table"),
        (vec!["--port", "port", "--address", "248"], "248"),
        (vec!["--port", "tcp://127.0.0.1", "--address", "1"], "write it as in tcp://127.0.0.1:502"),
        (vec!["--port", "udp://127.0.0.1:1", "--address", "1"], "`udp://` is no kind of port"),
        (vec![], "--config <SITE.toml> --device <NAME>"),
        (vec![], "--port <PORT> --address <N>"),
    ] {
        let output = read(folder.path(), &arguments);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
        assert!(error.contains(said), "{arguments:?}: {error}");
    }
}

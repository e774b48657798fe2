//! `tallywell scan`, run as people run it, on wires whose settings matter.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::{Value, json};
use tallywell_sim::fault::{Fault, FaultKind, Faulty, Injected};
use tallywell_sim::frame::{Table, frame, sound};
use tallywell_sim::image::{Encoded, Fixed};
use tallywell_sim::rig::Rig;
use tallywell_sim::slave::{Identity, Latency, Slave};
use tallywell_sim::wire::{Adapter, Characters, Disturbance, ParityBit, Stranger, Wire};

/// 9600 baud without parity: what many devices are delivered with, and not what is tried first.
const PLAIN_9600: Characters = Characters { baud: 9_600, parity: ParityBit::Absent, stop_bits: 1 };
const STANDARD: Characters = Characters { baud: 19_200, parity: ParityBit::Even, stop_bits: 1 };

fn slave(address: u8) -> Slave {
    let latency = Latency { fixed: Duration::from_millis(3), jitter: Duration::from_millis(1) };
    Slave::new(address, Encoded { unit: address, addresses: 0..10 }).with_latency(latency)
}

fn scan(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallywell"))
        .args(["scan", "--port", "port"])
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn report(folder: &Path, arguments: &[&str]) -> (Option<i32>, Value) {
    let output = scan(folder, &[arguments, &["--format", "json"]].concat());
    let text = String::from_utf8_lossy(&output.stdout);
    let report = serde_json::from_str(&text)
        .unwrap_or_else(|error| panic!("{error}: {text}{}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code(), report)
}

fn text(output: &Output) -> String {
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    text
}

fn addresses(report: &Value) -> Vec<u64> {
    report["devices"].as_array().unwrap().iter().map(|device| device["address"].as_u64().unwrap()).collect()
}

fn only_reading_functions(rig: &Rig) {
    rig.witnessed(|seen| {
        let allowed = [0x03, 0x08, 0x11, 0x2B];
        assert!(seen.functions.keys().all(|function| allowed.contains(function)), "{:?}", seen.functions);
        // At other settings junk arrives; only whole frames are requests.
        for (_, request) in seen.from_master().filter_map(|passage| sound(&passage.bytes)) {
            assert!(request[0] != 0x08 || (0x0B..=0x0F).contains(&request[2]), "{request:02X?}");
        }
    });
}

#[test]
fn settings_and_devices_are_found_where_the_port_is_set_otherwise() {
    let folder = tempfile::tempdir().unwrap();
    let mut wire = Wire::with_characters(PLAIN_9600, Adapter::default());
    let objects = [(0, "Kestrel"), (1, "KM 7"), (2, "V2.11")].map(|(number, text)| (number, text.to_owned())).to_vec();
    wire.attach(slave(11).with_identity(Identity { objects }));
    // It answers by refusing: register 0 is not there.
    wire.attach(Slave::new(12, Fixed::default().with(Table::Input, 0, &[1])));
    let sluggish = Latency { fixed: Duration::from_millis(190), jitter: Duration::ZERO };
    wire.attach(slave(14).with_latency(sluggish));
    let rig = Rig::run(wire, &folder.path().join("port")).unwrap();

    let arguments = ["--listen", "0.2", "--baud", "19200,9600,38400", "--addresses", "10-16"];
    let (status, report) = report(folder.path(), &[&arguments[..], &["--write", "site.toml"]].concat());
    assert_eq!(status, Some(0), "{report:#}");
    assert_eq!(addresses(&report), [11, 12, 14], "{report:#}");
    let settings = &report["settings"];
    assert_eq!(settings["baud"], 9600);
    assert_eq!(settings["parity"], "none");
    assert_eq!(settings["sure"], true, "{settings:#}");
    let [first, second, third] = [0, 1, 2].map(|index| &report["devices"][index]);
    let identification = json!({ "vendor_name": "Kestrel", "product_code": "KM 7", "revision": "V2.11" });
    assert_eq!(first["identification"], identification);
    assert_eq!(first["server_id"]["text"], "KM 7");
    assert_eq!(first["answer"]["value"], 0x0B00);
    assert!(first["counters"]["bus_messages"].as_u64().unwrap() > 0);
    assert_eq!(second["answer"]["exception"], 2);
    assert_eq!(second["identification"], Value::Null);
    assert_eq!(third["slow"], true, "it answers after the next address was asked");
    assert!(report["devices"].as_array().unwrap().iter().all(|device| device["doubt"].is_null()), "{report:#}");
    only_reading_functions(&rig);

    // What was written becomes a site when what only a person can know is added.
    let path = folder.path().join("site.toml");
    for (file, schema) in [("site.toml", "schema/site.schema.json"), ("maps/unit-11.toml", "../schema/map.schema.json")]
    {
        let file = folder.path().join(file);
        let text = std::fs::read_to_string(&file).unwrap();
        assert_eq!(text.lines().next(), Some(format!("#:schema {schema}").as_str()), "editors look there");
        assert!(file.parent().unwrap().join(schema).exists());
    }
    let site = std::fs::read_to_string(&path).unwrap();
    assert!(site.contains("baud = 9600\nparity = \"none\"\nstop_bits = 1\n"), "{site}");
    std::fs::write(&path, site + "[meter.bore]\nflow = \"unit-11.flow\"\ntotal = \"unit-11.total\"\n").unwrap();
    for unit in [11, 12, 14] {
        let map = folder.path().join(format!("maps/unit-{unit}.toml"));
        let written = std::fs::read_to_string(&map).unwrap();
        assert_eq!(written.contains("[entry.holding_0]"), unit != 12, "{written}");
        let known = "[entry.flow]\ntable = \"input\"\naddress = 4\ntype = \"f32\"\nunit = \"L/s\"\n\
                     [entry.total]\ntable = \"input\"\naddress = 6\ntype = \"u32\"\nunit = \"L\"\n";
        std::fs::write(&map, written + known).unwrap();
    }
    let mut check = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    let checked = check.args(["check", "--config", "site.toml"]).current_dir(folder.path()).output().unwrap();
    assert_eq!(checked.status.code(), Some(0), "{}", String::from_utf8_lossy(&checked.stderr));
    let again = scan(folder.path(), &["--write", "site.toml"]);
    assert_eq!(again.status.code(), Some(2), "nothing is overwritten");
}

#[test]
fn where_another_master_polls_nothing_is_sent() {
    for settings in [STANDARD, PLAIN_9600] {
        let folder = tempfile::tempdir().unwrap();
        let mut wire = Wire::with_characters(settings, Adapter::default());
        wire.attach(slave(17));
        let request = frame(17, &[3, 0, 0, 0, 4]);
        let master = Disturbance {
            stranger: Stranger::Master(request),
            every: Duration::from_millis(150),
            begins: Duration::ZERO,
            ends: None,
        };
        wire.disturb(master, &Injected::default());
        let rig = Rig::run(wire, &folder.path().join("port")).unwrap();
        let arguments = ["--listen", "1", "--baud", "19200,9600", "--addresses", "1-20"];
        let (status, report) = report(folder.path(), &arguments);
        assert_eq!(status, Some(1));
        assert_eq!(report["other_master"], true, "{report:#}");
        assert_eq!(report["nothing_sent"], true);
        assert_eq!(report["other_master_settings"]["baud"], settings.baud, "{report:#}");
        assert_eq!(report["other_master_units"], json!([17]));
        rig.witnessed(|seen| assert_eq!(seen.bytes_from_master, 0));
        let said = text(&scan(folder.path(), &arguments)).replace('\n', " ");
        assert!(said.contains("Another master speaks on this line") && said.contains("nothing was sent"), "{said}");
    }
}

#[test]
fn two_devices_on_one_address_are_told_from_sound_neighbours() {
    let folder = tempfile::tempdir().unwrap();
    let mut wire = Wire::with_characters(STANDARD, Adapter::default());
    wire.attach(slave(5));
    let both = Fault::always(FaultKind::TwoTalkers(Duration::from_micros(900)), 1.0);
    wire.attach(Faulty::new(slave(6), vec![both], 20_261_125, &Injected::default()));
    let _rig = Rig::run(wire, &folder.path().join("port")).unwrap();
    let arguments = ["--listen", "0.2", "--baud", "19200", "--addresses", "4-7"];
    let (status, report) = report(folder.path(), &arguments);
    assert_eq!(status, Some(0));
    assert_eq!(addresses(&report), [5, 6], "{report:#}");
    assert!(report["devices"][0]["doubt"].is_null(), "{report:#}");
    let doubt = report["devices"][1]["doubt"].as_str().unwrap();
    assert!(doubt.contains("two devices have this address"), "{doubt}");
}

#[test]
fn junk_after_a_question_is_told_from_a_dead_line() {
    // A device that does not look at parity hears every question, and its answers are junk where the port expects parity.
    let folder = tempfile::tempdir().unwrap();
    let mut wire = Wire::new(Some(STANDARD.pace()), Adapter::default());
    let garbled = Fault::always(FaultKind::FlippedBits(9), 1.0);
    wire.attach(Faulty::new(slave(5), vec![garbled], 7, &Injected::default()));
    let rig = Rig::run(wire, &folder.path().join("port")).unwrap();
    let arguments = ["--listen", "0.2", "--baud", "19200", "--parity", "even", "--addresses", "4-6"];
    let output = scan(folder.path(), &arguments);
    assert_eq!(output.status.code(), Some(1));
    let said = text(&output).replace('\n', " ");
    assert!(said.contains("followed the question to address 5") && said.contains("wrong parity"), "{said}");
    drop(rig);

    let dead = Wire::with_characters(STANDARD, Adapter::default());
    let _rig = Rig::run(dead, &folder.path().join("port")).unwrap();
    let output = scan(folder.path(), &arguments);
    assert_eq!(output.status.code(), Some(1));
    insta::assert_snapshot!(text(&output));
}

#[test]
fn noise_is_counted_and_does_not_hide_a_device() {
    let folder = tempfile::tempdir().unwrap();
    let mut wire = Wire::with_characters(STANDARD, Adapter::default());
    wire.attach(slave(3));
    let noise = Disturbance {
        stranger: Stranger::Noise(4),
        every: Duration::from_millis(120),
        begins: Duration::ZERO,
        ends: None,
    };
    wire.disturb(noise, &Injected::default());
    let _rig = Rig::run(wire, &folder.path().join("port")).unwrap();
    let (status, report) =
        report(folder.path(), &["--listen", "0.5", "--baud", "19200", "--parity", "even", "--addresses", "1-8"]);
    assert_eq!(status, Some(0), "{report:#}");
    assert_eq!(addresses(&report), [3], "{report:#}");
    assert_eq!(report["other_master"], false);
    assert!(report["noise_bytes"].as_u64().unwrap() > 0);
}

#[test]
fn an_adapter_that_returns_what_it_sends_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let mut wire = Wire::with_characters(STANDARD, Adapter { echo: true, ..Adapter::default() });
    wire.attach(slave(3));
    let _rig = Rig::run(wire, &folder.path().join("port")).unwrap();
    let arguments = ["--listen", "0.2", "--baud", "19200", "--addresses", "1-5"];
    let (status, report) = report(folder.path(), &arguments);
    assert_eq!((status, &report["echo"]), (Some(0), &json!(true)), "{report:#}");
    assert_eq!(addresses(&report), [3]);
    assert!(report["devices"][0]["doubt"].is_null(), "{report:#}");
    assert_eq!(report["garbled"], json!([]));
}

#[test]
fn what_cannot_be_done_is_said() {
    let folder = tempfile::tempdir().unwrap();
    for (arguments, said) in [
        (&[][..], "there is no port port"),
        (&["--addresses", "0-5"], "no list of addresses"),
        (&["--listen=-1"], "number of seconds"),
        (&["--parity", "mark"], "mark"),
    ] {
        let output = scan(folder.path(), arguments);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
        assert!(error.contains(said), "{arguments:?}: {error}");
    }
}

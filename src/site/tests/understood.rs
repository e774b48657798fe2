//! What sound files mean, key by key.

use std::path::Path;
use std::time::Duration;

use tallywell_witness::declared::*;
use tallywell_witness::units::{Litres, LitresPerSecond, Milliamperes};

use super::config;
use crate::site::{load, meter_facts, parse, render};

const EVERY_KEY: &str = r#"
site = "Kestrel Creek pump shed"
[store]
path = "kestrel.db"
keep_readings = "90d"
largest = "2 GiB"
[line.shed]
port = "rtu+tcp://192.0.2.10:4001"
baud = 9600
parity = "none"
stop_bits = 2
mode = "listen"
reply_timeout = "200ms"
quiet_gap = "20ms"
worst_latency = "2s"
echo = true
early_replies = "accept"
[device.bore-1]
line = "shed"
address = 11
map = "maps/all.toml"
every = "0s"
[device.plc]
line = "shed"
address = 1
map = "maps/all.toml"
every = "500ms"
[meter.bore-1]
flow = "bore-1.flow"
total = "bore-1.total"
total_counts = "net"
reverse_total = "bore-1.total_back"
refresh = "200ms"
running = "plc.pump"
[meter.bore-1.loop]
current = "file:/sys/bus/iio/devices/iio:device0/in_current0_input"
full_scale = "129.6 m³/h"
damping = "3s"
at_4_ma = "-36 L/s"
accuracy = "0.2 % of span"
saturates = ["3.9 mA", "20400 µA"]
fault = ["3.5 mA", "22 mA"]
receiver_flow = "plc.flow"
[meter.bore-1.pulse]
count = "plc.pulses"
volume = "0.025 m3"
on_time = "60ms"
off_time = "0.04 s"
counts = "both"
receiver_total = "plc.total"
[meter.bore-1.settings]
full_scale = "bore-1.flow"
low_flow_cutoff = "bore-1.cutoff"
zero = "bore-1.pulses"
[meter.bore-1.tolerance]
flow = "1 % of reading"
volume = "0.2 %"
[meter.bore-1.limits]
high = "34 L/s"
low = "30 L/min"
reverse = true
[notice]
run = ["/usr/local/bin/tell-me", "--loud"]
[page]
listen = "[::1]:8080"
[broker]
url = "mqtts://broker.example:8883"
user = "kestrel"
password_file = "broker.password"
ca_file = "/etc/ssl/own-ca.pem"
"#;

const EVERY_ENTRY_KEY: &str = r#"
about = "Everything"
max_registers = 100
gaps = "readable"
[entry.flow]
table = "holding"
address = 0
type = "f32"
word_order = "low-first"
byte_order = "little"
unit = "m3/h"
scale = 2
offset = -0.5
[entry.total]
address = 2
number = 3
reference = 400003
type = "u32"
unit = "L"
wraps_at = 1000000
[entry.total_back]
table = "holding"
number = 5
type = "i64"
unit = "US gal"
[entry.pulses]
reference = "30001"
type = "u16"
unit = "pulses"
[entry.cutoff]
table = "input"
address = 4
type = "u16"
unit = "%"
[entry.pump]
reference = 10017
[entry.alarms]
table = "input"
address = 9
type = "u16"
bits = { 0 = "empty pipe", 15 = "coil drive fault" }
"#;

/// What the files above mean, key by key.
#[test]
fn every_key_is_understood() {
    let mut load = |path: &Path| {
        assert_eq!(path, Path::new("/etc/shed/maps/all.toml"));
        Ok(EVERY_ENTRY_KEY.to_owned())
    };
    let loaded = parse(EVERY_KEY, Path::new("/etc/shed/shed.toml"), &mut load).unwrap();
    assert!(loaded.cautions.is_empty(), "{}", render(&loaded.cautions, false));
    assert_eq!(loaded.sources.len(), 2, "one map, however many devices name it");
    let site = loaded.site;
    assert_eq!(site.store.path, Path::new("/etc/shed/kestrel.db"));
    assert_eq!((site.store.keep_readings, site.store.largest), (Some(Duration::from_secs(7_776_000)), Some(1 << 31)));
    let line = Line {
        name: "shed".to_owned(),
        port: Port::RtuOverTcp("192.0.2.10:4001".to_owned()),
        framing: Framing { baud: 9600, parity: Parity::None, stop_bits: 2 },
        mode: LineMode::Listen,
        reply_timeout: Duration::from_millis(200),
        quiet_gap: Some(Duration::from_millis(20)),
        worst_latency: Duration::from_secs(2),
        echo: true,
        early_replies: EarlyReplies::Accept,
    };
    assert_eq!(site.lines["shed"], line);
    let device = &site.devices["bore-1"];
    assert_eq!((device.line.as_str(), device.address, device.every), ("shed", 11, Duration::ZERO));
    assert_eq!(site.devices["plc"].every, Duration::from_millis(500));
    assert!(device.map.gaps_readable && device.map.max_registers == 100);
    let entry = |name: &str| {
        let entry = &device.map.entries[name];
        (entry.table, entry.address, entry.value_type)
    };
    assert_eq!(entry("flow"), (Table::Holding, 0, ValueType::F32));
    assert_eq!(entry("total"), (Table::Holding, 2, ValueType::U32));
    assert_eq!(entry("total_back"), (Table::Holding, 4, ValueType::I64));
    assert_eq!(entry("pulses"), (Table::Input, 0, ValueType::U16));
    assert_eq!(entry("pump"), (Table::Discrete, 16, ValueType::Bit));
    let flow = &device.map.entries["flow"];
    assert_eq!((flow.word_order, flow.byte_order), (WordOrder::LowFirst, ByteOrder::Little));
    assert_eq!((flow.scale, flow.offset, flow.unit.dimension), (2.0, -0.5, Dimension::Flow));
    assert_eq!(device.map.entries["total"].wraps_at, Some(1_000_000));

    let source = |device: &str, entry: &str| Source::Entry { device: device.to_owned(), entry: entry.to_owned() };
    let file = Source::File("/sys/bus/iio/devices/iio:device0/in_current0_input".into());
    let meter = Meter {
        name: "bore-1".to_owned(),
        flow: Some(source("bore-1", "flow")),
        total: Some(source("bore-1", "total")),
        total_counts: TotalCounts::Net,
        reverse_total: Some(source("bore-1", "total_back")),
        refresh: Duration::from_millis(200),
        running: Some(source("plc", "pump")),
        status: vec![source("bore-1", "alarms")],
        current_loop: Some(CurrentLoop {
            current: file,
            full_scale: LitresPerSecond(36.0),
            at_4_ma: LitresPerSecond(-36.0),
            damping: Some(Duration::from_secs(3)),
            accuracy: 0.002,
            saturates: (Milliamperes(3.9), Milliamperes(20.4)),
            fault: (Milliamperes(3.5), Milliamperes(22.0)),
            receiver_flow: Some(source("plc", "flow")),
        }),
        pulse: Some(Pulse {
            count: source("plc", "pulses"),
            volume: Litres(25.0),
            on_time: Duration::from_millis(60),
            off_time: Duration::from_millis(40),
            counts: PulseCounts::Both,
            wraps_at: None,
            receiver_total: Some(source("plc", "total")),
        }),
        settings: [
            (Setting::FullScale, source("bore-1", "flow")),
            (Setting::LowFlowCutoff, source("bore-1", "cutoff")),
            (Setting::Zero, source("bore-1", "pulses")),
        ]
        .into(),
        tolerance: Tolerance { flow: FlowTolerance::OfReading(0.01), volume: 0.002 },
        limits: Limits { high: Some(LitresPerSecond(34.0)), low: Some(LitresPerSecond(0.5)), reverse: true },
    };
    assert_eq!(site.meters["bore-1"], meter);
    assert_eq!(site.notice.unwrap(), ["/usr/local/bin/tell-me", "--loud"]);
    assert_eq!(site.page.as_deref(), Some("[::1]:8080"));
    let broker = site.broker.unwrap();
    assert_eq!((broker.url.as_str(), broker.user.as_deref()), ("mqtts://broker.example:8883", Some("kestrel")));
    assert_eq!(broker.password_file.as_deref(), Some(Path::new("/etc/shed/broker.password")));
    assert_eq!(broker.ca_file.as_deref(), Some(Path::new("/etc/ssl/own-ca.pem")));
}

/// Defaults are part of what the files say: whoever leaves a key out relies on them.
#[test]
fn what_is_left_out_has_its_default() {
    let site = r#"
site = "Shed"
line.shed.port = "/dev/ttyUSB0"
device.x = { line = "shed", address = 1, map = "m.toml" }
[meter.m]
flow = "x.flow"
[meter.m.loop]
current = "file:current"
full_scale = "36 L/s"
[meter.m.pulse]
count = "file:count"
volume = "25 L"
on_time = "60ms"
"#;
    let map = "[entry.flow]\ntable = \"input\"\naddress = 0\ntype = \"f32\"\nunit = \"L/s\"\n";
    let loaded = parse(site, Path::new("sites/shed.toml"), &mut |_| Ok(map.to_owned())).unwrap();
    let line = &loaded.site.lines["shed"];
    assert_eq!(line.framing, Framing { baud: 19_200, parity: Parity::Even, stop_bits: 1 });
    assert_eq!((line.mode, line.early_replies, line.echo), (LineMode::Poll, EarlyReplies::Refuse, false));
    assert_eq!((line.reply_timeout, line.worst_latency), (Duration::from_millis(300), Duration::from_secs(1)));
    assert_eq!(line.quiet_gap, None);
    assert_eq!(loaded.site.store.path, Path::new("sites/shed.db"));
    let device = &loaded.site.devices["x"];
    assert_eq!((device.every, device.map.max_registers), (Duration::from_secs(1), 125));
    assert!(!device.map.gaps_readable);
    let meter = &loaded.site.meters["m"];
    assert_eq!(meter.tolerance, Tolerance { flow: FlowTolerance::OfSpan(0.0025), volume: 0.001 });
    let current_loop = meter.current_loop.as_ref().unwrap();
    assert_eq!((current_loop.at_4_ma, current_loop.accuracy), (LitresPerSecond(0.0), 0.001));
    assert_eq!(current_loop.saturates, (Milliamperes(3.8), Milliamperes(20.5)));
    assert_eq!(current_loop.fault, (Milliamperes(3.6), Milliamperes(21.0)));
    assert_eq!(current_loop.current, Source::File("sites/current".into()));
    assert_eq!(meter.pulse.as_ref().unwrap().off_time, Duration::from_millis(60));
    let facts = meter_facts(&loaded.site, "m").unwrap();
    let of_file = facts.loop_ma.unwrap();
    assert_eq!((of_file.entry.unit.dimension, of_file.every), (Dimension::Current, Duration::from_secs(1)));
}

/// A file does not say how many bits its counter has; a register's type does, and its map what it does not.
#[test]
fn where_a_count_wraps_is_declared_of_a_file_alone() {
    let loaded = |count: &str| {
        let site = format!(
            "site = \"Shed\"\nline.shed.port = \"/dev/ttyUSB0\"\n\
             device.x = {{ line = \"shed\", address = 1, map = \"m.toml\" }}\n\
             [meter.m]\ntotal = \"x.total\"\ntotal_counts = \"forward\"\n\
             [meter.m.pulse]\ncount = \"{count}\"\nvolume = \"25 L\"\non_time = \"60ms\"\nwraps_at = 16777216\n"
        );
        let map = "[entry.total]\ntable = \"input\"\naddress = 0\ntype = \"u32\"\nunit = \"L\"\n\
                   [entry.count]\ntable = \"input\"\naddress = 2\ntype = \"u32\"\n";
        parse(&site, Path::new("sites/shed.toml"), &mut |_| Ok(map.to_owned()))
    };
    let site = loaded("file:/sys/bus/counter/devices/counter0/count0/count").unwrap().site;
    assert_eq!(meter_facts(&site, "m").unwrap().pulses.unwrap().entry.wraps_at, Some(1 << 24));
    let problems = loaded("x.count").unwrap_err().to_string();
    assert!(problems.contains("here for a count from a file"), "{problems}");
}

#[test]
fn facts_of_a_meter_come_from_all_over_the_site() {
    let loaded = load(&config().join("kestrel-creek.toml")).unwrap();
    let facts = meter_facts(&loaded.site, "bore-1").unwrap();
    assert_eq!(facts.flow.unwrap().entry.name, "flow_rate");
    assert_eq!(facts.loop_ma.unwrap().entry.scale, 0.001);
    assert_eq!(facts.pulses.unwrap().entry.address, 0);
    assert_eq!(facts.status_names, ["empty pipe", "coil drive fault", "reverse flow"]);
    assert_eq!(
        meter_facts(&loaded.site, "bore1").unwrap_err().to_string(),
        "there is no meter `bore1` in the site file; did you mean `bore-1`?"
    );
}

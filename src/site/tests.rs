//! What is said about files that are wrong or doubtful.

mod understood;

use std::io;
use std::path::{Path, PathBuf};

use super::*;

fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

/// The report on a site file, whose maps are given as text beside their names.
fn report(site: &str, maps: &[(&str, &str)]) -> String {
    let mut load = |path: &Path| {
        let found = maps.iter().find(|(name, _)| Path::new(name) == path);
        found.map(|(_, text)| (*text).to_owned()).ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))
    };
    match parse(site, Path::new("shed.toml"), &mut load) {
        Ok(loaded) => format!("usable\n{}", render(&loaded.cautions, false)),
        Err(problems) => problems.render(false),
    }
}

const MAGMETER: &str = include_str!("../../config/maps/magmeter.toml");
const CURRENT_INPUTS: &str = include_str!("../../config/maps/current-inputs.toml");
const PULSE_INPUTS: &str = include_str!("../../config/maps/pulse-inputs.toml");

#[test]
fn every_shipped_site_loads_without_a_caution() {
    let mut loaded_any = false;
    for entry in std::fs::read_dir(config()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|extension| extension == "toml") {
            let loaded = load(&path).unwrap_or_else(|problems| panic!("{problems}"));
            assert!(loaded.cautions.is_empty(), "{}", render(&loaded.cautions, false));
            loaded_any = true;
        }
    }
    assert!(loaded_any);
}

#[test]
fn a_file_with_many_mistakes_gets_one_report() {
    let site = r#"
[line.shed]
prot = "/dev/ttyUSB0"
baud = "19200"
parity = "evn"
echo = "no"
reply_timeout = "2ms"
worst_latency = "1ms"

[device.bore-1]
line = "shde"
address = 11
map = "magmeter.toml"
every = 1

[device.bore-2]
line = "shed"
address = 248
map = "magmetr.toml"

[device.analogue]
line = "shed"
address = 40
map = "current-inputs.toml"

[device.counter]
line = "shed"
address = 40
map = "pulse-inputs.toml"

[meter.bore-1]
flow = "bore-1.total_forward"
total = "bore-1.total_foward"
total_counts = "both"

[meter.bore-1.loop]
current = "analog.channel_1"
full_scale = "36 L"
saturates = ["20.5 mA", "3.8 mA"]

[meter.bore-1.pulse]
count = "counter"
volume = "5 gal"
on_time = 60

[meter.bore-1.tolerance]
flow = "0.25 %"
"#;
    let maps =
        [("magmeter.toml", MAGMETER), ("current-inputs.toml", CURRENT_INPUTS), ("pulse-inputs.toml", PULSE_INPUTS)];
    insta::assert_snapshot!(report(site, &maps));
}

#[test]
fn a_map_with_many_mistakes_gets_one_report() {
    let map = r#"
max_registers = 126
gaps = "maybe"

[entry.flow_rate]
table = "input"
reference = 40001
type = "f32"
unit = "gal/min"

[entry.total_forward]
table = "holding"
address = 2
number = 2
type = "u32"
unit = "L"
scale = 0

[entry.net]
table = "holding"
address = 65535
type = "f64"
unit = "m3"

[entry.pump]
table = "coil"
address = 0
type = "u16"

[entry.status]
table = "input"
address = 0
type = "u16"
bits = { 0 = "empty pipe", 1 = "empty pipe", 16 = "late", 2 = "a;b" }

[entry.counter]
table = "input"
number = 30005
type = "u16"
wraps_at = 100000

[entry.lost]
type = "f32"
unit = "L/s"

[entry.temperature]
reference = 20001
type = "i16"
unit = "degC"
"#;
    let site = r#"
site = "Shed"
[line.shed]
port = "/dev/ttyUSB0"
[device.bore-1]
line = "shed"
address = 11
map = "map.toml"
[meter.bore-1]
flow = "bore-1.flow_rate"
total = "bore-1.total_forward"
"#;
    insta::assert_snapshot!(report(site, &[("map.toml", map)]));
}

#[test]
fn what_is_not_toml_is_said_with_its_place() {
    let site = r#"
site = Kestrel Creek
[line.shed
port = "/dev/ttyUSB0"
[device.bore-1]
line = "shed"
line = "shed"
address = 011
map = "map.toml
[meter.bore-1]
flow = 'bore-1.flow_rate'
"#;
    insta::assert_snapshot!(report(site, &[]));
}

#[test]
fn what_is_doubtful_is_said_with_figures() {
    let site = r#"
site = "Shed"
[line.shed]
port = "/dev/ttyUSB0"
baud = 19600
[line.spare]
port = "/dev/ttyUSB1"
[device.bore-1]
line = "shed"
address = 11
map = "map.toml"
[device.counter]
line = "shed"
address = 41
map = "pulse-inputs.toml"
[meter.bore-1]
flow = "bore-1.flow_rate"
total = "bore-1.total"
total_counts = "net"
[meter.bore-1.loop]
current = "file:/sys/bus/iio/devices/iio:device0/in_current0_input"
full_scale = "36 L/s"
[meter.bore-1.pulse]
count = "bore-1.pulses"
volume = "2 L"
on_time = "60ms"
[meter.bore-2]
flow = "bore-1.flow_rate"
[page]
listen = "0.0.0.0:8080"
"#;
    let map = r#"
[entry.flow_rate]
table = "holding"
address = 0
type = "f32"
unit = "L/s"
[entry.total]
table = "holding"
address = 1
type = "f32"
unit = "m3"
[entry.pulses]
table = "input"
address = 10
type = "u32"
unit = "pulses"
[entry.conductivity]
table = "input"
address = 30007
type = "u16"
unit = "uS/cn"
[entry.mystery]
table = "input"
address = 4
type = "u16"
"#;
    insta::assert_snapshot!(report(site, &[("map.toml", map), ("pulse-inputs.toml", PULSE_INPUTS)]));
}

#[test]
fn one_kind_of_file_in_the_place_of_the_other_is_said_once() {
    let site = r#"
site = "Shed"
line.shed.port = "/dev/ttyUSB0"
device.x = { line = "shed", address = 1, map = "shed.toml" }
meter.m.flow = "x.flow"
"#;
    let another = site.replace("map = \"shed.toml\"", "map = \"mill.toml\"");
    let reports = [report(MAGMETER, &[]), report(site, &[]), report(&another, &[("mill.toml", site)])];
    insta::assert_snapshot!(reports.join("\n"));
}

#[test]
fn a_file_that_is_no_toml_at_all_gets_a_short_report() {
    let lines = report(&"once upon a time\n".repeat(5000), &[]);
    assert!(lines.ends_with("\n21 errors") && lines.contains("more places are not TOML"), "{lines}");
    let large = report(&"# much ado\n".repeat(100_000), &[]);
    assert!(large.starts_with("error: with 1100 kB this is no file that somebody wrote"), "{large}");
}

/// Reports are logged by a daemon that reloads, and mailed to who is asked for help.
#[test]
fn no_report_shows_a_password() {
    let site = |broker: &str| format!("site = \"Shed\"\n[broker]\n{broker}\nuser = 1\n[page]\nlisten = \"x\"\n");
    let reported = report(&site(r#"url = "mqtt://kestrel:geheim@h:1883""#), &[]);
    assert!(reported.contains(r#"url = "mqtt://kestrel:******@h:1883""#), "{reported}");
    assert!(reported.contains("shed.toml:3:7") && reported.contains("`password_file`"), "{reported}");
    for broker in [
        r#"url = "mqtt://kestrel:geheim@h:1883""#,
        r#"url = "mqtt://kestrel:geheim@h""#,
        r#"url = "tcp://kestrel:geheim@h:1883""#,
        r#"url = "kestrel:geheim@h:1883""#,
        r#"url = "mqtt://kestrel:geheim@h:1883"#,
        "url = mqtt://kestrel:geheim@h:1883",
        r#"password = "geheim""#,
        "password = geheim",
        r#"passwrod = "geheim" "#,
        r#"port = "tcp://kestrel:geheim@h:1883""#,
        "url = \"mqtt://h:1883\"\n[line.shed]\nport = \"tcp://kestrel:geheim@h:1883\"",
        "url = \"mqtt://h:1883\"\n[line.shed]\nport = \"http://kestrel:geheim@h:1883\"",
    ] {
        let problems =
            parse(&site(broker), Path::new("shed.toml"), &mut |_| unreachable!()).expect_err("it is refused");
        let told: Vec<_> = problems.all().iter().map(|problem| (problem.message(), problem.instead())).collect();
        let reported = format!("{}{told:?}", problems.render(false));
        assert!(!reported.contains("geheim"), "{reported}");
        assert!(told.len() > 1, "the lines around it are shown as well: {reported}");
    }
}

/// One change to a text: at a place given as a share of its length, some characters cut out, some put in.
fn mutated(text: &str, changes: &[(f64, usize, String)]) -> String {
    let mut characters: Vec<char> = text.chars().collect();
    for (share, cut, put) in changes {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
        let start = (share * characters.len() as f64) as usize;
        let end = (start + cut).min(characters.len());
        characters.splice(start..end, put.chars());
    }
    characters.into_iter().collect()
}

fn changes() -> impl proptest::strategy::Strategy<Value = Vec<(f64, usize, String)>> {
    use proptest::prelude::*;
    let put = prop_oneof![
        "[\\PC\n]{0,4}",
        "[-+_.0-9eE\"'=\\[\\]{}#\n]{1,6}",
        proptest::sample::select(vec![
            "ä",
            "²",
            "\u{feff}",
            "\"\"\"",
            "1e999",
            "[[line]]",
            "9223372036854775807",
            "a.b.c = 1\n"
        ])
        .prop_map(str::to_owned),
    ];
    proptest::collection::vec((0.0..1.0, 0..12_usize, put), 1..4)
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(300))]

    /// Whatever is done to the files: an answer or a report that can be shown, and every place is inside its file.
    #[test]
    fn no_file_makes_it_panic(site_changes in changes(), map_changes in changes()) {
        let site = mutated(include_str!("../../config/kestrel-creek.toml"), &site_changes);
        let map = mutated(MAGMETER, &map_changes);
        let mut load = |path: &Path| Ok(if path.ends_with("magmeter.toml") { map.clone() } else { PULSE_INPUTS.to_owned() });
        let problems = match parse(&site, Path::new("shed.toml"), &mut load) {
            Ok(loaded) => loaded.cautions,
            Err(problems) => {
                proptest::prop_assert!(problems.all().iter().any(|problem| problem.severity() == Severity::Error));
                problems.into_all()
            }
        };
        proptest::prop_assert!(problems.is_empty() || render(&problems, true).len() > 1);
        for problem in &problems {
            if let Some((line, _)) = problem.line_and_column() {
                let text = if problem.path() == Path::new("shed.toml") { &site } else { &map };
                proptest::prop_assert!(line <= text.matches('\n').count() + 1 || problem.path().ends_with("pulse-inputs.toml"));
            }
        }
    }
}

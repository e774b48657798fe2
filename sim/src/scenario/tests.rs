use std::fs;

use super::*;
use crate::frame::{Table, frame, sound};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/scenarios")
}

fn shipped() -> Vec<PathBuf> {
    let mut files: Vec<_> = fs::read_dir(folder()).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    files
}

fn kestrel_creek() -> Scenario {
    let file = shipped().into_iter().find(|file| file.ends_with("kestrel-creek.toml")).unwrap();
    Scenario::load(&file).unwrap()
}

/// Registers of a unit, asked for at this time.
fn registers(scenario: &mut Scenario, unit: u8, table: Table, address: u8, count: u8, at: Duration) -> Vec<u16> {
    let wire = &mut scenario.wire;
    wire.advance(at);
    wire.master_sends(&frame(unit, &[table.function(), 0, address, 0, count]), at);
    let heard = wire.advance(at + Duration::from_millis(400));
    let reply: Vec<u8> = heard.into_iter().flat_map(|delivery| delivery.bytes).collect();
    let (from, data) = sound(&reply).expect("the line is healthy");
    assert_eq!((from, data[0]), (unit, table.function()), "{data:?}");
    data[2..].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

fn pair(registers: &[u16]) -> u32 {
    u32::from(registers[0]) << 16 | u32::from(registers[1])
}

#[test]
fn every_shipped_scenario_makes_a_wire() {
    let files = shipped();
    assert!(files.len() >= 5, "{files:?}");
    let guide = fs::read_to_string(folder().join("README.md")).unwrap();
    for file in files {
        let name = file.file_name().unwrap().to_str().unwrap();
        assert!(guide.contains(&format!("| {name} |")), "{name} is not in the guide");
        let scenario = Scenario::load(&file).unwrap_or_else(|error| panic!("{error}"));
        assert!(!scenario.devices.is_empty());
    }
}

/// The registers are where the shipped register maps say, and the fault is there from 20 s on: half the pulses.
#[test]
fn the_demonstrations_shed_shows_its_meters_and_its_fault() {
    let mut scenario = kestrel_creek();
    let seconds = Duration::from_secs;
    let mut volumes = Vec::new();
    for at in [2, 18, 24, 54] {
        let bus = registers(&mut scenario, 11, Table::Holding, 0, 26, seconds(at));
        let counts = registers(&mut scenario, 41, Table::Input, 0, 8, seconds(at) + Duration::from_millis(500));
        volumes.push((f64::from(pair(&bus[2..])), f64::from(pair(&counts)) * 5.0));
        assert_eq!(f32::from_bits(pair(&bus[20..])), 36.0);
        assert_eq!(f32::from_bits(pair(&bus[22..])), if at < 20 { 5.0 } else { 10.0 });
        assert_eq!(bus[24..26], [60, 150]);
    }
    assert!(volumes[0].0 >= 1_204_311.0 && volumes[0].0 < 1_204_400.0, "{volumes:?}");
    let ratio = |from: usize, to: usize| (volumes[to].1 - volumes[from].1) / (volumes[to].0 - volumes[from].0);
    assert!((ratio(0, 1) - 1.0).abs() < 0.15, "{volumes:?}");
    assert!((ratio(2, 3) - 0.5).abs() < 0.05, "{volumes:?}");
    for unit in [11, 12, 13] {
        let channel = usize::from(unit - 11);
        let bus = registers(&mut scenario, unit, Table::Holding, 0, 2, seconds(60) + Duration::from_secs(unit.into()));
        let at = seconds(60) + Duration::from_secs(unit.into()) + Duration::from_millis(500);
        let currents = registers(&mut scenario, 40, Table::Input, 0, 4, at);
        let full_scale = [36.0, 20.0, 60.0][channel];
        let by_loop = full_scale * (f64::from(currents[channel]) / 1000.0 - 4.0) / 16.0;
        let by_bus = f64::from(f32::from_bits(pair(&bus)));
        assert!((by_loop - by_bus).abs() < 0.05 * full_scale, "unit {unit}: {by_loop} and {by_bus} L/s");
        assert_eq!(currents[3], 0);
    }
}

/// The guide's table of faults and what a scenario understands are the same: each kind with the parameters named there.
#[test]
fn the_guides_faults_are_those_that_exist() {
    let guide = fs::read_to_string(folder().join("README.md")).unwrap();
    let (_, table) = guide.split_once("| `kind` | what happens |").unwrap();
    let (table, _) = table.split_once("\n\n").unwrap();
    let mut understood = 0;
    for row in table.lines().skip(2) {
        let cells: Vec<&str> = row.split('|').collect();
        let named = |cell: &str| cell.split('`').skip(1).step_by(2).map(str::to_owned).collect::<Vec<_>>();
        let parameters: Vec<String> = named(cells[2])
            .iter()
            .filter_map(|name| match name.as_str() {
                "most_bytes" | "bits" | "code" | "byte" => Some(format!(", {name} = 1")),
                "least" | "most" | "after" | "pause" | "apart" => Some(format!(", {name} = \"1ms\"")),
                "check_sum" => Some(format!(", {name} = \"stale\"")),
                _ => None,
            })
            .collect();
        for kind in named(cells[1]) {
            let what = format!("{{ kind = {kind:?}{} }}", parameters.concat());
            let text =
                format!("about = \"\"\ndevice.a = {{ address = 1, encoded = [0, 9] }}\nfault = [{{ what = {what} }}]");
            assert!(Scenario::parse(&text, "guide").is_ok(), "{what}");
            understood += 1;
        }
    }
    assert_eq!(understood, 20);
}

/// Each cause that can be simulated, by its code, at a meter beside another.
#[test]
fn every_trouble_can_be_written_in_a_scenario() {
    for what in [
        "code = 'pulse-weight', ratio = 2.5",
        "code = 'pulse-double', share = 1.0",
        "code = 'pulse-narrow', seen = 0.9",
        "code = 'pulse-rate-limit', hertz = 0.5, waiting = 10",
        "code = 'pulse-crossed', with = 'b'",
        "code = 'pulse-extra', hertz = 0.1, together = 1.0",
        "code = 'pulse-gaps', whole = 60.0, broken = 5.0",
        "code = 'pulse-silent'",
        "code = 'pulse-restart'",
        "code = 'loop-span', ratio = 0.8",
        "code = 'loop-zero', offset = 0.2",
        "code = 'loop-clipped', highest = 17.0",
        "code = 'loop-crossed', with = 'b'",
        "code = 'loop-fault', current = 3.5, status = 2",
        "code = 'loop-open'",
        "code = 'loop-held'",
        "code = 'loop-lag', damping = 10.0",
        "code = 'bus-unit', ratio = 3.6",
        "code = 'bus-words', flow = true, total = false",
        "code = 'bus-frozen'",
        "code = 'bus-torn', share = 0.1",
        "code = 'low-flow-cutoff', cutoff = 0.5",
    ] {
        let meter = "full_scale_l_s = 10, pulse_volume_l = 1, flow = { constant_l_s = 5 }";
        let text = format!(
            "about = ''\n[meter]\na = {{ {meter}, goes_wrong = [{{ begins = '5s', what = {{ {what} }} }}] }}\n\
             b = {{ {meter} }}\n[device.m]\naddress = 1\ncounts = {{ table = 'input', type = 'u16', meters = ['a', 'b'] }}"
        );
        let mut scenario = Scenario::parse(&text, "trouble").unwrap_or_else(|error| panic!("{what}: {error}"));
        assert_eq!(registers(&mut scenario, 1, Table::Input, 0, 2, Duration::from_secs(20)).len(), 2);
    }
}

#[test]
fn all_that_is_wrong_is_said_at_once() {
    let text = r#"
        about = "nonsense"
        line = { chunk = 100 }
        meter.a = { full_scale_l_s = 10, pulse_volume_l = 1, flow = {}, goes_wrong = [{ what = { code = "loop-crossed", with = "z" } }] }
        layout.l = [{ shows = "colour", table = "holding", address = 0 }]
        device.x = { address = 0, meter = "a", layout = "l" }
        device.y = { address = 9 }
        device.z = { address = 9, encoded = [0, 9] }
        fault = [{ devices = ["w"], rate = 2.0, what = { kind = "lost" } }]
    "#;
    let error = Scenario::parse(text, "nonsense.toml").err().unwrap().to_string();
    for part in [
        "line.chunk is 100",
        "either constant_l_s or points",
        "there is no meter.z",
        "nothing shows \"colour\"",
        "device.x.address is 0",
        "device.y has no registers",
        "device.z.address is 9, and so is device.y.address",
        "there is no device.w",
        "rate is 2",
    ] {
        assert!(error.contains(part), "{part} is not in:\n{error}");
    }
    let error = Scenario::parse("about = 1", "short.toml").err().unwrap().to_string();
    assert!(error.starts_with("short.toml: TOML parse error at line 1, column 9"), "{error}");
    let error = Scenario::parse("about = \"\"\ndevice.a = { address = 1, latency = \"2\" }", "t").err().unwrap();
    assert!(error.to_string().contains("expected a duration such as"), "{error}");
}

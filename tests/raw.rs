//! `tallywell read --raw` on devices whose maps it does not see: it has to find flow, total and settings by how they look, and
//! what it writes has to be a map that reads them.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;

/// A map as a device might have it.
#[derive(Clone, Copy, Debug)]
struct Hidden {
    table: &'static str,
    low_word_first: bool,
    flow: u16,
    total: u16,
    full_scale: u16,
    flow_l_s: f64,
    first_total_l: u64,
}

/// Chosen by a seed, which the test says when it fails.
fn hidden(seed: u64) -> Hidden {
    let mut state = seed;
    let mut below = |limit: u64| {
        // Steele, Lea and Flood: SplitMix64.
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (mixed ^ (mixed >> 31)) % limit
    };
    let low_word_first = below(2) == 1;
    let table = ["holding", "input"][below(2) as usize];
    let first = below(3) as u16;
    let second = first + 2 + below(3) as u16;
    let third = second + 2 + below(3) as u16;
    let (flow, total) = if below(2) == 1 { (first, second) } else { (second, first) };
    let flow_l_s = 8.0 + below(2000) as f64 / 100.0;
    Hidden { table, low_word_first, flow, total, full_scale: third, flow_l_s, first_total_l: 70_000 + below(5_000_000) }
}

fn device(folder: &Path, map: &Hidden) -> Rig {
    let Hidden { table, low_word_first, flow, total, full_scale, flow_l_s, first_total_l } = map;
    let scenario = format!(
        r#"
about = "one meter"
[line]
paced = false
[meter.bore]
full_scale_l_s = 40
pulse_volume_l = 10
first_total_l = {first_total_l}
flow.constant_l_s = {flow_l_s}
[layout]
hidden = [
    {{ shows = "flow", table = "{table}", address = {flow}, type = "f32", unit = "L/s", low_word_first = {low_word_first} }},
    {{ shows = "total", table = "{table}", address = {total}, type = "u32", unit = "L", low_word_first = {low_word_first} }},
    {{ shows = "full-scale", table = "{table}", address = {full_scale}, type = "f32", unit = "L/s", low_word_first = {low_word_first} }},
]
[device.bore]
address = 11
meter = "bore"
layout = "hidden"
fills = [0, 15]
"#
    );
    Rig::start(Scenario::parse(&scenario, "hidden").unwrap(), &folder.join("port")).unwrap()
}

fn tallywell(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallywell")).args(arguments).current_dir(folder).output().unwrap()
}

fn finds(seed: u64) {
    let map = hidden(seed);
    let folder = tempfile::tempdir().unwrap();
    let _rig = device(folder.path(), &map);
    let raw = ["read", "--port", "port", "--address", "11", "--raw", map.table, "0", "12", "--for", "4s"];
    let output = tallywell(folder.path(), &[&raw[..], &["--write", "map.toml", "--format", "json"]].concat());
    let said = format!("seed {seed}: {map:?}\n{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(0), "{said}");
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    let likely = report["requests"][0]["likely"].as_array().unwrap();
    let order = if map.low_word_first { "low-first" } else { "high-first" };
    for (address, value_type, looks_like) in
        [(map.flow, "f32", "flow"), (map.total, "u32", "total"), (map.full_scale, "f32", "setting")]
    {
        let found = likely.iter().find(|it| it["address"] == address);
        let found = found.unwrap_or_else(|| panic!("nothing at {address}; {said}{likely:#?}"));
        let told = [&found["type"], &found["word_order"], &found["byte_order"], &found["looks_like"]];
        assert_eq!(told, [value_type, order, "big", looks_like], "{said}{found:#}");
    }

    // What was written reads the device, once somebody who knows adds the units.
    let written = std::fs::read_to_string(folder.path().join("map.toml")).unwrap();
    let mut with_units = String::new();
    for block in written.split_inclusive("\n\n") {
        let unit = if block.contains("[entry.total_") { "L" } else { "L/s" };
        with_units.push_str(&block.replace("unit = \"\"", &format!("unit = \"{unit}\"")));
    }
    std::fs::write(folder.path().join("map.toml"), with_units).unwrap();
    let site = format!(
        "site = \"New\"\n[line.line]\nport = \"port\"\nearly_replies = \"accept\"\n[device.bore]\nline = \"line\"\n\
         address = 11\nmap = \"map.toml\"\n[meter.bore]\nflow = \"bore.flow_{}\"\ntotal = \"bore.total_{}\"\n",
        map.flow, map.total
    );
    std::fs::write(folder.path().join("site.toml"), site).unwrap();
    let checked = tallywell(folder.path(), &["check", "--config", "site.toml"]);
    assert_eq!(checked.status.code(), Some(0), "{said}{written}{}", String::from_utf8_lossy(&checked.stderr));
    let read = tallywell(folder.path(), &["read", "--config", "site.toml", "--device", "bore", "--format", "json"]);
    let report: Value = serde_json::from_slice(&read.stdout).unwrap();
    let flow = report["entries"].as_array().unwrap().iter().find(|it| it["entry"] == format!("flow_{}", map.flow));
    let value = flow.unwrap()["value"].as_f64().unwrap();
    assert!((value / map.flow_l_s - 1.0).abs() < 0.2, "{said}{value}");
}

#[test]
fn a_hidden_map_is_found_by_how_its_registers_look() {
    let fresh = RandomState::new().build_hasher().finish();
    std::thread::scope(|scope| {
        let tried: Vec<_> = [1, 2, 3, 4, fresh].map(|seed| scope.spawn(move || finds(seed))).into_iter().collect();
        for it in tried {
            it.join().unwrap_or_else(|_| panic!("see above"));
        }
    });
}

#[test]
fn what_is_chosen_is_written_and_a_refused_stretch_is_read_in_parts() {
    let folder = tempfile::tempdir().unwrap();
    let map = Hidden {
        table: "holding",
        low_word_first: true,
        flow: 1,
        total: 3,
        full_scale: 8,
        flow_l_s: 20.0,
        first_total_l: 1_000_000,
    };
    let _rig = device(folder.path(), &map);
    let raw = ["read", "--port", "port", "--address", "11", "--for", "1s", "--raw", "holding"];
    let keep = ["--keep", "flow_rate 1 L/s", "--keep", "total 3 u32 low-first L", "--write", "map.toml"];
    let output = tallywell(folder.path(), &[&raw[..], &["1", "10"], &keep[..]].concat());
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{text}{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("word_order = \"low-first\""), "{text}");
    assert!(text.contains("address 1 here is number 2 where a manual counts from 1"), "{text}");
    let written = std::fs::read_to_string(folder.path().join("map.toml")).unwrap();
    let expected = r#"about = "Address 11, as its registers looked"
gaps = "readable"         # one request over all of them was answered

[entry.flow_rate]
table = "holding"
address = 1
type = "f32"
word_order = "low-first"
unit = "L/s"

[entry.total]
table = "holding"
address = 3
type = "u32"
word_order = "low-first"
unit = "L"
"#;
    assert_eq!(written, expected);
    let again = tallywell(folder.path(), &[&raw[..], &["1", "10"], &keep[..]].concat());
    assert_eq!(again.status.code(), Some(2), "a map that is there is left as it is");

    // Beyond register 15 there is nothing: what is there is read all the same, and the gap is not taken for readable.
    // Where a scan has put the schema, the map names it for editors.
    std::fs::create_dir(folder.path().join("schema")).unwrap();
    std::fs::write(folder.path().join("schema/map.schema.json"), "{}").unwrap();
    let output = tallywell(folder.path(), &[&raw[..], &["0", "20", "--write", "other.toml"]].concat());
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{text}");
    assert!(text.contains("holding 0 to 19: the device refused: no such register"), "{text}");
    assert!(text.contains("holding 0 to 9"), "{text}");
    let written = std::fs::read_to_string(folder.path().join("other.toml")).unwrap();
    assert!(written.starts_with("#:schema schema/map.schema.json\nabout = "), "{written}");
}

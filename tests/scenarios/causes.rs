//! The causes: simulated without a wire, handed in as a user would, explained by the whole program.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::process::Command;

use serde_json::Value;
use tallywell_sim::cases::CODES;
use tallywell_sim::scenario::{Scenario, Stretch};

use super::{each, expected, scenarios, table_says};

/// What the program makes of the readings of a scenario.
fn explained(name: &str, text: &str) -> Value {
    // The same shed runs on the wire.
    assert!(Scenario::parse(text, name).unwrap().devices.len() >= 3, "{name} has too few devices");
    let Stretch { meters, case } = Scenario::stretch(text, name).unwrap();
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("maps")).unwrap();
    std::fs::write(folder.path().join("site.toml"), &case.site_toml).unwrap();
    for (path, text) in &case.maps {
        std::fs::write(folder.path().join(path), text).unwrap();
    }
    let file = |meter: &str| std::fs::File::create(folder.path().join(format!("{meter}.csv"))).unwrap();
    case.write_csv(file(&meters[0])).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    command.current_dir(folder.path()).args(["explain", "--config", "site.toml", "--format", "json", "--meter"]);
    command.arg(&meters[0]).arg("--csv").arg(format!("{0}={0}.csv", meters[0]));
    if let Some(other) = meters.get(1) {
        case.write_other_csv(file(other)).unwrap();
        command.arg("--csv").arg(format!("{other}={other}.csv"));
    }
    let output = command.output().unwrap();
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{name}: {}", String::from_utf8_lossy(&output.stderr)))
}

fn words(value: Option<&toml::Value>) -> Vec<String> {
    let list = value.and_then(toml::Value::as_array).into_iter().flatten();
    list.map(|word| word.as_str().unwrap().to_owned()).collect()
}

#[test]
fn every_cause_has_a_scenario_and_is_named_from_it() {
    let scenarios = scenarios("causes");
    let named: BTreeSet<&str> = scenarios.iter().map(|(name, _)| name.as_str()).collect();
    let all = CODES.into_iter().chain(["agreement", "unexplained"]);
    let missing: Vec<&str> = all.filter(|code| !named.contains(code)).collect();
    assert!(missing.is_empty(), "without a scenario: {missing:?}");
    let rows = each(&scenarios, 2, |name, text| {
        let expected = expected(text);
        let answer = explained(name, text);
        let first = &answer["causes"][0];
        let with: Vec<&str> = first["with"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        let mut seen = first["code"].as_str().unwrap().to_owned();
        with.iter().for_each(|code| write!(seen, " with {code}").unwrap());
        let verdict = answer["verdict"].as_str().unwrap();
        let (cause, stands) = (expected["cause"].as_str().unwrap(), expected["verdict"].as_str().unwrap());
        let is_right = first["code"] == cause && with == words(expected.get("with")) && verdict == stands;
        (is_right, format!("| causes/{name}.toml | {stands}, {cause} | {verdict}, {seen} |"))
    });
    let wrong: Vec<&String> = rows.iter().filter(|(is_right, _)| !is_right).map(|(_, row)| row).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    table_says("causes", &rows.into_iter().map(|(_, row)| row).collect::<Vec<_>>());
}

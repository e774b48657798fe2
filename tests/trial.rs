//! `tallywell trial`, as people run it: a person at a simulated meter who reads the questions, sets the meter, and answers.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::{Hands, Scenario};

const SITE: &str = r#"
site = "Test bench"
[store]
path = "store.db"
[line.bench]
port = "port"
parity = "none"
early_replies = "accept"
[device.bore]
line = "bench"
address = 11
map = "meter.toml"
every = "500ms"
[device.inputs]
line = "bench"
address = 40
map = "inputs.toml"
every = "500ms"
[meter.bore]
flow = "bore.flow"
total = "bore.total"
refresh = "200ms"
[meter.bore.loop]
current = "inputs.current"
full_scale = "36 L/s"
[meter.bore.pulse]
count = "inputs.count"
volume = "5 L"
on_time = "20ms"
"#;

const METER: &str = r#"
[entry.flow]
table = "holding"
address = 0
type = "f32"
unit = "L/s"
[entry.total]
table = "holding"
address = 2
type = "f64"
unit = "L"
"#;

const INPUTS: &str = r#"
[entry.current]
table = "input"
address = 0
type = "u16"
unit = "mA"
scale = 0.001
[entry.count]
table = "input"
address = 10
type = "u32"
unit = "pulses"
"#;

/// A meter at 20 L/s, and what is wrong with it.
fn bench(folder: &Path, wrong: &str) -> (Rig, Hands) {
    for (name, text) in [("site.toml", SITE), ("meter.toml", METER), ("inputs.toml", INPUTS)] {
        std::fs::write(folder.join(name), text).unwrap();
    }
    let scenario = format!(
        r#"
about = "one meter"
[line]
paced = false
[meter.bore]
full_scale_l_s = 36
pulse_volume_l = 5
pulse_on_time = "20ms"
turbulence = 0.002
flow.constant_l_s = 20
{wrong}
[layout]
plain = [
    {{ shows = "flow", table = "holding", address = 0, type = "f32", unit = "L/s" }},
    {{ shows = "total", table = "holding", address = 2, type = "f64", unit = "L" }},
]
[device.bore]
address = 11
identity = {{ vendor = "Simulated", product = "Bench meter", revision = "1.0" }}
meter = "bore"
layout = "plain"
[device.inputs]
address = 40
currents = {{ table = "input", address = 0, type = "u16", scale_ma = 0.001, meters = ["bore"] }}
counts = {{ table = "input", address = 10, type = "u32", meters = ["bore"] }}
"#
    );
    let scenario = Scenario::parse(&scenario, "bench").unwrap();
    let hands = scenario.hands.clone();
    (Rig::start(scenario, &folder.join("port")).unwrap(), hands)
}

fn tallywell(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    command.args(arguments).args(["--config", "site.toml"]).current_dir(folder);
    command
}

fn trial(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = tallywell(folder, &["trial", "--meter", "bore"]);
    command.args(arguments);
    command
}

/// A person in front of a trial.
struct Person {
    child: Child,
    says: ChildStderr,
}

impl Person {
    fn begin(mut trial: Command) -> Self {
        let mut child = trial.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let says = child.stderr.take().unwrap();
        Self { child, says }
    }

    /// What is said up to the next question, with it; or up to the end.
    fn reads(&mut self) -> String {
        let mut said = Vec::new();
        let mut byte = [0];
        while !said.ends_with(b"\n> ") && self.says.read(&mut byte).unwrap() == 1 {
            said.push(byte[0]);
        }
        String::from_utf8(said).unwrap()
    }

    fn answers(&mut self, answer: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{answer}").unwrap();
    }

    fn ends(self) -> (Option<i32>, String) {
        let mut says = self.says;
        let reader = std::thread::spawn(move || {
            let mut rest = String::new();
            says.read_to_string(&mut rest).unwrap();
            rest
        });
        let output = self.child.wait_with_output().unwrap();
        let rest = reader.join().unwrap();
        (output.status.code(), String::from_utf8(output.stdout).unwrap() + &rest)
    }
}

/// A daemon that ends with the test.
struct Daemon(Child);

impl Daemon {
    fn ends(&mut self) {
        let _ = rustix::process::kill_process(rustix::process::Pid::from_child(&self.0), rustix::process::Signal::TERM);
        let _ = self.0.wait();
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.ends();
    }
}

fn notes(folder: &Path) -> Vec<tallywell::store::log::NoteKind> {
    let reader = tallywell::store::StoreReader::open(&folder.join("store.db")).unwrap();
    let notes = reader.notes(Some("bore"), tallywell::store::Span::default()).unwrap();
    notes.into_iter().map(|note| note.what).collect()
}

fn kinds(folder: &Path) -> Vec<String> {
    let kind = |note| serde_json::to_value(note).unwrap()["kind"].as_str().unwrap().to_owned();
    notes(folder).iter().map(kind).collect()
}

#[test]
fn a_sound_meter_passes_and_its_error_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let (_rig, hands) = bench(folder.path(), "");
    let begun = trial(folder.path(), &["--format", "json", "--limit-volume", "10 %"]);
    let mut person = Person::begin(begun);
    let mut run_began = None;
    loop {
        let said = person.reads();
        let question = said.trim_end_matches("\n> ").lines().last().unwrap_or_default().to_owned();
        let answer = match question.as_str() {
            it if it.starts_with("Is all of this seen to?") => {
                assert!(said.contains("Put the controllers"), "{said}");
                "yes"
            }
            it if it.starts_with("Who makes") => "A. Tester",
            it if it.starts_with("Set ") && it.contains('%') => {
                let current = it.split_once("%: ").unwrap().1.split_once(" mA").unwrap().0;
                hands.simulate_current("bore", current.parse().unwrap()).unwrap();
                ""
            }
            it if it.contains("What flow does the receiver show?") => "",
            it if it.starts_with("Let it send") => {
                hands.send_pulses("bore", 15).unwrap();
                // 40 ms each.
                std::thread::sleep(Duration::from_millis(700));
                "15"
            }
            it if it.contains("What volume did the receiver") => "75.0 L",
            it if it.starts_with("Set the meter to measure again") => {
                hands.measure("bore").unwrap();
                ""
            }
            it if it.starts_with("Is there a reference") => "yes",
            it if it.starts_with("How long") => "5s",
            it if it.starts_with("Enter at the moment") => {
                run_began = Some(Instant::now());
                ""
            }
            it if it.starts_with("What is the reference") => "tank",
            it if it.starts_with("Its volume") => "102 L",
            it if it.starts_with("Its expanded") => "0.5 %",
            it if it.starts_with("The meter's permanent flow") => "100 m3/h",
            it if it.starts_with("Its ratio") => "R100",
            it if it.starts_with("Its accuracy class") => "2",
            "" => break,
            // Whatever else is asked has an answer that goes without saying.
            _ => "",
        };
        if run_began.is_some() && question.is_empty() {
            break;
        }
        person.answers(answer);
        if question.starts_with("Is the water warmer") {
            break;
        }
    }
    let (status, said) = person.ends();
    assert_eq!(status, Some(0), "{said}");
    let trial: Value = serde_json::Deserializer::from_str(&said).into_iter().next().unwrap().unwrap();
    assert_eq!(trial["loop"]["verdict"], "pass", "{trial:#}");
    assert_eq!(trial["loop"]["points"].as_array().unwrap().len(), 5);
    assert_eq!((&trial["pulses"]["sent"], &trial["pulses"]["counted"]), (&15.into(), &15.0.into()));
    assert_eq!(trial["simulation_off"]["verdict"], "pass");
    let run = &trial["run"];
    let witnesses: Vec<&str> =
        run["witnesses"].as_array().unwrap().iter().map(|it| it["witness"].as_str().unwrap()).collect();
    assert_eq!(witnesses, ["total", "pulse", "flow", "loop"]);
    for it in run["witnesses"].as_array().unwrap() {
        let volume = it["volume_l"].as_f64().unwrap() / run["seconds"].as_f64().unwrap();
        assert!((volume - 20.0).abs() < 2.0, "{it:#}");
        assert!(it["budget"]["lines"].as_array().unwrap().len() >= 4);
    }
    assert!(run["differences"].as_array().unwrap().iter().all(|it| it["verdict"] != "fail"), "{run:#}");
    assert_eq!(run["reference"]["zone"], "upper");
    assert_eq!(run["reference"]["limit"], 0.02);
    assert_eq!(trial["by"], "A. Tester");
    assert!(trial["note"].is_null(), "with a reference it is more than agreement");
    assert_eq!(kinds(folder.path()), ["maintenance-begins", "maintenance-ends", "trial"]);

    let mut report = tallywell(folder.path(), &["report", "--commissioning", "--meter", "bore", "--out", "sheet.html"]);
    let output = report.args(["--format", "json"]).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answer["trial"], trial["verdict"]);
    let sheet = std::fs::read_to_string(folder.path().join("sheet.html")).unwrap();
    assert!(!sheet.contains("<script") && !sheet.contains("src=") && !sheet.contains("href="), "it stands alone");
    for said in [
        "commissioning sheet",
        "A. Tester",
        "Simulated, Bench meter, 1.0",
        "holding registers (03)",
        "15 sent, 15 counted",
        "accuracy of the input, all readings alike",
        "Upper zone of ISO 4064: 2 % is permitted.",
        "Simulation off at the end",
        "Witnessed by",
    ] {
        assert!(sheet.contains(said), "{said} is not in {sheet}");
    }
}

#[test]
fn a_wrong_weight_fails_through_the_daemon_and_a_held_loop_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let wrong = "goes_wrong = [{ begins = \"0s\", what = { code = \"pulse-weight\", ratio = 0.5 } }]";
    let (_rig, hands) = bench(folder.path(), wrong);
    hands.simulate_current("bore", 20.0).unwrap();
    hands.measure("bore").unwrap();
    let mut daemon = Daemon(tallywell(folder.path(), &["run"]).stderr(Stdio::null()).spawn().unwrap());
    let socket = folder.path().join("store.db.socket");
    let begun = Instant::now();
    while !socket.exists() {
        assert!(begun.elapsed() < Duration::from_secs(20), "the daemon did not begin");
        std::thread::sleep(Duration::from_millis(20));
    }
    let answers = "understood = \"yes\"\nloop = \"no\"\npulses = \"no\"\nrun_for = \"6s\"\n";
    std::fs::write(folder.path().join("answers.toml"), answers).unwrap();
    let output = trial(folder.path(), &["--answers", "answers.toml"]).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{text}{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.contains("Result: fail\n"), "{text}");
    assert!(text.contains("agreement, not accuracy"), "{text}");
    assert!(text.contains("Simulation off: pass"), "{text}");
    let longest = text.lines().max_by_key(|line| line.chars().count()).unwrap();
    assert!(longest.chars().count() <= 80, "{longest}");
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("The running daemon reads the devices for it."), "{said}");

    // Somebody forgot to set the meter to measure.
    hands.simulate_current("bore", 20.0).unwrap();
    std::fs::write(folder.path().join("answers.toml"), answers.replace("6s", "3s")).unwrap();
    let output = trial(folder.path(), &["--answers", "answers.toml", "--format", "json"]).output().unwrap();
    let trial: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(trial["simulation_off"]["verdict"], "fail", "{trial:#}");
    // Who is told that it is kept finds it in the store at once, though the daemon goes on.
    let kept = kinds(folder.path());
    daemon.ends();
    assert_eq!(kept.iter().filter(|kind| *kind == "trial").count(), 2, "{kept:?}");
    assert_eq!(kept.iter().filter(|kind| kind.starts_with("maintenance")).count(), 4, "{kept:?}");
}

#[test]
fn broken_off_it_ends_maintenance_and_warns() {
    let folder = tempfile::tempdir().unwrap();
    let (_rig, _hands) = bench(folder.path(), "");
    let mut person = Person::begin(trial(folder.path(), &[]));
    for answer in ["yes", "", "yes"] {
        person.reads();
        person.answers(answer);
    }
    assert!(person.reads().contains("Set 0 %: 4 mA"), "the first point is asked for");
    rustix::process::kill_process(rustix::process::Pid::from_child(&person.child), rustix::process::Signal::INT)
        .unwrap();
    let (status, said) = person.ends();
    assert_eq!(status, Some(2), "{said}");
    assert!(said.contains("broken off"), "{said}");
    assert_eq!(kinds(folder.path()), ["maintenance-begins", "maintenance-ends"]);

    let answers = "understood = \"no\"\n";
    std::fs::write(folder.path().join("answers.toml"), answers).unwrap();
    let output = trial(folder.path(), &["--answers", "answers.toml"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2), "nothing is begun before the cautions are seen to");
    std::fs::write(
        folder.path().join("answers.toml"),
        "understood = true\nloop = false\npulses = false\nrun_for = \"never\"\n",
    )
    .unwrap();
    let output = trial(folder.path(), &["--answers", "answers.toml"]).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("run_for = \"never\""), "{said}");
}

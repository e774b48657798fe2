//! Whatever is run, nothing but reading functions leaves the program: every command there is, on a simulated line that
//! keeps each byte that a master sent.

use std::collections::{BTreeMap, BTreeSet};
use std::process::{Command, Stdio};

use rustix::process::{Pid, Signal, kill_process};
use tallywell::store::{Span, StoreReader};

use crate::shed::{Shed, wait_for};

/// Coils, discrete inputs, holding and input registers; diagnostics, server ID, encapsulated transport (MODBUS Application
/// Protocol V1.1b3, section 6).
const READING: [u8; 7] = [0x01, 0x02, 0x03, 0x04, 0x08, 0x11, 0x2B];
/// Of the diagnostics those that return something: query data, the diagnostic register, the counters (section 6.8). Others
/// restart a device's communications, silence it, or clear what it counted.
const RETURNING: [u16; 10] = [0, 2, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x12];
/// Of encapsulated transport: read device identification (section 6.21).
const IDENTIFICATION: u8 = 0x0E;

/// These have no port: they compute, or write files, or are the slaves themselves.
const WITHOUT_A_PORT: [&str; 5] = ["outputs", "schema", "completions", "manual", "sim"];
/// The daemon and `explain` on a simulated line in the program itself; its requests are those of `run`.
const ON_ITS_OWN_LINE: &str = "demo";

/// Runs a command to its end; its answer may be bad, as long as it could be given.
fn run(shed: &Shed, arguments: &[&str]) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    let output = command.args(arguments).current_dir(shed.folder.path()).stdin(Stdio::null()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(matches!(output.status.code(), Some(0 | 1)), "{arguments:?}: {said}");
}

/// How many requests of each function the wire has had; every one of them is looked at.
fn functions(shed: &Shed) -> BTreeMap<u8, usize> {
    shed.rig.witnessed(|seen| {
        let mut functions = BTreeMap::new();
        for passage in seen.from_master() {
            let [_unit, data @ .., _, _] = passage.bytes.as_slice() else { panic!("no frame: {passage:?}") };
            let allowed = match *data {
                [0x08, high, low, ..] => RETURNING.contains(&u16::from_be_bytes([high, low])),
                [0x2B, kind, ..] => kind == IDENTIFICATION,
                [function, ..] => READING.contains(&function),
                [] => false,
            };
            assert!(allowed, "{:02X?} is no question", passage.bytes);
            *functions.entry(data[0]).or_default() += 1;
        }
        let bytes: u64 = seen.from_master().map(|passage| passage.bytes.len() as u64).sum();
        assert_eq!(bytes, seen.bytes_from_master, "every byte that left was looked at here");
        functions
    })
}

#[test]
fn nothing_but_questions_leaves_any_command() {
    let shed = Shed::with(|site| site, |scenario| scenario);
    let answers = "understood = \"yes\"\nloop = \"no\"\npulses = \"no\"\nrun_for = \"3s\"\n";
    std::fs::write(shed.path("answers.toml"), answers).unwrap();
    let port = shed.rig.link().display().to_string();
    let site = ["--config", "site.toml"];
    let meter = ["--config", "site.toml", "--meter", "bore-1"];
    let mut ran = BTreeSet::from(["run", "watch"]);
    let mut asked = 0;
    // Those that use the port themselves, while no daemon has it.
    let alone: [(&str, Vec<&str>); 6] = [
        ("read", [&site[..], &["--device", "bore-1"]].concat()),
        ("read", vec!["--port", &port, "--address", "11"]),
        ("read", vec!["--port", &port, "--address", "11", "--raw", "holding", "0", "6", "--write", "map.toml"]),
        (
            "scan",
            vec![
                "--port",
                &port,
                "--addresses",
                "10-13,40",
                "--listen",
                "0.2",
                "--baud",
                "19200",
                "--write",
                "found.toml",
            ],
        ),
        ("scan", vec!["--port", &port, "--listen-only", "1"]),
        ("trial", [&meter[..], &["--answers", "answers.toml"]].concat()),
    ];
    for (name, arguments) in &alone {
        run(&shed, &[&[*name], &arguments[..]].concat());
        ran.insert(name);
        let functions: usize = functions(&shed).values().sum();
        assert_eq!(functions > asked, !arguments.contains(&"--listen-only"), "{name} {arguments:?} asked: {functions}");
        asked = functions;
    }

    let mut daemon = shed.daemon();
    wait_for("a reading", || {
        let store = StoreReader::open(&shed.path("kestrel.db"));
        store.is_ok_and(|store| store.readings("bore-1", Span::ALL).is_ok_and(|mut readings| readings.next().is_some()))
    });
    let beside: [(&str, Vec<&str>); 10] = [
        ("check", site.to_vec()),
        ("read", [&site[..], &["--device", "bore-1"]].concat()),
        ("trial", [&meter[..], &["--answers", "answers.toml"]].concat()),
        ("explain", meter.to_vec()),
        ("disagreements", site.to_vec()),
        ("timing", site.to_vec()),
        ("watch", [&site[..], &["--once"]].concat()),
        ("note", [&meter[..], &["looked at"]].concat()),
        ("export", [&meter[..], &["--format", "csv"]].concat()),
        ("report", [&meter[..], &["--out", "bore-1.html"]].concat()),
    ];
    for (name, arguments) in &beside {
        run(&shed, &[&[*name], &arguments[..]].concat());
        ran.insert(name);
    }
    kill_process(Pid::from_child(&daemon), Signal::HUP).unwrap();
    std::thread::sleep(std::time::Duration::from_secs(2));
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
    let functions = functions(&shed);
    println!("requests by function: {functions:?}");
    assert!(functions.len() >= 4 && functions.values().sum::<usize>() > asked, "{functions:?}");

    // And these are all the commands that there are.
    let help = shed.printed(&["--help"]);
    let (_, commands) = help.split_once("Commands:\n").unwrap();
    let (commands, _) = commands.split_once("\n\n").unwrap();
    let commands = commands.lines().filter_map(|line| line.strip_prefix("  ").filter(|it| !it.starts_with(' ')));
    let all: BTreeSet<&str> = commands.filter_map(|line| line.split_whitespace().next()).collect();
    ran.extend(WITHOUT_A_PORT);
    ran.insert(ON_ITS_OWN_LINE);
    assert_eq!(ran, all, "a command that is not looked at here");
}

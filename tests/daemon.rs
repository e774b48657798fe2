//! The daemon as people run it: the shipped binary on a pseudo-terminal, with the shipped site, maps and scenario.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod shipped;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tallywell::store::{Span, StoreReader};
use tallywell_sim::rig::Rig;
use tallywell_sim::scenario::Scenario;
use tallywell_sim::wire::Talker;
use tallywell_witness::tally::EventKind;

/// Longer than anything here takes; a test that waits so long has failed.
const PATIENCE: Duration = Duration::from_secs(60);

/// The shipped site in a folder of its own, its line a simulated one.
struct Shed {
    folder: tempfile::TempDir,
    rig: Rig,
}

impl Shed {
    fn new() -> Self {
        Self::with(|scenario| scenario)
    }

    /// The shipped scenario, changed.
    fn with(changed: impl FnOnce(String) -> String) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let link = shipped::site_in(folder.path(), |site| site);
        let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let scenario = std::fs::read_to_string(config.join("scenarios/kestrel-creek.toml")).unwrap();
        let scenario = Scenario::parse(&changed(scenario), "kestrel-creek.toml").unwrap();
        let rig = Rig::start(scenario, &link).unwrap();
        Self { folder, rig }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        command.args(arguments).args(["--config", "site.toml"]).current_dir(self.folder.path());
        command
    }

    fn tallywell(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn readings(&self, meter: &str) -> Vec<tallywell_witness::reading::Reading> {
        let store = StoreReader::open(&self.path("kestrel.db")).unwrap();
        store.readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect()
    }
}

/// A daemon that runs, and what it logs.
struct Daemon {
    child: Child,
    log: std::sync::mpsc::Receiver<String>,
    heard: String,
}

impl Daemon {
    fn start(shed: &Shed) -> Self {
        let mut child = shed.command(&["run"]).stderr(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
        let stderr = BufReader::new(child.stderr.take().unwrap());
        let (sender, log) = std::sync::mpsc::channel();
        std::thread::spawn(move || stderr.lines().map_while(Result::ok).try_for_each(|line| sender.send(line)));
        Self { child, log, heard: String::new() }
    }

    /// Waits until the log says `words`.
    fn says(&mut self, words: &str) {
        let until = Instant::now() + PATIENCE;
        while !self.heard.contains(words) {
            match self.log.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => self.heard.push_str(&format!("{line}\n")),
                Err(_) => panic!("the daemon never said {words:?}, but:\n{}", self.heard),
            }
        }
    }

    fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    fn ends(mut self) -> (Option<i32>, String) {
        let code = self.child.wait().unwrap().code();
        self.heard.extend(self.log.iter().map(|line| format!("{line}\n")));
        (code, std::mem::take(&mut self.heard))
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {output:?}"))
}

fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !is_so() {
        assert!(Instant::now() < until, "{what} never came");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn a_daemon_polls_and_serves_other_commands_and_ends_with_everything_stored() {
    let shed = Shed::new();
    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    wait_for("three readings", || shed.path("kestrel.db").exists() && shed.readings("bore-1").len() >= 3);

    // A device is read through the daemon that holds the port.
    let read = shed.tallywell(&["read", "--device", "bore-1", "--format", "json"]);
    assert_eq!(read.status.code(), Some(0), "{read:?}");
    assert!(json(&read).to_string().contains("flow_rate"), "{read:?}");

    // The store has one writer, and the note gets there.
    let note = shed.tallywell(&["note", "--meter", "bore-1", "strainer cleaned"]);
    assert_eq!(note.status.code(), Some(0), "{note:?}");

    // The hour that runs can be looked at.
    wait_for("the timing of the hour that runs", || {
        let timing = json(&shed.tallywell(&["timing", "--format", "json"]));
        timing["lines"][0]["devices"].as_array().is_some_and(|devices| devices.len() == 5)
    });

    // Nobody else gets store or port.
    let second = shed.tallywell(&["run"]);
    assert_eq!(second.status.code(), Some(2), "{second:?}");
    let port = shed.path("line");
    let other = Command::new(env!("CARGO_BIN_EXE_tallywell"))
        .args(["read", "--port", &port.display().to_string(), "--address", "11"])
        .output()
        .unwrap();
    assert_eq!(other.status.code(), Some(2), "{other:?}");

    daemon.signal(Signal::TERM);
    let (code, log) = daemon.ends();
    assert_eq!(code, Some(0), "{log}");

    // Whole readings of every meter, in order, none missed, with the note beside them.
    for meter in ["bore-1", "bore-2", "booster"] {
        let readings = shed.readings(meter);
        assert!(readings.len() >= 3, "{meter}: {}", readings.len());
        assert!(readings.is_sorted_by(|before, after| before.at < after.at));
        // The first and the last moment may have been cut.
        for reading in &readings[1..readings.len() - 1] {
            let whole = [reading.flow, reading.total, reading.loop_ma, reading.pulses].iter().all(Option::is_some);
            assert!(whole && reading.status.is_some(), "{meter}: {reading:?}");
        }
    }
    let store = StoreReader::open(&shed.path("kestrel.db")).unwrap();
    assert_eq!(store.notes(Some("bore-1"), Span::ALL).unwrap().len(), 1);
    let (_, declared) = &store.runs().unwrap()[0];
    assert_eq!(declared.len(), 4, "the site file and three maps are evidence");
    assert!(!shed.path("kestrel.db.socket").exists());

    // Only reading functions left, with the silences that the standard asks for.
    shed.rig.witnessed(|seen| {
        assert!(seen.functions.keys().all(|function| [3, 4].contains(function)), "{:?}", seen.functions);
        assert_eq!(seen.bad_requests, 0);
    });
    let export = shed.tallywell(&["export", "--meter", "booster", "--format", "csv"]);
    assert!(export.stdout.starts_with(b"time,flow,total,loop_ma,pulses,status"), "{export:?}");

    // The hours hold what the readings do, the one that ran at the end too.
    let hours = store.hours(Some("booster"), Span::ALL).unwrap();
    let readings = shed.readings("booster");
    assert_eq!(hours.iter().map(|hour| hour.readings as usize).sum::<usize>(), readings.len());
    let totals: Vec<f64> = readings.iter().filter_map(|reading| Some(reading.total?.value)).collect();
    let went_by: f64 = hours.iter().map(|hour| hour.total.unwrap().volume_l.0).sum();
    assert!((went_by - (totals[totals.len() - 1] - totals[0])).abs() < 1e-6, "{hours:?}");
    let export = shed.tallywell(&["export", "--meter", "booster", "--hourly"]);
    let lines = String::from_utf8(export.stdout).unwrap();
    assert!(lines.starts_with("hour,from,to,readings,total_l,") && lines.lines().count() == hours.len() + 1, "{lines}");
}

#[test]
fn a_device_that_stops_answering_is_an_event_with_beginning_and_end() {
    let dead =
        "\n[[fault]]\ndevices = [\"counter\"]\nwhat = { kind = \"dead\" }\nrate = 1\nbegins = \"4s\"\nends = \"18s\"\n";
    let shed = Shed::with(|scenario| scenario + dead);
    let mut daemon = Daemon::start(&shed);
    daemon.says("bore-1: counter does not answer");
    daemon.says("bore-1: over: counter does not answer");
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends().0, Some(0));
    let store = StoreReader::open(&shed.path("kestrel.db")).unwrap();
    for meter in ["bore-1", "bore-2", "booster"] {
        let events = store.events(Some(meter), Span::ALL).unwrap();
        let silences: Vec<_> = events.iter().filter(|event| matches!(event.what, EventKind::Silent { .. })).collect();
        let [silence] = silences.as_slice() else { panic!("{meter}: {events:?}") };
        assert_eq!(silence.what, EventKind::Silent { device: "counter".to_owned() });
        let ended = silence.ended.expect("it is over");
        // The module is away for 14 s; it is missed a little later, and asked again less often by then.
        let lasted = (ended.steady.0 - silence.began.steady.0) as f64 / 1000.0;
        assert!((8.0..40.0).contains(&lasted), "{meter}: {lasted} s");
        assert!(
            !events.iter().any(|event| matches!(event.what, EventKind::AllSilent | EventKind::Power)),
            "{events:?}"
        );
    }
}

/// The meters take so long to answer that the line waits for one of them nearly always.
#[test]
fn a_signal_amid_a_transaction_lets_it_end_and_stores_what_came_of_it() {
    let shed = Shed::with(|scenario| {
        scenario.replace("latency = \"4ms\", jitter = \"3ms\"", "latency = \"150ms\", jitter = \"0ms\"")
    });
    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    let last_talker = || shed.rig.witnessed(|seen| seen.passages.back().map(|passage| passage.from));
    wait_for("some transactions", || shed.rig.witnessed(|seen| seen.requests) >= 8);
    wait_for("a request without its answer", || last_talker() == Some(Talker::Master));
    daemon.signal(Signal::TERM);
    let (code, log) = daemon.ends();
    assert_eq!(code, Some(0), "{log}");
    assert!(matches!(last_talker(), Some(Talker::Unit(_))), "the request was left alone");
    let requests = shed.rig.witnessed(|seen| {
        assert_eq!(seen.bad_requests, 0);
        seen.requests
    });
    let timing = json(&shed.tallywell(&["timing", "--format", "json"]));
    let line = &timing["lines"][0];
    assert_eq!(line["transactions"], requests, "{timing:#}");
    let outcomes = ["replies", "timeouts", "crc_errors", "short_replies", "early_replies", "exceptions"];
    let devices = line["devices"].as_array().unwrap().iter();
    let ended: u64 = devices.map(|device| outcomes.iter().map(|it| device[it].as_u64().unwrap()).sum::<u64>()).sum();
    assert_eq!(ended, requests, "{timing:#}");
}

/// The shipped scenario gives bore-1 pulses of another weight at 20 s. The kill comes when that was logged, before the
/// tallies are kept again.
#[test]
fn a_kill_doubles_nothing_in_the_log() {
    let shed = Shed::new();
    let mut daemon = Daemon::start(&shed);
    daemon.says("bore-1: disagreement");
    let logged = || StoreReader::open(&shed.path("kestrel.db")).unwrap().disagreements(None, Span::ALL).unwrap();
    wait_for("the disagreement in the log", || !logged().is_empty());
    daemon.signal(Signal::KILL);
    daemon.ends();
    let before = logged();
    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    let readings = shed.readings("bore-1").len();
    wait_for("more readings", || shed.readings("bore-1").len() > readings + 5);
    daemon.signal(Signal::TERM);
    let (code, log) = daemon.ends();
    assert_eq!(code, Some(0), "{log}");
    let after = logged();
    assert_eq!((before.len(), after.len()), (1, 1), "{after:?}");
    assert_eq!(before[0].disagreement.opened, after[0].disagreement.opened);
    let steps = StoreReader::open(&shed.path("kestrel.db")).unwrap().steps(Some("bore-1"), Span::ALL).unwrap();
    assert!(steps.is_sorted_by(|one, next| one.at.steady < next.at.steady), "{steps:?}");
}

#[test]
fn a_changed_site_file_is_followed_and_a_wrong_one_refused() {
    let shed = Shed::new();
    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    let good = std::fs::read_to_string(shed.path("site.toml")).unwrap();

    std::fs::write(shed.path("site.toml"), good.replace("address = 40", "address = 400")).unwrap();
    daemon.signal(Signal::HUP);
    daemon.says("the site file was not taken");
    std::fs::write(
        shed.path("site.toml"),
        good.replace("baud = 19200", "baud = 19200\nreply_timeout = \"250ms\"").replacen(
            "reply_timeout = \"300ms\"\n",
            "",
            1,
        ),
    )
    .unwrap();
    daemon.signal(Signal::HUP);
    daemon.says("the site file was read again");
    let before = shed.readings("booster").len();
    wait_for("a reading after the reload", || shed.readings("booster").len() > before + 1);
    daemon.signal(Signal::INT);
    let (code, log) = daemon.ends();
    assert_eq!(code, Some(0), "{log}");
    let runs = StoreReader::open(&shed.path("kestrel.db")).unwrap().runs().unwrap();
    assert_eq!(runs.len(), 2, "both versions of the site file are kept");
}

/// While bore-1's disagreement stands open, a limit is changed, on which no tally rests, then what a pulse means, on which
/// all do; and while no daemon runs the meter gets another name.
#[test]
fn what_stands_open_is_closed_when_its_tally_begins_anew_and_not_before() {
    let shed = Shed::new();
    let site = shed.path("site.toml");
    let change = |from: &str, to: &str| {
        let written = std::fs::read_to_string(&site).unwrap();
        assert!(written.contains(from), "{written}");
        std::fs::write(&site, written.replacen(from, to, 1)).unwrap();
    };
    let closed = || -> Vec<bool> {
        let logged = StoreReader::open(&shed.path("kestrel.db")).unwrap().disagreements(None, Span::ALL).unwrap();
        let logged = logged.iter().filter(|it| it.disagreement.meter == "bore-1");
        logged.map(|it| it.disagreement.closed.is_some()).collect()
    };
    let mut daemon = Daemon::start(&shed);
    daemon.says("bore-1: disagreement");
    change("high = \"34 L/s\"", "high = \"33 L/s\"");
    daemon.signal(Signal::HUP);
    daemon.says("the site file was read again");
    let before = shed.readings("bore-1").len();
    wait_for("a reading after the reload", || shed.readings("bore-1").len() > before + 1);
    assert_eq!(closed(), [false], "a limit has nothing to do with it");

    change("volume = \"5 L\"", "volume = \"50 L\"");
    daemon.signal(Signal::HUP);
    daemon.says("bore-1: not watched any further, since its watch begins anew: total/pulse");
    wait_for("the disagreement closed in the log", || closed().first() == Some(&true));
    wait_for("a disagreement by the new figure", || closed().len() == 2);
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends().0, Some(0));
    assert_eq!(closed(), [true, false]);

    change("[meter.bore-1]", "[meter.bore-7]");
    for table in ["loop", "pulse", "settings", "limits"] {
        change(&format!("[meter.bore-1.{table}]"), &format!("[meter.bore-7.{table}]"));
    }
    let mut daemon = Daemon::start(&shed);
    daemon.says("bore-1: not watched any further, since the meter is not declared any more: total/pulse");
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends().0, Some(0));
    assert_eq!(closed(), [true, true]);
}

#[test]
fn a_port_that_is_pulled_out_comes_back_without_a_restart() {
    let shed = Shed::new();
    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    wait_for("a reading", || shed.path("kestrel.db").exists() && !shed.readings("bore-1").is_empty());
    shed.rig.unplug();
    daemon.says("the port is lost");
    let before = shed.readings("bore-1").len();
    shed.rig.replug();
    wait_for("readings after the plug", || shed.readings("bore-1").len() > before + 2);
    daemon.signal(Signal::TERM);
    assert_eq!(daemon.ends().0, Some(0));
}

#[test]
fn what_cannot_be_run_says_why_and_exits_2() {
    let shed = Shed::new();
    let good = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let port = shed.path("line").display().to_string();
    let said = |site: &str| {
        std::fs::write(shed.path("site.toml"), site).unwrap();
        let output = shed.tallywell(&["run"]);
        assert_eq!(output.status.code(), Some(2), "{output:?}");
        assert!(output.stdout.is_empty(), "{output:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(said(&good.replace(&port, "/dev/serial/by-id/not-there")).contains("/dev/serial/by-id/not-there"));
    assert!(said(&good.replace("kestrel.db", "/proc/kestrel.db")).contains("/proc/kestrel.db"));
    std::fs::write(shed.path("letter.db"), "Dear Sir or Madam, this is no database at all.".repeat(50)).unwrap();
    assert!(said(&good.replace("kestrel.db", "letter.db")).contains("letter.db"));
    assert!(said("site = ").contains("site.toml"));
    std::fs::remove_file(shed.path("site.toml")).unwrap();
    let output = shed.tallywell(&["run"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("there is no such file"), "{output:?}");
}

/// The current comes from an analogue input of the machine, the pulses from its counter, flow and total from the bus: one
/// reading holds them all, each with its own instant. A file without a number is told once and costs that value alone.
#[test]
fn files_of_the_machine_are_witnesses_beside_the_bus() {
    let shed = Shed::new();
    let (current, count) = (shed.path("in_current0_input"), shed.path("count"));
    // In one step, as a driver would: nobody ever reads half of it.
    let put = |path: &Path, text: &str| {
        let next = path.with_extension("next");
        std::fs::write(&next, text).unwrap();
        std::fs::rename(next, path).unwrap();
    };
    put(&current, "14.666\n");
    put(&count, "4711\n");
    let site = std::fs::read_to_string(shed.path("site.toml")).unwrap();
    let site = site.replace("analogue.channel_1", &format!("file:{}", current.display()));
    let site = site.replace("counter.channel_1", &format!("file:{}", count.display()));
    std::fs::write(shed.path("site.toml"), site).unwrap();

    let mut daemon = Daemon::start(&shed);
    daemon.says("the port is open");
    let pulses = |value: f64| {
        let readings = shed.readings("bore-1");
        readings.iter().any(|reading| reading.flow.is_some() && reading.pulses.is_some_and(|it| it.value == value))
    };
    wait_for("the first count", || pulses(4711.0));
    put(&count, "no device\n");
    daemon.says("holds \"no device\", which is not a number");
    wait_for("a reading without a count", || {
        shed.readings("bore-1").iter().any(|it| it.flow.is_some() && it.loop_ma.is_some() && it.pulses.is_none())
    });
    put(&count, "4712\n");
    daemon.says("count can be read again");
    wait_for("the next count", || pulses(4712.0));
    // A pipe at which nobody speaks would be waited for without end, and a count below nothing would be judged for ever.
    let pipe = shed.path("pipe");
    rustix::fs::mkfifoat(rustix::fs::CWD, &pipe, rustix::fs::Mode::RUSR).unwrap();
    std::fs::rename(pipe, &count).unwrap();
    daemon.says("count is not a file: expected one that holds a count");
    put(&count, "4713\n");
    daemon.says("count can be read again");
    wait_for("the count after that", || pulses(4713.0));
    put(&count, "-5\n");
    daemon.says("holds -5, which cannot be: expected a count, a whole number from 0 to 18446744073709551615");
    put(&count, "4714\n");
    daemon.says("count can be read again");
    wait_for("the last count", || pulses(4714.0));
    daemon.signal(Signal::TERM);
    let (code, log) = daemon.ends();
    assert_eq!((code, log.matches("is not a number").count()), (Some(0), 1), "{log}");
    let whole = shed.readings("bore-1");
    let whole: Vec<_> = whole.iter().filter_map(|it| Some((it.flow?, it.loop_ma?, it.pulses?))).collect();
    for (flow, current, pulses) in &whole {
        assert_eq!(current.value, 14.666);
        assert!((4711.0..=4714.0).contains(&pulses.value), "{pulses:?}");
        let apart = |at: i64| (at - flow.at.0).abs();
        assert!(apart(current.at.0) < 2000 && apart(pulses.at.0) < 2000, "{flow:?} {current:?} {pulses:?}");
    }
    assert!(whole.iter().any(|(flow, current, _)| flow.at != current.at), "{whole:?}");
}

//! The commands that read the store, run as people run them.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use tallywell::line::fault::FaultKind;
use tallywell::line::statistics::DeviceTiming;
use tallywell::store::evidence::{Run, sha256};
use tallywell::store::log::NoteKind;
use tallywell::store::timing::{DeviceHour, LineHour};
use tallywell::store::{Options, Span, StoreReader, Writer};
use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::tally::{Between, DifferenceUnit, Disagreement, DisagreementKind, Largest, Moment};
use tallywell_witness::units::{SteadyMillis, WallMillis};

/// 2025-03-01T08:00:00Z.
const BEGIN: i64 = 1_740_816_000_000;

/// The shipped site in a folder of its own.
struct Shed {
    folder: tempfile::TempDir,
}

impl Shed {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        std::fs::create_dir(folder.path().join("maps")).unwrap();
        std::fs::copy(config.join("kestrel-creek.toml"), folder.path().join("kestrel-creek.toml")).unwrap();
        for map in std::fs::read_dir(config.join("maps")).unwrap() {
            let map = map.unwrap();
            std::fs::copy(map.path(), folder.path().join("maps").join(map.file_name())).unwrap();
        }
        Self { folder }
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("kestrel.db")
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
        command.args(arguments).args(["--config", "kestrel-creek.toml"]).current_dir(self.folder.path());
        command
    }

    fn tallywell(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn filled() -> Self {
        let shed = Self::new();
        let writer = Writer::open(&shed.store(), Options::default()).unwrap();
        writer.begin_run(Run { boot: "one".to_owned(), began: WallMillis(BEGIN), ..Run::default() });
        for second in 0..5 {
            writer.append("bore-1", &reading(second));
        }
        for (opened, closed) in [(1_000, Some(65_000)), (90_000, None)] {
            writer.disagreement(&disagreement(opened, closed), closed.map(|_| "pulse-gaps"));
        }
        writer.line_hour(hour());
        assert_eq!(writer.close().trouble, None);
        shed
    }
}

fn reading(second: u16) -> Reading {
    let at = i64::from(second) * 1000;
    let sample = |value: f64, later: i64, raw: &[u16]| {
        Some(Sample { value, at: SteadyMillis(at + later), raw: RawWords::new(raw) })
    };
    Reading {
        at: SteadyMillis(at),
        wall: WallMillis(BEGIN + at),
        flow: sample(if second == 3 { f64::NAN } else { 12.300_000_190_734_863 }, -12, &[0x4144, 0xCCCD]),
        total: sample(100.0 + f64::from(second), -12, &[0, 100 + second]),
        loop_ma: if second == 2 { None } else { sample(9.467, 8, &[9467]) },
        pulses: sample(4.0, 25, &[0, 4]),
        status: Some(StatusBits(u64::from(second == 4))),
        ..Reading::default()
    }
}

fn disagreement(opened: i64, closed: Option<i64>) -> Disagreement {
    let moment = |at: i64| Moment { steady: SteadyMillis(at), wall: WallMillis(BEGIN + at) };
    Disagreement {
        meter: "bore-1".to_owned(),
        between: Between::TotalPulse,
        kind: DisagreementKind::Steps,
        opened: moment(opened),
        began: moment(opened - 500),
        closed: closed.map(moment),
        largest: Largest {
            at: moment(opened + 100),
            difference: -175.25,
            difference_most: Some(-201.5),
            unit: DifferenceUnit::Litres,
            ratio: Some(0.97),
            tolerance: 75.0,
            pulses: Some(-7),
            pulses_most: Some(-8),
        },
        step_count: 3,
    }
}

fn hour() -> LineHour {
    let mut timing = DeviceTiming::default();
    timing.noise_bytes = 2;
    for micros in [4_200, 4_300, 4_400, 20_000] {
        timing.count_reply(Duration::from_micros(micros), Duration::from_millis(9), Duration::from_millis(9), 29, 3);
        timing.lateness.record(Duration::from_micros(micros / 50));
    }
    timing.count_fault(FaultKind::Timeout);
    LineHour {
        line: "shed".to_owned(),
        began: WallMillis(BEGIN),
        transactions: 5,
        foreign_requests: 4,
        busy_us: 150_000,
        elapsed_us: 1_000_000,
        master: None,
        devices: vec![DeviceHour { device: "bore-1".to_owned(), address: 11, timing: timing.encode() }],
    }
}

fn text(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes).unwrap()
}

fn fits_a_terminal(text: &str) -> bool {
    text.lines().all(|line| line.chars().count() <= 80)
}

#[test]
fn export_writes_what_the_store_holds() {
    let shed = Shed::filled();
    let export = ["export", "--meter", "bore-1", "--format", "csv"];
    let output = shed.tallywell(&export);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let csv = text(output.stdout);
    insta::assert_snapshot!(csv);

    let part = ["--from", "2025-03-01T08:00:01Z", "--to", "2025-03-01T19:00:03+11:00", "--out", "part.csv"];
    let output = shed.tallywell(&[&export[..], &part].concat());
    assert_eq!((output.status.code(), output.stdout.as_slice()), (Some(0), &b""[..]), "{output:?}");
    let written = std::fs::read_to_string(shed.folder.path().join("part.csv")).unwrap();
    let expected: String = csv
        .lines()
        .enumerate()
        .filter(|(line, _)| [0, 2, 3].contains(line))
        .map(|(_, line)| format!("{line}\n"))
        .collect();
    assert_eq!(written, expected);
    let handed_out = StoreReader::open(&shed.store()).unwrap().handed_out().unwrap();
    assert_eq!(handed_out[0].sha256, sha256(written.as_bytes()));
    assert!(text(output.stderr).contains(&handed_out[0].sha256));

    // A file that cannot be written leaves nothing behind.
    let output = shed.tallywell(&[&export[..], &["--out", "no-such-folder/part.csv"]].concat());
    assert_eq!(output.status.code(), Some(2));
    assert!(text(output.stderr).starts_with("error: the file no-such-folder/part.csv cannot be written\n"));
}

#[test]
fn the_log_is_for_people_or_for_programs_and_leaves_the_time_to_a_journal() {
    use std::os::unix::fs::MetadataExt;
    let shed = Shed::filled();
    let logged = |arguments: &[&str], journal: Option<fn(&std::fs::Metadata) -> String>| {
        let log = std::fs::File::create(shed.folder.path().join("log")).unwrap();
        let mut command = shed.command(&["export", "--meter", "bore-1", "--out", "part.csv"]);
        command.args(arguments).env_remove("JOURNAL_STREAM");
        if let Some(named) = journal {
            command.env("JOURNAL_STREAM", named(&log.metadata().unwrap()));
        }
        assert_eq!(command.stderr(log).status().unwrap().code(), Some(0));
        std::fs::read_to_string(shed.folder.path().join("log")).unwrap()
    };
    let is_stamped = |line: &str| line.starts_with("20");
    assert!(is_stamped(&logged(&[], None)));
    let in_journal = logged(&[], Some(|log| format!("{}:{}", log.dev(), log.ino())));
    assert!(in_journal.trim_start().starts_with("INFO 5 readings written to part.csv"), "{in_journal}");
    let elsewhere = logged(&[], Some(|log| format!("{}:{}", log.dev(), log.ino() + 1)));
    assert!(is_stamped(&elsewhere), "{elsewhere}");
    let json: serde_json::Value = serde_json::from_str(&logged(&["--log", "json"], None)).unwrap();
    assert_eq!(json["level"], "INFO");
    assert!(json["fields"]["message"].as_str().unwrap().starts_with("5 readings written"), "{json}");
}

#[test]
fn who_closes_the_output_ends_the_command_and_who_cannot_take_it_is_an_error() {
    let shed = Shed::filled();
    for command in [
        &["export", "--meter", "bore-1"][..],
        &["timing"],
        &["timing", "--format", "json"],
        &["disagreements"],
        &["check"],
        &["explain", "--meter", "bore-1"],
    ] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let output = shed.command(command).stdout(writer).output().unwrap();
        assert_eq!((output.status.code(), text(output.stderr).as_str()), (Some(0), ""), "{command:?}");
        let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let output = shed.command(command).stdout(full).output().unwrap();
        let said = text(output.stderr);
        assert_eq!(output.status.code(), Some(2), "{command:?}: {said}");
        assert!(said.starts_with("error: standard output cannot be written: No space left"), "{command:?}: {said}");
    }
}

#[test]
fn disagreements_are_listed_newest_last() {
    let shed = Shed::filled();
    let output = shed.tallywell(&["disagreements"]);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let list = text(output.stdout);
    assert!(fits_a_terminal(&list));
    insta::assert_snapshot!(list);

    let output = shed.tallywell(&["disagreements", "--format", "json", "--meter", "bore-1"]);
    assert_eq!(output.status.code(), Some(1));
    let list: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    insta::assert_json_snapshot!(list);

    let accuracy = "Agreement is not accuracy: all witnesses share one sensor.";
    for (none, said) in [
        (&["--meter", "bore-2"][..], format!("No disagreement of bore-2 was logged.\n{accuracy}\n")),
        (&["--to", "2025-03-01"], format!("No disagreement was logged to 2025-03-01 00:00:00Z.\n{accuracy}\n")),
        (
            &["--cause", "pulse-weight"],
            "No disagreement with the cause pulse-weight was logged.\n2 were, whose causes are others or not known.\n"
                .to_owned(),
        ),
    ] {
        let output = shed.tallywell(&[&["disagreements"], none].concat());
        assert_eq!((output.status.code(), text(output.stdout)), (Some(0), said), "{none:?}");
    }
    let misspelt = shed.tallywell(&["disagreements", "--cause", "pulse-wieght"]);
    assert_eq!(misspelt.status.code(), Some(2));
    assert!(text(misspelt.stderr).contains("did you mean `pulse-weight`?"));
    let closed = shed.tallywell(&["disagreements", "--cause", "pulse-gaps", "--format", "json"]);
    assert_eq!(serde_json::from_slice::<Vec<serde_json::Value>>(&closed.stdout).unwrap().len(), 1);
}

#[test]
fn timing_adds_up_the_hours() {
    let shed = Shed::filled();
    let output = shed.tallywell(&["timing"]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let table = text(output.stdout);
    assert!(fits_a_terminal(&table));
    insta::assert_snapshot!(table);
    let output = shed.tallywell(&["timing", "--format", "json"]);
    insta::assert_json_snapshot!(serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap());
    let none = shed.tallywell(&["timing", "--from", "2025-03-02"]);
    assert_eq!(text(none.stdout), "No timing was recorded from 2025-03-02 00:00:00Z; `tallywell run` records it.\n");
}

#[test]
fn notes_are_kept_though_no_daemon_runs() {
    let shed = Shed::new();
    let note = |arguments: &[&str]| {
        let output =
            shed.tallywell(&[&["note", "--meter", "bore-1", "--at", "2025-03-01T08:00:00Z"], arguments].concat());
        (output.status.code(), text(output.stdout), text(output.stderr))
    };
    let (code, said, _) = note(&["strainer cleaned"]);
    assert_eq!((code, said.as_str()), (Some(0), "Noted of bore-1 at 2025-03-01 08:00:00Z: strainer cleaned.\n"));
    let (code, said, _) = note(&["--reading", "18204.5 m3", "--of", "invoice"]);
    assert_eq!(
        (code, said.as_str()),
        (Some(0), "Noted of bore-1 at 2025-03-01 08:00:00Z: 18204.5 m3 by an invoice.\n")
    );
    assert!(note(&["--maintenance", "begin"]).1.contains("nothing is judged"));
    let (code, _, error) = note(&["--reading", "18204.5 s", "--of", "display"]);
    assert_eq!(code, Some(2));
    assert!(error.contains("18204.5 s"), "{error}");
    assert_eq!(note(&[]).0, Some(2), "there must be something to note");
    for (remark, why) in
        [(" ", "the remark is empty"), (&*"long".repeat(18_000), "72000 characters, and 2000 are the most")]
    {
        for with in [&[][..], &["--maintenance", "end"]] {
            let (code, _, error) = note(&[with, &[remark]].concat());
            assert!(code == Some(2) && error.contains(why) && error.len() < 300, "{error:.400}");
        }
    }

    let notes = StoreReader::open(&shed.store()).unwrap().notes(Some("bore-1"), Span::ALL).unwrap();
    let kinds: Vec<_> = notes.iter().map(|note| (note.at.0, std::mem::discriminant(&note.what))).collect();
    assert_eq!(kinds.len(), 3);
    assert!(kinds.iter().all(|(at, _)| *at == BEGIN));
    assert_eq!(notes[0].what, NoteKind::Remark { text: "strainer cleaned".to_owned() });
}

#[test]
fn what_cannot_be_done_is_said_once_with_what_to_do() {
    let shed = Shed::new();
    let missing = shed.tallywell(&["export", "--meter", "bore-1", "--format", "csv"]);
    assert_eq!(missing.status.code(), Some(2));
    assert_eq!(text(missing.stderr), "error: there is no store at kestrel.db; `tallywell run` makes it\n");
    let unknown = shed.tallywell(&["disagreements", "--meter", "bore-3"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(text(unknown.stderr).contains("bore-3"));
    std::fs::write(shed.store(), "time,flow\n".repeat(100)).unwrap();
    let other = shed.tallywell(&["timing"]);
    assert_eq!(other.status.code(), Some(2));
    assert_eq!(
        text(other.stderr),
        "error: kestrel.db is not a database; move it away, or set another `path` under [store]\n"
    );
    let backwards = shed.tallywell(&["timing", "--from", "2025-03-02", "--to", "2025-03-01"]);
    assert_eq!(backwards.status.code(), Some(2));
}

#[test]
fn a_report_is_one_page_that_needs_nothing_else_and_can_be_checked_by_its_hash() {
    let shed = Shed::filled();
    let output = shed.tallywell(&["report", "--meter", "bore-1", "--out", "bore-1.html"]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let page = std::fs::read_to_string(shed.folder.path().join("bore-1.html")).unwrap();

    // Nothing is fetched and nothing runs: the only addresses are names of XML vocabularies.
    let without_names = page.replace("http://www.w3.org/2000/svg", "");
    for foreign in ["http:", "https:", "<script", "javascript:", "url(", "@import", " onload", "src="] {
        assert!(!without_names.contains(foreign), "the page contains {foreign}");
    }
    assert!(page.starts_with("<!DOCTYPE html>"));
    for said in ["bore-1", "Kestrel Creek pump shed", "accuracy", "mains", "licensed"] {
        assert!(page.to_lowercase().contains(&said.to_lowercase()), "the page does not say {said}");
    }

    // The hash that was printed is the file's, and the store remembers it.
    let hash = sha256(page.as_bytes());
    assert!(String::from_utf8_lossy(&output.stdout).contains(&hash), "{output:?}");
    let handed_out = StoreReader::open(&shed.store()).unwrap().handed_out().unwrap();
    assert!(handed_out.iter().any(|it| it.sha256 == hash && it.meter == "bore-1"), "{handed_out:?}");
}

/// A biller that takes each pulse for 10 L where 5 L are declared, read off its display twice.
#[test]
fn a_figure_noted_of_the_receiver_is_held_against_its_signal() {
    let shed = Shed::new();
    let writer = Writer::open(&shed.store(), Options::default()).unwrap();
    writer.begin_run(Run { boot: "one".to_owned(), began: WallMillis(BEGIN), ..Run::default() });
    for step in 0..1_800_u32 {
        let at = i64::from(step) * 10_000;
        let sample = |value: f64| Some(Sample { value, at: SteadyMillis(at), raw: RawWords::default() });
        let litres = 20.0 * 10.0 * f64::from(step);
        writer.append(
            "bore-1",
            &Reading {
                at: SteadyMillis(at),
                wall: WallMillis(BEGIN + at),
                flow: sample(20.0),
                total: sample(1e6 + litres),
                loop_ma: sample(4.0 + 16.0 * 20.0 / 36.0),
                pulses: sample(4000.0 + (litres / 5.0).floor()),
                ..Reading::default()
            },
        );
    }
    assert_eq!(writer.close().trouble, None);
    let explain = || {
        let output = shed.tallywell(&["explain", "--meter", "bore-1", "--format", "json"]);
        let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        (output.status.code(), answer)
    };
    let note = |at: &str, figure: &str| {
        let arguments = ["note", "--meter", "bore-1", "--reading", figure, "--of", "receiver", "--at", at];
        assert_eq!(shed.tallywell(&arguments).status.code(), Some(0));
    };
    note("2025-03-01T08:30:00Z", "7210.35 m3");
    let (code, answer) = explain();
    assert_eq!((code, answer["verdict"].as_str()), (Some(0), Some("agree")), "{answer:#}");
    // Four hours later: 288 m3 flowed, 576 m3 were billed.
    note("2025-03-01T12:30:00Z", "7786.35 m3");
    let (code, answer) = explain();
    assert_eq!((code, answer["verdict"].as_str()), (Some(1), Some("disagree")), "{answer:#}");
    let tallies = answer["tallies"].as_array().unwrap();
    let noted =
        tallies.iter().find(|tally| tally["between"] == serde_json::json!(["pulse", "receiver_total"])).unwrap();
    assert_eq!(noted["verdict"], "disagree");
    assert!((noted["ratio"].as_f64().unwrap() - 2.0).abs() < 0.02, "{noted:#}");
    let cause = &answer["causes"][0];
    assert_eq!(cause["code"], "receiver-weight", "{answer:#}");
    assert!((cause["parameters"]["implied_pulse_volume_l"].as_f64().unwrap() - 10.0).abs() < 0.5, "{cause:#}");
}

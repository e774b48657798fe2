//! The clock on the wall is wrong by years, is set while the daemon runs, passes 2038, shows a second twice: readings stay in
//! their order, the tallies see nothing of it, each jump is on record, and what is exported reads back.
//!
//! The daemon runs behind libfaketime (Debian's `faketime`; `tests/setup.sh` installs it), which lies to it about the clock
//! on the wall alone, and looks again and again into a file that says how.

use std::path::{Path, PathBuf};
use std::process::Child;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use tallywell::record::format_instant;
use tallywell::store::{Span, StoreReader};
use tallywell_witness::reading::Reading;
use tallywell_witness::tally::EventKind;

use crate::kills::{METERS, sampled, steady_ms};
use crate::shed::{Shed, wait_for};

/// How long the daemon runs at each time.
const STAY: Duration = Duration::from_millis(3_500);
/// What is read every 200 ms may come so much later on a busy machine.
const LONGEST_PAUSE_MS: i64 = 1_500;

fn library() -> PathBuf {
    let places = ["x86_64-linux-gnu", "aarch64-linux-gnu", "arm-linux-gnueabihf"];
    let found = places.iter().map(|place| PathBuf::from(format!("/usr/lib/{place}/faketime/libfaketimeMT.so.1")));
    found.into_iter().find(|path| path.exists()).unwrap_or_else(|| panic!("faketime is missing: run tests/setup.sh"))
}

/// The shed, and the file that says what time it is.
struct Told {
    shed: Shed,
    file: PathBuf,
}

impl Told {
    fn daemon(&self) -> Child {
        let yes = Path::new("1");
        self.shed.daemon_with(&[
            ("LD_PRELOAD", &library()),
            ("FAKETIME_TIMESTAMP_FILE", &self.file),
            ("FAKETIME_NO_CACHE", yes),
            ("DONT_FAKE_MONOTONIC", yes),
        ])
    }

    /// The clock shows this from now on.
    fn set(&self, time: &str) {
        let beside = self.file.with_extension("new");
        std::fs::write(&beside, format!("{time}\n")).unwrap();
        std::fs::rename(beside, &self.file).unwrap();
    }

    fn store(&self) -> StoreReader {
        StoreReader::open(&self.shed.path("kestrel.db")).unwrap()
    }

    fn readings(&self, meter: &str) -> Vec<Reading> {
        self.store().readings(meter, Span::ALL).unwrap().map(Result::unwrap).collect()
    }
}

fn end(mut daemon: Child, shed: &Shed) {
    kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
    assert!(daemon.wait().unwrap().success(), "{}", shed.log());
}

#[test]
fn a_clock_that_jumps_by_years_changes_times_and_nothing_else() {
    let shed = Shed::steady();
    let told = Told { file: shed.path("clock"), shed };
    let site = std::fs::read_to_string(told.shed.path("site.toml")).unwrap();
    let notified = "\n[notice]\nrun = [\"sh\", \"-c\", \"cat >> notices\"]\n";
    std::fs::write(told.shed.path("site.toml"), site + notified).unwrap();
    // A box without a battery begins in 1970, and is then told the time; somebody sets it ahead, and back.
    told.set("@1970-01-01 00:00:10");
    let born = steady_ms();
    let daemon = told.daemon();
    wait_for("the first reading", || {
        StoreReader::open(&told.shed.path("kestrel.db")).is_ok_and(|store| {
            store.readings("bore-1", Span::ALL).is_ok_and(|readings| readings.filter_map(Result::ok).next().is_some())
        })
    });
    let times = [
        "@2026-11-27 06:00:00",
        "@2031-11-27 06:00:00",
        // A second that is shown twice, as most machines take a leap second.
        "@2016-12-31 23:59:58",
        "@2016-12-31 23:59:59",
        // The last second that 32 bits of seconds can tell is 03:14:07.
        "@2038-01-19 03:14:06",
        "@2026-11-27 06:05:00",
    ];
    for time in times {
        told.set(time);
        std::thread::sleep(STAY);
    }
    let log = told.shed.log();
    end(daemon, &told.shed);
    let jumps = log.lines().filter(|line| line.contains("the clock on the wall was set")).count();
    assert_eq!(jumps, times.len(), "{log}");
    // A look within the first moment is shown a millisecond less than was set.
    let set_ahead = ["to 2031-11-27T06:00:0", "to 2031-11-27T05:59:59.9"];
    assert!(log.contains("set back by") && set_ahead.iter().any(|time| log.contains(time)), "{log}");

    let notices = std::fs::read_to_string(told.shed.path("notices")).unwrap();
    let of_the_clock = notices.lines().filter(|line| line.contains("clock-set") && line.contains("booster")).count();
    assert_eq!(of_the_clock, times.len(), "{notices}");

    // A daemon that begins with the clock wrong again, and is killed: what was remembered is taken up.
    told.set("@2001-06-01 00:00:00");
    let mut daemon = told.daemon();
    std::thread::sleep(STAY * 2);
    daemon.kill().unwrap();
    daemon.wait().unwrap();

    let store = told.store();
    for meter in METERS {
        let readings = told.readings(meter);
        assert!(readings.is_sorted_by(|one, other| one.at < other.at), "{meter}: not in the order of reading");
        let stored = sampled(&readings, born);
        let before_the_kill = &stored[..stored.len() - 5];
        let pauses = before_the_kill.windows(2).map(|pair| pair[1] - pair[0]);
        // The daemon was away once, between its two lives.
        assert!(pauses.filter(|pause| *pause > LONGEST_PAUSE_MS).count() <= 1, "{meter}: {stored:?}");
        let mut years: Vec<String> =
            readings.iter().map(|reading| format_instant(reading.wall)[..4].to_owned()).collect();
        years.dedup();
        assert_eq!(years, ["1970", "2026", "2031", "2016", "2017", "2016", "2017", "2038", "2026", "2001"], "{meter}");
        assert!(store.clock_was_set(meter, Span::ALL).unwrap());
        // By how many years, in the order of the log: the clock stood at 1970, and the second life knows how the first left it.
        let mut set: Vec<_> = store
            .events(Some(meter), Span::ALL)
            .unwrap()
            .into_iter()
            .filter_map(|event| match event.what {
                EventKind::ClockSet { moved_s } => Some((event.began.steady, (moved_s / 31_556_952.0).round() as i64)),
                _ => None,
            })
            .collect();
        set.sort_unstable();
        let years: Vec<i64> = set.iter().map(|(_, years)| *years).collect();
        assert_eq!(years, [57, 5, -15, 0, 21, -11, -25], "{meter}");

        let log = store.disagreements(Some(meter), Span::ALL).unwrap();
        if meter == "bore-2" {
            assert!(log.iter().all(|it| it.disagreement.closed.is_none()), "{log:?}");
            let volumes = log.iter().filter(|it| it.disagreement.between.words() == ["total", "pulse"]).count();
            assert_eq!(volumes, 1, "one wrong weight, whatever the time: {log:?}");
        } else {
            let steps = store.steps(Some(meter), Span::ALL).unwrap();
            assert!(log.is_empty() && steps.is_empty(), "{meter} agrees, and yet: {log:?} {steps:?}");
        }
    }
    let runs = store.runs().unwrap();
    assert!(runs.len() >= 3, "a jump begins a run, and so did the second life: {runs:?}");
    assert!(runs.iter().all(|(_, declared)| declared.len() == 4), "each run knows what was declared");

    // Exported, times stand as they were shown; read back, the same answer comes of them.
    let table = told.shed.printed(&["export", "--config", "site.toml", "--meter", "bore-1", "--format", "csv"]);
    let rows: Vec<&str> = table.lines().skip(1).collect();
    assert_eq!(rows.len(), told.readings("bore-1").len());
    for begins in ["1970-01-01T00:00:1", "2038-01-19T03:14:06.", "2038-01-19T03:14:08.", "2016-12-31T23:59:5"] {
        assert!(rows.iter().any(|row| row.starts_with(begins)), "{begins}: {table}");
    }
    std::fs::write(told.shed.path("bore-1.csv"), &table).unwrap();
    let arguments =
        ["explain", "--config", "site.toml", "--meter", "bore-1", "--csv", "bore-1.csv", "--format", "json"];
    let answer: serde_json::Value = serde_json::from_str(&told.shed.printed(&arguments)).unwrap();
    assert_ne!(answer["verdict"], "disagree", "{answer:#}");
}

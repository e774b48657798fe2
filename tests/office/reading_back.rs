//! A store exported as CSV and as Parquet says the same twice.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tallywell::store::evidence::Run;
use tallywell::store::{Options, Writer};
use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use crate::{duckdb, project};

/// 2025-03-01T23:59:30Z.
const BEGIN: i64 = 1_740_873_570_000;

struct Shed(tempfile::TempDir);

impl Shed {
    /// Two minutes around midnight, with everything that a reading may lack or a register may hold.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = project().join("config");
        std::os::unix::fs::symlink(config.join("maps"), folder.path().join("maps")).unwrap();
        let site = std::fs::read_to_string(config.join("kestrel-creek.toml")).unwrap();
        std::fs::write(folder.path().join("site.toml"), site).unwrap();
        let shed = Self(folder);
        shed.store(0..120);
        shed
    }

    fn store(&self, seconds: std::ops::Range<i64>) {
        let writer = Writer::open(&self.path("kestrel.db"), Options::default()).unwrap();
        writer.begin_run(Run { boot: "one".to_owned(), began: WallMillis(BEGIN), ..Run::default() });
        for second in seconds {
            writer.append("bore-1", &reading(second));
        }
        assert_eq!(writer.close().trouble, None);
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn export(&self, arguments: &[&str]) -> Output {
        let output = Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["export", "--config", "site.toml"])
            .args(arguments)
            .current_dir(self.0.path())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        output
    }
}

fn reading(second: i64) -> Reading {
    let at = second * 1000;
    let sample = |value: f64, later: i64, raw: &[u16]| {
        Some(Sample { value, at: SteadyMillis(at + later), raw: RawWords::new(raw) })
    };
    // The total wraps at the end of its 32 bits, the counter at the end of its own.
    let total = (u64::from(u32::MAX) - 600 + 24 * second.unsigned_abs()) & 0xFFFF_FFFF;
    let pulses = (u64::from(u32::MAX) - 40 + 5 * second.unsigned_abs()) & 0xFFFF_FFFF;
    let words = |number: u64| [(number >> 16) as u16, number as u16];
    let flow = [12.300_000_190_734_863, f64::NAN, f64::INFINITY, -0.0][usize::try_from(second % 4).unwrap()];
    Reading {
        at: SteadyMillis(at),
        wall: WallMillis(BEGIN + at),
        flow: sample(flow, -12, &[0x4144, 0xCCCD]),
        total: (second % 11 != 5).then(|| sample(total as f64, -12, &words(total))).flatten(),
        loop_ma: (second % 7 != 3).then(|| sample(9.467 + second as f64 / 1000.0, 8, &[9467])).flatten(),
        pulses: sample(pulses as f64, 25, &words(pulses)),
        status: (second % 5 != 4).then_some(StatusBits(second.unsigned_abs() % 3)),
        ..Reading::default()
    }
}

#[test]
fn every_cell_is_read_back_as_it_was_stored() {
    let shed = Shed::new();
    shed.export(&["--format", "csv", "--meter", "bore-1", "--out", "all.csv"]);
    shed.export(&["--format", "parquet", "--out", "office"]);
    let said = duckdb("duckdb_readings.py", &[&shed.path("office"), &shed.path("all.csv")]);
    insta::assert_snapshot!(said);
    let days: Vec<PathBuf> = std::fs::read_dir(shed.path("office/site=Kestrel%20Creek%20pump%20shed/meter=bore-1"))
        .unwrap()
        .map(|day| day.unwrap().path().join("readings.parquet"))
        .collect();
    assert_eq!(days.len(), 2);
    assert!(days.iter().all(|day| day.is_file()), "{days:?}");
}

#[test]
fn days_are_written_whole_and_never_replaced_by_less() {
    let shed = Shed::new();
    let count = |of: &str| {
        let said = duckdb("duckdb_count.py", &[&shed.path(of)]);
        said.lines().map(str::to_owned).collect::<Vec<_>>()
    };
    let from = "2025-03-02T00:00:20Z";
    shed.export(&["--format", "parquet", "--meter", "bore-1", "--out", "office", "--from", from]);
    assert_eq!(count("office"), ["2025-03-02\t90\t2160.0"], "from midnight on, the gain over midnight included");
    shed.export(&["--format", "parquet", "--out", "office"]);
    assert_eq!(count("office"), ["2025-03-01\t30\t696.0", "2025-03-02\t90\t2160.0"]);

    // A store that has forgotten most of a day does not make the office forget it.
    std::fs::remove_file(shed.path("kestrel.db")).unwrap();
    shed.store(100..125);
    let output = shed.export(&["--format", "parquet", "--out", "office"]);
    let log = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(log.contains("1 files hold more readings than the store has left of their days, and stay"), "{log}");
    assert_eq!(count("office").last().unwrap(), "2025-03-02\t90\t2160.0");
    assert!(!has_part(&shed.path("office")));

    for (arguments, words) in [
        (vec!["--format", "parquet"], "write --out DIR"),
        (vec!["--format", "csv"], "write --meter NAME (booster, bore-1, bore-2)"),
    ] {
        let output = Command::new(env!("CARGO_BIN_EXE_tallywell"))
            .args(["export", "--config", "site.toml"])
            .args(arguments)
            .current_dir(shed.0.path())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(words), "{output:?}");
    }
}

fn has_part(folder: &Path) -> bool {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .any(|path| if path.is_dir() { has_part(&path) } else { path.extension().is_some_and(|it| it == "part") })
}

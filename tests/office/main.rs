//! What an office does with the readings of its sheds: Parquet files read back by a column engine that no one here wrote.
//!
//! The engine is DuckDB (PyPI); `tests/setup.sh` installs it.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod fleet;
mod reading_back;

use std::path::{Path, PathBuf};
use std::process::Command;

use fleet::Fleet;

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Runs one of the peers' scripts and returns what it said.
fn duckdb(script: &str, arguments: &[&Path]) -> String {
    let python = project().join("target/peers/bin/python3");
    assert!(python.exists(), "{} is missing: run tests/setup.sh", python.display());
    let output = Command::new(python).arg(project().join("tests/peers").join(script)).args(arguments).output().unwrap();
    let (said, wrong) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{script}: {said}{wrong}");
    said.into_owned()
}

/// The question in the README, asked as it stands there.
fn documented_question(into: &Path) -> PathBuf {
    let readme = std::fs::read_to_string(project().join("README.md")).unwrap();
    let (_, rest) = readme.split_once("```sql\n").unwrap();
    let (question, _) = rest.split_once("```").unwrap();
    let path = into.join("question.sql");
    std::fs::write(&path, question).unwrap();
    path
}

#[test]
fn the_documented_question_finds_the_sheds_that_disagree() {
    let folder = tempfile::tempdir().unwrap();
    let fleet = Fleet { sheds: 10, days: 3.0, every: 60.0 };
    for shed in 0..fleet.sheds {
        assert!(fleet::write(fleet, shed, &folder.path().join("office")) > 4_000);
    }
    let answer = duckdb("duckdb_question.py", &[folder.path(), &documented_question(folder.path())]);
    let mut found: Vec<(&str, f64)> = answer
        .lines()
        .map(|line| {
            let cells: Vec<&str> = line.split('\t').collect();
            (cells[0], cells.last().unwrap().parse().unwrap())
        })
        .collect();
    found.sort_by_key(|(site, _)| *site);
    let wrong: Vec<String> = (0..fleet.sheds).filter(|shed| fleet::is_wrong(*shed)).map(fleet::name).collect();
    assert_eq!(found.iter().map(|(site, _)| *site).collect::<Vec<_>>(), wrong);
    for (site, percent) in found {
        let share = 100.0 * (1.0 / (1.0 + fleet::WRONG_SHARE) - 1.0);
        assert!((percent - share).abs() < 0.1, "{site}: {percent} % instead of {share} %");
    }
}

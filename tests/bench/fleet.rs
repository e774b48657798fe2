//! A thousand sheds in one folder, and the README's question to them.
//! `cargo bench --bench fleet`; `-- --short` for a hundred sheds, `--sheds N`, `--days N`, `--every SECONDS` for other
//! fleets. The question is asked by DuckDB, which `tests/setup.sh` installs.

#![expect(clippy::unwrap_used, reason = "a bench may fail")]

#[path = "../office/fleet.rs"]
mod fleet;

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use fleet::Fleet;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let number = |name: &str| {
        let place = arguments.iter().position(|it| it == name)?;
        arguments.get(place + 1)?.parse::<f64>().ok()
    };
    let short = arguments.iter().any(|it| it == "--short");
    let fleet = Fleet {
        sheds: number("--sheds").map_or(if short { 100 } else { 1000 }, |sheds| sheds as u64),
        days: number("--days").unwrap_or(28.0),
        every: number("--every").unwrap_or(300.0),
    };
    let folder = tempfile::tempdir().unwrap();
    let office = folder.path().join("office");
    let begun = Instant::now();
    let readings: u64 = (0..fleet.sheds).map(|shed| fleet::write(fleet, shed, &office)).sum();
    let Fleet { sheds, days, every } = fleet;
    println!("{sheds} sheds, {days} days, a reading every {every} s: {readings} readings simulated and written in");
    println!("    {:.0} s", begun.elapsed().as_secs_f64());
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let question = readme.split_once("```sql\n").unwrap().1.split_once("```").unwrap().0;
    std::fs::write(folder.path().join("question.sql"), question).unwrap();
    let begun = Instant::now();
    let output = Command::new("target/peers/bin/python3")
        .arg("tests/peers/duckdb_question.py")
        .args([folder.path(), &folder.path().join("question.sql")])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found = String::from_utf8(output.stdout).unwrap().lines().count() as u64;
    let wrong = (0..sheds).filter(|shed| fleet::is_wrong(*shed)).count();
    println!("the question finds {found} sheds; {wrong} were made wrong; {:.1} s", begun.elapsed().as_secs_f64());
}

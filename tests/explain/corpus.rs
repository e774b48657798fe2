//! Recorded readings beside the answers that they must get. `tests/corpus/add.sh` adds one.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde_json::Value;

use super::explain;

/// The answer that a recording must get.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Expected {
    meter: String,
    verdict: String,
    /// The first cause: its code, and whatever else is at work.
    cause: String,
    #[serde(default)]
    with: Vec<String>,
    /// Where the readings come from.
    #[expect(dead_code, reason = "for whoever reads the corpus")]
    about: String,
}

fn folders() -> Vec<PathBuf> {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus");
    let mut folders: Vec<PathBuf> =
        fs::read_dir(corpus).unwrap().map(|entry| entry.unwrap().path()).filter(|path| path.is_dir()).collect();
    folders.sort();
    folders
}

/// What is wrong with the answer; nothing if it is as expected.
fn miss(folder: &Path) -> Option<String> {
    let expected: Expected = toml::from_str(&fs::read_to_string(folder.join("expected.toml")).unwrap()).unwrap();
    let mut tables: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter_map(|name| name.strip_suffix(".csv").map(|meter| format!("{meter}={name}")))
        .collect();
    tables.sort();
    let output = explain(folder, &expected.meter, &tables);
    let name = folder.file_name().unwrap().to_string_lossy().into_owned();
    let Ok(answer) = serde_json::from_slice::<Value>(&output.stdout) else {
        return Some(format!("{name}: {}", String::from_utf8_lossy(&output.stderr)));
    };
    let first = &answer["causes"][0];
    let with: Vec<&str> = first["with"].as_array().unwrap().iter().map(|code| code.as_str().unwrap()).collect();
    let right = answer["verdict"] == expected.verdict.as_str()
        && first["code"] == expected.cause.as_str()
        && with == expected.with;
    let bad = i32::from(expected.verdict == "disagree");
    (!right || output.status.code() != Some(bad)).then(|| {
        format!(
            "{name}: {}, {} with {with:?} where {}, {} with {:?} was expected",
            answer["verdict"], first["code"], expected.verdict, expected.cause, expected.with
        )
    })
}

#[test]
fn every_recording_gets_its_answer() {
    let folders = folders();
    assert!(folders.len() >= 12, "the corpus has shrunk to {}", folders.len());
    let misses: Vec<String> = folders.iter().filter_map(|folder| miss(folder)).collect();
    assert!(misses.is_empty(), "{}", misses.join("\n"));
}

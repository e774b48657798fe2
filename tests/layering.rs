//! The walls between the rooms, read from the sources: who may import whom, and what the pure rooms may not touch.
//!
//! The compiler keeps the wall between this crate, the pure crate and the simulator. Inside the crate there are no walls
//! but these.

#![expect(clippy::unwrap_used, reason = "a test may fail")]
use std::path::{Path, PathBuf};

/// Rooms of `src`, and the rooms that each may import.
const ROOMS: &[(&str, &[&str])] = &[
    ("site", &[]),
    ("record", &[]),
    ("line", &[]),
    ("store", &["record"]),
    ("face", &["record", "store"]),
    ("daemon", &["face", "line", "record", "site", "store"]),
    ("command", &["daemon", "face", "line", "record", "site", "store"]),
];

/// What would bring a clock, a file, a socket, a thread or chance into the pure rooms.
const NOT_PURE: &[&str] = &[
    "std::time::Instant",
    "std::time::SystemTime",
    "Instant::now",
    "SystemTime::now",
    "std::fs",
    "std::net",
    "std::io",
    "std::env",
    "std::thread",
    "std::process",
    "tokio",
    "tracing",
    "println!",
    "eprintln!",
];

/// What only these files may do: the simulator meets the program in no other place.
const MEETS_SIMULATOR: &[&str] = &["command/demo.rs", "command/demo/controller.rs", "command/sim.rs"];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// The lines of code of a file: no comments, and nothing of the items that are compiled for tests only.
fn code(path: &Path) -> Vec<(usize, String)> {
    code_of(&std::fs::read_to_string(path).unwrap())
}

/// An item ends on the line that closes it: with `;`, or with a brace as far in as it begins, which the formatter sees to.
fn code_of(text: &str) -> Vec<(usize, String)> {
    let mut code = Vec::new();
    let mut lines = (1..).zip(text.lines());
    while let Some((number, line)) = lines.next() {
        let item = line.trim_start();
        if item.starts_with("#[cfg(test)]") {
            let indent = &line[..line.len() - item.len()];
            let ends = |line: &str| {
                let Some(rest) = line.strip_prefix(indent) else { return false };
                let begins_here = !rest.starts_with([' ', '#', '/']) && !rest.is_empty();
                begins_here && (rest.starts_with('}') || rest.ends_with(';') || rest.ends_with("}"))
            };
            let end = lines.by_ref().find(|(_, line)| ends(line));
            assert!(end.is_some(), "line {number}: an item without an end");
        } else if !item.starts_with("//") {
            code.push((number, line.to_owned()));
        }
    }
    code
}

#[test]
fn only_what_is_for_tests_is_passed_over() {
    let text = "mod a;\n#[cfg(test)]\nmod tests;\nmod b;\n\
                impl It {\n    // why\n    #[cfg(test)]\n    #[expect(dead_code)]\n    fn one(\n        it: u8,\n    ) {\n        it;\n    }\n    fn two() {}\n}\n\
                #[cfg(test)]\nfn three() {}\nfn four() {}\n#[cfg(test)]\nmod tests {\n    fn five() {}\n}\nfn six() {}\n";
    let kept: Vec<(usize, String)> = code_of(text);
    let kept: Vec<(usize, &str)> = kept.iter().map(|(number, line)| (*number, line.trim())).collect();
    assert_eq!(
        kept,
        [
            (1, "mod a;"),
            (4, "mod b;"),
            (5, "impl It {"),
            (14, "fn two() {}"),
            (15, "}"),
            (18, "fn four() {}"),
            (23, "fn six() {}")
        ]
    );
}

fn in_tests(path: &Path) -> bool {
    path.components().any(|part| part.as_os_str() == "tests")
        || path.file_stem().is_some_and(|stem| stem == "tests" || stem.to_string_lossy().ends_with("_tests"))
}

fn src() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

#[test]
fn imports_run_downwards_only() {
    let mut wrong = Vec::new();
    for (room, allowed) in ROOMS {
        let folder = src().join(room);
        if !folder.is_dir() {
            continue;
        }
        let mut files = Vec::new();
        sources(&folder, &mut files);
        // The last component of the path decides, so that a checkout under a folder named tests is read all the same.
        for file in files.iter().filter(|file| !in_tests(file.strip_prefix(src()).unwrap())) {
            for (number, line) in code(file) {
                for (other, _) in ROOMS.iter().filter(|(other, _)| other != room && !allowed.contains(other)) {
                    if line.contains(&format!("crate::{other}")) {
                        wrong.push(format!("{}:{number}: {room} imports {other}", file.display()));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_room_is_known_here() {
    for entry in std::fs::read_dir(src()).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if entry.path().is_dir() && name != "witness" {
            assert!(ROOMS.iter().any(|(room, _)| *room == name), "src/{name} is a room that this test does not know");
        }
    }
}

#[test]
fn the_pure_rooms_are_pure() {
    let mut wrong = Vec::new();
    let mut files = Vec::new();
    sources(&src().join("witness"), &mut files);
    assert!(files.len() > 3);
    for file in files.iter().filter(|file| !in_tests(file.strip_prefix(src()).unwrap())) {
        for (number, line) in code(file) {
            for banned in NOT_PURE.iter().filter(|banned| line.contains(**banned)) {
                wrong.push(format!("{}:{number}: {banned}", file.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// So that whoever asks what a wrong clock does has one place to begin at.
#[test]
fn the_clock_on_the_wall_is_read_in_one_place() {
    let mut files = Vec::new();
    sources(&src(), &mut files);
    let reads = |file: &PathBuf| code(file).iter().any(|(_, line)| line.contains("SystemTime"));
    let reading: Vec<PathBuf> = files.into_iter().filter(reads).collect();
    assert_eq!(reading, [src().join("wall.rs")]);
}

#[test]
fn the_simulator_meets_the_program_in_two_commands_only() {
    let mut files = Vec::new();
    sources(&src(), &mut files);
    for file in files {
        let inside = file.strip_prefix(src()).unwrap();
        if in_tests(inside) || MEETS_SIMULATOR.contains(&inside.to_string_lossy().as_ref()) {
            continue;
        }
        for (number, line) in code(&file) {
            assert!(!line.contains("tallywell_sim"), "{}:{number}: only {MEETS_SIMULATOR:?} may", file.display());
        }
    }
}

#[test]
fn the_simulator_shares_no_code_with_the_program() {
    let manifest = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("sim/Cargo.toml")).unwrap();
    assert!(!manifest.contains("tallywell-witness") && !manifest.contains("tokio-modbus"), "{manifest}");
}

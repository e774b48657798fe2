//! Every scenario that is shipped states what must come of it: the causes of the contract are named from the readings of the
//! simulated meters, each fault of the line is counted under its name, and the table in the documents says what was seen.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

mod causes;
mod line;
#[path = "../line_wire/plan.rs"]
mod plan;

use std::path::{Path, PathBuf};

/// The folder of the shipped scenarios.
fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config/scenarios")
}

/// The scenarios of a folder: name and text, by name.
fn scenarios(of: &str) -> Vec<(String, String)> {
    let files = std::fs::read_dir(folder().join(of)).unwrap().map(|entry| entry.unwrap().path());
    let mut found: Vec<(String, String)> = files
        .map(|file| (file.file_stem().unwrap().to_string_lossy().into_owned(), std::fs::read_to_string(&file).unwrap()))
        .collect();
    found.sort();
    found
}

/// What a scenario says must come of it.
fn expected(text: &str) -> toml::Table {
    let written: toml::Table = toml::from_str(text).unwrap();
    written["expected"].as_table().unwrap().clone()
}

/// Does something with each of many scenarios, a few at a time, and gives what came of each in their order.
fn each<T: Send>(scenarios: &[(String, String)], at_once: usize, run: impl Fn(&str, &str) -> T + Sync) -> Vec<T> {
    let next = std::sync::atomic::AtomicUsize::new(0);
    let found = std::sync::Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..at_once {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    let Some((name, text)) = scenarios.get(place) else { return };
                    let outcome = run(name, text);
                    found.lock().unwrap().push((place, outcome));
                }
            });
        }
    });
    let mut found = found.into_inner().unwrap();
    found.sort_by_key(|(place, _)| *place);
    found.into_iter().map(|(_, outcome)| outcome).collect()
}

/// Holds the rows between two marks of the scenarios' page against what was seen. `TALLYWELL_TABLES=write` writes them.
fn table_says(mark: &str, rows: &[String]) {
    let path = folder().join("README.md");
    let page = std::fs::read_to_string(&path).unwrap();
    let (begin, end) = (format!("<!-- {mark} -->\n"), format!("<!-- end of {mark} -->"));
    let from = page.find(&begin).unwrap() + begin.len();
    let to = page.find(&end).unwrap();
    let seen = rows.iter().map(|row| format!("{row}\n")).collect::<String>();
    if std::env::var("TALLYWELL_TABLES").is_ok_and(|what| what == "write") {
        std::fs::write(&path, format!("{}{seen}{}", &page[..from], &page[to..])).unwrap();
    } else {
        assert_eq!(page[from..to], seen, "TALLYWELL_TABLES=write writes what is seen now");
    }
}

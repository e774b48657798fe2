//! `tallywell explain --csv`, run as people run it.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod corpus;
mod tables;

use std::path::Path;
use std::process::{Command, Output};

/// Explains a table of a meter as JSON, in the folder that holds `site.toml`.
fn explain(folder: &Path, meter: &str, tables: &[String]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tallywell"));
    command.current_dir(folder).args(["explain", "--config", "site.toml", "--meter", meter, "--format", "json"]);
    for table in tables {
        command.args(["--csv", table]);
    }
    command.output().unwrap()
}

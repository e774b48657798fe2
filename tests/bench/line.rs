//! How near to the wire's limit the line polls, beside other masters, and what that costs the machine.
//!
//! `cargo bench --bench line` prints all tables; `-- wire`, `-- peers` and `-- load` print one each, `--seconds N` sets the
//! length of each run. Both ends run on this machine, so a run in which the simulator itself was late is marked; repeat it.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot be set up has to fail")]

mod line {
    pub mod load;
    pub mod machine;
    pub mod peers;
    pub mod poll;
    pub mod site;
    pub mod wire;
}

use std::time::Duration;

fn main() {
    let mut seconds = 20;
    let mut tables = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            // Cargo adds it for every benchmark.
            "--bench" => {}
            "--seconds" => seconds = arguments.next().and_then(|text| text.parse().ok()).unwrap(),
            table => tables.push(table.to_owned()),
        }
    }
    let wanted = |table: &str| tables.is_empty() || tables.iter().any(|name| name == table);
    let length = Duration::from_secs(seconds);
    if wanted("wire") {
        line::wire::run(length);
    }
    if wanted("peers") {
        line::peers::run(length);
    }
    if wanted("load") {
        line::load::run(length);
    }
}

//! How long `explain` takes over a day and over a year at one reading a second, from CSV and from the store, beside merely
//! reading the file.
//!
//! `cargo bench --bench explain` (a year, six plain columns, streamed into a temporary file of 2 GB);
//! `-- --days N` for another stretch; `-- --short` for the form that CI runs.

#![expect(clippy::unwrap_used, reason = "a bench may fail")]

use std::fs::File;
use std::hint::black_box;
use std::io::{BufWriter, Read, Write};
use std::path::Path;
use std::time::Instant;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell::store::{Span, StoreReader};
use tallywell_sim::csv::{Columns, CsvWriter};
use tallywell_sim::direct::{Direct, Sampling};
use tallywell_sim::plant::{PointPlan, Shed};
use tallywell_sim::profile::Profile;
use tallywell_witness::cause::{Explainer, Explanation};
use tallywell_witness::reading::MeterFacts;

mod filled;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let days = arguments.iter().position(|word| word == "--days").map(|place| arguments[place + 1].parse().unwrap());
    let stretches = match days {
        Some(days) => vec![days],
        None if arguments.iter().any(|word| word == "--short") => vec![1.0],
        None => vec![1.0, 365.0],
    };
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
    let loaded = site::load(&shipped).unwrap();
    let facts = site::meter_facts(&loaded.site, "bore-1").unwrap();
    let folder = tempfile::tempdir().unwrap();
    println!(
        "{:>6}{:>12}{:>10}{:>12}{:>12}{:>12}{:>8}{:>14}{:>12}",
        "days", "readings", "MB", "read s", "parse s", "explain s", "CPU s", "from store s", "peak MB"
    );
    for days in stretches {
        let table = folder.path().join("table.csv");
        write_plain(&table, days);
        let bytes = std::fs::metadata(&table).unwrap().len();
        let (_, merely) = timed(|| merely_read(&table));
        let (count, parsing) = timed(|| CsvReader::new(File::open(&table).unwrap(), &facts).unwrap().count());
        let cpu = cpu_seconds();
        let (explanation, explaining) = timed(|| explain(&table, &facts));
        let cpu = cpu_seconds() - cpu;
        std::fs::remove_file(&table).unwrap();
        let store = folder.path().join("bench.db");
        filled::filled(&store, &facts, days);
        let (stored, from_store) = timed(|| explain_stored(&store, &facts));
        println!(
            "{days:>6}{count:>12}{:>10.0}{merely:>12.3}{parsing:>12.3}{explaining:>12.3}{cpu:>8.2}{from_store:>14.3}{:>12.0}",
            bytes as f64 / 1e6,
            peak_memory_mb()
        );
        assert_eq!(stored.verdict, explanation.verdict);
        std::fs::remove_file(&store).unwrap();
        println!("       {}: {:?}", explanation.main().map_or("?", |cause| cause.code.as_str()), explanation.verdict);
    }
}

fn timed<T>(work: impl FnOnce() -> T) -> (T, f64) {
    let begun = Instant::now();
    let done = work();
    (done, begun.elapsed().as_secs_f64())
}

fn explain(table: &Path, facts: &MeterFacts) -> Explanation {
    let mut explainer = Explainer::new(facts);
    for reading in CsvReader::new(File::open(table).unwrap(), facts).unwrap() {
        explainer.push(&reading.unwrap());
    }
    explainer.finish()
}

fn explain_stored(store: &Path, facts: &MeterFacts) -> Explanation {
    let mut explainer = Explainer::new(facts);
    for reading in StoreReader::open(store).unwrap().readings("bore-1", Span::ALL).unwrap() {
        explainer.push(&reading.unwrap());
    }
    explainer.finish()
}

fn merely_read(table: &Path) -> usize {
    let mut file = File::open(table).unwrap();
    let mut buffer = vec![0; 1 << 18];
    let mut sum = 0;
    loop {
        match file.read(&mut buffer).unwrap() {
            0 => return sum,
            count => sum += black_box(&buffer[..count]).len(),
        }
    }
}

fn write_plain(table: &Path, days: f64) {
    let plan = PointPlan::usual(Profile::trapezoid(4.0, 30.0, 600.0, 60.0), 36.0, 25.0);
    let bus = plan.sound.bus;
    let sampling = Sampling { jitter: 0.01, skew: [0.01, 0.01, 0.04, 0.07], missed: 0.0005, ..Sampling::default() };
    let out = BufWriter::with_capacity(1 << 16, File::create(table).unwrap());
    let mut writer = CsvWriter::new(out, Columns::default(), bus.flow, bus.total).unwrap();
    for row in Direct::new(Shed::new(vec![plan], 1), 0, sampling, days * 86_400.0, 1) {
        writer.write(&row).unwrap();
    }
    writer.into_inner().flush().unwrap();
}

/// The largest memory of this process so far, in MB.
fn peak_memory_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

/// The processor's time that this process has taken: what counts on a machine with other work to do.
fn cpu_seconds() -> f64 {
    let own = std::fs::read_to_string("/proc/self/schedstat").unwrap();
    own.split_whitespace().next().unwrap().parse::<f64>().unwrap() / 1e9
}

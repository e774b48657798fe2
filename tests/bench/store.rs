//! What the store costs: bytes a reading, and how fast a year is read back from it and from CSV.
//! `cargo bench --bench store`; `-- --days N` for another stretch than 10 days.

#![expect(clippy::unwrap_used, reason = "a bench may fail")]

use std::hint::black_box;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;
use std::time::Instant;

use tallywell::record::parquet::ParquetFolder;
use tallywell::record::{CsvReader, CsvWriter, Extent};
use tallywell::site;
use tallywell::store::{Span, StoreReader};
use tallywell_sim::csv;
use tallywell_sim::plant::PointPlan;
use tallywell_sim::profile::Profile;
use tallywell_witness::reading::MeterFacts;

mod filled;

use filled::{filled, rows};

/// What a reading may take in the store, everything included.
const MOST_BYTES: f64 = 12.0;
const YEAR_SECONDS: f64 = 365.0 * 86_400.0;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let days =
        arguments.iter().position(|it| it == "--days").map_or(10.0, |place| arguments[place + 1].parse().unwrap());
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
    let loaded = site::load(&shipped).unwrap();
    let facts = site::meter_facts(&loaded.site, "bore-1").unwrap();
    let folder = tempfile::tempdir().unwrap();
    println!("{days} days of noisy flow at one reading a second, the witnesses sampled some milliseconds apart");

    let store = folder.path().join("bench.db");
    let sealed = filled(&store, &facts, days);
    let bytes: u64 = std::fs::metadata(&store).unwrap().len();
    let each = bytes as f64 / sealed as f64;
    let held = if each <= MOST_BYTES { "held" } else { "NOT held" };
    println!(
        "store: {each:.2} bytes a reading of five values and six times ({sealed} readings); \
         {MOST_BYTES} at most: {held}"
    );

    let reader = StoreReader::open(&store).unwrap();
    let (count, seconds) = timed(|| {
        reader.readings("bore-1", Span::ALL).unwrap().fold(0_usize, |count, it| {
            black_box(it.unwrap());
            count + 1
        })
    });
    say("store, read", count, seconds, bytes);

    let full = folder.path().join("full.csv");
    let ((), seconds) = timed(|| {
        let out = BufWriter::with_capacity(1 << 16, std::fs::File::create(&full).unwrap());
        let mut writer = CsvWriter::new(out, &facts, Extent::default()).unwrap();
        for reading in reader.readings("bore-1", Span::ALL).unwrap() {
            writer.write(&reading.unwrap()).unwrap();
        }
        writer.finish().unwrap().flush().unwrap();
    });
    say("store to CSV, all columns", count, seconds, std::fs::metadata(&full).unwrap().len());
    let office = folder.path().join("office");
    let ((count, bytes), seconds) = timed(|| to_parquet(&reader, &facts, &office));
    say("store to Parquet", count, seconds, bytes);
    println!("    {:.2} bytes a reading, registers and sampling times included", bytes as f64 / count as f64);
    let plain = folder.path().join("plain.csv");
    write_plain(&plain, days);
    for (what, path) in [("CSV, all columns, read", &full), ("CSV, six columns, read", &plain)] {
        let bytes = std::fs::metadata(path).unwrap().len();
        let (_, merely) = timed(|| merely_read(path));
        let (count, seconds) = timed(|| {
            let reader = CsvReader::new(std::fs::File::open(path).unwrap(), &facts).unwrap();
            reader.fold(0_usize, |count, it| {
                black_box(it.unwrap());
                count + 1
            })
        });
        say(what, count, seconds, bytes);
        println!("    {:.1} times the time that merely reading the file takes", seconds / merely);
    }
}

/// Returns how many readings, and the bytes of all files.
fn to_parquet(reader: &StoreReader, facts: &MeterFacts, folder: &Path) -> (usize, u64) {
    let mut out = ParquetFolder::new(folder, "bench", facts).unwrap();
    let (mut count, mut files) = (0, Vec::new());
    for reading in reader.readings("bore-1", Span::ALL).unwrap() {
        files.extend(out.push(&reading.unwrap()).unwrap());
        count += 1;
    }
    files.extend(out.finish().unwrap());
    (count, files.iter().map(|file| std::fs::metadata(&file.path).unwrap().len()).sum())
}

fn timed<T>(work: impl FnOnce() -> T) -> (T, f64) {
    let begun = Instant::now();
    let done = work();
    (done, begun.elapsed().as_secs_f64())
}

fn say(what: &str, count: usize, seconds: f64, bytes: u64) {
    println!(
        "{what}: {:.2} million readings/s, {:.0} MB/s; a year takes {:.1} s",
        count as f64 / seconds / 1e6,
        bytes as f64 / seconds / 1e6,
        YEAR_SECONDS / (count as f64 / seconds)
    );
}

fn merely_read(path: &Path) -> u64 {
    let mut file = BufReader::new(std::fs::File::open(path).unwrap());
    let mut buffer = vec![0; 1 << 18];
    let mut sum = 0_u64;
    loop {
        match file.read(&mut buffer).unwrap() {
            0 => return sum,
            count => sum += black_box(&buffer[..count]).len() as u64,
        }
    }
}

fn write_plain(path: &Path, days: f64) {
    let out = BufWriter::with_capacity(1 << 16, std::fs::File::create(path).unwrap());
    let bus = PointPlan::usual(Profile::trapezoid(4.0, 30.0, 600.0, 60.0), 36.0, 25.0).sound.bus;
    let mut writer = csv::CsvWriter::new(out, csv::Columns::default(), bus.flow, bus.total).unwrap();
    for row in rows(days) {
        writer.write(&row).unwrap();
    }
    writer.into_inner().flush().unwrap();
}

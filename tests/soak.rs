//! A long time in a short one: readings of a healthy simulated meter, day after day, through table and tallies as the daemon
//! keeps them. What they remember does not grow, memory stays flat, nothing drifts, nothing is found where nothing is.
//!
//! `SOAK_DAYS=365 cargo test --release --test soak -- --nocapture` is a year; without it three days are run.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

use std::io::Write;
use std::path::Path;
use std::time::Instant;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::csv::{Columns, CsvWriter};
use tallywell_sim::direct::{Direct, Sampling};
use tallywell_sim::plant::{PointPlan, Shed};
use tallywell_sim::profile::Profile;
use tallywell_witness::tally::{Change, MeterTallies, TallyStanding, Verdict, VolumeJudged};

const DAY_MS: i64 = 86_400_000;
/// What the process and what is remembered may grow by after the first day: a day holds everything that there is.
const MOST_GROWTH_KIB: u64 = 4 * 1024;
const MOST_REMEMBERED: f64 = 1.25;

/// The process's resident memory (proc(5), `status`, `VmRSS`).
fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Half-hours of flow between rests, a little other each time, with polls missed and gaps.
fn rows(days: f64) -> Direct {
    let mut plan = PointPlan::usual(Profile::trapezoid(4.0, 30.0, 1_900.0, 400.0), 36.0, 5.0);
    plan.build.first_total = 1_204_311.0;
    let sampling = Sampling {
        jitter: 0.01,
        skew: [0.01, 0.01, 0.04, 0.07],
        missed: 0.0005,
        gaps: (43_200.0, 40.0),
        ..Sampling::default()
    };
    Direct::new(Shed::new(vec![plan], 20_261), 0, sampling, days * 86_400.0, 7)
}

#[test]
fn nothing_grows_and_nothing_drifts() {
    let days: f64 = std::env::var("SOAK_DAYS").map_or(3.0, |days| days.parse().unwrap());
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
    let facts = site::meter_facts(&site::load(&shipped).unwrap().site, "bore-1").unwrap();
    let (read_end, write_end) = std::io::pipe().unwrap();
    let begun = Instant::now();
    let writing = std::thread::spawn(move || {
        let bus = rows(0.0).shed().points()[0].plan().sound.bus;
        let columns = Columns { own_times: true, ..Columns::default() };
        let mut writer = CsvWriter::new(std::io::BufWriter::new(write_end), columns, bus.flow, bus.total).unwrap();
        for row in rows(days) {
            writer.write(&row).unwrap();
        }
        writer.into_inner().flush().unwrap();
    });
    let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
    let mut changes = Vec::new();
    let (mut readings, mut first, mut at_first, mut most) = (0_u64, None, None, (0, 0));
    for reading in CsvReader::new(read_end, &facts).unwrap() {
        let reading = reading.unwrap();
        readings += 1;
        tallies.push(&facts, &reading, &mut changes);
        changes.retain(|change| matches!(change, Change::Opened(_) | Change::Step(_)));
        let begin = *first.get_or_insert(reading.wall.0);
        if readings % 20_000 == 0 && reading.wall.0 - begin > DAY_MS {
            let now = (resident_kib(), serde_json::to_vec(&tallies).unwrap().len());
            at_first.get_or_insert(now);
            most = (most.0.max(now.0), most.1.max(now.1));
        }
    }
    writing.join().unwrap();
    let ((resident, remembered), took) = (at_first.expect("more than a day"), begun.elapsed().as_secs_f64());
    println!(
        "{days} days, {readings} readings in {took:.0} s: {} KiB resident after a day, {} at most later; {remembered} \
         bytes remembered after a day, {} at most later; {} steps or disagreements",
        resident,
        most.0,
        most.1,
        changes.len()
    );
    assert!(most.0 <= resident + MOST_GROWTH_KIB, "memory grows");
    assert!(most.1 as f64 <= remembered as f64 * MOST_REMEMBERED, "what is remembered grows");
    assert!(changes.is_empty(), "found where nothing is: {changes:?}");
    assert_eq!(tallies.overall(), Verdict::Agree);
    for TallyStanding { between, verdict, ratio, .. } in tallies.standing() {
        println!("  {:?}: {verdict:?}, ratio {ratio:?}", between.words());
        let drifted = ratio.is_some_and(|ratio| (ratio - 1.0).abs() > 0.003);
        assert!(!drifted, "{between:?} drifts: {ratio:?}");
    }
}

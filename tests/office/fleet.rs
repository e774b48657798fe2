//! Many simulated sheds as one office would have them: a folder of Parquet files, some with pulses that mean too much.

#[path = "daemon_read.rs"]
mod daemon_read;

use std::path::Path;
use std::time::SystemTime;

use daemon_read::reading;
use tallywell::record::parquet::ParquetFolder;
use tallywell::record::{format_instant, parse_instant};
use tallywell::site;
use tallywell_sim::direct::{Direct, Sampling};
use tallywell_sim::plant::{PointPlan, Shed};
use tallywell_sim::profile::Profile;
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::units::WallMillis;

const DAY_SECONDS: f64 = 86_400.0;

/// How a fleet is sampled.
#[derive(Clone, Copy, Debug)]
pub struct Fleet {
    pub sheds: u64,
    /// Up to the day before the last of last month.
    pub days: f64,
    /// Seconds from reading to reading.
    pub every: f64,
}

/// Every fifth shed's meter makes each pulse of so much more volume than its receiver takes it to mean.
pub const WRONG_SHARE: f64 = 0.012;

pub fn is_wrong(shed: u64) -> bool {
    shed % 5 == 2
}

pub fn name(shed: u64) -> String {
    format!("Kestrel Creek / shed No. {shed} (über)")
}

/// The shipped site's first bore.
pub fn facts() -> MeterFacts {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
    site::meter_facts(&site::load(&shipped).unwrap().site, "bore-1").unwrap()
}

/// Writes one shed's readings into the folder; returns how many.
pub fn write(fleet: Fleet, shed: u64, folder: &Path) -> u64 {
    let facts = facts();
    let mut out = ParquetFolder::new(folder, &name(shed), &facts).unwrap();
    let mut count = 0;
    for row in rows(fleet, shed) {
        out.push(&reading(&row)).unwrap();
        count += 1;
    }
    out.finish().unwrap();
    count
}

fn rows(fleet: Fleet, shed: u64) -> Direct {
    let profile = Profile::trapezoid(4.0, 18.0 + (shed % 7) as f64, 600.0, 60.0);
    let volume = if is_wrong(shed) { 5.0 * (1.0 + WRONG_SHARE) } else { 5.0 };
    let plan = PointPlan::usual(profile, 36.0, volume);
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_millis();
    let today = format_instant(WallMillis(i64::try_from(now).unwrap()));
    let this_month = parse_instant(&format!("{}-01", &today[..7])).unwrap();
    let ends = this_month.0 - 2 * 86_400_000;
    let sampling = Sampling {
        poll: fleet.every,
        skew: [0.01, 0.01, 0.04, 0.07],
        missed: 0.001,
        first_ms: ends - (fleet.days * 86_400_000.0) as i64,
        ..Sampling::default()
    };
    Direct::new(Shed::new(vec![plan], shed), 0, sampling, fleet.days * DAY_SECONDS, shed)
}

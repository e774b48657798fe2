//! A store filled with days of one simulated meter, for the benchmarks that read it.

#[path = "../office/daemon_read.rs"]
mod daemon_read;

use std::path::Path;
use std::time::Duration;

use daemon_read::reading;
use tallywell::store::evidence::Run;
use tallywell::store::{Options, Writer};
use tallywell_sim::direct::{Direct, Sampling};
use tallywell_sim::plant::{PointPlan, Shed};
use tallywell_sim::profile::Profile;
use tallywell_witness::reading::MeterFacts;

/// Noisy flow at one reading a second, the witnesses sampled some milliseconds apart.
pub fn rows(days: f64) -> Direct {
    let profile = Profile::trapezoid(4.0, 30.0, 600.0, 60.0);
    let plan = PointPlan::usual(profile, 36.0, 25.0);
    let sampling = Sampling {
        jitter: 0.01,
        skew: [0.01, 0.01, 0.04, 0.07],
        skew_jitter: 0.003,
        missed: 0.0005,
        first_ms: 1_740_000_000_000,
        ..Sampling::default()
    };
    Direct::new(Shed::new(vec![plan], 1), 0, sampling, days * 86_400.0, 1)
}

/// Fills a store as the daemon does, and returns how many readings it holds.
pub fn filled(path: &Path, facts: &MeterFacts, days: f64) -> u64 {
    let options = Options { tidy_every: Duration::ZERO, commit_every: Duration::from_secs(3600), ..Options::default() };
    let writer = Writer::open(path, options).unwrap();
    writer.declare(facts);
    writer.begin_run(Run::default());
    for (place, row) in rows(days).enumerate() {
        writer.append("bore-1", &reading(&row));
        if place % 4096 == 4095 {
            assert!(writer.flush(Duration::from_secs(60)));
        }
    }
    let health = writer.close();
    assert_eq!((health.readings_dropped, &health.trouble), (0, &None));
    health.readings_stored
}

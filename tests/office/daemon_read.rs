//! Simulated rows as the daemon would have read them.

use tallywell_sim::direct::{self, Row};
use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::{SteadyMillis, WallMillis};

/// A simulated row as the daemon would have read it.
pub fn reading(row: &Row) -> Reading {
    let sample = |it: Option<direct::Reading>| {
        it.map(|it| Sample { value: it.value, at: SteadyMillis(it.time_ms), raw: RawWords::new(it.raw.as_slice()) })
    };
    Reading {
        at: SteadyMillis(row.time_ms),
        wall: WallMillis(row.time_ms),
        flow: sample(row.flow),
        total: sample(row.total),
        loop_ma: sample(row.loop_ma),
        pulses: sample(row.pulses),
        status: row.status.map(|bits| StatusBits(u64::from(bits))),
        ..Reading::default()
    }
}

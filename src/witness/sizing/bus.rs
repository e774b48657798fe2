//! How often a line can be read.

use std::time::Duration;

use serde::Serialize;

use crate::declared::{Framing, Table};
use crate::plan::{ASSUMED_DEVICE_LATENCY, Request, WireTiming};

/// One turn of a line at one rate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BusCycle {
    /// Bits a second.
    pub baud: u32,
    /// The time to ask every device once.
    pub cycle_ms: f64,
    /// Turns a second if nothing else is asked.
    pub turns_per_second: f64,
    /// The shortest plain period that leaves a fifth of the line's time for retries.
    pub shortest_period_ms: u64,
}

/// The part of a line's time that a plan may take, so that a repeated request finds room.
const LARGEST_SHARE: f64 = 0.8;

/// Periods people would write, in milliseconds.
const PLAIN_PERIODS_MS: [u64; 14] =
    [50, 100, 200, 250, 500, 1000, 1500, 2000, 3000, 5000, 10_000, 15_000, 30_000, 60_000];

/// Rates that serial ports and meters commonly offer.
const BAUDS: [u32; 5] = [9600, 19_200, 38_400, 57_600, 115_200];

/// One turn of `devices` devices with one request of `registers` registers each, at the usual rates and the one declared.
#[must_use]
pub fn bus_cycles(devices: u32, registers: u16, framing: Framing) -> Vec<BusCycle> {
    let mut bauds = BAUDS.to_vec();
    if !bauds.contains(&framing.baud) {
        bauds.push(framing.baud);
        bauds.sort_unstable();
    }
    bauds.into_iter().map(|baud| cycle(devices, registers, Framing { baud, ..framing })).collect()
}

fn cycle(devices: u32, registers: u16, framing: Framing) -> BusCycle {
    let timing = WireTiming::new(framing);
    let request = Request { table: Table::Holding, start: 0, count: registers };
    let cycle: Duration = devices * timing.transaction(request, timing.t3_5() + ASSUMED_DEVICE_LATENCY);
    let cycle_ms = 1000.0 * cycle.as_secs_f64();
    let plain = PLAIN_PERIODS_MS.into_iter().find(|period| cycle_ms <= LARGEST_SHARE * *period as f64);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few minutes in milliseconds")]
    let whole_seconds = || 1000 * (cycle_ms / LARGEST_SHARE / 1000.0).ceil() as u64;
    BusCycle {
        baud: framing.baud,
        cycle_ms,
        turns_per_second: 1000.0 / cycle_ms,
        shortest_period_ms: plain.unwrap_or_else(whole_seconds),
    }
}

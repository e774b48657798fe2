//! A shed sampled as a poller would sample it, without a wire and without waiting: months in seconds.

use crate::meter::STATUS_NAMES;
use crate::plant::{Shed, precise};
use crate::random::Stream;
use crate::register::Words;

/// How the readings are taken. Times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// From one row to the next.
    pub poll: f64,
    /// Standard deviation of a row's instant from its place in the plan.
    pub jitter: f64,
    /// How much later than the row each witness is sampled: flow, total, current, pulses.
    pub skew: [f64; 4],
    /// Standard deviation of each witness's instant.
    pub skew_jitter: f64,
    /// The share of a device's readings that is missed.
    pub missed: f64,
    /// Mean time from one gap in polling to the next, and mean length of a gap; none if the second is 0.
    pub gaps: (f64, f64),
    /// Standard deviation of the time written from the true one.
    pub clock_jitter: f64,
    /// The time of the first row, milliseconds since 1970.
    pub first_ms: i64,
}

impl Default for Sampling {
    /// Once a second, as planned, all at once, nothing missed, from 2026-03-01T00:00:00Z.
    fn default() -> Self {
        Self {
            poll: 1.0,
            jitter: 0.0,
            skew: [0.0; 4],
            skew_jitter: 0.0,
            missed: 0.0,
            gaps: (0.0, 0.0),
            clock_jitter: 0.0,
            first_ms: 1_772_323_200_000,
        }
    }
}

/// One reading of a value and when it was taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// In the unit of its register map, or counts, or milliamperes.
    pub value: f64,
    /// The instant of sampling by the poller's clock, milliseconds since 1970.
    pub time_ms: i64,
    /// The registers behind it, where there are any.
    pub raw: Words,
}

/// One row: what a poller knows of one meter at one moment. A missing value was missed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Milliseconds since 1970.
    pub time_ms: i64,
    /// The flow register.
    pub flow: Option<Reading>,
    /// The total register.
    pub total: Option<Reading>,
    /// The loop current in milliamperes.
    pub loop_ma: Option<Reading>,
    /// The pulse counter.
    pub pulses: Option<Reading>,
    /// The reverse total, in the total's unit.
    pub reverse_total: Option<Reading>,
    /// What the controller makes of the current.
    pub receiver_flow: Option<Reading>,
    /// What the controller makes of the pulses.
    pub receiver_total: Option<Reading>,
    /// The meter's status bits.
    pub status: Option<u16>,
    /// Whether the pump runs.
    pub running: Option<bool>,
}

impl Row {
    /// The names of the status bits that are set.
    pub fn status_names(&self) -> impl Iterator<Item = &'static str> + use<> {
        let bits = self.status.unwrap_or(0);
        STATUS_NAMES.into_iter().filter(move |(bit, _)| bits >> bit & 1 == 1).map(|(_, name)| name)
    }
}

/// The rows of one meter of a shed, lazily.
#[derive(Clone, Debug)]
pub struct Direct {
    shed: Shed,
    place: usize,
    sampling: Sampling,
    random: Stream,
    rows: u64,
    next: u64,
    gap_begins: f64,
    gap_ends: f64,
    last_ms: i64,
}

impl Direct {
    /// Rows of the meter at `place` of `shed` for `duration` seconds; `seed` rules the sampling alone.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a duration is positive")]
    pub fn new(shed: Shed, place: usize, sampling: Sampling, duration: f64, seed: u64) -> Self {
        let mut random = Stream::new(seed, u64::MAX);
        let gap_begins = if sampling.gaps.1 > 0.0 { random.exponential(sampling.gaps.0) } else { f64::INFINITY };
        let rows = (duration / sampling.poll).floor() as u64 + 1;
        Self { shed, place, sampling, random, rows, next: 0, gap_begins, gap_ends: 0.0, last_ms: i64::MIN }
    }

    /// The shed as it is after the last row.
    #[must_use]
    pub const fn shed(&self) -> &Shed {
        &self.shed
    }

    fn row(&mut self, planned: f64) -> Row {
        let sampling = self.sampling;
        let limit = 0.4 * sampling.poll;
        let at = (planned + self.departure(sampling.jitter, limit)).max(0.0);
        let instants: [f64; 4] = if sampling.skew_jitter > 0.0 {
            sampling.skew.map(|skew| at + (skew + self.departure(sampling.skew_jitter, limit)).max(0.0))
        } else {
            sampling.skew.map(|skew| at + skew)
        };
        let clock = self.departure(sampling.clock_jitter, limit);
        let time_ms = (sampling.first_ms + milliseconds(at + clock)).max(self.last_ms.saturating_add(1));
        self.last_ms = time_ms;
        let mut row = Row {
            time_ms,
            flow: None,
            total: None,
            loop_ma: None,
            pulses: None,
            reverse_total: None,
            receiver_flow: None,
            receiver_total: None,
            status: None,
            running: None,
        };
        let missed = [self.missed(), self.missed(), self.missed()];
        for witness in in_order_of_time(&instants) {
            let device = witness.saturating_sub(1);
            let time_ms = sampling.first_ms + milliseconds(instants[witness] + clock);
            self.shed.advance_to(instants[witness]);
            if !missed[device] {
                self.sample(witness, time_ms, &mut row);
            }
        }
        row
    }

    fn sample(&mut self, witness: usize, time_ms: i64, row: &mut Row) {
        let bus = self.shed.points()[self.place].plan().sound.bus;
        match witness {
            0 => {
                let image = self.shed.read_bus(self.place);
                row.flow = Some(Reading { value: bus.flow.decode(&image.flow), time_ms, raw: image.flow });
                row.status = Some(image.status);
                row.running = Some(self.shed.points()[self.place].running());
            }
            1 => {
                let image = self.shed.read_bus(self.place);
                row.total = Some(Reading { value: bus.total.decode(&image.total), time_ms, raw: image.total });
                let raw = bus.total.encode(image.reverse);
                row.reverse_total = Some(Reading { value: bus.total.decode(&raw), time_ms, raw });
            }
            2 => {
                let value = self.shed.read_current(self.place);
                row.loop_ma = Some(Reading { value, time_ms, raw: Words::default() });
                self.sample_controller(time_ms, row);
            }
            _ => {
                let value = precise(self.shed.read_count(self.place));
                row.pulses = Some(Reading { value, time_ms, raw: Words::default() });
            }
        }
    }

    fn sample_controller(&mut self, time_ms: i64, row: &mut Row) {
        let Some((flow, total)) = self.shed.read_controller(self.place) else { return };
        let Some(declared) = self.shed.points()[self.place].plan().sound.controller else { return };
        row.receiver_flow = Some(Reading { value: declared.flow.decode(&flow), time_ms, raw: flow });
        row.receiver_total = Some(Reading { value: declared.total.decode(&total), time_ms, raw: total });
    }

    fn departure(&mut self, deviation: f64, limit: f64) -> f64 {
        if deviation > 0.0 { (deviation * self.random.normal()).clamp(-limit, limit) } else { 0.0 }
    }

    fn missed(&mut self) -> bool {
        self.random.chance(self.sampling.missed)
    }

    fn in_gap(&mut self, time: f64) -> bool {
        while time >= self.gap_begins && time >= self.gap_ends {
            if self.gap_ends < self.gap_begins {
                self.gap_ends = self.gap_begins + self.random.exponential(self.sampling.gaps.1);
            } else {
                self.gap_begins = self.gap_ends + self.random.exponential(self.sampling.gaps.0);
            }
        }
        time >= self.gap_begins
    }
}

impl Iterator for Direct {
    type Item = Row;

    fn next(&mut self) -> Option<Row> {
        while self.next < self.rows {
            let planned = precise(self.next) * self.sampling.poll;
            self.next += 1;
            if !self.in_gap(planned) {
                return Some(self.row(planned));
            }
        }
        None
    }
}

/// The witnesses' places, earliest first.
fn in_order_of_time(instants: &[f64; 4]) -> [usize; 4] {
    let mut places = [0, 1, 2, 3];
    if instants.is_sorted() {
        return places;
    }
    places.sort_by(|a, b| instants[*a].total_cmp(&instants[*b]));
    places
}

#[expect(clippy::cast_possible_truncation, reason = "milliseconds of a simulation fit")]
fn milliseconds(seconds: f64) -> i64 {
    (seconds * 1000.0).round() as i64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::PointPlan;
    use crate::profile::Profile;

    fn day(plan: PointPlan) -> Vec<Row> {
        Direct::new(Shed::new(vec![plan], 7), 0, Sampling::default(), 6.0 * 3600.0, 7).collect()
    }

    fn plan() -> PointPlan {
        PointPlan::usual(Profile::trapezoid(4.0, 30.0, 600.0, 60.0), 36.0, 25.0)
    }

    fn value(reading: Option<Reading>) -> f64 {
        reading.expect("nothing is missed").value
    }

    fn gained(rows: &[Row], of: impl Fn(&Row) -> Option<Reading>) -> f64 {
        value(of(&rows[rows.len() - 1])) - value(of(&rows[0]))
    }

    #[test]
    fn sound_witnesses_tell_the_same_volume() {
        let rows = day(plan());
        let volume = gained(&rows, |row| row.total);
        let pulses = gained(&rows, |row| row.pulses) * 25.0;
        let flow: f64 = rows.iter().skip(1).map(|row| value(row.flow)).sum();
        let current: f64 = rows.iter().skip(1).map(|row| (value(row.loop_ma) - 4.0) / 16.0 * 36.0).sum();
        assert!((volume - 360_000.0).abs() < 6_000.0, "17 L/s on average make about 367 m3, not {volume}");
        // One pulse, and what runs within a cycle and a renewal.
        assert!((volume - pulses).abs() <= 25.0 + 1.0 + 0.4 * 35.0, "{volume} and {pulses}");
        assert!((flow / volume - 1.0).abs() < 5e-4, "{flow} and {volume}");
        assert!((current / flow - 1.0).abs() < 5e-4, "{current} and {flow}");
    }

    #[test]
    fn the_same_seed_gives_the_same_rows() {
        assert_eq!(day(plan()), day(plan()));
    }
}

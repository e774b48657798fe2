//! The last minute of a meter: each witness as a mean flow over the same short time, so that they can be put side by side.

use std::collections::VecDeque;

use tallywell_witness::declared::{PulseCounts, TotalCounts};
use tallywell_witness::decode::{modulus, resolution, unwrap_step};
use tallywell_witness::reading::{MeterFacts, Reading, Sample, WitnessFacts};
use tallywell_witness::units::{Milliamperes, SteadyMillis};

use crate::face::state::MeanFlow;
use crate::record::Quantity;

/// How far back is looked, in ms and in periods of the slowest witness, whichever is longer.
const MINUTE: (i64, i64) = (60_000, 6);
/// Less than this is too short for a mean.
const LEAST: (i64, i64) = (10_000, 2);
/// After a silence longer than this it begins anew.
const GAP: (i64, i64) = (15_000, 4);

/// What the witnesses of one meter said of late.
#[derive(Clone, Debug, Default)]
pub(super) struct LastMinute {
    every_ms: i64,
    flow: Track,
    current: Track,
    total: CountTrack,
    pulses: CountTrack,
}

impl LastMinute {
    /// Takes the next reading.
    pub(super) fn push(&mut self, facts: &MeterFacts, reading: &Reading) {
        #[expect(clippy::cast_possible_truncation, reason = "a cast saturates")]
        let every_ms = (Quantity::slowest_s(facts) * 1000.0) as i64;
        self.every_ms = every_ms;
        if let (Some(sample), Some(of)) = (reading.flow, &facts.flow) {
            self.flow.push(every_ms, sample.at, of.entry.unit.value_in_base(sample.value));
        }
        if let (Some(sample), Some(declared)) = (reading.loop_ma, &facts.meter.current_loop) {
            let (low, high) = declared.saturates;
            if low.0 <= sample.value && sample.value <= high.0 {
                self.current.push(every_ms, sample.at, declared.flow_of(Milliamperes(sample.value)).0);
            } else {
                self.current = Track::default();
            }
        }
        if let (Some(sample), Some(of)) = (reading.total, &facts.total) {
            let sign = if facts.meter.total_counts == TotalCounts::Reverse { -1.0 } else { 1.0 };
            let may_go_back = facts.meter.total_counts == TotalCounts::Net;
            self.total.push(every_ms, sample, of, sign * of.entry.unit.value_in_base(1.0), may_go_back);
        }
        if let (Some(sample), Some(of), Some(pulse)) = (reading.pulses, &facts.pulses, &facts.meter.pulse) {
            let sign = if pulse.counts == PulseCounts::Reverse { -1.0 } else { 1.0 };
            self.pulses.push(every_ms, sample, of, sign * pulse.volume.0, false);
        }
    }

    /// The means, of those witnesses that were heard for long enough.
    pub(super) fn means(&self) -> Vec<MeanFlow> {
        let mean = |witness: &str, found: Option<(f64, f64)>, step: f64| {
            found.map(|(mean_l_s, over_s)| MeanFlow {
                witness: witness.to_owned(),
                mean_l_s,
                within_l_s: step / over_s,
                over_s,
            })
        };
        [
            mean("flow", self.flow.mean(self.every_ms), 0.0),
            mean("loop", self.current.mean(self.every_ms), 0.0),
            mean("total", self.total.track.rate(self.every_ms), self.total.step_l),
            mean("pulse", self.pulses.track.rate(self.every_ms), self.pulses.step_l),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

/// A time that is neither shorter than so many ms nor than so many periods.
fn least((ms, periods): (i64, i64), every_ms: i64) -> i64 {
    ms.max(periods * every_ms)
}

/// Values of the last minute and their instants.
#[derive(Clone, Debug, Default)]
struct Track(VecDeque<(SteadyMillis, f64)>);

impl Track {
    fn push(&mut self, every_ms: i64, at: SteadyMillis, value: f64) {
        if !value.is_finite() {
            return;
        }
        if let Some((last, _)) = self.0.back() {
            if at <= *last {
                return;
            }
            if at.0 - last.0 > least(GAP, every_ms) {
                self.0.clear();
            }
        }
        self.0.push_back((at, value));
        // One value from before the minute's beginning is kept, or a slow meter would never fill one.
        while self.0.get(1).is_some_and(|(second, _)| at.0 - second.0 >= least(MINUTE, every_ms)) {
            self.0.pop_front();
        }
    }

    /// First and last, if they lie far enough apart, and the seconds between them.
    fn ends(&self, every_ms: i64) -> Option<(f64, f64, f64)> {
        let ((begin, first), (end, last)) = (self.0.front()?, self.0.back()?);
        (end.0 - begin.0 >= least(LEAST, every_ms)).then(|| (*first, *last, end.since(*begin).0))
    }

    /// The mean over time of values that are flows, and the seconds.
    fn mean(&self, every_ms: i64) -> Option<(f64, f64)> {
        let (_, _, over) = self.ends(every_ms)?;
        let pairs = self.0.iter().zip(self.0.iter().skip(1));
        let volume: f64 = pairs.map(|((t0, q0), (t1, q1))| t1.since(*t0).0 * f64::midpoint(*q0, *q1)).sum();
        Some((volume / over, over))
    }

    /// The rate at which values that are volumes grew, and the seconds.
    fn rate(&self, every_ms: i64) -> Option<(f64, f64)> {
        let (first, last, over) = self.ends(every_ms)?;
        Some(((last - first) / over, over))
    }
}

/// A counter over the last minute, as litres since some beginning.
#[derive(Clone, Debug, Default)]
struct CountTrack {
    last: Option<f64>,
    litres: f64,
    /// One step of the counter, L.
    step_l: f64,
    track: Track,
}

impl CountTrack {
    fn push(&mut self, every_ms: i64, sample: Sample, of: &WitnessFacts, litres_per_count: f64, may_go_back: bool) {
        if !sample.value.is_finite() {
            return;
        }
        let step = self.last.map_or(0.0, |last| unwrap_step(last, sample.value, modulus(&of.entry)));
        self.last = Some(sample.value);
        if step < 0.0 && !may_go_back {
            self.track = Track::default();
        }
        self.litres += step * litres_per_count;
        self.step_l = (resolution(&of.entry, sample.value) * litres_per_count).abs();
        self.track.push(every_ms, sample.at, self.litres);
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use tallywell_witness::reading::RawWords;

    use super::*;
    use crate::site::meter_facts;

    fn facts() -> MeterFacts {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
        meter_facts(&crate::site::load(&shipped).unwrap().site, "bore-1").unwrap()
    }

    /// 18 L/s for so many seconds: half of 36 L/s is 12 mA, and 5 L a pulse.
    fn reading(second: u32, pulses_from: f64) -> Reading {
        let at = SteadyMillis(i64::from(second) * 1000);
        let sample = |value| Some(Sample { value, at, raw: RawWords::default() });
        let litres = 18.0 * f64::from(second);
        Reading {
            at,
            flow: sample(18.0),
            loop_ma: sample(12.0),
            total: sample(litres.floor()),
            pulses: sample(pulses_from + (litres / 5.0).floor()),
            ..Reading::default()
        }
    }

    #[test]
    fn four_witnesses_of_one_flow_have_one_mean_each_within_its_step() {
        let facts = facts();
        let mut minute = LastMinute::default();
        for second in 0..9 {
            minute.push(&facts, &reading(second, 0.0));
        }
        assert_eq!(minute.means(), [], "too short");
        // The counter of pulses passes its end, 2^32, without harm.
        let mut minute = LastMinute::default();
        for second in 0..200 {
            let mut reading = reading(second, 4_294_967_296.0 - 100.0);
            if let Some(pulses) = &mut reading.pulses {
                pulses.value %= 4_294_967_296.0;
            }
            minute.push(&facts, &reading);
        }
        let means = minute.means();
        let names: Vec<&str> = means.iter().map(|mean| mean.witness.as_str()).collect();
        assert_eq!(names, ["flow", "loop", "total", "pulse"]);
        for mean in means {
            assert!((mean.mean_l_s - 18.0).abs() <= mean.within_l_s + 1e-9, "{mean:?}");
            assert!((mean.over_s - 60.0).abs() < 1e-9, "{mean:?}");
        }
    }

    #[test]
    fn a_restarted_counter_and_a_silence_begin_anew() {
        let facts = facts();
        let mut minute = LastMinute::default();
        for second in 0..60 {
            minute.push(&facts, &reading(second, if second < 55 { 1000.0 } else { 0.0 }));
        }
        let names: Vec<String> = minute.means().into_iter().map(|mean| mean.witness).collect();
        assert_eq!(names, ["flow", "loop", "total"], "the pulses went back");
        minute.push(&facts, &reading(90, 0.0));
        assert_eq!(minute.means(), []);
    }

    #[test]
    fn a_meter_that_is_read_seldom_is_looked_at_for_longer() {
        let mut facts = facts();
        if let Some(flow) = &mut facts.flow {
            flow.every = std::time::Duration::from_secs(30);
        }
        let mut minute = LastMinute::default();
        for second in (0..600).step_by(30) {
            minute.push(&facts, &reading(second, 0.0));
        }
        let means = minute.means();
        assert!(means.len() == 4 && means.iter().all(|mean| (mean.over_s - 180.0).abs() < 1e-9), "{means:?}");
    }
}

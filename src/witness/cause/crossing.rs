//! The other meters of the site, for signals that follow one of them.

use crate::declared::Dimension;
use crate::reading::{MeterFacts, Reading};
use crate::units::WallMillis;

use super::intake::to_base;

/// The most moments that are kept of another meter.
const MOST: usize = 16_384;

/// What another meter of the site saw: its flow over time.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherMeter {
    /// Its name.
    pub name: String,
    /// What its loop's receiver takes 20 mA and 4 mA to mean, L/s.
    full_scale: Option<(f64, f64)>,
    /// What its pulse receiver takes one pulse to mean, L.
    pulse_volume: Option<f64>,
    /// Milliseconds on the wall, litres forward and litres backward until then, flow.
    moments: Vec<(i64, f64, f64, f64)>,
    flow_to_base: f64,
    stride: u32,
    skipped: u32,
    last: Option<(i64, f64)>,
    forward: f64,
    reverse: f64,
}

impl OtherMeter {
    /// Another meter, as declared, before any of its readings.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        let meter = &facts.meter;
        Self {
            name: meter.name.clone(),
            full_scale: meter.current_loop.as_ref().map(|declared| (declared.full_scale.0, declared.at_4_ma.0)),
            pulse_volume: meter.pulse.as_ref().map(|declared| declared.volume.0),
            moments: Vec::new(),
            flow_to_base: to_base(facts.flow.as_ref(), Dimension::Flow),
            stride: 1,
            skipped: 0,
            last: None,
            forward: 0.0,
            reverse: 0.0,
        }
    }

    /// Its next reading.
    pub fn push(&mut self, reading: &Reading) {
        let Some(flow) = reading.flow.map(|sample| sample.value * self.flow_to_base).filter(|flow| flow.is_finite())
        else {
            return;
        };
        let wall = reading.wall.0;
        if let Some((before, last)) = self.last {
            #[expect(clippy::cast_precision_loss, reason = "milliseconds between two readings")]
            let seconds = ((wall - before) as f64 / 1000.0).clamp(0.0, 600.0);
            self.forward += 0.5 * seconds * (last.max(0.0) + flow.max(0.0));
            self.reverse += 0.5 * seconds * ((-last).max(0.0) + (-flow).max(0.0));
        }
        self.last = Some((wall, flow));
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        self.moments.push((wall, self.forward, self.reverse, flow));
        if self.moments.len() >= MOST {
            let mut keep = false;
            self.moments.retain(|_| {
                keep = !keep;
                keep
            });
            self.stride *= 2;
        }
    }

    /// Litres forward and backward between two moments; `None` outside what was seen.
    pub(super) fn volume(&self, from: WallMillis, to: WallMillis) -> Option<(f64, f64)> {
        let (a, b) = (self.until(from)?, self.until(to)?);
        Some((b.0 - a.0, b.1 - a.1))
    }

    /// Its mean flow between two moments.
    pub(super) fn mean_flow(&self, from: WallMillis, to: WallMillis) -> Option<f64> {
        if to.0 <= from.0 {
            return None;
        }
        let (forward, reverse) = self.volume(from, to)?;
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of a stretch")]
        let seconds = (to.0 - from.0) as f64 / 1000.0;
        Some((forward - reverse) / seconds)
    }

    /// What its loop would show for a flow, in milliamperes; taken on `scale` where it declares no loop.
    pub(super) fn scale(&self) -> Option<(f64, f64)> {
        self.full_scale
    }

    /// The volume of one of its pulses.
    pub(super) const fn pulse_volume(&self) -> Option<f64> {
        self.pulse_volume
    }

    fn until(&self, wall: WallMillis) -> Option<(f64, f64)> {
        let index = self.moments.partition_point(|moment| moment.0 < wall.0);
        let after = self.moments.get(index)?;
        if index == 0 {
            return (after.0 == wall.0).then_some((after.1, after.2));
        }
        let before = self.moments[index - 1];
        #[expect(clippy::cast_precision_loss, reason = "milliseconds between two moments")]
        let share = (wall.0 - before.0) as f64 / (after.0 - before.0).max(1) as f64;
        Some((before.1 + share * (after.1 - before.1), before.2 + share * (after.2 - before.2)))
    }
}

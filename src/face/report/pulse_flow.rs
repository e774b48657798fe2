//! Pulses as a flow: counted over stretches long enough for their number to mean something.

use tallywell_witness::declared::PulseCounts;
use tallywell_witness::reading::{MeterFacts, Reading};

use super::columns::moment;
use super::counts::{Count, Went, quickest};

/// One pulse more or less of so many is 2 %.
const PULSES_A_STRETCH: f64 = 50.0;
/// A picture shows at least so many stretches, however few the pulses.
const STRETCHES: f64 = 36.0;
/// But none is shorter than this, in seconds.
const SHORTEST_S: f64 = 10.0;

/// The pulse counter as a flow in steps.
#[derive(Debug)]
pub(super) struct PulseFlow {
    count: Count,
    /// Litres a pulse, negative where reverse flow makes them.
    weight: f64,
    /// Pulses a second that no flow makes.
    quickest: f64,
    gap_s: f64,
    least_s: f64,
    most_s: f64,
    /// Where the stretch began, and how far the count had gone.
    began: Option<(f64, f64)>,
    last: f64,
    points: Vec<(f64, f64)>,
}

impl PulseFlow {
    /// `None` where the meter has no pulses.
    pub(super) fn new(facts: &MeterFacts, (from, to): (f64, f64), gap_s: f64) -> Option<Self> {
        let pulse = facts.meter.pulse.as_ref()?;
        let weight = pulse.volume.0;
        Some(Self {
            count: Count::new(facts.pulses.as_ref()?, false),
            weight: if pulse.counts == PulseCounts::Reverse { -weight } else { weight },
            quickest: quickest(facts) / weight + 50.0,
            gap_s,
            least_s: ((to - from) / 500.0).max(SHORTEST_S),
            most_s: ((to - from) / STRETCHES).max(2.0 * SHORTEST_S),
            began: None,
            last: f64::NAN,
            points: Vec::new(),
        })
    }

    /// The next reading.
    pub(super) fn push(&mut self, reading: &Reading) {
        let Some(sample) = reading.pulses else { return };
        let x = moment(reading, sample);
        let went = self.count.push(x, sample.value, 1.0, self.quickest);
        if went == Went::Odd {
            return;
        }
        let is_broken = went == Went::Anew || x - self.last > self.gap_s || x < self.last;
        self.last = x;
        let Some((began, gone)) = self.began.filter(|_| !is_broken) else {
            if let Some((last, _)) = self.points.last().filter(|(_, flow)| !flow.is_nan()) {
                self.points.push((*last, f64::NAN));
            }
            self.began = Some((x, self.count.gone));
            return;
        };
        let (time, pulses) = (x - began, self.count.gone - gone);
        if time >= self.most_s || time >= self.least_s && pulses >= PULSES_A_STRETCH {
            let flow = pulses * self.weight / time;
            self.points.extend([(began, flow), (x, flow)]);
            self.began = Some((x, self.count.gone));
        }
    }

    /// The volume counted, in litres.
    pub(super) fn volume_l(&self) -> f64 {
        self.count.gone * self.weight
    }

    /// The flow in L/s, in steps.
    pub(super) fn into_points(self) -> Vec<(f64, f64)> {
        self.points
    }
}

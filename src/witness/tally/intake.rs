//! What a reading says in litres and seconds: units applied, counters unwrapped, directions brought together.

use serde::{Deserialize, Serialize};

use super::counter::{Advance, Counter};
use crate::declared::{CurrentLoop, PulseCounts, TotalCounts};
use crate::reading::{MeterFacts, Reading, Sample, WitnessFacts};
use crate::units::SteadyMillis;

/// A counter is thought to get at most this many times the pulses that the output can make: bounce and doubling.
const PULSE_RATE_MARGIN: f64 = 4.0;

/// A counting register with its unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    counter: Counter,
    per_count: f64,
}

impl Counted {
    fn new(facts: &WitnessFacts, per_count: f64, fastest: Option<f64>, may_fall: bool) -> Self {
        Self { counter: Counter::new(&facts.entry, fastest.map(|rate| rate / per_count), may_fall), per_count }
    }

    /// The register is as wide as its values show.
    const fn of_undeclared_width(self) -> Self {
        Self { counter: self.counter.of_undeclared_width(), ..self }
    }

    /// Takes a sample if it is a plain step forward; false if [`push`](Self::push) has to look closer.
    #[inline]
    pub fn step(&mut self, sample: &Sample, shift_ms: i64) -> bool {
        self.counter.step(sample.value, sample.at.0 + shift_ms).is_some()
    }

    /// Takes a sample; what it means.
    pub fn push(&mut self, sample: &Sample, shift_ms: i64) -> Advance {
        self.counter.push(sample.value, sample.at.0 + shift_ms)
    }

    /// Litres (or pulses) since the first value.
    #[must_use]
    pub fn position(&self) -> f64 {
        self.counter.position() * self.per_count
    }

    /// How well the volume is known at its last value.
    #[must_use]
    pub fn slack(&self) -> Slack {
        let (grain, spacing) = (self.counter.grain(), self.counter.spacing());
        Slack {
            low: -0.5 * (grain + spacing) * self.per_count,
            high: (grain + spacing) * self.per_count,
            float_spacing: spacing * self.per_count,
        }
    }

    /// Whether the last value was believed.
    #[must_use]
    pub const fn is_settled(&self) -> bool {
        self.counter.is_settled()
    }
}

/// Between which limits the true volume lies around the value shown, in litres: shown values are rounded or cut off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Slack {
    /// Nought or less.
    pub low: f64,
    /// Nought or more.
    pub high: f64,
    /// From one value of a float register to the next; 0 for an integer.
    pub float_spacing: f64,
}

/// How total, reverse total and pulses hang together: pulses = total + `reverse` times the reverse total, but for what
/// runs back unseen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Directions {
    /// The total takes part.
    pub total: bool,
    /// How often the reverse total counts.
    pub reverse: f64,
    /// How often unseen reverse flow counts as a gain of the pulses.
    pub unseen: f64,
}

impl Directions {
    /// `None` where total and pulses count different things that nothing else ties together.
    #[must_use]
    pub const fn of(total: TotalCounts, pulses: PulseCounts, reverse_total: bool) -> Option<Self> {
        let (needs_total, reverse) = match (total, pulses) {
            (TotalCounts::Forward, PulseCounts::Forward) | (TotalCounts::Reverse, PulseCounts::Reverse) => (true, 0.0),
            (TotalCounts::Net, PulseCounts::Forward) | (TotalCounts::Forward, PulseCounts::Both) => (true, 1.0),
            (TotalCounts::Net, PulseCounts::Both) => (true, 2.0),
            (TotalCounts::Forward | TotalCounts::Net, PulseCounts::Reverse) if reverse_total => (false, 1.0),
            _ => return None,
        };
        let seen = reverse_total || reverse == 0.0;
        Some(Self {
            total: needs_total,
            reverse: if seen { reverse } else { 0.0 },
            unseen: if seen { 0.0 } else { reverse },
        })
    }
}

/// Units and counters of one meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Intake {
    flow_to_l_s: f64,
    receiver_flow_to_l_s: f64,
    /// The total.
    pub total: Option<Counted>,
    /// The reverse total.
    pub reverse_total: Option<Counted>,
    /// The pulse counter, in pulses.
    pub pulses: Option<Counted>,
    /// The receiver's total.
    pub receiver_total: Option<Counted>,
}

impl Intake {
    /// For what a meter declares.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        let to_base = |witness: &Option<WitnessFacts>| witness.as_ref().map_or(1.0, |facts| facts.entry.unit.to_base);
        let pulse = facts.meter.pulse.as_ref();
        let fastest_pulses = pulse.map(fastest_pulses);
        let by_pulses = pulse.zip(fastest_pulses).map(|(pulse, fastest)| PULSE_RATE_MARGIN * fastest * pulse.volume.0);
        let fastest_flow =
            facts.meter.current_loop.as_ref().map(CurrentLoop::span).map(|span| span.0.abs()).or(by_pulses);
        let volume = |witness: &Option<WitnessFacts>, may_fall| {
            witness.as_ref().map(|facts| {
                Counted::new(facts, (facts.entry.scale * facts.entry.unit.to_base).abs(), fastest_flow, may_fall)
            })
        };
        let undeclared = facts.pulse_width_is_undeclared();
        Self {
            flow_to_l_s: to_base(&facts.flow),
            receiver_flow_to_l_s: to_base(&facts.receiver_flow),
            total: volume(&facts.total, facts.meter.total_counts == TotalCounts::Net),
            reverse_total: volume(&facts.reverse_total, false),
            pulses: facts.pulses.as_ref().map(|facts| {
                let fastest = fastest_pulses.map(|fastest| PULSE_RATE_MARGIN * fastest);
                let counted = Counted::new(facts, facts.entry.scale.abs(), fastest, false);
                if undeclared { counted.of_undeclared_width() } else { counted }
            }),
            receiver_total: volume(&facts.receiver_total, false),
        }
    }

    /// The volume that the pulses ought to follow, with the limits around it, and the instant at which it was sampled.
    #[must_use]
    #[inline]
    pub fn volume(
        &self,
        directions: Directions,
        total: Option<f64>,
        slack: Slack,
        reading: &Reading,
    ) -> Option<((f64, f64, f64), SteadyMillis)> {
        let (mut litres, mut low, mut high) = (0.0, 0.0, 0.0);
        let mut instant = None;
        if directions.total {
            litres = total?;
            (low, high) = (slack.low, slack.high);
            instant = reading.total.as_ref().map(|sample| sample.at);
        }
        if directions.reverse > 0.0 {
            let reverse = self.reverse_total.as_ref().filter(|counted| counted.is_settled())?;
            let slack = reverse.slack();
            litres += directions.reverse * reverse.position();
            low += directions.reverse * slack.low;
            high += directions.reverse * slack.high;
            let at = reading.reverse_total.as_ref()?.at;
            instant = instant.or(Some(at));
        }
        Some(((litres, low, high), instant?))
    }

    /// The flow register in L/s, or no number.
    #[must_use]
    pub fn flow(&self, sample: &Sample) -> f64 {
        sample.value * self.flow_to_l_s
    }

    /// The receiver's flow in L/s.
    #[must_use]
    pub fn receiver_flow(&self, sample: &Sample) -> f64 {
        sample.value * self.receiver_flow_to_l_s
    }
}

/// The most pulses a second that an output can make.
#[must_use]
pub fn fastest_pulses(pulse: &crate::declared::Pulse) -> f64 {
    let period = (pulse.on_time + pulse.off_time).as_secs_f64();
    if period > 0.0 { 1.0 / period } else { f64::MAX }
}

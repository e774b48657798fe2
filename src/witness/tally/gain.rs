//! How far total and pulses moved from one reading to the next: what adds up to volumes over any stretch.

use super::counter::Advance;
use super::intake::{Directions, Intake, Slack};
use crate::reading::{MeterFacts, Reading};

/// What two counts gained since the reading before, in litres, wraps undone. `None` where the count was missed, is not
/// believed yet, or is the first.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Gain {
    /// By the total; where a net total stands beside forward pulses, with the reverse total added back, so that both count
    /// the same.
    pub total_l: Option<f64>,
    /// By the pulses, each taken to mean what the receiver takes it to mean.
    pub pulse_l: Option<f64>,
}

/// Takes a meter's readings in their order, and says what each gained. Gains add up: their sum over a stretch is what the
/// count gained over it, whatever was missed in between. A count that went back gains nothing by it.
#[derive(Clone, Debug)]
pub struct Gains {
    intake: Intake,
    directions: Directions,
    litres_per_pulse: f64,
    /// Where each stood when it was believed last.
    total_l: Option<f64>,
    pulse_l: Option<f64>,
}

impl Gains {
    /// For what a meter declares.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        let meter = &facts.meter;
        let pulse = meter.pulse.as_ref();
        let total_alone = Directions { total: true, reverse: 0.0, unseen: 0.0 };
        Self {
            intake: Intake::new(facts),
            directions: pulse
                .and_then(|pulse| Directions::of(meter.total_counts, pulse.counts, facts.reverse_total.is_some()))
                .unwrap_or(total_alone),
            litres_per_pulse: pulse.map_or(0.0, |pulse| pulse.volume.0),
            total_l: None,
            pulse_l: None,
        }
    }

    /// Takes the next reading.
    pub fn push(&mut self, reading: &Reading) -> Gain {
        let is_sound = |advance| !matches!(advance, Advance::Suspect | Advance::Absurd);
        if let (Some(counted), Some(sample)) = (&mut self.intake.reverse_total, &reading.reverse_total) {
            counted.push(sample, 0);
        }
        let total = match (&mut self.intake.total, &reading.total) {
            (Some(counted), Some(sample)) => is_sound(counted.push(sample, 0)).then(|| counted.position()),
            _ => None,
        };
        let pulses = match (&mut self.intake.pulses, &reading.pulses) {
            (Some(counted), Some(sample)) => is_sound(counted.push(sample, 0)).then(|| counted.position()),
            _ => None,
        };
        let total = self.intake.volume(self.directions, total, Slack::default(), reading);
        let total = total.map(|((litres, _, _), _)| litres);
        Gain {
            total_l: since(&mut self.total_l, total),
            pulse_l: since(&mut self.pulse_l, pulses.map(|pulses| pulses * self.litres_per_pulse)),
        }
    }
}

fn since(before: &mut Option<f64>, now: Option<f64>) -> Option<f64> {
    let now = now?;
    before.replace(now).map(|before| now - before)
}

//! What is declared, as the tallies need it: tolerances, delays and allowances.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::count_tally::CountRules;
use super::extremes::larger;
use super::finding::{Between, DisagreementKind};
use super::intake::{Directions, fastest_pulses};
use crate::declared::FlowTolerance;
use crate::reading::MeterFacts;

/// The lag that is allowed for between any two witnesses besides the declared damping, in seconds.
pub(super) const LAG_S: f64 = 30.0;
/// The damping that is assumed where none is declared, in seconds.
pub(super) const DAMPING_S: f64 = 5.0;
/// A counter module shows a pulse this long after its edge at most.
pub(super) const COUNTER_DELAY: Duration = Duration::from_millis(100);
/// What a receiver makes of a pulse is shown so long after at most.
pub(super) const RECEIVER_AGE_S: f64 = 2.0;
/// The instants of two samples whose times are known are known to this, and otherwise to that.
pub(super) const SKEW_KNOWN_S: f64 = 0.05;
pub(super) const SKEW_UNKNOWN_S: f64 = 0.25;
/// A block of flows takes at least so many dampings, and so many seconds.
const BLOCK_DAMPINGS: f64 = 4.0;
const BLOCK_S: f64 = 10.0;
/// What comes again within so long is the same trouble, in seconds...
pub(super) const SAME_TROUBLE_S: f64 = 86_400.0;
/// ...and is over only after this many times the longest quiet that it has kept so far: one wrong setting that shows at
/// each start of a pump is one disagreement or two, not one a start.
pub(super) const QUIET_TO_CLOSE: f64 = 1.5;
/// Zero noise has this standard deviation at most, as a share of the span. From memory of how meters are specified.
const NEAR_ZERO_SHARE: f64 = 0.005;

/// What is declared about the two flows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BiasRules {
    /// Which tally.
    pub between: Between,
    /// `Bias` or `Volume`.
    pub kind: DisagreementKind,
    /// The flow that tolerances in percent of span refer to, L/s.
    pub span: f64,
    /// Let pass, as a share of span or reading.
    pub flow_share: f64,
    /// `flow_share` is of the reading.
    pub of_reading: bool,
    /// What the measuring input's accuracy explains, L/s.
    pub accuracy: f64,
    /// Let pass besides, as a share of the volume.
    pub volume_share: f64,
    /// Two witnesses may lag each other so much, in seconds.
    pub lag_s: f64,
    /// A block takes so long at least, in seconds.
    pub shortest_block_s: f64,
}

/// Declared times in seconds, worked out once: they are asked for with every reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Pace {
    /// The age of a register at most.
    pub(super) register_age_s: f64,
    /// A block of flows takes so long at least, however often the witnesses are read.
    pub(super) shortest_block_s: f64,
    /// What a pulse can be late by, and what is not known of its instant.
    pub(super) pulse_instant_s: f64,
}

impl Pace {
    pub(super) fn of(facts: &MeterFacts) -> Self {
        let meter = &facts.meter;
        let pulse = meter.pulse.as_ref();
        let late = pulse.map_or(Duration::ZERO, |pulse| pulse.on_time + pulse.off_time + COUNTER_DELAY);
        Self {
            register_age_s: meter.refresh.as_secs_f64(),
            shortest_block_s: BLOCK_S.max(BLOCK_DAMPINGS * damping_s(facts)),
            pulse_instant_s: late.as_secs_f64() + SKEW_UNKNOWN_S,
        }
    }
}

/// The damping of the loop as declared, in seconds.
fn damping_s(facts: &MeterFacts) -> f64 {
    let damping = facts.meter.current_loop.as_ref().and_then(|declared| declared.damping);
    damping.map_or(DAMPING_S, |damping| damping.as_secs_f64())
}

impl BiasRules {
    /// The share, and whether it is of the reading.
    #[must_use]
    pub const fn share_of(tolerance: FlowTolerance) -> (f64, bool) {
        match tolerance {
            FlowTolerance::OfSpan(share) => (share, false),
            FlowTolerance::OfReading(share) => (share, true),
        }
    }

    /// No more than what is let pass of the first witness's volume in so many seconds, in litres.
    #[must_use]
    pub fn least_let_pass(&self, volume: f64, seconds: f64) -> f64 {
        let of = if self.of_reading { volume.abs() } else { self.span * seconds };
        larger(self.flow_share * of, self.accuracy * seconds)
    }

    /// The bias that is let pass at a mean flow, L/s. Tolerance and accuracy are independent: they add in quadrature.
    #[must_use]
    pub fn let_pass(&self, flow: f64) -> f64 {
        let tolerance = self.flow_share * if self.of_reading { flow.abs() } else { self.span };
        (tolerance * tolerance + self.accuracy * self.accuracy).sqrt() + self.volume_share * flow.abs()
    }
}

pub(super) fn count_rules(
    facts: &MeterFacts,
    between: Between,
    register_age_s: f64,
    directions: Directions,
) -> CountRules {
    let meter = &facts.meter;
    let span = meter.current_loop.as_ref().map_or(0.0, |declared| declared.span().0.abs());
    let pulse = meter.pulse.as_ref();
    let (pulse_volume, fastest, cycle) = pulse.map_or((1.0, f64::MAX, 0.0), |pulse| {
        (pulse.volume.0, fastest_pulses(pulse), (2 * pulse.on_time + pulse.off_time).as_secs_f64())
    });
    CountRules {
        between,
        pulse_volume,
        register_age_s,
        // A meter may make its pulses only when it renews its registers.
        pulse_delay_s: cycle + COUNTER_DELAY.as_secs_f64() + meter.refresh.as_secs_f64(),
        fastest_pulses: fastest,
        volume_share: meter.tolerance.volume,
        unseen_reverse: directions.unseen,
        near_zero: NEAR_ZERO_SHARE * if span > 0.0 { span } else { pulse_volume * fastest.min(1.0) },
    }
}

pub(super) fn bias_rules(facts: &MeterFacts, between: Between, kind: DisagreementKind) -> BiasRules {
    let meter = &facts.meter;
    let (flow_share, of_reading) = BiasRules::share_of(meter.tolerance.flow);
    let span = meter.current_loop.as_ref().map_or(0.0, |declared| declared.span().0.abs());
    let accuracy = match (between, &meter.current_loop) {
        (Between::FlowLoop | Between::LoopPulse | Between::LoopReceiverFlow, Some(declared)) => {
            declared.accuracy * span
        }
        _ => 0.0,
    };
    BiasRules {
        between,
        kind,
        span,
        flow_share,
        of_reading,
        accuracy,
        volume_share: if kind == DisagreementKind::Volume { meter.tolerance.volume } else { 0.0 },
        lag_s: LAG_S.max(2.0 * damping_s(facts)) + meter.refresh.as_secs_f64() + SKEW_UNKNOWN_S,
        shortest_block_s: 0.0,
    }
}

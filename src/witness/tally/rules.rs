//! What is declared, as the tallies need it: tolerances, delays and allowances.

use super::bias::BiasRules;
use super::count_tally::CountRules;
use super::finding::{Between, DisagreementKind};
use super::intake::{Directions, fastest_pulses};
use crate::reading::MeterFacts;

/// The lag that is allowed for between any two witnesses besides the declared damping, in seconds.
pub(super) const LAG_S: f64 = 30.0;
/// The damping that is assumed where none is declared, in seconds.
pub(super) const DAMPING_S: f64 = 5.0;
/// A counter module shows a pulse this long after its edge at most.
pub(super) const COUNTER_DELAY_S: f64 = 0.1;
/// What a receiver makes of a pulse is shown so long after at most.
pub(super) const RECEIVER_AGE_S: f64 = 2.0;
/// The instants of two samples whose times are known are known to this, and otherwise to that.
pub(super) const SKEW_KNOWN_S: f64 = 0.05;
pub(super) const SKEW_UNKNOWN_S: f64 = 0.25;
/// Below this share of the span zero noise may count.
const NEAR_ZERO_SHARE: f64 = 0.005;

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
        pulse_delay_s: cycle + COUNTER_DELAY_S + meter.refresh.as_secs_f64(),
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
    let damping =
        meter.current_loop.as_ref().and_then(|declared| declared.damping).map_or(DAMPING_S, |time| time.as_secs_f64());
    BiasRules {
        between,
        kind,
        span,
        flow_share,
        of_reading,
        accuracy,
        volume_share: if kind == DisagreementKind::Volume { meter.tolerance.volume } else { 0.0 },
        lag_s: LAG_S.max(2.0 * damping) + meter.refresh.as_secs_f64() + SKEW_UNKNOWN_S,
        shortest_block_s: 0.0,
    }
}

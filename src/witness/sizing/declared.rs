//! What a meter's declaration allows and yet will not do well.

use super::caution::{Caution, Concern};
use super::full_scale::too_small_or_too_large;
use super::plain::figure;
use super::pulse::{SHORTEST_STANDARD_PULSE, cannot_carry, milliseconds};
use crate::declared::{CurrentLoop, FlowTolerance, Pulse};
use crate::decode::modulus;
use crate::reading::MeterFacts;
use crate::units::LitresPerSecond;

/// Cautions about a meter's outputs, from what was declared alone.
#[must_use]
pub fn cautions(facts: &MeterFacts) -> Vec<Caution> {
    let mut cautions = Vec::new();
    if let Some(current_loop) = &facts.meter.current_loop {
        of_loop(facts, current_loop, &mut cautions);
    }
    if let Some(pulse) = &facts.meter.pulse {
        of_pulse(facts, pulse, &mut cautions);
    }
    cautions
}

fn of_loop(facts: &MeterFacts, current_loop: &CurrentLoop, cautions: &mut Vec<Caution>) {
    if let Some(high) = facts.meter.limits.high {
        cautions.extend(too_small_or_too_large(current_loop.full_scale.0, high, "the high limit"));
    }
    if let FlowTolerance::OfSpan(tolerance) = facts.meter.tolerance.flow
        && current_loop.accuracy > tolerance
    {
        cautions.push(Caution::new(
            Concern::CurrentResolution,
            format!(
                "the input's accuracy, {} % of span, is coarser than tolerance.flow, {} %",
                figure(100.0 * current_loop.accuracy),
                figure(100.0 * tolerance)
            ),
            "what accuracy explains is let pass: the tolerance decides nothing; state the better of the two",
        ));
    }
}

fn of_pulse(facts: &MeterFacts, pulse: &Pulse, cautions: &mut Vec<Caution>) {
    let full_scale = facts.meter.current_loop.as_ref().map(|current_loop| (current_loop.full_scale, "full scale"));
    let high = facts.meter.limits.high.map(|high| (high, "the high limit"));
    let largest = full_scale.or(high);
    if let Some((flow, name)) = largest {
        cautions.extend(cannot_carry(pulse.volume, pulse.on_time, pulse.off_time, flow, name));
        cautions.extend(seldom(pulse, flow, name));
        cautions.extend(wraps(facts, pulse, flow, name));
    }
    if pulse.on_time < SHORTEST_STANDARD_PULSE && !pulse.on_time.is_zero() {
        cautions.push(Caution::new(
            Concern::PulseTooShort,
            format!("pulses of {} ms; receivers are only held to see 30 ms", milliseconds(pulse.on_time)),
            "make sure that the receiver's filter lets them through, or lengthen them",
        ));
    }
}

/// More than so many hours for a hundred pulses at full scale, and a disagreement shows only days later.
const LONGEST_HOURS_FOR_A_HUNDRED_PULSES: f64 = 24.0;

fn seldom(pulse: &Pulse, flow: LitresPerSecond, name: &str) -> Option<Caution> {
    let hours = 100.0 * pulse.volume.0 / flow.0 / 3600.0;
    (hours > LONGEST_HOURS_FOR_A_HUNDRED_PULSES).then(|| {
        Caution::new(
            Concern::PulseTooSeldom,
            format!("a hundred pulses of {} L take {} h at {name}", figure(pulse.volume.0), figure(hours)),
            "1 % of difference shows no sooner; a smaller volume would show it sooner",
        )
    })
}

fn wraps(facts: &MeterFacts, pulse: &Pulse, flow: LitresPerSecond, name: &str) -> Option<Caution> {
    let counter = facts.pulses.as_ref()?;
    let days = modulus(&counter.entry)? * pulse.volume.0 / flow.0 / 86_400.0;
    (days < 1.0).then(|| {
        Caution::new(
            Concern::CounterWraps,
            format!("the pulse counter begins again every {} h at {name}", figure(24.0 * days)),
            "an interruption of more than half of that loses a whole turn; count with 32 bits if the module can",
        )
    })
}

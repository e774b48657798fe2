//! Causes in a technician's own terms: one sentence with the figures, what to check on site and in which order, and the
//! one test that would settle the most doubt.

mod checks;
mod next_test;

pub(super) use checks::checks;
pub(super) use next_test::next_test;

use super::candidate::Candidate;
use super::code::Code;
use super::gather::Gathered;
use crate::tally::Verdict;

/// Four significant digits, without an exponent.
fn figure(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a double")]
    let digits = (3 - value.abs().log10().floor() as i32).clamp(0, 9);
    let text = format!("{value:.*}", usize::try_from(digits).unwrap_or(0));
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// What is wrong, in one sentence.
pub(super) fn sentence(gathered: &Gathered, cause: &Candidate, verdict: Verdict) -> String {
    let meter = &gathered.facts.meter;
    let full_scale = meter.current_loop.as_ref().map_or(f64::NAN, |declared| declared.full_scale.0);
    let volume = meter.pulse.as_ref().map_or(f64::NAN, |declared| declared.volume.0);
    let p = &cause.parameters;
    let ratio = p.ratio.unwrap_or(f64::NAN);
    let percent = |share: Option<f64>| figure(100.0 * share.unwrap_or(f64::NAN));
    let level = p.level_ma.unwrap_or(f64::NAN);
    let other = p.follows.as_deref().unwrap_or("another meter");
    match cause.code {
        Code::Agreement if verdict == Verdict::Undecided => {
            "Too little was seen to say that the witnesses agree; nothing speaks against it.".to_owned()
        }
        Code::Agreement => "The witnesses agree. That is not accuracy: all of them share one sensor.".to_owned(),
        Code::Unexplained => "The witnesses do not agree, and nothing in the catalogue explains how.".to_owned(),
        Code::PulseWeight => format!(
            "The meter behaves as if one pulse were {} L; the receiver takes it as {} L.",
            figure(p.implied_pulse_volume_l.unwrap_or(f64::NAN)),
            figure(volume)
        ),
        Code::PulseDouble if ratio > 1.97 => "Each pulse is counted twice.".to_owned(),
        Code::PulseDouble => format!("About {} % of the pulses are counted twice.", figure(100.0 * (ratio - 1.0))),
        Code::PulseNarrow => format!(
            "{} % of the pulses never reach the counter, at random and at every flow: they are too short for it.",
            percent(p.lost_fraction)
        ),
        Code::PulseRateLimit => format!(
            "Above {} pulses a second ({} L/s) the pulses cannot keep up.",
            figure(p.rate_limit_hz.unwrap_or(f64::NAN)),
            figure(p.rate_limit_hz.unwrap_or(f64::NAN) * volume)
        ),
        Code::PulseCrossed => format!("The counts follow {other}, not this meter."),
        Code::PulseExtra => format!(
            "About {} counts an hour come from no flow at all: a bouncing contact or pick-up on the wire.",
            figure(3600.0 * p.extra_hz.unwrap_or(f64::NAN))
        ),
        Code::PulseGaps => "Pulses are lost in bursts: the connection comes and goes.".to_owned(),
        Code::PulseSilent => "There is flow, and no pulse at all arrives.".to_owned(),
        Code::PulseRestart => {
            "The counter went back: it was restarted, or it wraps at a width that is not declared.".to_owned()
        }
        Code::PulseDirection => "Reverse flow is counted as forward.".to_owned(),
        Code::LoopSpan => format!(
            "The meter behaves as if 20 mA were {} L/s; the receiver takes it as {}.",
            figure(p.implied_full_scale_l_s.unwrap_or(f64::NAN)),
            figure(full_scale)
        ),
        Code::LoopZero => format!(
            "The current is shifted by {} mA: what should be 4 mA is {}.",
            figure(p.offset_ma.unwrap_or(f64::NAN)),
            figure(4.0 + p.offset_ma.unwrap_or(f64::NAN))
        ),
        Code::LoopSaturated => format!(
            "The flow goes beyond full scale ({} L/s), where the current ends at {} mA and cannot follow.",
            figure(full_scale),
            figure(level)
        ),
        Code::LoopClipped => format!(
            "The current stops at {} mA: the loop has too much load or too little supply to go higher.",
            figure(level)
        ),
        Code::LoopCrossed => format!("The current follows {other}, not this meter."),
        Code::LoopFault => format!("The meter signals a fault: {} mA is no flow.", figure(level)),
        Code::LoopOpen => {
            format!("As good as no current flows ({} mA): the loop is open or has no supply.", figure(level))
        }
        Code::LoopHeld => format!("The current stands at {} mA while the flow moves.", figure(level)),
        Code::LoopLag => format!(
            "The loop follows about {} s later than the bus and agrees once it has caught up: it is damped more.",
            figure(p.lag_s.unwrap_or(f64::NAN))
        ),
        Code::LoopDirection => "The loop shows reverse flow as if it were forward.".to_owned(),
        Code::BusUnit => format!(
            "The flow register is shown {} times too {}: its unit or scale is declared wrongly.",
            figure(ratio.max(1.0 / ratio)),
            if ratio > 1.0 { "large" } else { "small" }
        ),
        Code::BusTotalUnit => format!(
            "The total register is shown {} times too {}: its unit or scale is declared wrongly.",
            figure(ratio.max(1.0 / ratio)),
            if ratio > 1.0 { "large" } else { "small" }
        ),
        Code::BusWords => "The two halves of a register pair are taken in the wrong order.".to_owned(),
        Code::BusFrozen => "The registers stand still while the other witnesses move.".to_owned(),
        Code::BusTotalRestart => "The total was reset, or rolled over at a size that is not declared.".to_owned(),
        Code::BusTotalCoarse => {
            "The total is a float grown so large that the volume of one step no longer fits into it.".to_owned()
        }
        Code::BusTorn => "Some values were read in halves from two different instants.".to_owned(),
        Code::ReceiverSpan => format!(
            "The receiver behaves as if 20 mA were {} L/s; {} was declared.",
            figure(p.implied_full_scale_l_s.unwrap_or(f64::NAN)),
            figure(full_scale)
        ),
        Code::ReceiverWeight => format!(
            "The receiver behaves as if one pulse were {} L; {} was declared.",
            figure(p.implied_pulse_volume_l.unwrap_or(f64::NAN)),
            figure(volume)
        ),
        Code::LowFlowCutoff => format!(
            "Below {} L/s the flow is shown but neither totalled nor pulsed: the meter's low-flow cut-off.",
            figure(p.cutoff_l_s.unwrap_or(f64::NAN))
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::figure;

    #[test]
    fn figures_keep_four_digits_and_no_empty_ones() {
        assert_eq!(figure(60.0), "60");
        assert_eq!(figure(3.785_411_784), "3.785");
        assert_eq!(figure(-0.079_98), "-0.07998");
        assert_eq!(figure(123_456.7), "123457");
    }
}

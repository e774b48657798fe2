//! Cases of pulses: how strong each trouble is, and from when.

use crate::profile::Profile;
use crate::random::Stream;
use crate::register::UNIT_MISTAKES;
use crate::trouble::Trouble;

use super::Severity;
use super::flows::{Amounts, Wanted};
use super::surroundings::{Asked, Draft};

/// What a trouble of this code needs around it.
pub(super) fn asked(code: &str, severity: Severity) -> Asked {
    let near = severity == Severity::NearLimit;
    let mut asked = if near {
        Asked { pulses: 8000.0, hours: (6.0, 24.0), calm: true, ..Asked::default() }
    } else {
        Asked::default()
    };
    match code {
        "pulse-double" | "pulse-rate-limit" => asked.flow.varied = true,
        "pulse-narrow" => {
            asked.flow.varied = true;
            if near {
                asked.pulses = 30_000.0;
                asked.hours = (10.0, 24.0);
            }
        }
        "pulse-extra" => {
            asked.flow.rest = true;
            if near {
                asked.pulses = 30_000.0;
                asked.hours = (10.0, 24.0);
            }
        }
        "pulse-gaps" => {
            asked.pulses = if near { 20_000.0 } else { 1500.0 };
            asked.hours = (if near { 16.0 } else { 4.0 }, 24.0);
        }
        "pulse-direction" => asked.flow = Wanted { reverse: Some((0.3, 30.0)), ..Wanted::default() },
        "pulse-restart" => asked.pulses = 400.0,
        _ => {}
    }
    asked
}

/// Put the trouble into the draft; nothing if this draft cannot show it.
pub(super) fn apply(code: &'static str, draft: &mut Draft, severity: Severity) -> Option<()> {
    let amounts = draft.amounts();
    let pulse_volume = draft.plan.sound.settings.pulse_volume;
    let near = severity == Severity::NearLimit;
    let begins = draft.onset();
    let all = amounts.volume(0.0) / pulse_volume;
    let after = amounts.volume(begins) / pulse_volume;
    let fastest = 1.3 * amounts.highest() / pulse_volume;
    // The share of the pulses from the onset on that makes 1.5 to 2 times what is let pass in the whole stretch.
    let limit = (0.001 * all).max(3.0);
    let share = draft.random.between(1.5, 2.0) * limit / after;
    if near && !matches!(code, "pulse-silent" | "pulse-crossed" | "pulse-restart") {
        draft.shown = (1.25, 3.0);
    }
    match code {
        "pulse-weight" | "receiver-weight" => {
            let ratio = if near { 1.0 + draft.random.sign() * share } else { ordinary_ratio(&mut draft.random) };
            let width = draft.plan.sound.settings.pulse_on + draft.plan.sound.settings.pulse_off;
            draft.parameter("ratio", ratio);
            if code == "receiver-weight" {
                if !near && (ratio - 1.0).abs() * after < 2.5 * limit + 2.0 {
                    return None;
                }
                draft.trouble(Trouble::ReceiverWeight { ratio }, begins);
            } else if fastest * ratio * width > 1.0 || after * ratio < 30.0 {
                return None;
            } else {
                draft.trouble(Trouble::PulseWeight { ratio }, begins);
            }
        }
        "pulse-double" => {
            let double = if near {
                share
            } else if draft.random.chance(0.4) {
                1.0
            } else {
                draft.random.log_between((6.0 * limit / after).min(0.6), 0.7)
            };
            draft.parameter("ratio", 1.0 + double);
            draft.trouble(Trouble::PulseDouble { share: double }, begins);
        }
        "pulse-narrow" => {
            let lost = if near { share } else { draft.random.log_between((8.0 * limit / after).min(0.6), 0.8) };
            draft.parameter("lost_fraction", lost);
            let width = draft.plan.sound.settings.pulse_on;
            let trouble = if !near && draft.random.chance(0.3) {
                let scan = width / (1.0 - lost);
                Trouble::PulseScan { scan, jitter: 0.5 * scan }
            } else {
                Trouble::PulseNarrow { seen: 1.0 - lost }
            };
            draft.trouble(trouble, begins);
        }
        "pulse-rate-limit" => {
            let lost = if near { share } else { draft.random.log_between((8.0 * limit / after).min(0.1), 0.35) };
            let ceiling = ceiling(&amounts, begins, lost)?;
            let often = amounts.integral(begins, |flow| f64::from(flow > ceiling));
            if often < 0.03 * draft.duration || often > 0.85 * draft.duration {
                return None;
            }
            let hertz = ceiling / pulse_volume;
            draft.parameter("rate_limit_hz", hertz);
            let trouble = if !near && draft.random.chance(0.1) {
                Trouble::PulseDeaf { dead_time: 1.0 / hertz }
            } else {
                // Some must be able to wait, or every pulse is lost that comes a hair too early.
                Trouble::PulseRateLimit { hertz, waiting: draft.random.pick(&[3, 10, 30]) }
            };
            draft.trouble(trouble, begins);
        }
        "pulse-crossed" => {
            let other = draft.other_meter();
            let begins = if near { draft.late_onset(&amounts, 20.0 * limit)? } else { begins };
            draft.other = Some(other);
            draft.trouble(Trouble::PulseCrossed { with: 1 }, begins);
        }
        "pulse-extra" => {
            let counts = if near {
                share * after
            } else {
                draft.random.log_between(8.0 * limit, (0.6 * after).max(9.0 * limit))
            };
            let hertz = counts / (draft.duration - begins);
            let together = if near { 1.0 } else { draft.random.pick(&[1.0, 1.0, 2.0, 4.0]) };
            draft.trouble(Trouble::PulseExtra { hertz, together }, begins);
        }
        "pulse-gaps" => {
            let lost = if near { share } else { draft.random.log_between((8.0 * limit / after).min(0.05), 0.25) };
            let rate = after / (draft.duration - begins);
            let most = (draft.duration - begins) * lost / 4.0;
            let least = (8.0 / rate).max(4.0 * draft.sampling.poll);
            if least > most {
                return None;
            }
            let broken = draft.random.log_between(least, most.min(1800.0).max(least * 1.001));
            draft.parameter("lost_fraction", lost);
            draft.trouble(Trouble::PulseGaps { whole: broken * (1.0 / lost - 1.0), broken }, begins);
        }
        "pulse-silent" => {
            let begins = if near { draft.late_onset(&amounts, 4.0 * limit + 10.0)? } else { begins };
            draft.trouble(Trouble::PulseSilent, begins);
        }
        "pulse-restart" => restart(draft, all)?,
        "pulse-direction" => direction(draft, near, begins, share)?,
        _ => return None,
    }
    Some(())
}

/// A ratio that a wrong setting makes: a decade, 2, 2.5, a unit for another, or a trim.
pub(super) fn ordinary_ratio(random: &mut Stream) -> f64 {
    match random.below(4) {
        0 => random.pick(&[10.0, 0.1, 100.0, 0.01]),
        1 => random.pick(&[2.0, 0.5, 2.5, 0.4, 5.0, 0.2]),
        2 => random.pick(&UNIT_MISTAKES),
        _ => 1.0 + random.sign() * random.log_between(0.006, 0.15),
    }
}

/// The flow above which a `lost` share of the volume lies.
pub(super) fn ceiling(amounts: &Amounts, begins: f64, lost: f64) -> Option<f64> {
    let volume = amounts.volume(begins);
    let (mut low, mut high) = (0.0, amounts.highest());
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        let above = amounts.integral(begins, |flow| (flow - middle).max(0.0));
        if above > lost * volume { low = middle } else { high = middle }
    }
    (low > 0.0).then_some(low)
}

fn restart(draft: &mut Draft, all: f64) -> Option<()> {
    draft.plan.sound.counter.wraps_at = 1 << 32;
    let part = draft.random.between(0.2, 0.8);
    if draft.random.chance(0.5) {
        draft.plan.first_count = 100 + draft.random.below(1_000_000);
        let begins = (part * draft.duration).round();
        draft.trouble(Trouble::PulseRestart, begins);
    } else {
        let at = draft.random.pick(&[10_000_u64, 65_536, 100_000, 1_000_000]);
        let before = (part * all) as u64;
        draft.plan.first_count = at.checked_sub(before)?;
        draft.trouble(Trouble::PulseWrap { at }, 0.0);
    }
    Some(())
}

/// Reverse flow after each stop of the pump, as much as makes a share of the forward volume.
fn direction(draft: &mut Draft, near: bool, begins: f64, share: f64) -> Option<()> {
    let wanted = if near { share } else { draft.random.log_between(0.01, 0.15) };
    let full_scale = draft.plan.sound.settings.full_scale;
    // The loop is set for both directions: it is not what is wrong here.
    draft.span_both_directions();
    let size = full_scale * draft.random.between(0.1, 0.4);
    // Longer reverse flow makes fewer cycles of the pump: three rounds settle it.
    for _ in 0..3 {
        let amounts = draft.amounts();
        let now = amounts.integral(begins, |flow| (-flow).max(0.0)) / amounts.volume(begins);
        let Profile::Pump(pump) = &mut draft.plan.profile else { return None };
        pump.backflow_time *= wanted / now * pump.backflow / size;
        pump.backflow = size;
        if !(2.0..3000.0).contains(&pump.backflow_time) {
            return None;
        }
    }
    draft.trouble(Trouble::PulseDirection, begins);
    Some(())
}

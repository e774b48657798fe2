//! Cases of the registers: how strong each trouble is, and from when.

use crate::meter::Counts;
use crate::profile::Profile;
use crate::register::{Encoding, Format};
use crate::trouble::Trouble;

use super::Severity;
use super::pulse::ordinary_ratio;
use super::surroundings::{Asked, Draft, decade_below};

/// What a trouble of this code needs around it.
pub(super) fn asked(code: &str, severity: Severity) -> Asked {
    let near = severity == Severity::NearLimit;
    let mut asked = Asked { calm: near, ..Asked::default() };
    match code {
        "bus-unit" => asked.fine_registers = true,
        "bus-total-unit" => {
            asked.fine_registers = true;
            if near {
                asked.pulses = 8000.0;
                asked.hours = (6.0, 24.0);
            }
        }
        "bus-total-coarse" => {
            asked.pulses = if near { 4000.0 } else { 500.0 };
            asked.hours.0 = if near { 6.0 } else { 3.0 };
        }
        "bus-words" => asked.fine_registers = true,
        "bus-torn" => {
            asked.fine_registers = true;
            asked.calm = true;
            asked.hours.0 = 6.0;
        }
        _ => {}
    }
    asked
}

/// Put the trouble into the draft; nothing if this draft cannot show it.
pub(super) fn apply(code: &'static str, draft: &mut Draft, severity: Severity) -> Option<()> {
    let near = severity == Severity::NearLimit;
    let begins = draft.onset();
    let amounts = draft.amounts();
    let settings = draft.plan.sound.settings;
    let pulse_volume = settings.pulse_volume;
    let all = amounts.volume(0.0) / pulse_volume;
    let after = amounts.volume(begins) / pulse_volume;
    let limit = (0.001 * all).max(3.0);
    match code {
        "bus-unit" => {
            let bias = draft.random.sign() * draft.random.between(1.5, 2.0) * 0.0025;
            let mean = amounts.mean_running(begins);
            let ratio = if near {
                1.0 + (bias + draft.analogue_bias(mean)) * settings.full_scale / mean
            } else {
                ordinary_ratio(&mut draft.random)
            };
            let shown = (ratio - 1.0).abs() * mean / settings.full_scale;
            if amounts.running(begins) < 1200.0 || (!near && shown < 0.0075) {
                return None;
            }
            draft.parameter("ratio", ratio);
            draft.trouble(Trouble::BusUnit { ratio }, begins);
        }
        "bus-total-unit" => {
            let ratio = if near {
                1.0 + draft.random.sign() * draft.random.between(1.5, 2.0) * limit / after
            } else {
                ordinary_ratio(&mut draft.random)
            };
            if !near && (ratio - 1.0).abs() * after < 2.5 * limit + 2.0 {
                return None;
            }
            // The wrong number must fit where the right one did.
            let total = &mut draft.plan.sound.bus.total;
            if !total.format.is_float() {
                total.scale = decade_below(total.scale * ratio.clamp(0.001, 1.0));
                draft.plan.build.first_total = draft.plan.build.first_total.min(1e9 * total.step() / ratio.max(1.0));
                if amounts.volume(0.0) * ratio.max(1.0) / total.step() > 1e9 {
                    return None;
                }
            }
            draft.parameter("ratio", ratio);
            draft.trouble(Trouble::BusTotalUnit { ratio }, begins);
        }
        "bus-words" => {
            let (flow, total) = draft.random.pick(&[(true, true), (true, false), (false, true)]);
            let begins = if near { begins.max((draft.duration * 0.8).round()) } else { begins };
            draft.trouble(Trouble::BusWords { flow, total }, begins);
        }
        "bus-frozen" => {
            let begins = if near { draft.late_onset(&amounts, 4.0 * limit + 20.0)? } else { begins };
            if amounts.volume(begins) < 20.0 * pulse_volume {
                return None;
            }
            draft.trouble(Trouble::BusFrozen, begins);
        }
        "bus-total-restart" => total_restart(draft, all)?,
        "bus-total-coarse" => coarse_total(draft, amounts.mean_running(0.0), near),
        "bus-torn" => {
            let counts = if draft.plan.sound.bus.total_counts == Counts::Both { Format::I32 } else { Format::U32 };
            let unit = draft.plan.sound.bus.total.unit;
            // Fine enough that the low half goes round every minute or so.
            let scale = decade_below(amounts.mean_running(0.0) / 1500.0 / unit.base);
            draft.plan.sound.bus.total = Encoding { format: counts, unit, scale, ..draft.plan.sound.bus.total };
            draft.plan.build.first_total = (draft.random.uniform() * 1e8 * draft.plan.sound.bus.total.step()).round();
            let share = if near { draft.random.log_between(0.004, 0.01) } else { draft.random.log_between(0.01, 0.2) };
            draft.trouble(Trouble::BusTorn { share }, begins);
        }
        "low-flow-cutoff" => low_flow(draft, near, begins)?,
        _ => return None,
    }
    Some(())
}

fn total_restart(draft: &mut Draft, all: f64) -> Option<()> {
    let part = draft.random.between(0.2, 0.8);
    let pulse_volume = draft.plan.sound.settings.pulse_volume;
    if draft.random.chance(0.5) || draft.plan.sound.bus.total_counts == Counts::Both {
        draft.plan.build.first_total = draft.plan.build.first_total.max(20.0 * pulse_volume);
        let begins = (part * draft.duration).round();
        draft.trouble(Trouble::BusTotalRestart { to: 0.0 }, begins);
    } else {
        let total = &mut draft.plan.sound.bus.total;
        total.format = Format::U32;
        total.scale = decade_below(pulse_volume * 0.1 / total.unit.base);
        let at = draft.random.pick(&[1_000_000_u32, 10_000_000, 100_000_000]);
        let first = f64::from(at) * total.step() - part * all * pulse_volume;
        if first < 0.0 {
            return None;
        }
        draft.plan.build.first_total = first;
        draft.trouble(Trouble::BusTotalWrap { at: u64::from(at) }, 0.0);
    }
    Some(())
}

/// A float total whose last place is near what one measurement adds: below half of it, all is lost.
fn coarse_total(draft: &mut Draft, flow: f64, near: bool) {
    let bus = &mut draft.plan.sound.bus;
    bus.total = Encoding { format: Format::F32, scale: 1.0, ..bus.total };
    bus.total_counts = Counts::Forward;
    draft.reverse_total = false;
    let places = if near { draft.random.log_between(0.005, 0.2) } else { draft.random.log_between(0.2, 3.0) };
    if near {
        draft.shown = (1.25, 3.0);
    }
    let last_place = flow * draft.plan.build.cycle * places / bus.total.unit.base;
    let exponent = last_place.log2().floor();
    let counts = 2_f64.powf(exponent) * 2_f64.powi(23) * draft.random.between(1.05, 1.6);
    draft.plan.build.first_total = counts * bus.total.unit.base;
    draft.trouble(Trouble::BusTotalCoarse, 0.0);
}

/// Times of little flow, which is shown and not totalled.
fn low_flow(draft: &mut Draft, near: bool, begins: f64) -> Option<()> {
    let full_scale = draft.plan.sound.settings.full_scale;
    let high = full_scale * draft.random.between(0.3, 0.9);
    let share = draft.random.between(0.4, 0.7);
    // Volumes may differ by 0.25 % of the span and 0.1 % of the volume together.
    let mean = high * (1.0 - share);
    let let_pass = 0.0025 * full_scale + 0.001 * mean;
    let lost = let_pass * if near { draft.random.between(1.5, 2.0) } else { draft.random.between(3.0, 10.0) };
    let low = lost * draft.duration / (share * (draft.duration - begins));
    let cutoff = low * draft.random.between(1.3, 1.8);
    if low < 1.3 * draft.plan.sound.settings.low_flow_cutoff || cutoff > 0.5 * high {
        return None;
    }
    let period = draft.duration / draft.random.between(4.0, 10.0);
    let ramp = 20.0;
    let points =
        vec![(0.0, low), (period * share, low), (period * share + ramp, high), (period - ramp, high), (period, low)];
    draft.plan.profile = Profile::Table { points, linear: true, repeats_after: Some(period) };
    draft.plan.build.noise = draft.plan.build.noise.min(0.2 * low);
    draft.parameter("cutoff_l_s", cutoff);
    draft.trouble(Trouble::LowFlowCutoff { cutoff }, begins);
    Some(())
}

//! Cases of the loop: how strong each trouble is, and from when.

use crate::meter::COIL_DRIVE_FAULT;
use crate::profile::Profile;
use crate::trouble::{Spell, Trouble};

use super::Severity;
use super::flows::{Amounts, Wanted};
use super::pulse::{ceiling, ordinary_ratio};
use super::surroundings::{Asked, Draft};

/// The bias that is let pass between flow and loop, as a share of the span.
const LET_PASS: f64 = 0.0025;

/// What a trouble of this code needs around it.
pub(super) fn asked(code: &str, severity: Severity) -> Asked {
    let near = severity == Severity::NearLimit;
    let mut asked = Asked { calm: near, ..Asked::default() };
    match code {
        "loop-span" | "loop-zero" | "loop-held" | "loop-clipped" => asked.flow.varied = true,
        "loop-lag" => {
            asked.flow.varied = true;
            asked.calm = true;
        }
        "loop-saturated" => {
            asked.flow =
                Wanted { varied: true, peak: if near { (1.05, 1.065) } else { (1.1, 1.6) }, ..Wanted::default() };
        }
        "loop-direction" => asked.flow = Wanted { reverse: Some((0.3, 120.0)), ..Wanted::default() },
        _ => {}
    }
    asked
}

/// Put the trouble into the draft; nothing if this draft cannot show it.
pub(super) fn apply(code: &'static str, draft: &mut Draft, severity: Severity) -> Option<()> {
    let amounts = draft.amounts();
    let near = severity == Severity::NearLimit;
    let begins = draft.onset();
    let settings = draft.plan.sound.settings;
    let span = settings.full_scale - settings.at_4_ma;
    let mean = amounts.mean_running(begins);
    let wanted_bias = draft.random.sign() * draft.random.between(1.5, 2.0) * LET_PASS;
    // Time enough with flow after the onset.
    if amounts.running(begins) < 1200.0 {
        return None;
    }
    match code {
        "loop-span" | "receiver-span" => {
            let bias = if code == "loop-span" { draft.analogue_bias(mean) } else { draft.controller_bias(mean)? };
            let ratio = if near { 1.0 + (wanted_bias - bias) * span / mean } else { ordinary_ratio(&mut draft.random) };
            if !near && (ratio - 1.0).abs() * mean / span < 3.0 * LET_PASS {
                return None;
            }
            // Beyond 20 mA there would be no span to see, and hardly above 4 mA neither.
            if ratio * amounts.highest() > 1.02 * settings.full_scale || ratio * mean < 0.01 * settings.full_scale {
                return None;
            }
            draft.parameter("ratio", ratio);
            let trouble =
                if code == "loop-span" { Trouble::LoopSpan { ratio } } else { Trouble::ReceiverSpan { ratio } };
            draft.trouble(trouble, begins);
        }
        "loop-zero" => {
            let offset = if near {
                16.0 * (wanted_bias - draft.analogue_bias(settings.at_4_ma))
            } else if draft.random.chance(0.3) {
                -draft.random.between(0.1, 0.18)
            } else {
                draft.random.log_between(0.1, 1.2)
            };
            if amounts.highest() / settings.full_scale > 1.0 - offset / 16.0 {
                return None;
            }
            draft.parameter("offset_ma", offset);
            draft.trouble(Trouble::LoopZero { offset }, begins);
        }
        "loop-saturated" => {
            let beyond = amounts.integral(0.0, |flow| f64::from(flow > 1.04 * settings.full_scale));
            if beyond < 300.0 || beyond > 0.9 * draft.duration {
                return None;
            }
        }
        "loop-clipped" => {
            let top = if near {
                // The bias that is let pass, on average while there is flow.
                let lost = wanted_bias.abs() * span * amounts.running(begins) / amounts.volume(begins);
                ceiling(&amounts, begins, lost)?
            } else {
                amounts.exceeded(draft.random.between(0.15, 0.4)) * draft.random.between(0.5, 0.97)
            };
            let highest = 4.0 + 16.0 * (top - settings.at_4_ma) / span;
            let often = amounts.integral(begins, |flow| f64::from(flow > top));
            if highest < 5.0 || often < 600.0 || often > 0.8 * (draft.duration - begins) {
                return None;
            }
            draft.trouble(Trouble::LoopClipped { highest }, begins);
        }
        "loop-crossed" => {
            let other = draft.other_meter();
            let begins = if near { (draft.duration * draft.random.between(0.8, 0.9)).round() } else { begins };
            // Two meters that rest, or run alike, are not told apart.
            let theirs = Amounts::of(&other.profile, draft.duration);
            let scale = settings.full_scale / other.sound.settings.full_scale;
            if amounts.mean_difference(&theirs, scale, begins) < 0.05 * settings.full_scale {
                return None;
            }
            draft.other = Some(other);
            draft.trouble(Trouble::LoopCrossed { with: 1 }, begins);
        }
        "loop-fault" => {
            let current = draft.random.pick(&[3.6, 3.5, 3.2, 21.0, 21.5, 22.0]);
            let status = draft.random.pick(&[0, COIL_DRIVE_FAULT]);
            spell(draft, &amounts, Trouble::LoopFault { current, status }, near)?;
        }
        "loop-open" => spell(draft, &amounts, Trouble::LoopOpen, near)?,
        "loop-held" => {
            let begins = if near { (draft.duration * draft.random.between(0.6, 0.8)).round() } else { begins };
            let (least, most) = amounts.range(begins);
            if most - least < 0.1 * span {
                return None;
            }
            draft.trouble(Trouble::LoopHeld, begins);
        }
        "loop-lag" => {
            let damping = if near { draft.random.between(4.0, 8.0) } else { draft.random.log_between(8.0, 60.0) };
            draft.parameter("lag_s", damping);
            draft.trouble(Trouble::LoopLag { damping }, begins);
        }
        "loop-direction" => {
            let Profile::Pump(pump) = &mut draft.plan.profile else { return None };
            pump.backflow = settings.full_scale * if near { 0.04 } else { draft.random.between(0.08, 0.4) };
            pump.backflow_time = if near { 200.0 } else { draft.random.log_between(60.0, 600.0) };
            let amounts = draft.amounts();
            let backward = amounts.integral(begins, |flow| f64::from(flow < -0.015 * settings.full_scale));
            if backward < 120.0 {
                return None;
            }
            draft.trouble(Trouble::LoopDirection, begins);
        }
        _ => return None,
    }
    Some(())
}

/// A state of the current that does not depend on the flow: short near the limit, else long or to the end.
fn spell(draft: &mut Draft, amounts: &Amounts, trouble: Trouble, near: bool) -> Option<()> {
    let begins = if near || draft.random.chance(0.6) {
        amounts.steady_flow(draft.duration * draft.random.between(0.1, 0.6), 60.0)?.round()
    } else {
        0.0
    };
    let lasting = if near { draft.random.between(60.0, 180.0) } else { draft.random.between(900.0, draft.duration) };
    draft.parameter("onset_s", begins);
    draft.plan.troubles.push(Spell { trouble, begins, ends: Some(begins + lasting.round()) });
    Some(())
}

//! The flow at 20 mA.

use serde::Serialize;

use super::caution::{Caution, Concern};
use super::plain::{FINE_STEPS, figure, plain_at_least};
use super::{HEADROOM, Question, Role};
use crate::units::LitresPerSecond;

/// One choice of the flow at 20 mA, and what it costs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FullScale {
    /// Recommended, an alternative, or what is set now.
    pub role: Role,
    /// The flow at 20 mA.
    pub full_scale_l_s: f64,
    /// How far the current moves for one litre a second: 16 mA / full scale.
    pub ma_per_l_s: f64,
    /// The current at the largest flow.
    pub largest_flow_ma: f64,
    /// The flow beyond which the current stands still: 103.125 % of full scale, at 20.5 mA.
    pub saturates_at_l_s: f64,
    /// The input's step at the smallest flow, in per cent of it.
    pub step_percent_of_smallest: f64,
    /// The input's step at the usual flow, in per cent of it.
    pub step_percent_of_usual: f64,
    /// The input's accuracy at the smallest flow, in per cent of it.
    pub accuracy_percent_of_smallest: f64,
    /// The input's accuracy at the usual flow, in per cent of it.
    pub accuracy_percent_of_usual: f64,
}

/// A current up to this many milliamperes still means a flow (NAMUR NE 43).
const SATURATION_MA: f64 = 20.5;

/// The current of an input's highest step.
const INPUT_RANGE_MA: f64 = 20.0;

/// A full scale of more than so many times the largest flow wastes the current.
const FAR_ABOVE: f64 = 3.0;

/// The velocity, in m/s, to which meters are often set when nobody sets them.
const UNSET_VELOCITY: f64 = 10.0;

impl FullScale {
    fn of(role: Role, full_scale: LitresPerSecond, question: &Question) -> Self {
        let flows = &question.flows;
        let ma_per_l_s = 16.0 / full_scale.0;
        let step_ma = INPUT_RANGE_MA / 2_f64.powf(f64::from(question.analogue_input.bits));
        let accuracy_ma = 16.0 * question.analogue_input.accuracy;
        let percent = |milliamperes: f64, flow: LitresPerSecond| 100.0 * milliamperes / ma_per_l_s / flow.0;
        Self {
            role,
            full_scale_l_s: full_scale.0,
            ma_per_l_s,
            largest_flow_ma: 4.0 + ma_per_l_s * flows.largest.0,
            saturates_at_l_s: (SATURATION_MA - 4.0) / ma_per_l_s,
            step_percent_of_smallest: percent(step_ma, flows.smallest),
            step_percent_of_usual: percent(step_ma, flows.usual),
            accuracy_percent_of_smallest: percent(accuracy_ma, flows.smallest),
            accuracy_percent_of_usual: percent(accuracy_ma, flows.usual),
        }
    }
}

/// The smallest plain full scale with headroom is recommended; beside it what is tighter, what is wider, what is set.
pub(super) fn choices(question: &Question) -> Vec<FullScale> {
    let largest = question.flows.largest.0;
    let plain = |times: f64| plain_at_least(times * largest, &FINE_STEPS);
    let recommended = plain(HEADROOM);
    let unset = question.flows.at_velocity(UNSET_VELOCITY).0;
    let mut values = vec![(Role::Recommended, recommended)];
    for alternative in [plain(1.0), plain(2.0 * HEADROOM), unset] {
        if alternative >= largest && values.iter().all(|(_, known)| (known / alternative - 1.0).abs() > 0.1) {
            values.push((Role::Alternative, alternative));
        }
    }
    values.extend(question.present.full_scale.map(|present| (Role::Present, present.0)));
    values.sort_by(|(_, one), (_, other)| one.total_cmp(other));
    values.into_iter().map(|(role, value)| FullScale::of(role, LitresPerSecond(value), question)).collect()
}

pub(super) fn cautions(question: &Question, choices: &[FullScale]) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let largest = question.flows.largest;
    if let Some(present) = choices.iter().find(|choice| choice.role == Role::Present) {
        cautions.extend(too_small_or_too_large(present.full_scale_l_s, largest, "the largest flow"));
    }
    let judged = choices.iter().find(|choice| choice.role == Role::Present);
    let judged = judged.or_else(|| choices.iter().find(|choice| choice.role == Role::Recommended));
    if let (Some(choice), Some(wanted)) = (judged, question.wanted_resolution) {
        let wanted = 100.0 * wanted;
        let got = choice.step_percent_of_usual.max(choice.accuracy_percent_of_usual);
        if got > wanted {
            cautions.push(Caution::new(
                Concern::CurrentResolution,
                format!(
                    "with 20 mA at {} L/s the input tells the usual flow to {} %; {} % is wanted",
                    figure(choice.full_scale_l_s),
                    figure(got),
                    figure(wanted)
                ),
                "take a lower full scale or a better input, or judge by the pulses and the bus",
            ));
        }
    }
    cautions
}

/// Whether a flow at 20 mA suits the largest flow, which the message calls by its name.
pub(super) fn too_small_or_too_large(full_scale: f64, largest: LitresPerSecond, name: &str) -> Option<Caution> {
    let saturates = full_scale * (SATURATION_MA - 4.0) / 16.0;
    let advised = figure(plain_at_least(HEADROOM * largest.0, &FINE_STEPS));
    if saturates < largest.0 {
        return Some(Caution::new(
            Concern::FullScaleTooSmall,
            format!(
                "20 mA at {} L/s stops at {} L/s (20.5 mA); {name} is {} L/s",
                figure(full_scale),
                figure(saturates),
                figure(largest.0)
            ),
            format!("set meter and receiver to {advised} L/s"),
        ));
    }
    (full_scale > FAR_ABOVE * largest.0).then(|| {
        Caution::new(
            Concern::FullScaleTooLarge,
            format!(
                "20 mA at {} L/s is {} times {name}: it never passes {} mA",
                figure(full_scale),
                figure(full_scale / largest.0),
                figure(4.0 + 16.0 * largest.0 / full_scale)
            ),
            format!("{advised} L/s, set in meter and receiver, would make every error of the loop smaller"),
        )
    })
}

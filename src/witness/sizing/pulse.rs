//! The volume of a pulse and its width.

use std::time::Duration;

use serde::Serialize;

use super::caution::{Caution, Concern};
use super::plain::{COARSE_STEPS, figure, plain_at_least, plain_below};
use super::{HEADROOM, Question, Role};
use crate::units::{Litres, LitresPerSecond};

/// One choice of the volume of a pulse, and what it costs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PulseSetting {
    /// Recommended, an alternative, or what is set now.
    pub role: Role,
    /// The volume of one pulse.
    pub volume_l: f64,
    /// The pulse's width that suits it, or that is set now; `None` where no width suits.
    pub on_time_ms: Option<f64>,
    /// Pulses a second at the largest flow.
    pub largest_flow_hz: f64,
    /// The share of time that the pulse is on at the largest flow.
    pub largest_flow_duty: Option<f64>,
    /// The highest flow that it carries with pulse and pause of that width; `None` where no width suits.
    pub carries_l_s: Option<f64>,
    /// The time from one pulse to the next at the smallest flow.
    pub smallest_flow_s: f64,
    /// The volume after which counting alone tells 1 %: 100 pulses, because a count is within one pulse of the truth.
    pub one_percent_l: f64,
    /// The time that takes at the usual flow.
    pub one_percent_usual_s: f64,
    /// The days at the usual flow after which a 16-bit counter begins again.
    pub wrap_16_bit_days: f64,
    /// The same for 32 bits.
    pub wrap_32_bit_days: f64,
    /// True if receiver and width carry the largest flow with headroom.
    pub suits: bool,
}

/// The shortest pulse, and the shortest pause, that a receiver of pulses may be held to (IEC 62053-31:1998 §4.1.3.3; it has
/// moved to IEC 62052-11:2020). Made for electricity meters, borrowed for water.
pub(super) const SHORTEST_STANDARD_PULSE: Duration = Duration::from_millis(30);

/// A pulse this much longer than the shortest that the receiver sees leaves room for its filter and for slow edges.
const MARGIN_OF_WIDTH: f64 = 1.5;

/// A longer pulse gains nothing for a receiver that sees shorter ones.
const LONG_ENOUGH: Duration = Duration::from_millis(100);

/// Widths that meters offer, in milliseconds.
const WIDTHS_MS: [u64; 16] = [1, 2, 5, 10, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250];

/// Pulses by which a count tells 1 %: it is within one pulse of the truth, so 1/N of the volume.
const PULSES_FOR_ONE_PERCENT: f64 = 100.0;

impl PulseSetting {
    fn of(role: Role, volume: Litres, set_width: Option<Duration>, question: &Question) -> Self {
        let flows = &question.flows;
        let width = set_width.or_else(|| width_for(volume, question));
        let rate = flows.largest.0 / volume.0;
        let days = |pulses: f64| pulses * volume.0 / flows.usual.0 / 86_400.0;
        let carries = width.map(|width| volume.0 / (2.0 * width.as_secs_f64()));
        let needed = HEADROOM * flows.largest.0;
        let receiver_keeps_up = question.pulse_receiver.highest_rate_hz.is_none_or(|most| needed / volume.0 <= most);
        let receiver_sees = width.is_some_and(|width| width >= question.pulse_receiver.shortest_pulse);
        Self {
            role,
            volume_l: volume.0,
            on_time_ms: width.map(|width| 1000.0 * width.as_secs_f64()),
            largest_flow_hz: rate,
            largest_flow_duty: width.map(|width| rate * width.as_secs_f64()),
            carries_l_s: carries,
            smallest_flow_s: volume.0 / flows.smallest.0,
            one_percent_l: PULSES_FOR_ONE_PERCENT * volume.0,
            one_percent_usual_s: PULSES_FOR_ONE_PERCENT * volume.0 / flows.usual.0,
            wrap_16_bit_days: days(2_f64.powi(16)),
            wrap_32_bit_days: days(2_f64.powi(32)),
            suits: receiver_keeps_up
                && receiver_sees
                && carries.is_some_and(|carries| carries >= needed * (1.0 - 1e-9)),
        }
    }
}

/// The shortest width that is safe with a receiver.
fn safe_width(question: &Question) -> Duration {
    question.pulse_receiver.shortest_pulse.mul_f64(MARGIN_OF_WIDTH).max(SHORTEST_STANDARD_PULSE)
}

/// The width for a volume: safe for the receiver, and with the pause as long no longer than the pulses are apart at the
/// largest flow with headroom.
fn width_for(volume: Litres, question: &Question) -> Option<Duration> {
    let apart = volume.0 / (HEADROOM * question.flows.largest.0);
    let most = Duration::from_secs_f64(apart / 2.0 * (1.0 + 1e-9)).min(LONG_ENOUGH.max(safe_width(question)));
    let offered = WIDTHS_MS.into_iter().map(Duration::from_millis);
    let longest = offered.filter(|width| *width >= safe_width(question) && *width <= most).max();
    longest.or_else(|| (safe_width(question) <= most).then(|| safe_width(question)))
}

/// The smallest volume that can be carried is recommended: it tells most, soonest. Beside it, what is smaller and cannot,
/// what is larger and tells less, what is set.
pub(super) fn choices(question: &Question) -> Vec<PulseSetting> {
    let needed = HEADROOM * question.flows.largest.0;
    let by_width = 2.0 * needed * safe_width(question).as_secs_f64();
    let by_rate = question.pulse_receiver.highest_rate_hz.map_or(0.0, |most| needed / most);
    let recommended = plain_at_least(by_width.max(by_rate), &COARSE_STEPS);
    let decade_up = 10.0 * recommended;
    let mut values = vec![
        (Role::Alternative, plain_below(recommended, &COARSE_STEPS)),
        (Role::Recommended, recommended),
        (Role::Alternative, plain_at_least(2.0 * recommended, &COARSE_STEPS)),
        (Role::Alternative, decade_up),
    ];
    values.extend(question.present.pulse_volume.map(|present| (Role::Present, present.0)));
    values.sort_by(|(_, one), (_, other)| one.total_cmp(other));
    values
        .into_iter()
        .map(|(role, volume)| {
            let set_width = question.present.on_time.filter(|_| role == Role::Present);
            PulseSetting::of(role, Litres(volume), set_width, question)
        })
        .collect()
}

/// What is set now is judged; where nothing is, the recommendation is.
pub(super) fn cautions(question: &Question, choices: &[PulseSetting]) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let present = choices.iter().find(|choice| choice.role == Role::Present);
    let recommended = choices.iter().find(|choice| choice.role == Role::Recommended);
    let Some(judged) = present.or(recommended) else { return cautions };
    let volume = Litres(judged.volume_l);
    let width = judged.on_time_ms.map(|milliseconds| Duration::from_secs_f64(milliseconds / 1000.0));
    if present.is_some() {
        let width = width.unwrap_or_else(|| safe_width(question));
        cautions.extend(cannot_carry(volume, width, width, question.flows.largest, "the largest flow"));
        if width < question.pulse_receiver.shortest_pulse {
            let (width, shortest) = (milliseconds(width), milliseconds(question.pulse_receiver.shortest_pulse));
            cautions.push(Caution::new(
                Concern::PulseTooShort,
                format!("pulses of {width} ms; the receiver is sure to see {shortest} ms"),
                format!("set the width to {} ms or more", milliseconds(safe_width(question))),
            ));
        }
        if let Some(most) = question.pulse_receiver.highest_rate_hz.filter(|most| judged.largest_flow_hz > *most) {
            let rate = figure(judged.largest_flow_hz);
            cautions.push(Caution::new(
                Concern::PulseTooFast,
                format!("{rate} pulses a second at the largest flow; the receiver counts {}", figure(most)),
                format!("take {} L a pulse or more", figure(question.flows.largest.0 / most)),
            ));
        }
    }
    if judged.smallest_flow_s > LONGEST_WAIT.as_secs_f64() {
        cautions.push(Caution::new(
            Concern::PulseTooSeldom,
            format!(
                "at the smallest flow a pulse of {} L comes every {} min",
                figure(judged.volume_l),
                figure(judged.smallest_flow_s / 60.0)
            ),
            "an alarm for missing pulses must wait longer than that; a smaller volume would tell sooner",
        ));
    }
    if present.is_some() && judged.wrap_16_bit_days < 1.0 {
        cautions.push(Caution::new(
            Concern::CounterWraps,
            format!(
                "a 16-bit counter begins again every {} h at the usual flow",
                figure(24.0 * judged.wrap_16_bit_days)
            ),
            "read it at least twice in that time, without a longer interruption, or count with 32 bits",
        ));
    }
    cautions
}

/// A pulse that comes less often makes alarms slow.
const LONGEST_WAIT: Duration = Duration::from_secs(600);

/// Whether volume, width and pause carry a flow, which the message calls by its name; and whether the pulse is on for more
/// than half of the time.
pub(super) fn cannot_carry(
    volume: Litres,
    on_time: Duration,
    off_time: Duration,
    flow: LitresPerSecond,
    name: &str,
) -> Option<Caution> {
    let (on, off) = (on_time.as_secs_f64(), off_time.as_secs_f64());
    let rate = flow.0 / volume.0;
    let most = 1.0 / (on + off);
    if rate > most {
        return Some(Caution::new(
            Concern::PulsesCannotCarry,
            format!(
                "{name}, {} L/s, makes {} pulses of {} L a second; {} ms on and {} ms off allow {}: beyond {} L/s pulses are lost or late",
                figure(flow.0),
                figure(rate),
                figure(volume.0),
                milliseconds(on_time),
                milliseconds(off_time),
                figure(most),
                figure(most * volume.0)
            ),
            format!(
                "take {} L a pulse or more, or pulses of {} ms or less",
                figure(plain_at_least(flow.0 / most, &COARSE_STEPS)),
                figure(500.0 / rate)
            ),
        ));
    }
    let duty = rate * on;
    (duty > 0.5).then(|| {
        Caution::new(
            Concern::DutyCycle,
            format!("at {name} the pulse is on for {} % of the time", figure(100.0 * duty)),
            "the pause becomes shorter than the pulse: shorten the pulse, or take more litres a pulse",
        )
    })
}

pub(super) fn milliseconds(time: Duration) -> String {
    figure(1000.0 * time.as_secs_f64())
}

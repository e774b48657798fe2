//! Disagreements and events as others see them: the same JSON in every place, the same words for people.

use serde_json::{Value, json};
use tallywell_witness::coverage::Unread;
use tallywell_witness::declared::Table;
use tallywell_witness::plan::Request;
use tallywell_witness::tally::{Between, Disagreement, DisagreementKind, Event, EventKind, Largest, Moment};
use tallywell_witness::units;

use crate::record::format_instant;

/// A disagreement as one JSON object: `meter`, `between`, `kind`, `began`, `opened`, `closed` (null while open),
/// `largest`, `step_count`, `cause` (null until one was looked for). Times are RFC 3339 in UTC.
#[must_use]
pub fn disagreement_json(it: &Disagreement, cause: Option<&str>) -> Value {
    json!({
        "meter": it.meter,
        "between": it.between.words(),
        "kind": it.kind,
        "began": time(it.began),
        "opened": time(it.opened),
        "closed": it.closed.map(time),
        "largest": largest_json(&it.largest),
        "step_count": it.step_count,
        "cause": cause,
    })
}

fn largest_json(it: &Largest) -> Value {
    json!({
        "at": time(it.at),
        "difference": it.difference,
        "difference_most": it.difference_most,
        "unit": it.unit,
        "ratio": it.ratio,
        "tolerance": it.tolerance,
        "pulses": it.pulses,
        "pulses_most": it.pulses_most,
    })
}

/// An event as one JSON object: `meter`, `what` (its `kind` and figures), `began`, `ended` (null while it lasts).
#[must_use]
pub fn event_json(it: &Event) -> Value {
    json!({ "meter": it.meter, "what": it.what, "began": time(it.began), "ended": it.ended.map(time) })
}

fn time(moment: Moment) -> String {
    format_instant(moment.wall)
}

/// A disagreement in four lines of at most 80 columns.
#[must_use]
pub fn disagreement_text(it: &Disagreement, cause: Option<&str>) -> String {
    let [first, second] = it.between.words();
    let state = match it.closed {
        Some(closed) => format!("closed after {}", lasting(it.opened, closed)),
        None => "open".to_owned(),
    };
    let mut text = format!("{}  {}  {first}/{second}  {state}\n", seconds(it.opened), it.meter);
    text.push_str(&format!("  {}\n", size(it)));
    text.push_str(&format!("  {}\n", how(it)));
    let cause = cause.unwrap_or("not looked for yet");
    text.push_str(&format!("  cause: {cause}\n"));
    text
}

/// A disagreement in one line, for a log: without its meter and times.
#[must_use]
pub fn disagreement_line(it: &Disagreement) -> String {
    format!("{}: {}; {}", between_words(it.between), size(it), how(it))
}

/// What another master leaves unread of a device, and what would have to be polled for it.
#[must_use]
pub fn unread_line(it: &Unread) -> String {
    let needed: Vec<String> = it.needed.iter().map(stretch_words).collect();
    format!(
        "{} of {}; it would have to poll {} of address {}",
        it.entries.join(", "),
        it.device,
        needed.join(" and "),
        it.address
    )
}

/// `holding registers 2 to 3`.
#[must_use]
pub fn stretch_words(request: &Request) -> String {
    let what = match request.table {
        Table::Coil => "coil",
        Table::Discrete => "discrete input",
        Table::Input => "input register",
        Table::Holding => "holding register",
    };
    match request.count {
        1 => format!("{what} {}", request.start),
        _ => format!("{what}s {} to {}", request.start, request.end() - 1),
    }
}

/// A tally as people write it: `total/pulse`.
#[must_use]
pub fn between_words(between: Between) -> String {
    between.words().join("/")
}

/// How large a disagreement was.
fn size(it: &Disagreement) -> String {
    let [first, second] = it.between.words();
    let largest = &it.largest;
    let unit = largest.unit.symbol();
    let more = if largest.difference < 0.0 { "less" } else { "more" };
    let ratio = largest.ratio.map(|ratio| format!(" ({ratio:.4} of it)")).unwrap_or_default();
    let difference = figure(largest.difference.abs());
    let difference = match (largest.difference_most, it.kind) {
        (Some(most), _) => format!("{difference} to {}", figure(most.abs())),
        (None, DisagreementKind::Steps) => format!("at least {difference}"),
        (None, _) => format!("up to {difference}"),
    };
    format!("{second} {difference} {unit} {more} than {first}{ratio}; {} {unit} is let pass", figure(largest.tolerance))
}

/// What kind it was.
pub(super) fn how(it: &Disagreement) -> String {
    let began = if it.began == it.opened { String::new() } else { format!(", likely since {}", seconds(it.began)) };
    match (it.kind, it.largest.pulses) {
        (DisagreementKind::Steps, Some(pulses)) => {
            let what = if pulses < 0 { "lost" } else { "gained" };
            let steps = if it.step_count == 1 { "step" } else { "steps" };
            let least = pulses.unsigned_abs();
            let pulses = match it.largest.pulses_most.map(i64::unsigned_abs) {
                Some(most) if most == least => format!("{least} pulses"),
                Some(most) => format!("{least} to {most} pulses"),
                None => format!("at least {least} pulses"),
            };
            format!("{pulses} {what} in {} {steps}{began}", it.step_count)
        }
        (DisagreementKind::Steps, None) => format!("{} steps{began}", it.step_count),
        (DisagreementKind::Bias, _) => format!("a bias between the flows{began}"),
        (DisagreementKind::Volume, _) => format!("volumes that drift apart{began}"),
        (DisagreementKind::State { current }, _) => format!("the current: {}{began}", current.words()),
        (DisagreementKind::WentBack { witness }, _) => format!("{} went back{began}", witness.word()),
        (DisagreementKind::Absurd { witness }, _) => {
            format!("{} showed what no flow can make{began}", witness.word())
        }
    }
}

/// An event in a few words, without its meter and times.
#[must_use]
pub fn event_words(what: &EventKind) -> String {
    match what {
        EventKind::Status { name } => format!("status: {name}"),
        EventKind::High { limit_l_s, extreme_l_s } => {
            format!("flow above {} L/s, up to {} L/s", figure(limit_l_s.0), figure(extreme_l_s.0))
        }
        EventKind::Low { limit_l_s, extreme_l_s } => {
            format!("flow below {} L/s, down to {} L/s", figure(limit_l_s.0), figure(extreme_l_s.0))
        }
        EventKind::Reverse { extreme_l_s, volume_l } => {
            format!("reverse flow, up to {} L/s, {} L in all", figure(extreme_l_s.0.abs()), figure(volume_l.0))
        }
        EventKind::Current { state } => format!("loop current: {}", state.words()),
        EventKind::Silent { device } => format!("{device} does not answer"),
        EventKind::AllSilent => "nothing is heard of the meter".to_owned(),
        EventKind::Power => "several things restarted at once: the power was off".to_owned(),
        EventKind::WentBack { witness, from, to } => format!("{} went back from {from} to {to}", witness.word()),
        EventKind::FlowWithoutPump { volume_l } => {
            format!("{} L flowed though the pump did not run", figure(volume_l.0))
        }
        EventKind::SettingDiffers { setting, declared, read } => {
            let value = |value| setting_value(*setting, value);
            let (read, declared) = (value(*read), value(*declared));
            format!("setting {}: the meter has {read}, the site file {declared}", setting_word(*setting))
        }
        EventKind::SettingChanged { setting, old, new } => {
            let value = |value| setting_value(*setting, value);
            format!("setting {} was changed from {} to {}", setting_word(*setting), value(*old), value(*new))
        }
        EventKind::TotalCoarse { resolution_l } => {
            format!("the total has grown so large that it moves in steps of {} L", figure(resolution_l.0))
        }
        EventKind::ClockSet { moved_s } => {
            let direction = if *moved_s < 0.0 { "back" } else { "forward" };
            format!("the clock on the wall was set {direction} by {:.1} s", moved_s.abs())
        }
    }
}

fn setting_word(setting: tallywell_witness::declared::Setting) -> String {
    serde_json::to_value(setting).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// A setting to the digits in which two of them are told apart, with its unit where that is known.
fn setting_value(setting: tallywell_witness::declared::Setting, value: f64) -> String {
    let number = units::figure(value, 6);
    setting.base_unit().map_or(number.clone(), |unit| format!("{number} {unit}"))
}

/// An instant for people: UTC, to the second.
fn seconds(moment: Moment) -> String {
    let text = time(moment);
    format!("{} {}Z", &text[..10], &text[11..19])
}

/// The time between two moments, in its two largest units.
fn lasting(from: Moment, to: Moment) -> String {
    let seconds = (to.steady.0 - from.steady.0).max(0) / 1000;
    let (days, hours, minutes) = (seconds / 86_400, seconds / 3_600 % 24, seconds / 60 % 60);
    match (days, hours, minutes) {
        (0, 0, 0) => format!("{seconds} s"),
        (0, 0, _) => format!("{minutes} min {} s", seconds % 60),
        (0, _, _) => format!("{hours} h {minutes} min"),
        _ => format!("{days} d {hours} h"),
    }
}

/// A number to four figures, more where its whole part has more.
fn figure(value: f64) -> String {
    let magnitude = value.abs();
    match magnitude {
        _ if !value.is_finite() => value.to_string(),
        0.0 => "0".to_owned(),
        m if m >= 1000.0 => format!("{value:.0}"),
        m if m >= 100.0 => format!("{value:.1}"),
        m if m >= 10.0 => format!("{value:.2}"),
        m if m >= 1.0 => format!("{value:.3}"),
        m if m >= 0.001 => format!("{value:.4}"),
        _ => format!("{value:.2e}"),
    }
}

#[cfg(test)]
mod tests {
    use tallywell_witness::declared::Setting;

    use super::*;

    #[test]
    fn a_setting_is_told_with_its_unit_where_it_has_one() {
        let changed = |setting, old, new| event_words(&EventKind::SettingChanged { setting, old, new });
        assert_eq!(changed(Setting::PulseVolume, 5.0, 10.0), "setting pulse_volume was changed from 5 L to 10 L");
        assert_eq!(
            changed(Setting::Zero, 0.0, -0.25),
            "setting zero was changed from 0 to -0.25",
            "of what, the maker knows"
        );
        // As a 32-bit float holds it.
        let differs =
            EventKind::SettingDiffers { setting: Setting::PulseOnTime, declared: 0.06, read: f64::from(0.1_f32) };
        assert_eq!(event_words(&differs), "setting pulse_on_time: the meter has 0.1 s, the site file 0.06 s");
    }
}

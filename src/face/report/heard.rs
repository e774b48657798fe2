//! What was seen: how many readings, of what, and when there were none.

use maud::{Markup, html};

use super::Report;
use super::figures::{count, instant, lasting, number, percent};
use super::seen::Heard;
use crate::record::Quantity;

/// The readings in figures.
pub(super) fn seen(report: &Report<'_>) -> Markup {
    let seen = &report.seen;
    let Some((first, last)) = seen.ends else {
        return html! { p { "No reading of this meter was stored in this time." } };
    };
    html! {
        p {
            b { (count(seen.readings)) " readings" } " from " (instant(first)) " to " (instant(last)) ". "
            @if seen.gap_count == 0 {
                "No silence was longer than " (lasting(seen.gap_limit_s)) "."
            } @else {
                (count(seen.gap_count)) @if seen.gap_count == 1 { " silence" } @else { " silences" } " longer than " (lasting(seen.gap_limit_s)) ", "
                (lasting(seen.gap_seconds)) " together; the longest: "
                @for (place, (end, silence)) in seen.gaps.iter().enumerate() {
                    @if place > 0 { ", " }
                    (lasting(*silence)) " until " (instant(*end))
                }
                "."
            }
        }
        div class="wide" role="region" aria-label="Readings" tabindex="0" {
            table {
                thead { tr {
                    th { "Value" } th class="n" { "Heard" } th class="n" { "Missed" } th class="n" { "First" }
                    th class="n" { "Last" } th class="n" { "Lowest" } th class="n" { "Highest" } th class="n" { "Volume" }
                } }
                tbody { @for heard in &seen.heard { (row(heard, seen.readings)) } }
            }
        }
        p class="small" {
            "The volume of a flow is the flow added up from reading to reading, silences left out; that of a total or of \
             pulses is last less first, silences included. They are not the tallies, which know what can be judged."
        }
        p { (clock(report)) }
    }
}

/// The value's name for people.
const fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Flow => "flow register",
        Quantity::Total => "total register",
        Quantity::Loop => "loop current",
        Quantity::Pulses => "pulse counter",
        Quantity::ReverseTotal => "reverse total",
        Quantity::ReceiverFlow => "receiver\u{2019}s flow",
        Quantity::ReceiverTotal => "receiver\u{2019}s total",
    }
}

fn row(heard: &Heard, readings: u64) -> Markup {
    let figure = |value: Option<f64>| match value {
        Some(value) if heard.unit.is_empty() => number(value),
        Some(value) => format!("{} {}", number(value), heard.unit),
        None => "\u{2013}".to_owned(),
    };
    let missed = readings.saturating_sub(heard.count);
    #[expect(clippy::cast_precision_loss, reason = "a share of a count")]
    let share = missed as f64 / readings.max(1) as f64;
    html! {
        tr {
            td {
                (name(heard.quantity))
                @if heard.nonsense > 0 { " (" (count(heard.nonsense)) " times no number)" }
            }
            td class="n" { (count(heard.count)) }
            td class="n" { (count(missed)) @if missed > 0 { " (" (percent(share)) ")" } }
            td class="n" { (figure(heard.ends.map(|ends| ends.0))) }
            td class="n" { (figure(heard.ends.map(|ends| ends.1))) }
            td class="n" { (figure(heard.extremes.map(|extremes| extremes.0))) }
            td class="n" { (figure(heard.extremes.map(|extremes| extremes.1))) }
            td class="n" {
                @match heard.volume {
                    Some((volume, over)) => { (number(volume)) " L in " (lasting(over)) }
                    None => { "\u{2013}" }
                }
            }
        }
    }
}

fn clock(report: &Report<'_>) -> String {
    let held = match report.clock_synchronised {
        Some(true) => "The clock of the machine that polled was held right by another.",
        Some(false) => "The clock of the machine that polled was held right by nothing: its times may be off.",
        None => "Whether the clock of the machine that polled was right is not known.",
    };
    if report.clock_was_set {
        format!("{held} It was set during this time; durations are taken from a clock that never jumps.")
    } else {
        held.to_owned()
    }
}

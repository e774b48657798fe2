//! Every meter at a glance: loop, bus and pulses side by side, with the sign of their tallies between them.

use maud::{Markup, html};
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::tally::{Between, TallyStanding};

use super::Declared;
use super::layout::{address_of, badge, class};
use super::plumb::{figure, plumb_line};
use super::{lines, past};
use crate::face::report::figures::{count, lasting, number, signed};
use crate::face::report::signs::sign;
use crate::face::state::{MeterState, OpenDisagreement, State};

pub(super) fn content(state: &State, declared: &Declared) -> Markup {
    html! {
        h1 { "Meters" }
        @if state.meters.is_empty() { p { "The site file declares no meter." } }
        div id="meters" data-live {
            @for meter in &state.meters {
                @if let Some(facts) = declared.meters.get(&meter.meter) { (card(state, meter, facts)) }
            }
        }
        section id="lines-briefly" data-live aria-labelledby="lines-heading" {
            h2 id="lines-heading" { "Lines and store" }
            (lines::briefly(state))
        }
    }
}

fn card(state: &State, meter: &MeterState, facts: &MeterFacts) -> Markup {
    let heading = format!("of-{}", meter.meter);
    html! {
        article class={ "meter " (class(meter.verdict())) } aria-labelledby=(heading) {
            (stands(state, meter, facts, &html! { h2 id=(heading) { a href=(address_of(&meter.meter)) { (meter.meter) } } }))
        }
    }
}

/// How a meter stands now, under a heading.
pub(super) fn stands(state: &State, meter: &MeterState, facts: &MeterFacts, heading: &Markup) -> Markup {
    html! {
        header class="meter-head" {
            (heading)
            (badge(meter.verdict()))
            @if meter.maintenance { span class="badge maintenance" { "maintenance: judged by nothing" } }
            (age(state, meter))
        }
        (witnesses(meter, facts))
        (plumb_line(meter, facts))
        (open(&meter.disagreements))
        (lasting_events(meter))
    }
}

/// Says so where what is shown is old.
fn age(state: &State, meter: &MeterState) -> Markup {
    html! {
        @if meter.time.is_none() {
            span class="badge old" { "not read yet" }
        } @else if let Some(age) = meter.overdue_s(state.at) {
            span class="badge old" { "last read " (lasting(age.round())) " ago" }
        }
    }
}

/// Loop, bus and pulses in a row, which on a narrow page is a column.
fn witnesses(meter: &MeterState, facts: &MeterFacts) -> Markup {
    let of = |between| meter.tallies.iter().find(|tally| tally.between == between);
    let has_loop = facts.meter.current_loop.is_some();
    let has_pulse = facts.meter.pulse.is_some();
    let has_bus = facts.flow.is_some() || facts.total.is_some();
    let left = of(Between::FlowLoop);
    let right = of(Between::TotalPulse).or_else(|| of(Between::LoopPulse));
    html! {
        div class="witnesses" role="group" aria-label={ "Witnesses of " (meter.meter) } {
            @if has_loop { (loop_box(meter)) }
            @if has_loop && (has_bus || has_pulse) { (between(left.or_else(|| of(Between::LoopPulse).filter(|_| !has_bus)))) }
            @if has_bus { (bus_box(meter, of(Between::TotalFlow))) }
            @if has_pulse && has_bus { (between(right)) }
            @if has_pulse { (pulse_box(meter)) }
        }
    }
}

fn loop_box(meter: &MeterState) -> Markup {
    html! {
        div class="witness" {
            p class="who" { "Loop" }
            p class="large" {
                @match (meter.loop_flow_l_s, meter.loop_ma) {
                    (Some(flow), _) => { (figure(flow)) span class="unit" { " L/s" } }
                    (None, Some(_)) => "no flow",
                    (None, None) => "not read",
                }
            }
            p class="raw" {
                @if let Some(current) = meter.loop_ma { (format!("{current:.3}").replace('-', "\u{2212}")) " mA" }
            }
        }
    }
}

fn bus_box(meter: &MeterState, inside: Option<&TallyStanding>) -> Markup {
    html! {
        div class="witness" {
            p class="who" { "Bus" }
            p class="large" {
                @match (meter.flow_l_s, &meter.flow, meter.total_l) {
                    (Some(flow), _, _) => { (figure(flow)) span class="unit" { " L/s" } }
                    (None, Some(_), _) => "no number",
                    (None, None, Some(_)) => "total only",
                    (None, None, None) => "not read",
                }
            }
            p class="raw" {
                @if let Some(total) = meter.total_l { "total " (number(total)) "\u{a0}L" }
                @if let Some(tally) = inside {
                    @let (mark, word) = sign(tally.verdict);
                    " " span class=(class(tally.verdict)) title="the total against the flow, integrated" {
                        span aria-hidden="true" { (mark) } span class="hidden" { "total and flow: " (word) }
                    }
                }
            }
        }
    }
}

fn pulse_box(meter: &MeterState) -> Markup {
    let mean = meter.last_minute.iter().find(|mean| mean.witness == "pulse");
    html! {
        div class="witness" {
            p class="who" { "Pulses" @if let Some(mean) = mean { ", last " (lasting(mean.over_s.round())) } }
            p class="large" {
                @match mean {
                    Some(mean) => { (figure(mean.mean_l_s)) span class="unit" { " L/s" } }
                    None if meter.pulses.is_some() => "counting",
                    None => "not read",
                }
            }
            p class="raw" {
                @if let Some(value) = meter.pulses.as_ref().and_then(|pulses| pulses.value) {
                    (number(value)) " \u{d7}\u{a0}" (meter.pulse_volume_l.map(number).unwrap_or_default()) "\u{a0}L"
                }
            }
        }
    }
}

/// The sign between two witnesses, and how far apart they are.
fn between(tally: Option<&TallyStanding>) -> Markup {
    let Some(tally) = tally else { return html! { div class="between undecided" { span class="mark" { "\u{b7}" } } } };
    let (mark, word) = sign(tally.verdict);
    let [first, second] = tally.between.words();
    let unit = tally.unit.symbol();
    html! {
        div class={ "between " (word) } {
            span class="mark" aria-hidden="true" { (mark) }
            span class="hidden" { (first) " and " (second) ": " (word) ". " }
            @if let Some(difference) = tally.difference {
                span class="apart" { (rounded(difference, tally.tolerance)) " " (unit) }
            }
            @if let Some(tolerance) = tally.tolerance {
                span class="pass" { "\u{b1}" (number(tolerance)) " let pass" }
            }
        }
    }
}

/// A difference no finer than a hundredth of what is let pass.
fn rounded(difference: f64, tolerance: Option<f64>) -> String {
    let finest = tolerance.filter(|tolerance| *tolerance > 0.0).map_or(1e-4, |tolerance| tolerance / 100.0);
    let step = 10_f64.powf(finest.log10().floor());
    let rounded = (difference / step).round() * step;
    if rounded == 0.0 { "0".to_owned() } else { signed(rounded) }
}

/// Disagreements that stand open.
fn open(all: &[OpenDisagreement]) -> Markup {
    html! {
        @if !all.is_empty() {
            ul class="entries open" {
                @for it in all {
                    li {
                        p {
                            b class="disagree" { "Open" }
                            @if let Some(opened) = it.text("opened") { " since " (past::moment(opened)) }
                        }
                        p { (past::capital(&it.words)) "." }
                        p { (past::cause(it.text("cause"))) }
                    }
                }
            }
        }
    }
}

/// Events that last.
fn lasting_events(meter: &MeterState) -> Markup {
    let set = meter.status.as_deref().unwrap_or_default();
    html! {
        @if !meter.events.is_empty() {
            ul class="entries events" {
                @for event in &meter.events {
                    li { (past::capital(&event.words)) @if let Some(began) = event.began() { ", since " (past::moment(began)) } }
                }
            }
        }
        p class="small" {
            @if set.is_empty() { @if meter.status.is_some() { "Status: no alarm. " } } @else { "Status: " (set.join(", ")) ". " }
            @match meter.running { Some(true) => "The pump runs. ", Some(false) => "The pump stands. ", None => "" }
            (count(meter.counted.readings)) " readings since the daemon began."
        }
    }
}

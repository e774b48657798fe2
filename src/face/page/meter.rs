//! One meter: how its witnesses stand now, its pictures, and what was logged of it.

use maud::{Markup, html};
use serde_json::{Value, json};
use tallywell_witness::reading::MeterFacts;

use super::log;
use super::overview::stands;
use super::past::{Past, Stretch};
use crate::face::report::answer;
use crate::face::report::figures::count;
use crate::face::state::{MeterState, State};
use crate::face::told;

/// What changes from second to second.
pub(super) fn now(state: &State, meter: &MeterState, facts: &MeterFacts) -> Markup {
    html! {
        section id="now" data-live aria-labelledby="now-heading" {
            (stands(state, meter, facts, &html! { h2 id="now-heading" { "Now" } }))
        }
        section id="tallies" data-live aria-labelledby="tallies-heading" {
            h2 id="tallies-heading" { "Witness against witness" }
            (answer::tallies(&meter.tallies))
        }
    }
}

pub(super) fn content(state: &State, meter: &MeterState, facts: &MeterFacts, past: &Past) -> Markup {
    html! {
        h1 { "Meter " (meter.meter) }
        (now(state, meter, facts))
        section id="pictures" data-live="slow" aria-labelledby="pictures-heading" {
            h2 id="pictures-heading" { "Pictures of the last " (past.stretch.words()) }
            p class="choices" {
                "Over: "
                @for stretch in Stretch::ALL {
                    @if stretch == past.stretch {
                        b aria-current="true" { (stretch.words()) } " "
                    } @else {
                        a href={ "?over=" (stretch.word()) } { (stretch.words()) } " "
                    }
                }
            }
            @if past.is_cut {
                p class="plainly" {
                    "Reading took too long: the pictures end early. Choose a shorter time, or let " code { "tallywell report" }
                    " draw the whole."
                }
            }
            @if past.readings == 0 { p { "Nothing was stored of this meter in this time." } }
            @else { (past.pictures) p class="small" { (count(past.readings)) " readings." } }
        }
        section id="logged" data-live="slow" aria-labelledby="logged-heading" {
            h2 id="logged-heading" { "What was logged in this time" }
            h3 { "Disagreements" }
            (log::disagreements(&past.disagreements, false))
            h3 { "Events" }
            (log::events(&past.events, false))
            h3 { "Notes" }
            (log::notes(&past.notes))
        }
        section aria-labelledby="more-heading" {
            h2 id="more-heading" { "More" }
            p {
                code { "tallywell explain --meter " (meter.meter) } " ranks the causes with their evidence and what to check on site; "
                code { "tallywell report" } " makes a page of it to print and hand over."
            }
        }
    }
}

pub(super) fn json(meter: &MeterState, past: &Past) -> Value {
    json!({
        "now": meter,
        "over": past.stretch.word(),
        "readings": past.readings,
        "disagreements": past.disagreements.iter()
            .map(|logged| told::disagreement_json(&logged.disagreement, logged.cause.as_deref())).collect::<Vec<_>>(),
        "events": past.events.iter().map(told::event_json).collect::<Vec<_>>(),
        "notes": *past.notes,
    })
}

//! What was logged: disagreements, events and notes, the newest first, as one reads a log on a small screen.

use std::path::Path;

use maud::{Markup, html};
use serde_json::{Value, json};
use tallywell_witness::tally::{Event, Moment};
use tallywell_witness::units::WallMillis;

use super::layout::{address_of, time};
use super::past::{capital, cause};
use crate::face::report::figures::{count, lasting};
use crate::face::report::log::note_words;
use crate::face::told;
use crate::store::log::{LoggedDisagreement, Note};
use crate::store::{Span, StoreError, StoreReader};
use crate::wall;

/// More of a kind are only counted.
const MOST_LISTED: usize = 100;

/// How far back the log is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Days {
    Last(i64),
    All,
}

impl Days {
    const CHOICES: [(Self, &'static str, &'static str); 4] = [
        (Self::Last(7), "7", "7 days"),
        (Self::Last(30), "30", "30 days"),
        (Self::Last(365), "365", "a year"),
        (Self::All, "all", "all of time"),
    ];

    /// By the word in an address; 30 days where it is none of ours.
    pub(super) fn named(word: Option<&str>) -> Self {
        let named = Self::CHOICES.into_iter().find(|(_, name, _)| Some(*name) == word);
        named.map_or(Self::Last(30), |(days, _, _)| days)
    }
}

/// What was read.
#[derive(Debug)]
pub(super) struct Log {
    days: Days,
    disagreements: Vec<LoggedDisagreement>,
    events: Vec<Event>,
    notes: Vec<Note>,
}

/// Reads it.
pub(super) fn read(store: &Path, days: Days) -> Result<Log, StoreError> {
    let from = match days {
        Days::Last(days) => Some(WallMillis(wall::now().0 - days * 86_400_000)),
        Days::All => None,
    };
    let (reader, span) = (StoreReader::open(store)?, Span { from, to: None });
    Ok(Log {
        days,
        disagreements: reader.disagreements(None, span)?,
        events: reader.events(None, span)?,
        notes: reader.notes(None, span)?,
    })
}

pub(super) fn content(log: &Log) -> Markup {
    html! {
        h1 { "Log" }
        p class="choices" {
            "Over: "
            @for (days, word, words) in Days::CHOICES {
                @if days == log.days { b aria-current="true" { (words) } " " } @else { a href={ "?days=" (word) } { (words) } " " }
            }
        }
        section id="disagreements" data-live="slow" aria-labelledby="disagreements-heading" {
            h2 id="disagreements-heading" { "Disagreements" }
            (disagreements(&log.disagreements, true))
        }
        section id="events" data-live="slow" aria-labelledby="events-heading" {
            h2 id="events-heading" { "Events" }
            (events(&log.events, true))
        }
        section id="notes" data-live="slow" aria-labelledby="notes-heading" {
            h2 id="notes-heading" { "Notes" }
            (notes(&log.notes))
        }
    }
}

pub(super) fn json(log: &Log) -> Value {
    json!({
        "disagreements": log.disagreements.iter()
            .map(|logged| told::disagreement_json(&logged.disagreement, logged.cause.as_deref())).collect::<Vec<_>>(),
        "events": log.events.iter().map(told::event_json).collect::<Vec<_>>(),
        "notes": log.notes,
    })
}

/// Disagreements, the newest first.
pub(super) fn disagreements(all: &[LoggedDisagreement], with_meter: bool) -> Markup {
    html! {
        @if all.is_empty() { p { "None." } }
        @else {
            ul class="entries" {
                @for logged in all.iter().rev().take(MOST_LISTED) {
                    @let it = &logged.disagreement;
                    li class=[it.closed.is_none().then_some("open")] {
                        p {
                            @if with_meter { (meter_link(&it.meter)) " " }
                            (time(it.opened.wall)) ", " (state(it.opened, it.closed))
                        }
                        p { (capital(&told::disagreement_line(it))) "." }
                        p { (cause(logged.cause.as_deref())) }
                    }
                }
            }
            (more(all.len()))
        }
    }
}

/// Events, the newest first.
pub(super) fn events(all: &[Event], with_meter: bool) -> Markup {
    html! {
        @if all.is_empty() { p { "None." } }
        @else {
            ul class="entries" {
                @for event in all.iter().rev().take(MOST_LISTED) {
                    li {
                        @if with_meter { (meter_link(&event.meter)) " " }
                        (time(event.began.wall))
                        @if event.ended != Some(event.began) { ", " (state(event.began, event.ended)) }
                        ": " (told::event_words(&event.what)) "."
                    }
                }
            }
            (more(all.len()))
        }
    }
}

/// Notes, the newest first.
pub(super) fn notes(all: &[Note]) -> Markup {
    html! {
        @if all.is_empty() { p { "None." } }
        @else {
            ul class="entries" {
                @for note in all.iter().rev().take(MOST_LISTED) {
                    li { (meter_link(&note.meter)) " " (time(note.at)) ": " (note_words(&note.what)) }
                }
            }
            (more(all.len()))
        }
    }
}

fn meter_link(name: &str) -> Markup {
    html! { a href=(address_of(name)) { (name) } }
}

fn state(began: Moment, ended: Option<Moment>) -> Markup {
    html! {
        @match ended {
            Some(ended) => { "over after " (lasting(ended.steady.since(began.steady).0.max(0.0))) }
            None => b class="disagree" { "still open" },
        }
    }
}

fn more(all: usize) -> Markup {
    html! {
        @if all > MOST_LISTED {
            p class="small" { "and " (count((all - MOST_LISTED) as u64)) " older, which the store holds." }
        }
    }
}

//! What was logged: disagreements, events, notes, maintenance.

use maud::{Markup, html};
use tallywell_witness::tally::{Event, Moment};
use tallywell_witness::units::WallMillis;

use super::figures::{count, instant, lasting, number, signed};
use super::signs::witness_name;
use crate::face::told;
use crate::store::log::{LoggedDisagreement, Note, NoteKind, ReadBy};

/// More than so many of a kind are only counted.
const MOST_LISTED: usize = 200;

fn for_so_long(began: Moment, ended: Option<Moment>) -> String {
    ended.map_or_else(|| "still open".to_owned(), |ended| lasting(ended.steady.since(began.steady).0.max(0.0)))
}

/// The disagreements, oldest first.
pub(super) fn disagreements(all: &[LoggedDisagreement]) -> Markup {
    html! {
        @if all.is_empty() {
            p { "None stood open in this time." }
        } @else {
            div class="wide" role="region" aria-label="Disagreements" tabindex="0" {
                table {
                    thead { tr {
                        th { "Certain since" } th { "Lasted" } th { "Between" } th class="n" { "At its largest" }
                        th class="n" { "Let pass" } th { "What was seen" } th { "Cause" }
                    } }
                    tbody { @for logged in all.iter().take(MOST_LISTED) { (disagreement(logged)) } }
                }
            }
            (more(all.len()))
        }
    }
}

fn disagreement(logged: &LoggedDisagreement) -> Markup {
    let it = &logged.disagreement;
    let unit = it.largest.unit.symbol();
    html! {
        tr {
            td { (instant(it.opened.wall)) }
            td { (for_so_long(it.opened, it.closed)) }
            td { (it.between.witnesses().map(witness_name).join(", ")) }
            td class="n" { (signed(it.largest.difference)) " " (unit) }
            td class="n" { "\u{b1}" (number(it.largest.tolerance)) " " (unit) }
            td { (told::how(it)) }
            td { @match &logged.cause { Some(cause) => code { (cause) }, None => "not looked for yet" } }
        }
    }
}

/// The events, oldest first.
pub(super) fn events(all: &[Event]) -> Markup {
    html! {
        @if all.is_empty() {
            p { "None." }
        } @else {
            div class="wide" role="region" aria-label="Events" tabindex="0" { table {
                thead { tr { th { "Began" } th { "Lasted" } th { "What" } } }
                tbody {
                    @for event in all.iter().take(MOST_LISTED) {
                        tr {
                            td { (instant(event.began.wall)) }
                            td {
                                @if event.ended == Some(event.began) { "\u{2013}" }
                                @else { (for_so_long(event.began, event.ended)) }
                            }
                            td { (told::event_words(&event.what)) }
                        }
                    }
                }
            } }
            (more(all.len()))
        }
    }
}

/// What people wrote down, and when the meter was worked on.
pub(super) fn notes(all: &[Note], maintenance: &[(WallMillis, Option<WallMillis>)]) -> Markup {
    html! {
        @if all.is_empty() && maintenance.is_empty() {
            p { "None." }
        }
        @if !all.is_empty() {
            div class="wide" role="region" aria-label="Notes" tabindex="0" { table {
                thead { tr { th { "About" } th { "Written" } th { "Note" } } }
                tbody {
                    @for note in all.iter().take(MOST_LISTED) {
                        tr {
                            td { (instant(note.at)) }
                            td { (instant(note.written)) }
                            td { (note_words(&note.what)) }
                        }
                    }
                }
            } }
            (more(all.len()))
        }
        @for (from, to) in maintenance {
            p {
                "Maintenance from " (instant(*from))
                @match to { Some(to) => { " to " (instant(*to)) } None => ", not ended" }
                ": readings were kept and judged by nothing."
            }
        }
    }
}

pub(in crate::face) fn note_words(what: &NoteKind) -> String {
    let with = |words: String, text: &str| if text.is_empty() { words } else { format!("{words}: {text}") };
    match what {
        NoteKind::Remark { text } => text.clone(),
        NoteKind::Reading { of, value, unit, text } => {
            let of = match of {
                ReadBy::Display => "read from the display",
                ReadBy::Invoice => "read from an invoice",
                ReadBy::Reference => "read from a reference",
                ReadBy::Receiver => "read from the receiver",
            };
            with(format!("{} {unit}, {of}", number(*value)), text)
        }
        NoteKind::MaintenanceBegins { text } => with("maintenance begins".to_owned(), text),
        NoteKind::MaintenanceEnds { text } => with("maintenance ends".to_owned(), text),
        NoteKind::Trial { result } => format!("trial run: {}", result.verdict.word()),
    }
}

fn more(all: usize) -> Markup {
    html! {
        @if all > MOST_LISTED {
            p class="small" { "and " (count((all - MOST_LISTED) as u64)) " more, which the store holds." }
        }
    }
}

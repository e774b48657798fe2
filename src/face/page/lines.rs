//! The lines: how each device answers, and how much of the line's time that takes.

use maud::{Markup, html};

use super::layout::time;
use crate::face::report::figures::{count, lasting, number};
use crate::face::state::{DeviceState, LineState, State, StoreState};

pub(super) fn content(state: &State) -> Markup {
    html! {
        h1 { "Lines" }
        p class="small" { "Counted since the daemon began, " (time(state.running_since)) "." }
        @for line in &state.lines { (one(line)) }
        section id="store" data-live aria-labelledby="store-heading" {
            h2 id="store-heading" { "Store" }
            (store(&state.store))
        }
    }
}

/// All lines and the store in a few words.
pub(super) fn briefly(state: &State) -> Markup {
    html! {
        ul class="plain" {
            @for line in &state.lines {
                li { a href="/lines" { (line.line) } ": " (health(line)) ", " (use_of(line)) }
            }
            li { "Store: " (store_words(&state.store)) }
        }
    }
}

fn health(line: &LineState) -> Markup {
    html! {
        @if let Some(why) = &line.port_lost {
            b class="disagree" { "The port is lost" } " (" (why) ")"
        } @else if line.silent_devices.is_empty() {
            "Every device answers"
        } @else {
            b class="disagree" { "No answer from " (line.silent_devices.join(", ")) }
        }
    }
}

fn use_of(line: &LineState) -> String {
    format!("{} % of its time in use", number((line.line_use * 1000.0).round() / 10.0))
}

fn one(line: &LineState) -> Markup {
    let heading = format!("line-{}", line.line);
    html! {
        section id={ "of-" (line.line) } data-live aria-labelledby=(heading) {
            h2 id=(heading) { "Line " (line.line) }
            p { (health(line)) ". " (count(line.transactions)) " requests in " (lasting(line.elapsed_s.round())) ", " (use_of(line)) "." }
            @if let Some(hint) = &line.hint { p class="plainly" { (hint) } }
            @if line.two_masters && line.foreign_requests > 0 {
                p {
                    b class="disagree" { "Another master asks here too" }
                    ": " (count(line.foreign_requests)) " requests were not of this program. The protocol allows one \
                     master: stop the other, or listen to it."
                }
            }
            @if let Some(unread) = &line.unread {
                p { "Another master polls this line; it is only listened to." }
                @if line.two_masters { p { b class="disagree" { "Two masters poll it" } "; the protocol allows one." } }
                @if !unread.is_empty() {
                    p { "What it does not read:" }
                    ul { @for device in unread { li { (device) } } }
                }
            }
            @if !line.devices.is_empty() {
                div class="wide" role="region" aria-label={ "Timing of line " (line.line) } tabindex="0" {
                    table {
                        thead {
                            tr {
                                th scope="col" { "Device" } th scope="col" class="n" { "Replies" } th scope="col" { "Bad replies" }
                                th scope="col" class="n" { "Half within" } th scope="col" class="n" { "99 % within" }
                                th scope="col" class="n" { "Slowest" } th scope="col" class="n" { "Address" }
                            }
                        }
                        tbody { @for device in &line.devices { (row(device)) } }
                    }
                }
                p class="small" { "Times from the end of a request to the beginning of the reply." }
            }
        }
    }
}

fn row(device: &DeviceState) -> Markup {
    let millis = |value: Option<f64>| value.map_or_else(|| "\u{2013}".to_owned(), |value| format!("{value:.1} ms"));
    let faults: Vec<String> = device.faults_seen().map(|(kind, number)| format!("{} {kind}", count(number))).collect();
    html! {
        tr {
            th scope="row" { (device.device) }
            td class="n" { (count(device.replies)) }
            td { @if faults.is_empty() { "none" } @else { (faults.join(", ")) } }
            td class="n" { (millis(device.reply_ms.p50)) }
            td class="n" { (millis(device.reply_ms.p99)) }
            td class="n" { (millis(device.reply_ms.max)) }
            td class="n" { @if let Some(address) = device.address { (address) } @else { "\u{2013}" } }
        }
    }
}

fn store_words(store: &StoreState) -> Markup {
    html! {
        @if let Some(trouble) = &store.trouble {
            b class="disagree" { "cannot be written" } " (" (trouble) "); " (count(store.waiting as u64)) " wait"
        } @else {
            "written, " (count(store.readings_stored)) " readings since the daemon began"
        }
        @if store.readings_dropped > 0 { ", " b class="disagree" { (count(store.readings_dropped)) " dropped" } }
        @if let Some(name) = store.set_aside_name() {
            "; " b class="disagree" { "the one before was damaged" } " and put aside as " (name)
        }
    }
}

fn store(store: &StoreState) -> Markup {
    html! { p { "It is " (store_words(store)) "." } }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As an older daemon would have told it: what it does not know yet is left out.
    fn line(more: &str) -> String {
        let told = r#"{"line":"shed","port_lost":null,"silent_devices":[],"transactions":40,"line_use":0.2,
            "elapsed_s":10,"busy_s":2,"hint":null,"devices":[]"#;
        one(&serde_json::from_str(&format!("{told}{more}}}")).unwrap()).into_string()
    }

    #[test]
    fn a_second_master_is_named_on_a_line_that_is_polled_and_on_one_that_is_listened_to() {
        assert!(!line("").contains("master"));
        assert!(!line(r#","foreign_requests":2"#).contains("master"));
        let polled = line(r#","foreign_requests":12345,"two_masters":true"#);
        assert!(
            polled.contains("Another master asks here too") && polled.contains("12\u{202f}345 requests"),
            "{polled}"
        );
        let listened = line(r#","two_masters":true,"unread":[]"#);
        assert!(listened.contains("Two masters poll it") && !listened.contains("asks here too"), "{listened}");
    }
}

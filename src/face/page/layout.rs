//! What all pages share: head, landmarks, the way between them, and how a refusal looks.

use std::sync::LazyLock;

use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use serde_json::json;
use tallywell_witness::tally::Verdict;

use super::negotiation::wants_json;
use crate::face::report::figures::instant;
use crate::face::report::signs::sign;
use crate::face::state::State;
use crate::face::{LOOK, plot};
use crate::store::evidence::sha256;

/// What renews the page.
pub(super) const SCRIPT: &str = include_str!("live.js");
/// In the addresses of style and script, so that a browser keeps them until they are others.
static SCRIPT_HASH: LazyLock<String> = LazyLock::new(|| short_hash(SCRIPT));
static STYLE_HASH: LazyLock<String> = LazyLock::new(|| short_hash(&style()));

/// How it looks.
pub(super) fn style() -> String {
    format!("{LOOK}\n{}\n{}", plot::STYLE, include_str!("page.css"))
}

fn short_hash(text: &str) -> String {
    sha256(text.as_bytes()).chars().take(12).collect()
}

/// Which page is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Where {
    Meters,
    Meter,
    Log,
    Lines,
}

/// A whole page.
pub(super) fn page(state: &State, place: Where, title: &str, content: &Markup) -> Markup {
    let (verdict, words) = sentence(state);
    let (mark, _) = sign(verdict);
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("{mark} {title} \u{b7} {}", state.site)))
            body {
                a class="skip" href="#content" { "To the content" }
                header {
                    p class="site" { (state.site) }
                    nav aria-label="Pages" {
                        ul {
                            (entry("/", "Meters", place == Where::Meters, place == Where::Meter))
                            (entry("/log", "Log", place == Where::Log, false))
                            (entry("/lines", "Lines", place == Where::Lines, false))
                        }
                    }
                    p id="standing" data-live role="status" class={ "standing " (class(verdict)) } {
                        span class="mark" aria-hidden="true" { (mark) } " " (words)
                    }
                }
                main id="content" tabindex="-1" { (content) }
                footer {
                    p id="taken" data-live data-at=(state.at.0) { "As things stood at " (time(state.at)) ", by " (state.program) "." }
                    p id="liveness" { noscript { "This page does not renew itself without script: " a href="" { "read it again" } "." } }
                    p class="small" {
                        "Agreement is not accuracy: all witnesses share one sensor. Only a reference volume shows the meter\u{2019}s error."
                    }
                }
            }
        }
    }
}

fn head(title: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) }
            link rel="icon" type="image/svg+xml" href="/icon.svg";
            link rel="stylesheet" href={ "/page.css?" (*STYLE_HASH) };
            script src={ "/live.js?" (*SCRIPT_HASH) } defer {}
        }
    }
}

fn entry(address: &str, name: &str, is_here: bool, is_above: bool) -> Markup {
    let current = if is_here {
        Some("page")
    } else if is_above {
        Some("true")
    } else {
        None
    };
    html! { li { a href=(address) aria-current=[current] { (name) } } }
}

/// The site in one sentence, and whether it is good news.
fn sentence(state: &State) -> (Verdict, String) {
    let of = |wanted| state.meters.iter().filter(|meter| meter.verdict() == wanted).count();
    let (agree, disagree) = (of(Verdict::Agree), of(Verdict::Disagree));
    let all = state.meters.len();
    let meters = |count: usize| if count == 1 { "1 meter".to_owned() } else { format!("{count} meters") };
    if disagree > 0 {
        let names: Vec<&str> = state
            .meters
            .iter()
            .filter(|meter| meter.verdict() == Verdict::Disagree)
            .map(|meter| meter.meter.as_str())
            .take(3)
            .collect();
        let more = if disagree > 3 { format!(" and {} more", disagree - 3) } else { String::new() };
        (
            Verdict::Disagree,
            format!("The witnesses of {}{more} do not agree ({disagree} of {}).", names.join(", "), meters(all)),
        )
    } else if agree == all && all > 0 {
        (Verdict::Agree, format!("All witnesses agree at {}.", meters(all)))
    } else if agree > 0 {
        (Verdict::Agree, format!("All that could be judged agree: {agree} of {}.", meters(all)))
    } else {
        (Verdict::Undecided, "Too little was seen yet to say whether the witnesses agree.".to_owned())
    }
}

/// The class of a verdict in the style sheet.
pub(super) const fn class(verdict: Verdict) -> &'static str {
    sign(verdict).1
}

/// A verdict as a sign and a word; neither needs a colour.
pub(super) fn badge(verdict: Verdict) -> Markup {
    let (mark, word) = sign(verdict);
    html! { span class={ "badge " (word) } { span aria-hidden="true" { (mark) " " } (word) } }
}

/// An instant for people and for programs.
pub(super) fn time(at: tallywell_witness::units::WallMillis) -> Markup {
    html! { time datetime=(crate::record::format_instant(at)) { (instant(at)) } }
}

/// The address of a meter's page.
pub(super) fn address_of(meter: &str) -> String {
    let mut address = String::from("/meter/");
    for byte in meter.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' => address.push(char::from(byte)),
            _ => address.push_str(&format!("%{byte:02X}")),
        }
    }
    address
}

/// A refusal, as a page or as JSON.
pub(super) fn refusal(status: StatusCode, why: &str, headers: &HeaderMap) -> Response {
    if wants_json(headers) {
        return (status, [(CONTENT_TYPE, "application/json")], format!("{}\n", json!({ "error": why })))
            .into_response();
    }
    let title = status.canonical_reason().unwrap_or("Not shown");
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (head(title))
            body {
                main id="content" {
                    h1 { (title) }
                    p { (why) }
                    p { a href="/" { "To the meters" } }
                }
            }
        }
    };
    (status, [(CONTENT_TYPE, "text/html; charset=utf-8")], page.0).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_meter_has_an_address() {
        assert_eq!(address_of("bore-1"), "/meter/bore-1");
        assert_eq!(address_of("north/Süd 2?"), "/meter/north%2FS%C3%BCd%202%3F");
    }
}

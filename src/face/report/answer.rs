//! The answer first: do the witnesses agree, how far apart are they, and why.

use maud::{Markup, html};
use tallywell_witness::cause::{Cause, Code, Explanation, Parameters};
use tallywell_witness::declared::Meter;
use tallywell_witness::tally::{TallyStanding, Verdict};

use super::figures::{count, instant, lasting, number, percent, probability, signed};
use super::signs::{sign, witness_name};
use super::square::square;

/// Hypotheses less likely than this are only counted.
const WORTH_TELLING: f64 = 0.005;

/// The verdict in large letters, with its one sentence.
pub(super) fn verdict(explanation: &Explanation) -> Markup {
    let (mark, word) = sign(explanation.verdict);
    let sentence = match explanation.verdict {
        Verdict::Agree => "The witnesses agree within what was declared to be let pass.",
        Verdict::Disagree => "The witnesses do not agree.",
        Verdict::Undecided => "Too little was seen to say whether the witnesses agree.",
    };
    let main = explanation.main().filter(|cause| cause.code != Code::Agreement);
    html! {
        div class={ "verdict " (word) } {
            span class="mark" aria-hidden="true" { (mark) }
            div {
                p class="sentence" { (sentence) }
                @if let Some(cause) = main {
                    p { b { "Most likely" } " (" (probability(cause.probability)) "): " (cause.says) }
                }
                @if let Some(volume) = explanation.disputed_volume_l {
                    p {
                        b { "Volume in dispute: " (number(volume.value)) " L" }
                        ", between " (number(volume.low)) " and " (number(volume.high)) " L."
                    }
                }
            }
        }
    }
}

/// The tallies, drawn and as a table.
pub(in crate::face) fn tallies(tallies: &[TallyStanding]) -> Markup {
    if tallies.is_empty() {
        return html! { p { "No two witnesses of this meter are declared that could be held against each other." } };
    }
    html! {
        (square(tallies))
        div class="wide" role="region" aria-label="Tallies" tabindex="0" {
            table {
                thead { tr {
                    th { "First, second" } th class="n" { "First" } th class="n" { "Second" }
                    th class="n" { "Second \u{2212} first" } th class="n" { "Let pass" } th class="n" { "Ratio" }
                    th { "Verdict" }
                } }
                tbody { @for tally in tallies { (row(tally)) } }
            }
        }
        @let told: Vec<&TallyStanding> = tallies.iter().filter(|tally| !remarks(tally).is_empty()).collect();
        @if !told.is_empty() {
            dl class="remarks" {
                @for tally in told {
                    dt { (pair(tally)) }
                    dd { (remarks(tally).join(" ")) }
                }
            }
        }
    }
}

fn pair(tally: &TallyStanding) -> String {
    tally.between.witnesses().map(witness_name).join(", ")
}

fn row(tally: &TallyStanding) -> Markup {
    let unit = tally.unit.symbol();
    let figure =
        |value: Option<f64>| value.map_or_else(|| "\u{2013}".to_owned(), |it| format!("{} {unit}", number(it)));
    let (mark, word) = sign(tally.verdict);
    html! {
        tr {
            td { (pair(tally)) }
            td class="n" { (figure(tally.first)) }
            td class="n" { (figure(tally.second)) }
            td class="n" {
                @match tally.difference {
                    Some(difference) => { (signed(difference)) " " (unit) }
                    None => { "\u{2013}" }
                }
            }
            td class="n" {
                @match tally.tolerance {
                    Some(tolerance) => { "\u{b1}" (number(tolerance)) " " (unit) }
                    None => { "\u{2013}" }
                }
            }
            td class="n" { (tally.ratio.map_or_else(|| "\u{2013}".to_owned(), |ratio| format!("{ratio:.4}"))) }
            td { b class=(word) { (mark) " " (word) } }
        }
    }
}

fn remarks(tally: &TallyStanding) -> Vec<String> {
    let mut all = Vec::new();
    if tally.step_count > 0 {
        let what = if tally.steps < 0 { "lost" } else { "gained" };
        let pulses = count(tally.steps.unsigned_abs());
        let steps =
            if tally.step_count == 1 { "one step".to_owned() } else { format!("{} steps", count(tally.step_count)) };
        all.push(format!("{pulses} pulses certainly {what} on balance, in {steps}."));
    }
    if tally.judged_s > 0.0 {
        let left_out = if tally.excluded_s > 0.5 {
            format!("; {} could not be, with {} L", lasting(tally.excluded_s), number(tally.excluded_l))
        } else {
            String::new()
        };
        all.push(format!("{} were judged{left_out}.", lasting(tally.judged_s)));
    }
    if tally.disagreements > 0 {
        let state = if tally.open { "the last still open" } else { "none open at the end" };
        all.push(match tally.disagreements {
            1 => format!("One disagreement in this time, {}.", if tally.open { "still open" } else { "closed" }),
            many => format!("{many} disagreements in this time, {state}."),
        });
    }
    all.extend(tally.notes.iter().map(|note| sentence(note)));
    all
}

/// Begins large and ends with a stop.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let begun: String = letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect();
    if begun.ends_with(['.', '!', '?']) { begun } else { format!("{begun}.") }
}

/// The hypotheses, the likeliest first, each with what speaks for it and what to check.
pub(super) fn causes(explanation: &Explanation, meter: &Meter) -> Markup {
    let (told, left_out): (Vec<&Cause>, Vec<&Cause>) =
        explanation.causes.iter().partition(|cause| cause.probability >= WORTH_TELLING);
    html! {
        ol class="causes" {
            @for (place, cause) in told.iter().enumerate() { (one(cause, meter, place == 0)) }
        }
        @if !left_out.is_empty() {
            p class="small" {
                (left_out.len()) " further hypotheses share "
                (probability(left_out.iter().map(|cause| cause.probability).sum()))
                "."
            }
        }
        @if let Some(test) = &explanation.next_test {
            div class="next" { b { "The test that would settle the most doubt: " } (sentence(test)) }
        }
    }
}

fn one(cause: &Cause, meter: &Meter, is_first: bool) -> Markup {
    let bar = (cause.probability.clamp(0.0, 1.0) * 100.0).round();
    let implied = implied(&cause.parameters, meter);
    html! {
        li class="cause" {
            h3 class="cause-head" {
                span class="share" { (probability(cause.probability)) }
                svg class="share-bar" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true" {
                    rect class="all" width="100" height="8" {}
                    rect class="part" width=(bar) height="8" {}
                }
                code { (cause.code.as_str()) }
                @for code in &cause.with { " with " code { (code.as_str()) } }
            }
            p { (cause.says) }
            @if is_first || cause.probability > 0.1 {
                @if !implied.is_empty() {
                    dl class="implied" {
                        @for (what, value) in &implied { dt { (what) } dd { (value) } }
                    }
                }
                @if !cause.evidence.is_empty() {
                    h4 { "What speaks for it" }
                    ul { @for text in &cause.evidence { li { (sentence(text)) } } }
                }
                @if !cause.check.is_empty() {
                    h4 { "What to check on site, in this order" }
                    ol class="checks" { @for text in &cause.check { li { (sentence(text)) } } }
                }
            }
        }
    }
}

/// What a cause implies, beside what was declared.
fn implied(parameters: &Parameters, meter: &Meter) -> Vec<(&'static str, String)> {
    let mut all = Vec::new();
    if let Some(onset) = parameters.onset {
        all.push(("Since", instant(onset.0)));
    }
    if let Some(full_scale) = parameters.implied_full_scale_l_s {
        let declared = meter.current_loop.as_ref().map(|it| it.full_scale.0);
        all.push(("20 mA to the meter", beside(full_scale, declared, "L/s")));
    }
    if let Some(volume) = parameters.implied_pulse_volume_l {
        all.push(("One pulse to the meter", beside(volume, meter.pulse.as_ref().map(|it| it.volume.0), "L")));
    }
    let figures = [
        ("Ratio", parameters.ratio, ""),
        ("Shift of the current", parameters.offset_ma, " mA"),
        ("Highest rate that gets through", parameters.rate_limit_hz, " pulses/s"),
        ("Not totalled below", parameters.cutoff_l_s, " L/s"),
        ("The loop lags by", parameters.lag_s, " s"),
        ("The current stands at", parameters.level_ma, " mA"),
        ("Pulses that no flow made", parameters.extra_hz, " a second"),
    ];
    for (what, value, unit) in figures {
        if let Some(value) = value {
            all.push((what, format!("{}{unit}", number(value))));
        }
    }
    if let Some(lost) = parameters.lost_fraction {
        all.push(("Pulses lost", percent(lost)));
    }
    if let Some(other) = &parameters.follows {
        all.push(("It follows meter", other.clone()));
    }
    all
}

fn beside(implied: f64, declared: Option<f64>, unit: &str) -> String {
    let declared = declared.map(|it| format!("; the receiver takes it as {} {unit}", number(it))).unwrap_or_default();
    format!("{} {unit}{declared}", number(implied))
}

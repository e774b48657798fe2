//! The witnesses as the corners of a square, and the tallies as its sides: which agree is seen at a glance.

use maud::{Markup, html};
use tallywell_witness::tally::{Between, TallyStanding, Verdict, Witness};

use super::figures::number;
use super::signs::{sign, witness_name};

/// The middle of a witness's box.
const fn place(witness: Witness) -> (f64, f64) {
    match witness {
        Witness::Flow => (90.0, 34.0),
        Witness::Loop => (330.0, 34.0),
        Witness::Total | Witness::ReverseTotal => (90.0, 146.0),
        Witness::Pulse => (330.0, 146.0),
        Witness::ReceiverFlow => (570.0, 34.0),
        Witness::ReceiverTotal => (570.0, 146.0),
    }
}

const BOX: (f64, f64) = (150.0, 48.0);

/// Draws the tallies that were made.
pub(super) fn square(tallies: &[TallyStanding]) -> Markup {
    let mut witnesses: Vec<Witness> = tallies.iter().flat_map(|tally| tally.between.witnesses()).collect();
    witnesses.sort();
    witnesses.dedup();
    let wide = if witnesses.iter().any(|witness| place(*witness).0 > 400.0) { 660 } else { 420 };
    let said: Vec<String> =
        tallies.iter().map(|tally| format!("{}: {}", name(tally.between), sign(tally.verdict).1)).collect();
    html! {
        svg class={ "square w" (wide) } viewBox={ "0 0 " (wide) " 180" } role="img" {
            title { "Which witnesses agree" }
            desc { (said.join("; ")) }
            @for tally in tallies { (side(tally)) }
            @for witness in witnesses { (corner(witness, tallies)) }
        }
    }
}

fn name(between: Between) -> String {
    let [first, second] = between.witnesses().map(witness_name);
    format!("{first} and {second}")
}

fn side(tally: &TallyStanding) -> Markup {
    let [from, to] = tally.between.witnesses().map(place);
    let (middle, centre) = (f64::midpoint(from.0, to.0), f64::midpoint(from.1, to.1));
    let class = match tally.verdict {
        Verdict::Agree => "agree",
        Verdict::Disagree => "disagree",
        Verdict::Undecided => "undecided",
    };
    html! {
        g class={ "side " (class) } {
            path d={ "M" (from.0) " " (from.1) "L" (to.0) " " (to.1) } {}
            circle cx=(middle) cy=(centre) r="15" {}
            text x=(middle) y=(centre) dy="0.36em" text-anchor="middle" { (sign(tally.verdict).0) }
        }
    }
}

fn corner(witness: Witness, tallies: &[TallyStanding]) -> Markup {
    let (x, y) = place(witness);
    html! {
        g class="corner" {
            rect x=(x - BOX.0 / 2.0) y=(y - BOX.1 / 2.0) width=(BOX.0) height=(BOX.1) {}
            text class="who" x=(x) y=(y - 5.0) text-anchor="middle" { (witness_name(witness)) }
            @if let Some(told) = told(witness, tallies) {
                text class="told" x=(x) y=(y + 15.0) text-anchor="middle" { (told) }
            }
        }
    }
}

/// What a witness told over what was judged, by the first tally that has it.
fn told(witness: Witness, tallies: &[TallyStanding]) -> Option<String> {
    tallies.iter().find_map(|tally| {
        let [first, _] = tally.between.witnesses();
        let value = if first == witness { tally.first } else { tally.second };
        let has_it = tally.between.witnesses().contains(&witness);
        value.filter(|_| has_it).map(|value| format!("{} {}", number(value), tally.unit.symbol()))
    })
}

//! The plumb line: each witness's mean flow of the last minute as a mark on one scale, one below the other, joined by a
//! line. Witnesses that agree hang in one straight line; one that does not bends it. Each piece of the line is drawn as the
//! tally of the two witnesses stands.

use maud::{Markup, html};
use tallywell_witness::declared::FlowTolerance;
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::tally::Verdict;

use super::layout::class;
use crate::face::report::figures::{number, signed};
use crate::face::state::{MeanFlow, MeterState};

const WIDTH: f64 = 340.0;
const LEFT: f64 = 74.0;
const RIGHT: f64 = 84.0;
const ROW: f64 = 27.0;
const TOP: f64 = 8.0;
const AXIS: f64 = 22.0;
/// The scale is never finer than this share of full scale each way: noise is not to look like a fault.
const FINEST: f64 = 0.02;

/// Draws it; a sentence where too little was heard.
pub(super) fn plumb_line(meter: &MeterState, facts: &MeterFacts) -> Markup {
    let means = in_order(&meter.last_minute);
    if means.len() < 2 {
        return html! {
            p class="plumb-none" { "Fewer than two witnesses were heard over the last minute: nothing to put side by side." }
        };
    }
    let middle = median(&means);
    let span = facts.meter.current_loop.as_ref().map_or(f64::NAN, |declared| declared.span().0.abs());
    let farthest = means.iter().map(|mean| (mean.mean_l_s - middle).abs() + mean.within_l_s).fold(0.0, f64::max);
    let finest = FINEST * if span.is_finite() { span } else { middle.abs() };
    let half = round_up((1.15 * farthest).max(finest).max(1e-6));
    let tolerance = match facts.meter.tolerance.flow {
        FlowTolerance::OfSpan(share) => share * if span.is_finite() { span } else { middle.abs() },
        FlowTolerance::OfReading(share) => share * middle.abs(),
    };
    let across = WIDTH - LEFT - RIGHT;
    let x = |flow: f64| LEFT + across * (0.5 + ((flow - middle) / (2.0 * half)).clamp(-0.5, 0.5));
    let rows: Vec<(f64, &MeanFlow)> =
        means.iter().enumerate().map(|(row, mean)| (TOP + ROW * (0.5 + small(row)), *mean)).collect();
    let floor = TOP + ROW * small(rows.len());
    let pieces: Vec<(&str, String)> = rows
        .iter()
        .zip(rows.iter().skip(1))
        .map(|((y0, above), (y1, below))| {
            let piece = format!("M{:.1} {y0}L{:.1} {y1}", x(above.mean_l_s), x(below.mean_l_s));
            (class(between(meter, &above.witness, &below.witness)), piece)
        })
        .collect();
    let said: Vec<String> =
        means.iter().map(|mean| format!("{} {} L/s", name(&mean.witness), number(mean.mean_l_s))).collect();
    let over = means.iter().map(|mean| mean.over_s).fold(0.0, f64::max);
    let verdict = meter.verdict();
    html! {
        svg class="plumb" viewBox={ "0 0 " (WIDTH) " " (floor + AXIS) } role="img" {
            title { "Mean flow of the last " (format!("{over:.0}")) " s, witness below witness" }
            desc { (said.join("; ")) ". " (straight(verdict)) }
            rect class="pass" x=(decimal(x(middle - tolerance))) y=(TOP) width=(decimal((x(middle + tolerance) - x(middle - tolerance)).max(1.0))) height=(floor - TOP) {}
            path class="scale" d={ "M" (LEFT) " " (floor) "H" (WIDTH - RIGHT) "M" (LEFT) " " (floor) "v4M" (decimal(x(middle))) " " (floor) "v4M" (WIDTH - RIGHT) " " (floor) "v4" } {}
            @for (class, piece) in &pieces { path class={ "cord " (class) } d=(piece) {} }
            @for (y, mean) in &rows {
                text class="who" x=(LEFT - 10.0) y=(y) dy="0.35em" text-anchor="end" { (name(&mean.witness)) }
                @let (from, to) = (x(mean.mean_l_s - mean.within_l_s), x(mean.mean_l_s + mean.within_l_s));
                @if to - from > 1.0 {
                    path class="within" d={ "M" (decimal(from)) " " (y - 4.0) "v8M" (decimal(from)) " " (y) "H" (decimal(to)) "M" (decimal(to)) " " (y - 4.0) "v8" } {}
                }
                circle class="bob" cx=(decimal(x(mean.mean_l_s))) cy=(y) r="4.5" {}
                text class="figure" x=(WIDTH) y=(y) dy="0.35em" text-anchor="end" { (figure(mean.mean_l_s)) " L/s" }
            }
            text class="tick" x=(LEFT) y=(floor + 17.0) text-anchor="middle" { (signed(-half)) }
            text class="tick" x=(decimal(x(middle))) y=(floor + 17.0) text-anchor="middle" { (figure(middle)) }
            text class="tick" x=(WIDTH - RIGHT) y=(floor + 17.0) text-anchor="middle" { (signed(half)) }
        }
    }
}

const fn straight(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Agree => "They agree.",
        Verdict::Disagree => "They do not agree.",
        Verdict::Undecided => "It is not decided whether they agree.",
    }
}

/// How the tally of two neighbours stands.
fn between(meter: &MeterState, one: &str, other: &str) -> Verdict {
    let is_theirs = |words: [&str; 2]| words == [one, other] || words == [other, one];
    meter
        .tallies
        .iter()
        .find(|tally| is_theirs(tally.between.words()))
        .map_or(Verdict::Undecided, |tally| tally.verdict)
}

/// From the loop over the registers to the pulses, so that neighbours are those that tallies compare.
fn in_order(means: &[MeanFlow]) -> Vec<&MeanFlow> {
    ["loop", "flow", "total", "pulse"]
        .into_iter()
        .filter_map(|witness| means.iter().find(|mean| mean.witness == witness))
        .collect()
}

fn name(witness: &str) -> &'static str {
    match witness {
        "loop" => "loop",
        "flow" => "flow reg.",
        "total" => "total reg.",
        _ => "pulses",
    }
}

/// The middle of all means, so that the odd one out is the one that strays.
fn median(means: &[&MeanFlow]) -> f64 {
    let mut flows: Vec<f64> = means.iter().map(|mean| mean.mean_l_s).collect();
    flows.sort_by(f64::total_cmp);
    f64::midpoint(flows[(flows.len() - 1) / 2], flows[flows.len() / 2])
}

/// The next of 1, 2, 5 times a power of ten, so that the scale does not change with every reading.
fn round_up(value: f64) -> f64 {
    let decade = 10_f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|digit| digit * decade).find(|round| *round >= value).unwrap_or(10.0 * decade)
}

/// A flow with two decimals: all in one column alike.
pub(super) fn figure(flow: f64) -> String {
    format!("{:.2}", if flow.abs() < 0.005 { 0.0 } else { flow }).replace('-', "\u{2212}")
}

fn decimal(at: f64) -> String {
    format!("{at:.1}")
}

#[expect(clippy::cast_precision_loss, reason = "a handful of rows")]
const fn small(row: usize) -> f64 {
    row as f64
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use serde_json::json;

    use super::*;

    fn facts() -> MeterFacts {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
        crate::site::meter_facts(&crate::site::load(&shipped).unwrap().site, "bore-1").unwrap()
    }

    /// The picture of witnesses that say so many L/s, where the tally of total and pulses stands so.
    fn drawn(flows: &[(&str, f64)], verdict: &str) -> String {
        let mean = |(witness, flow): &(&str, f64)| json!({ "witness": witness, "mean_l_s": flow, "within_l_s": 0.4, "over_s": 60.0 });
        let meter: MeterState = serde_json::from_value(json!({
            "meter": "bore-1", "time": null, "every_s": 1.0, "flow": null, "flow_l_s": null, "total": null, "total_l": null,
            "loop_ma": null, "loop_flow_l_s": null, "pulses": null, "pulse_volume_l": null, "status": null, "running": null,
            "maintenance": false, "disagreements": [], "events": [],
            "counted": { "readings": 0, "disagreements": {}, "events": {} },
            "last_minute": flows.iter().map(mean).collect::<Vec<_>>(),
            "tallies": [{
                "between": ["total", "pulse"], "verdict": verdict, "ratio": null, "difference": null, "unit": "L",
                "tolerance": null, "steps": 0, "step_count": 0, "first": null, "second": null, "judged_s": 0.0,
                "excluded_s": 0.0, "excluded_l": 0.0, "open": false, "disagreements": 0, "notes": [],
            }],
        }))
        .unwrap();
        plumb_line(&meter, &facts()).into_string()
    }

    /// Where the marks hang, from the top down.
    fn marks(picture: &str) -> Vec<f64> {
        let each = picture.split("class=\"bob\" cx=\"").skip(1);
        each.map(|rest| rest.split('"').next().unwrap().parse().unwrap()).collect()
    }

    #[test]
    fn agreement_hangs_straight_and_the_odd_one_bends_the_line() {
        let straight = drawn(&[("flow", 24.0), ("loop", 24.0), ("total", 24.0), ("pulse", 24.0)], "agree");
        let hang = marks(&straight);
        assert!(hang.len() == 4 && hang.windows(2).all(|pair| pair[0].to_bits() == pair[1].to_bits()), "{hang:?}");
        assert!(straight.contains("They agree.") && !straight.contains("cord disagree"), "{straight}");

        let bent = drawn(&[("flow", 24.0), ("loop", 24.01), ("total", 23.99), ("pulse", 12.0)], "disagree");
        let hang = marks(&bent);
        let straight = (hang[0] - hang[1]).abs() < 1.0 && (hang[1] - hang[2]).abs() < 1.0;
        assert!(straight && hang[3] < hang[2] - 30.0, "{hang:?}");
        assert_eq!(bent.matches("cord disagree").count(), 1, "{bent}");
    }

    #[test]
    fn one_witness_alone_makes_no_picture() {
        assert!(!drawn(&[("flow", 24.0)], "undecided").contains("<svg"));
    }
}

//! A trial run on the sheet: its points, its volumes with their budgets, its verdicts.

use maud::{Markup, html};
use tallywell_witness::trial::Verdict;
use tallywell_witness::trial::budget::{Budget, COVERAGE, Spread};
use tallywell_witness::trial::meter_error::{ReferenceCheck, Zone};
use tallywell_witness::trial::points::{LoopCheck, PulseCheck};
use tallywell_witness::trial::record::{RunCheck, Trial};
use tallywell_witness::units::{figure, without_signed_zero};

use super::super::figures::{instant, lasting, number, percent, signed};
use super::mark;

/// Simulated currents and pulses, and that simulation is off.
pub(super) fn outputs(trial: &Trial) -> Markup {
    html! {
        @match &trial.current_loop { Some(check) => (points(check)), None => p { "No current was simulated." } }
        @match &trial.pulses { Some(check) => (pulses(check)), None => p { "No pulses were simulated." } }
        @if let Some(check) = &trial.simulation_off {
            h3 { "Simulation off at the end" }
            p {
                (word(check.verdict)) ": " (number(check.read_ma)) " mA was read"
                @if let Some(implied) = check.implied_ma { "; the flow register meant " (number(implied)) " mA" }
                "."
            }
        }
        @if !trial.remarks.is_empty() {
            h3 { "Left out, or odd" }
            ul { @for remark in &trial.remarks { li { (remark) } } }
        }
    }
}

fn points(check: &LoopCheck) -> Markup {
    html! {
        h3 { "Loop: " (word(check.verdict)) }
        div class="wide" role="region" aria-label="Loop points" tabindex="0" { table {
            thead { tr {
                th class="n" { "%" } th class="n" { "Set mA" } th class="n" { "Read mA" } th class="n" { "Off mA" }
                th class="n" { "U (k = 2) mA" } th class="n" { "Let pass mA" } th { "" }
                th class="n" { "Receiver L/s" } th class="n" { "Off L/s" } th { "" }
            } }
            tbody {
                @for it in &check.points {
                    tr {
                        td class="n" { (it.percent) } td class="n" { (number(it.expected_ma)) }
                        td class="n" { (fine(it.read_ma)) } td class="n" { (signed_fine(it.deviation_ma)) }
                        td class="n" { (fine(it.expanded_ma)) } td class="n" { (fine(it.limit_ma)) }
                        td { (word(it.verdict)) }
                        @match &it.receiver {
                            Some(receiver) => {
                                td class="n" { (number(receiver.shown_l_s)) } td class="n" { (signed(receiver.deviation_l_s)) }
                                td { (word(receiver.verdict)) }
                            }
                            None => { td class="n" { "\u{2013}" } td class="n" { "\u{2013}" } td { "nobody looked" } }
                        }
                    }
                }
            }
        } }
        @if let Some(line) = &check.line {
            @let (at_20, standard) = line.at(20.0);
            p {
                "As a straight line through the points: " (signed_fine(line.intercept)) " mA at 4 mA (u "
                (fine(line.intercept_standard)) "), " (signed_fine(at_20)) " mA at 20 mA (u " (fine(standard)) ")."
            }
        }
        (budget("One point\u{2019}s deviation", &check.budget, "mA"))
    }
}

fn pulses(check: &PulseCheck) -> Markup {
    html! {
        h3 { "Pulses: " (word(check.verdict)) }
        p {
            (check.sent) " sent, " (number(check.counted)) " counted"
            @if let Some(receiver) = check.receiver_l {
                "; the receiver\u{2019}s total gained " (number(receiver)) " L of " (number(check.expected_l)) " L"
            }
            "."
        }
    }
}

/// The timed run.
pub(super) fn run(trial: &Trial) -> Markup {
    let Some(run) = &trial.run else { return html! { p { "No water flowed for the trial." } } };
    html! {
        p {
            (instant(run.began)) " to " (instant(run.ended)) ", " (lasting(run.volumes.seconds)) "; flow at its beginning "
            (number(run.volumes.ends_l_s[0])) " L/s, at its end " (number(run.volumes.ends_l_s[1])) " L/s."
        }
        (volumes(run))
        h3 { "Witness against witness" }
        (differences(run))
        @match &run.reference {
            Some(check) => (reference(check)),
            None => p class="plainly" {
                b { "No reference volume. " } "The meter\u{2019}s error was not tested: what agrees may still be wrong together."
            }
        }
        h3 { "Uncertainty, line by line" }
        @for it in &run.volumes.witnesses { (budget(it.witness.word(), &it.budget, "L")) }
    }
}

fn volumes(run: &RunCheck) -> Markup {
    html! {
        div class="wide" role="region" aria-label="Volumes" tabindex="0" { table {
            thead { tr {
                th { "Witness" } th class="n" { "Volume L" } th class="n" { "U (k = 2) L" } th class="n" { "Readings" } th { "" }
            } }
            tbody {
                @for it in &run.volumes.witnesses {
                    tr {
                        td { (it.witness.word()) } td class="n" { (tenths(it.volume_l)) }
                        td class="n" { (number(it.budget.expanded)) } td class="n" { (it.readings) }
                        td { (it.doubt.as_deref().unwrap_or_default()) }
                    }
                }
            }
        } }
    }
}

fn differences(run: &RunCheck) -> Markup {
    html! {
        div class="wide" role="region" aria-label="Differences" tabindex="0" { table {
            thead { tr {
                th { "Between" } th class="n" { "Difference L" } th class="n" { "of the first" } th class="n" { "U (k = 2) L" }
                th class="n" { "Let pass L" } th { "" }
            } }
            tbody {
                @for it in &run.differences {
                    tr {
                        td { (it.between.words().join(" and ")) }
                        td class="n" { (signed(it.difference_l)) } td class="n" { (percent(it.share)) }
                        td class="n" { (number(it.expanded_l)) } td class="n" { (number(it.limit_l)) }
                        td {
                            (word(it.verdict))
                            @if let Some(longer) = it.decided_after_s { "; " (lasting(longer.ceil())) " would tell" }
                        }
                    }
                }
            }
        } }
    }
}

fn reference(check: &ReferenceCheck) -> Markup {
    let reference = &check.reference;
    html! {
        h3 { "Against the reference: " (reference.what) }
        p {
            (tenths(reference.volume_l)) " L, known to " (number(reference.expanded_l)) " L (k = 2); "
            (number(check.flow_l_s)) " L/s on average."
            @if let (Some(rating), Some(zone)) = (reference.rating, check.zone) {
                " Q1 " (number(rating.minimum().0)) ", Q2 " (number(rating.transitional().0)) ", Q3 "
                (number(rating.permanent.0)) ", Q4 " (number(rating.overload().0)) " L/s. "
                @match (zone, check.limit) {
                    (Zone::Lower, Some(limit)) => { "Lower zone of ISO 4064: " (percent(limit)) " is permitted." }
                    (Zone::Upper, Some(limit)) => { "Upper zone of ISO 4064: " (percent(limit)) " is permitted." }
                    _ => { "The flow lay outside Q1 to Q4, where no error is promised." }
                }
            }
        }
        div class="wide" role="region" aria-label="Errors" tabindex="0" { table {
            thead { tr { th { "Witness" } th class="n" { "Error" } th class="n" { "U (k = 2)" } th { "" } } }
            tbody {
                @for it in &check.errors {
                    tr {
                        td { (it.witness.word()) }
                        td class="n" { (percent(it.error)) } td class="n" { (percent(it.budget.expanded)) }
                        td { @if check.limit.is_some() { (word(it.verdict)) } }
                    }
                }
            }
        } }
    }
}

/// A budget line by line (JCGM 100:2008 §7.2.7).
fn budget(of: &str, budget: &Budget, unit: &str) -> Markup {
    html! {
        div class="wide" role="region" aria-label={ "Uncertainty of " (of) } tabindex="0" { table class="budget" {
            thead { tr {
                th { (of) } th { "Spread" } th class="n" { "Bound" } th class="n" { "Sensitivity" }
                th class="n" { "u, " (unit) }
            } }
            tbody {
                @for line in &budget.lines {
                    tr {
                        td { (line.what) }
                        td { (match line.spread {
                            Spread::Normal => "normal",
                            Spread::Rectangular => "even, \u{00f7} \u{221a}3",
                            Spread::Expanded => "expanded, \u{00f7} 2",
                        }) }
                        td class="n" { (small(line.bound)) " " (line.unit) }
                        td class="n" { (figure(line.sensitivity, 3)) }
                        td class="n" { (small(line.standard)) }
                    }
                }
                tr {
                    th colspan="4" { "Together; expanded by k = " (COVERAGE) ": " (figure(budget.expanded, 2)) " " (unit) }
                    th class="n" { (small(budget.standard)) }
                }
            }
        } }
    }
}

/// A part of an uncertainty to two digits; one too small to matter anywhere says so.
fn small(number: f64) -> String {
    if number != 0.0 && number.abs() < 1e-4 { "<\u{202f}0.0001".to_owned() } else { figure(number, 2) }
}

fn word(verdict: Verdict) -> Markup {
    let (class, sign) = mark(verdict);
    html! { b class=(class) { (sign) " " (verdict.word()) } }
}

fn fine(milliamperes: f64) -> String {
    format!("{:.4}", without_signed_zero(milliamperes, 4)).replace('-', "\u{2212}")
}

fn signed_fine(milliamperes: f64) -> String {
    format!("{:+.4}", without_signed_zero(milliamperes, 4)).replace('-', "\u{2212}")
}

/// A volume to a tenth of a litre.
fn tenths(litres: f64) -> String {
    format!("{litres:.1}").replace('-', "\u{2212}")
}

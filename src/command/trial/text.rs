//! The result of a trial as text and as JSON.

use std::fmt::Write;

use serde_json::{Value, json};
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::trial::budget::{Budget, COVERAGE, Spread};
use tallywell_witness::trial::meter_error::{ReferenceCheck, Zone};
use tallywell_witness::trial::points::{LoopCheck, OffCheck, PulseCheck};
use tallywell_witness::trial::record::{AGREEMENT_ONLY, RunCheck, Through, Trial};
use tallywell_witness::units::{figure, without_signed_zero};

use crate::command::period;
use crate::record::format_instant;

/// The width of a terminal on which everything fits.
const COLUMNS: usize = 80;

/// What is said before anything is asked.
pub(super) fn beginning(site: &str, facts: &MeterFacts, through: Through) -> String {
    let how = match through {
        Through::Daemon => "The running daemon reads the devices for it.",
        Through::Port => "No daemon runs on this store: the devices are read directly.",
    };
    format!("Trial run of {}, {site}\n{how}\n\nFirst:\n", facts.meter.name)
}

/// The trial with its times as text.
pub(super) fn json(trial: &Trial) -> Result<Value, serde_json::Error> {
    let mut value = serde_json::to_value(trial)?;
    value["began"] = json!(format_instant(trial.began));
    value["ended"] = json!(format_instant(trial.ended));
    if let Some(run) = &trial.run {
        value["run"]["began"] = json!(format_instant(run.began));
        value["run"]["ended"] = json!(format_instant(run.ended));
    }
    if !trial.has_reference() {
        value["note"] = json!(AGREEMENT_ONLY);
    }
    Ok(value)
}

/// The trial for people.
pub(super) fn of(trial: &Trial) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "Trial run of {}, {}", trial.meter, period::short(trial.began));
    if let Some(by) = &trial.by {
        let _ = writeln!(text, "Made by {by}");
    }
    if let Some(check) = &trial.current_loop {
        add_loop(&mut text, check);
    }
    if let Some(check) = &trial.pulses {
        add_pulses(&mut text, check);
    }
    if let Some(run) = &trial.run {
        add_run(&mut text, run);
        if let Some(check) = &run.reference {
            add_reference(&mut text, check);
        }
    }
    if let Some(check) = &trial.simulation_off {
        add_off(&mut text, check);
    }
    if !trial.remarks.is_empty() {
        text.push_str("\nLeft out, or odd\n");
        trial.remarks.iter().for_each(|remark| text.push_str(&item(remark)));
    }
    let _ = writeln!(text, "\nResult: {}", trial.verdict.word());
    if !trial.has_reference() {
        text.push_str(&wrapped(AGREEMENT_ONLY, ""));
    }
    text.push_str("The result is kept; `tallywell report --commissioning` prints it on the sheet.\n");
    text
}

fn add_loop(text: &mut String, check: &LoopCheck) {
    let _ = writeln!(text, "\nLoop, simulated at the meter: {}", check.verdict.word());
    let _ = writeln!(text, "     %   set mA    read mA    off mA    U mA  limit mA");
    for it in &check.points {
        let _ = writeln!(
            text,
            "  {:>4}  {:>7.3}  {:>9.4}  {:>+8.4}  {:>6}  {:>8}  {}",
            it.percent,
            it.expected_ma,
            it.read_ma,
            without_signed_zero(it.deviation_ma, 4),
            figure(it.expanded_ma, 2),
            figure(it.limit_ma, 3),
            it.verdict.word()
        );
        if let Some(receiver) = &it.receiver {
            let _ = writeln!(
                text,
                "        the receiver shows {} L/s, {:+} L/s off, {} let pass: {}",
                figure(receiver.shown_l_s, 5),
                figure(receiver.deviation_l_s, 2).parse::<f64>().unwrap_or_default(),
                figure(receiver.limit_l_s, 3),
                receiver.verdict.word()
            );
        }
    }
    if let Some(line) = &check.line {
        let (at_20, u_at_20) = line.at(20.0);
        let _ = writeln!(
            text,
            "  As a line: {:+.4} mA at 4 mA (u {}), {:+.4} mA at 20 mA (u {})",
            without_signed_zero(line.intercept, 4),
            figure(line.intercept_standard, 2),
            without_signed_zero(at_20, 4),
            figure(u_at_20, 2)
        );
    }
    add_budget(text, "Of one point", &check.budget, "mA");
}

fn add_pulses(text: &mut String, check: &PulseCheck) {
    let _ = writeln!(text, "\nPulses, simulated at the meter: {}", check.verdict.word());
    let _ = writeln!(text, "  {} sent, {} counted", check.sent, figure(check.counted, 9));
    if let Some(receiver) = check.receiver_l {
        let _ = writeln!(
            text,
            "  the receiver gained {} L; {} L were sent",
            figure(receiver, 7),
            figure(check.expected_l, 7)
        );
    }
}

fn add_run(text: &mut String, run: &RunCheck) {
    let seconds = run.volumes.seconds;
    let _ = writeln!(text, "\nTimed run of {} s from {}", figure(seconds, 5), period::short(run.began));
    for it in &run.volumes.witnesses {
        let share = 100.0 * it.budget.expanded / it.volume_l.abs();
        let share = if share.is_finite() { format!(" ({} %)", figure(share, 2)) } else { String::new() };
        let _ = writeln!(
            text,
            "  {:<14} {:>10} L  +- {} L{share}, {} readings",
            it.witness.word(),
            figure(it.volume_l, 7),
            figure(it.budget.expanded, 2),
            it.readings
        );
        if let Some(doubt) = &it.doubt {
            text.push_str(&wrapped(doubt, "      "));
        }
        add_budget(text, "", &it.budget, "L");
    }
    let _ = writeln!(text, "\nWitness against witness");
    for it in &run.differences {
        let [first, second] = it.between.words();
        let between = format!("{first}/{second}");
        let _ = writeln!(
            text,
            "  {between:<20} {:>9} L ({:>+7.3} %) U {} L, limit {} L: {}",
            signed(it.difference_l),
            100.0 * it.share,
            figure(it.expanded_l, 2),
            figure(it.limit_l, 3),
            it.verdict.word()
        );
        if let Some(longer) = it.decided_after_s {
            let _ =
                writeln!(text, "      too near to say; a run of {} min would tell", figure((longer / 60.0).ceil(), 3));
        }
    }
}

fn add_reference(text: &mut String, check: &ReferenceCheck) {
    let reference = &check.reference;
    let _ = writeln!(
        text,
        "\nAgainst the reference ({}): {} L +- {} L, {} L/s",
        reference.what,
        figure(reference.volume_l, 7),
        figure(reference.expanded_l, 2),
        figure(check.flow_l_s, 4)
    );
    if let (Some(rating), Some(zone)) = (reference.rating, check.zone) {
        let flows = [rating.minimum(), rating.transitional(), rating.permanent, rating.overload()];
        let [q1, q2, q3, q4] = flows.map(|flow| figure(flow.0, 4));
        let zone = match (zone, check.limit) {
            (Zone::BelowMinimum, _) => "below Q1: no error is promised".to_owned(),
            (Zone::BeyondOverload, _) => "above Q4: no error is promised".to_owned(),
            (Zone::Lower, Some(limit)) => format!("lower zone of ISO 4064: {} % is permitted", 100.0 * limit),
            (_, limit) => format!("upper zone of ISO 4064: {} % is permitted", 100.0 * limit.unwrap_or_default()),
        };
        let _ = writeln!(text, "  Q1 {q1}, Q2 {q2}, Q3 {q3}, Q4 {q4} L/s\n  {zone}");
    }
    for it in &check.errors {
        let judged = if check.limit.is_some() { format!(": {}", it.verdict.word()) } else { String::new() };
        let _ = writeln!(
            text,
            "  {:<14} error {:+.3} % +- {} %{judged}",
            it.witness.word(),
            100.0 * it.error,
            figure(100.0 * it.budget.expanded, 2)
        );
    }
    if let Some(own) = check.errors.first() {
        add_budget(text, own.witness.word(), &own.budget, "");
    }
    if check.limit.is_none() && reference.rating.is_none() {
        let _ = writeln!(text, "  Without the meter's Q3 there is no zone and no limit: the error is only told.");
    }
}

fn add_off(text: &mut String, check: &OffCheck) {
    let implied = check.implied_ma.map(|it| format!("; the flow register means {} mA", figure(it, 5)));
    let _ = writeln!(text, "\nSimulation off: {}", check.verdict.word());
    let _ = writeln!(text, "  {} mA read{}", figure(check.read_ma, 5), implied.unwrap_or_default());
}

/// A budget line by line (JCGM 100:2008 §7.2.7).
fn add_budget(text: &mut String, of: &str, budget: &Budget, unit: &str) {
    if !of.is_empty() {
        let _ = writeln!(text, "  {of}:");
    }
    for line in &budget.lines {
        let spread = match line.spread {
            Spread::Normal => "u",
            Spread::Rectangular => "+-",
            Spread::Expanded => "U",
        };
        let bound = format!("{spread} {} {}", small(line.bound), line.unit);
        let _ = writeln!(text, "      {:<41} {bound:>17}  {:>8} {unit}", line.what, small(line.standard));
    }
    let _ = writeln!(
        text,
        "      {:<41} {:>17}  {:>8} {unit}",
        format!("together; k = {COVERAGE}: {} {unit}", figure(budget.expanded, 2)),
        "",
        small(budget.standard)
    );
}

/// An uncertainty to two digits; one too small to matter anywhere says so.
fn small(number: f64) -> String {
    if number != 0.0 && number.abs() < 1e-4 { "<0.0001".to_owned() } else { figure(number, 2) }
}

fn signed(number: f64) -> String {
    let text = figure(number, 4);
    if number > 0.0 { format!("+{text}") } else { text }
}

/// A paragraph with a dash before it, broken at the terminal's edge.
pub(super) fn item(words: &str) -> String {
    let text = wrapped(words, "    ");
    format!("  - {}", &text[4..])
}

fn wrapped(words: &str, margin: &str) -> String {
    let mut text = String::new();
    let mut line = margin.to_owned();
    for word in words.split_whitespace() {
        let is_first = line.len() == margin.len();
        if !is_first && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            text.push_str(&line);
            text.push('\n');
            line = margin.to_owned();
        }
        if line.len() > margin.len() {
            line.push(' ');
        }
        line.push_str(word);
    }
    text + &line + "\n"
}

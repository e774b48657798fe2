//! The choices as tables of 80 columns.

use std::fmt::Write;

use tallywell_witness::sizing::{Advice, FullScale, PulseSetting, Role, figure};

use super::{Answer, safety};

/// The width of a terminal on which everything fits.
const COLUMNS: usize = 80;

pub(super) fn of(answer: &Answer) -> String {
    let mut text = String::new();
    pipe(&mut text, answer);
    full_scales(&mut text, &answer.advice);
    pulses(&mut text, &answer.advice);
    circuits(&mut text, answer);
    bus(&mut text, answer);
    let cautions: Vec<String> =
        answer.cautions().map(|it| format!("{}. {}.", capitalised(&it.found), capitalised(&it.advice))).collect();
    if !cautions.is_empty() {
        heading(&mut text, "Cautions");
        cautions.iter().for_each(|caution| item(&mut text, caution));
    }
    heading(&mut text, "Wiring");
    safety::wiring(answer.devices).iter().for_each(|line| item(&mut text, line));
    heading(&mut text, "Before anybody touches a wire");
    safety::SAFETY.iter().for_each(|line| item(&mut text, line));
    text
}

fn pipe(text: &mut String, answer: &Answer) {
    let flows = &answer.question.flows;
    let velocities = &answer.advice.velocities;
    let _ = writeln!(text, "Pipe of {} mm bore", figure(flows.bore_mm));
    for (name, flow, velocity) in [
        ("smallest", flows.smallest, velocities.smallest_m_s),
        ("usual", flows.usual, velocities.usual_m_s),
        ("largest", flows.largest, velocities.largest_m_s),
    ] {
        let (per_hour, flow) = (figure(3.6 * flow.0), figure(flow.0));
        let _ = writeln!(text, "  {name:<9}{flow:>7} L/s {per_hour:>8} m3/h {:>7} m/s", figure(velocity));
    }
}

/// How a choice is marked in a table.
const fn mark(role: Role) -> &'static str {
    match role {
        Role::Recommended => ">",
        Role::Alternative => "",
        Role::Present => "now",
    }
}

fn full_scales(text: &mut String, advice: &Advice) {
    let Some(recommended) = advice.full_scales.iter().find(|choice| choice.role == Role::Recommended) else { return };
    heading(text, &format!("20 mA: {} L/s, in the meter and in every receiver", figure(recommended.full_scale_l_s)));
    let head = [
        ["", "20 mA", "mA per", "largest", "stands", "step, % of", "", "accuracy, % of", ""],
        ["", "L/s", "L/s", "flow mA", "from L/s", "smallest", "usual", "smallest", "usual"],
    ];
    table(text, &head, advice.full_scales.iter().map(full_scale_row));
    item(
        text,
        "The lower, the finer; too low, and the largest flows read the same. `Step` and `accuracy` are the receiving \
         input's.",
    );
}

fn full_scale_row(choice: &FullScale) -> [String; 9] {
    [
        mark(choice.role).to_owned(),
        figure(choice.full_scale_l_s),
        figure(choice.ma_per_l_s),
        figure(choice.largest_flow_ma),
        figure(choice.saturates_at_l_s),
        percent(choice.step_percent_of_smallest),
        percent(choice.step_percent_of_usual),
        percent(choice.accuracy_percent_of_smallest),
        percent(choice.accuracy_percent_of_usual),
    ]
}

/// A share of a flow or of a period; where it is many times that, how many says no more.
fn percent(share: f64) -> String {
    if share < 1000.0 { figure(share) } else { String::from("> 999") }
}

fn pulses(text: &mut String, advice: &Advice) {
    let Some(recommended) = advice.pulses.iter().find(|choice| choice.role == Role::Recommended) else { return };
    let width = recommended.on_time_ms.map_or_else(String::new, |width| format!(", {} ms on", figure(width)));
    heading(
        text,
        &format!("Pulses: {} L each{width}, in the meter and in every receiver", figure(recommended.volume_l)),
    );
    let head = [
        ["", "L per", "on", "at largest flow", "", "carries", "smallest:", "1 % told", "16 bit"],
        ["", "pulse", "ms", "a second", "on %", "L/s", "one each", "after", "full in"],
    ];
    table(text, &head, advice.pulses.iter().map(pulse_row));
    item(
        text,
        "`1 % told after`: 100 pulses, because a count is within one pulse of the truth; at the usual flow. \
         `!`: cannot carry the largest flow with a quarter to spare, or the receiver cannot see it.",
    );
    let full = figure(recommended.wrap_32_bit_days);
    item(
        text,
        &format!(
            "At {} L a pulse, 1 % is told after {} L; at the usual flow a 32-bit counter is full in {full} days.",
            figure(recommended.volume_l),
            figure(recommended.one_percent_l)
        ),
    );
}

fn pulse_row(choice: &PulseSetting) -> [String; 9] {
    let or_none = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), figure);
    let mark = match (choice.role, choice.suits) {
        (Role::Present, false) => "now!",
        (Role::Alternative, false) => "!",
        (role, _) => mark(role),
    };
    [
        mark.to_owned(),
        figure(choice.volume_l),
        or_none(choice.on_time_ms),
        figure(choice.largest_flow_hz),
        choice.largest_flow_duty.map_or_else(|| "-".to_owned(), |duty| percent(100.0 * duty)),
        or_none(choice.carries_l_s),
        time(choice.smallest_flow_s),
        time(choice.one_percent_usual_s),
        time(86_400.0 * choice.wrap_16_bit_days),
    ]
}

fn circuits(text: &mut String, answer: &Answer) {
    if answer.current_loop.is_none() && answer.pulse_wire.is_none() {
        return;
    }
    heading(text, "Circuits");
    if let Some(wire) = &answer.current_loop {
        item(
            text,
            &format!(
                "Loop: {} ohm ({} of them cable, at 50 degrees) of {} ohm allowed at 21 mA; the most it can drive is {} mA. \
                 At 20 mA the receivers see {} V.",
                figure(wire.loop_ohm),
                figure(wire.cable_ohm),
                figure(wire.allowed_ohm),
                figure(wire.largest_ma),
                figure(wire.burden_v_at_20_ma)
            ),
        );
    }
    if let Some(wire) = &answer.pulse_wire {
        item(
            text,
            &format!(
                "Pulses: {} mA while closed, {} W in the resistor; the edge takes {} ms.",
                figure(wire.closed_ma),
                figure(wire.resistor_w),
                figure(wire.rise_ms)
            ),
        );
    }
}

fn bus(text: &mut String, answer: &Answer) {
    let Some(devices) = answer.devices else { return };
    heading(text, &format!("Bus: one turn of {devices} devices"));
    let head = [["", "bit/s", "turn ms", "turns a second", "every"]];
    let rows = answer.cycles.iter().map(|cycle| {
        [
            if cycle.baud == answer.baud { ">".to_owned() } else { String::new() },
            cycle.baud.to_string(),
            figure(cycle.cycle_ms),
            figure(cycle.turns_per_second),
            format!("{} ms", cycle.shortest_period_ms),
        ]
    });
    table(text, &head, rows);
    item(text, "`every`: the shortest plain period that leaves a fifth of the line's time for repeats.");
}

/// Seconds in a year of 365 days.
const YEAR: f64 = 365.0 * 86_400.0;

/// A time in the unit in which one would say it.
fn time(seconds: f64) -> String {
    match seconds {
        _ if seconds < 1.0 => format!("{} ms", figure(1000.0 * seconds)),
        _ if seconds < 120.0 => format!("{} s", figure(seconds)),
        _ if seconds < 7200.0 => format!("{} min", figure(seconds / 60.0)),
        _ if seconds < 172_800.0 => format!("{} h", figure(seconds / 3600.0)),
        _ if seconds < 2.0 * YEAR => format!("{} d", figure(seconds / 86_400.0)),
        _ if seconds < 1000.0 * YEAR => format!("{} y", figure(seconds / YEAR)),
        _ => "ages".to_owned(),
    }
}

fn heading(text: &mut String, words: &str) {
    let _ = writeln!(text, "\n{words}");
}

fn capitalised(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// A table with columns as wide as they need, the figures to the right. A heading that runs over an empty neighbour has
/// its column's place and the next one's.
fn table<const N: usize>(text: &mut String, head: &[[&str; N]], rows: impl Iterator<Item = [String; N]>) {
    let rows: Vec<[String; N]> = rows.collect();
    let mut widths = [0; N];
    for (column, width) in widths.iter_mut().enumerate() {
        let of_rows = rows.iter().map(|row| row[column].chars().count());
        let runs_over = |line: &&[&str; N]| column > 0 && column + 1 < N && line[column + 1].is_empty();
        let of_head = head.iter().filter(|line| !runs_over(line)).map(|line| line[column].chars().count());
        *width = of_rows.chain(of_head).max().unwrap_or_default();
    }
    for line in head {
        let mut written = String::from(" ");
        let mut column = 0;
        while column < N {
            let mut width = widths[column];
            if column > 0 && column + 1 < N && line[column + 1].is_empty() {
                width += 2 + widths[column + 1];
            }
            let _ = write!(written, " {:>width$} ", line[column]);
            column += if width > widths[column] { 2 } else { 1 };
        }
        let _ = writeln!(text, "{}", written.trim_end());
    }
    for row in &rows {
        let mut written = String::from(" ");
        for (cell, width) in row.iter().zip(widths) {
            let _ = write!(written, " {cell:>width$} ");
        }
        let _ = writeln!(text, "{}", written.trim_end());
    }
}

/// A paragraph with a dash before it, broken at the terminal's edge.
fn item(text: &mut String, words: &str) {
    let mut line = String::from("  -");
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > COLUMNS {
            let _ = writeln!(text, "{line}");
            line = String::from("   ");
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(text, "{line}");
}

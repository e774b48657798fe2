//! The state as lines of at most 80 columns, in plain ASCII: what a serial console shows too.

use tallywell_witness::tally::{Between, Verdict};

use crate::command::period::short;
use crate::face::state::{LineState, MeterState, State};

const WIDTH: usize = 80;
const TALLIES: [(Between, &str); 3] =
    [(Between::FlowLoop, "B:L"), (Between::TotalPulse, "T:P"), (Between::TotalFlow, "T:B")];

/// The whole state.
pub(super) fn lines(state: &State) -> Vec<String> {
    let mut lines = vec![ends(&ascii(&state.site), &short(state.at)), sentence(state), String::new()];
    let heads: String = TALLIES.iter().map(|(_, head)| format!(" {head}")).collect();
    lines.push("             ---- loop ----  -------- bus -------  - pulses, 1 min -".to_owned());
    lines.push(format!(
        "meter      {:>7}{:>9}{:>9}{:>13}{:>11}{:>8}{heads}",
        "mA", "L/s", "L/s", "total L", "count", "L/s"
    ));
    for meter in &state.meters {
        lines.push(row(meter));
        lines.extend(remarks(state, meter));
    }
    let news: Vec<String> = state.meters.iter().flat_map(news).collect();
    if !news.is_empty() {
        lines.push(String::new());
        lines.extend(news);
    }
    lines.push(String::new());
    lines.extend(state.lines.iter().flat_map(|line| wrapped(&line_words(line), "  ")));
    lines.extend(wrapped(&store_words(state), "  "));
    lines
}

fn sentence(state: &State) -> String {
    let of = |wanted| state.meters.iter().filter(|meter| meter.verdict() == wanted).count();
    let (agree, disagree, all) = (of(Verdict::Agree), of(Verdict::Disagree), state.meters.len());
    let undecided = all - agree - disagree;
    format!("Meters whose witnesses agree: {agree} of {all}; disagree: {disagree}; undecided: {undecided}")
}

fn row(meter: &MeterState) -> String {
    let cell = |value: Option<f64>, width: usize, digits: usize| match value {
        Some(value) => format!("{value:>width$.digits$}"),
        None => format!("{:>width$}", "-"),
    };
    let mean = meter.last_minute.iter().find(|mean| mean.witness == "pulse").map(|mean| mean.mean_l_s);
    let signs: String = TALLIES
        .iter()
        .map(|(between, _)| {
            let tally = meter.tallies.iter().find(|tally| tally.between == *between);
            format!(" {:^3}", tally.map_or("", |tally| sign(tally.verdict)))
        })
        .collect();
    let row = format!(
        "{:<11}{}{}{}{}{}{}{signs}",
        shortened(&ascii(&meter.meter), 10),
        cell(meter.loop_ma, 7, 3),
        cell(meter.loop_flow_l_s, 9, 2),
        cell(meter.flow_l_s, 9, 2),
        cell(meter.total_l, 13, 0),
        cell(meter.pulses.as_ref().and_then(|pulses| pulses.value), 11, 0),
        cell(mean, 8, 2),
    );
    row.trim_end().to_owned()
}

const fn sign(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Agree => "=",
        Verdict::Disagree => "!=",
        Verdict::Undecided => "?",
    }
}

/// What belongs to the row itself: that it is old, maintained, or that the meter raises an alarm.
fn remarks(state: &State, meter: &MeterState) -> Vec<String> {
    let mut remarks = Vec::new();
    if meter.time.is_none() {
        remarks.push("not read yet".to_owned());
    } else if let Some(age) = meter.overdue_s(state.at) {
        remarks.push(format!("last read {age:.0} s ago"));
    }
    if meter.maintenance {
        remarks.push("maintenance: judged by nothing".to_owned());
    }
    if let Some(set) = meter.status.as_ref().filter(|set| !set.is_empty()) {
        remarks.push(format!("status: {}", set.join(", ")));
    }
    if meter.running == Some(false) {
        remarks.push("the pump stands".to_owned());
    }
    if remarks.is_empty() { Vec::new() } else { wrapped(&format!("  {}", remarks.join("; ")), "  ") }
}

/// Disagreements that stand open, and events that last.
fn news(meter: &MeterState) -> Vec<String> {
    let mut news = Vec::new();
    for it in &meter.disagreements {
        let cause = it.text("cause").unwrap_or("not looked for yet");
        let opened = it.text("opened").unwrap_or_default();
        news.extend(wrapped(
            &format!("! {} since {}: {}; cause: {cause}", meter.meter, to_second(opened), it.words),
            "  ",
        ));
    }
    for it in &meter.events {
        let began = it.began().map(to_second).unwrap_or_default();
        news.extend(wrapped(&format!("- {} since {began}: {}", meter.meter, it.words), "  "));
    }
    news
}

fn to_second(time: &str) -> String {
    match (time.get(..10), time.get(11..19)) {
        (Some(day), Some(clock)) => format!("{day} {clock}Z"),
        _ => time.to_owned(),
    }
}

fn line_words(line: &LineState) -> String {
    let health = match (&line.port_lost, line.silent_devices.as_slice()) {
        (Some(why), _) => format!("THE PORT IS LOST ({why})"),
        (None, []) => "every device answers".to_owned(),
        (None, silent) => format!("NO ANSWER from {}", silent.join(", ")),
    };
    let bad: u64 = line.devices.iter().flat_map(|device| device.faults.values()).sum();
    format!(
        "line {}: {health}; {:.1} % of its time in use; {} requests, {bad} bad replies",
        line.line,
        line.line_use * 100.0,
        line.transactions
    )
}

fn store_words(state: &State) -> String {
    let store = &state.store;
    let dropped = if store.readings_dropped > 0 {
        format!("; {} readings DROPPED", store.readings_dropped)
    } else {
        String::new()
    };
    let set_aside = store
        .set_aside_name()
        .map_or_else(String::new, |name| format!("; the one before was DAMAGED and put aside as {}", ascii(name)));
    match &store.trouble {
        Some(trouble) => format!("store: CANNOT BE WRITTEN ({trouble}); {} wait{dropped}{set_aside}", store.waiting),
        None => format!("store: {} readings written{dropped}{set_aside}", store.readings_stored),
    }
}

/// One text at the left edge and one at the right.
fn ends(left: &str, right: &str) -> String {
    let room = WIDTH.saturating_sub(right.len() + 1);
    format!("{:<room$} {right}", shortened(left, room))
}

fn shortened(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        return text.to_owned();
    }
    format!("{}~", text.chars().take(columns.saturating_sub(1)).collect::<String>())
}

/// A console that knows no more than ASCII shows a mark for what it cannot.
fn ascii(text: &str) -> String {
    text.chars().map(|letter| if letter.is_ascii() && !letter.is_ascii_control() { letter } else { '?' }).collect()
}

/// Broken at 80 columns, later lines indented.
fn wrapped(words: &str, indent: &str) -> Vec<String> {
    let words = ascii(words);
    let mut lines = vec![" ".repeat(words.len() - words.trim_start().len())];
    for word in words.split_whitespace() {
        let last = lines.len() - 1;
        let begun = !lines[last].trim().is_empty();
        if begun && lines[last].len() + 1 + word.len() > WIDTH {
            lines.push(format!("{indent}{word}"));
            continue;
        }
        if begun {
            lines[last].push(' ');
        }
        lines[last].push_str(word);
    }
    lines
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// A state as a daemon tells it.
    fn state() -> State {
        let tally = |between: [&str; 2], verdict: &str, unit: &str| {
            json!({
                "between": between, "verdict": verdict, "ratio": 0.9, "difference": -817.0, "unit": unit,
                "tolerance": 75.0, "steps": -29, "step_count": 8, "first": 1206.0, "second": 389.0, "judged_s": 116.0,
                "excluded_s": 0.0, "excluded_l": 0.0, "open": verdict == "disagree", "disagreements": 1, "notes": [],
            })
        };
        let state = json!({
            "site": "Kestrel Creek pump shed, which lies so far off that its name alone takes more than a line",
            "program": "tallywell 0.1.0",
            "at": "2026-03-01T13:54:44.000Z",
            "running_since": "2026-03-01T13:52:43.000Z",
            "meters": [{
                "meter": "bore-1", "time": "2026-03-01T13:54:44.000Z", "every_s": 1.0,
                "flow": { "value": 83.41, "unit": "m3/h" }, "flow_l_s": 23.17,
                "total": { "value": 1206.469, "unit": "m3" }, "total_l": 1_206_469.0,
                "loop_ma": 14.298, "loop_flow_l_s": 23.17,
                "pulses": { "value": 48226.0, "unit": "" }, "pulse_volume_l": 25.0,
                "last_minute": [{ "witness": "pulse", "mean_l_s": 4.58, "within_l_s": 0.4, "over_s": 60.0 }],
                "status": [], "running": null, "maintenance": false,
                "tallies": [
                    tally(["flow", "loop"], "undecided", "L/s"),
                    tally(["total", "pulse"], "disagree", "L"),
                    tally(["total", "flow"], "agree", "L"),
                ],
                "disagreements": [{
                    "meter": "bore-1", "between": ["total", "pulse"], "opened": "2026-03-01T13:53:13.000Z",
                    "cause": "pulse-weight",
                    "words": "total/pulse: pulse 648.2 to 702.9 L less than total (0.6247 of it); 75.00 L is let pass; \
                              26 to 28 pulses lost in 7 steps",
                }],
                "events": [{
                    "meter": "bore-1", "began": "2026-03-01T13:53:44.000Z",
                    "words": "setting pulse_volume: the meter has 50, the site file 25",
                }],
                "counted": { "readings": 117, "disagreements": { "total/pulse": 1 }, "events": {} },
            }, {
                "meter": "north-well-of-s\u{fc}d", "time": "2026-03-01T13:54:04.000Z", "every_s": 5.0, "flow": null, "flow_l_s": null, "total": null,
                "total_l": null, "loop_ma": 3.55, "loop_flow_l_s": null, "pulses": null, "pulse_volume_l": null,
                "last_minute": [], "status": ["empty pipe"], "running": false, "maintenance": true,
                "tallies": [], "disagreements": [], "events": [],
                "counted": { "readings": 3, "disagreements": {}, "events": {} },
            }],
            "lines": [{
                "line": "shed", "port_lost": null, "silent_devices": ["analogue"], "transactions": 942, "line_use": 0.1854,
                "elapsed_s": 118.0, "busy_s": 21.9, "hint": null,
                "devices": [{
                    "device": "bore-1", "address": 11, "replies": 236, "noise_bytes": 0, "crc_errors": 2, "timeouts": 1,
                    "reply_ms": { "p50": 7.8, "p90": 9.0, "p99": 11.0, "max": 12.0 },
                    "lateness_ms": { "p50": null, "p90": null, "p99": null, "max": null },
                }],
            }],
            "store": { "readings_stored": 354, "readings_dropped": 4, "waiting": 12, "trouble": "the disk is full",
                       "set_aside": "/var/lib/shed/kestrel.db.damaged-20260301T120000Z" },
        });
        serde_json::from_value(state).unwrap()
    }

    #[test]
    fn the_state_fits_a_console() {
        let lines = lines(&state());
        assert!(lines.iter().all(|line| line.len() <= WIDTH && line.is_ascii()), "{lines:#?}");
        insta::assert_snapshot!(lines.join("\n"));
    }

    #[test]
    fn a_state_survives_its_journey_over_the_socket() {
        let state = state();
        let text = serde_json::to_string(&state).unwrap();
        assert_eq!(serde_json::from_str::<State>(&text).unwrap(), state);
    }
}

//! An explanation for people, 80 columns wide.

use std::fmt::Write;

use tallywell_witness::cause::{Cause, Code, Explanation};
use tallywell_witness::tally::{TallyStanding, Verdict};

const WIDTH: usize = 80;

/// Hypotheses less likely than this are left to the JSON, unless they are the first.
const WORTH_TELLING: f64 = 0.01;

/// The whole answer.
pub(super) fn of(explanation: &Explanation, remarks: &[String]) -> String {
    let mut out = String::new();
    let verdict = match explanation.verdict {
        Verdict::Agree => "the witnesses AGREE",
        Verdict::Disagree => "the witnesses DISAGREE",
        Verdict::Undecided => "UNDECIDED",
    };
    line(&mut out, &format!("{}: {verdict}", explanation.meter));
    line(&mut out, &format!("from {} to {}", explanation.from, explanation.to));
    if explanation.verdict == Verdict::Agree {
        wrap(&mut out, "", "Agreement is not accuracy: all witnesses share one sensor.");
    }
    if !explanation.tallies.is_empty() {
        out.push('\n');
        for tally in &explanation.tallies {
            tally_line(&mut out, tally);
        }
    }
    if !explanation.causes.is_empty() {
        line(&mut out, "\nWhy, the likeliest first");
        for (place, cause) in explanation.causes.iter().enumerate() {
            if place == 0 || cause.probability >= WORTH_TELLING {
                cause_lines(&mut out, place, cause);
            }
        }
    }
    if let Some(volume) = &explanation.disputed_volume_l {
        out.push('\n');
        wrap(
            &mut out,
            "",
            &format!(
                "In dispute: {} L, between {} and {} L.",
                litres(volume.value),
                litres(volume.low),
                litres(volume.high)
            ),
        );
    }
    if let Some(main) = explanation.causes.first().filter(|main| main.code != Code::Agreement) {
        line(&mut out, "\nWhat to check, in this order");
        for (number, check) in main.check.iter().enumerate() {
            wrap(&mut out, &format!("{:>2}. ", number + 1), check);
        }
    }
    if let Some(test) = &explanation.next_test {
        line(&mut out, "\nThe one test that would settle most of the doubt");
        wrap(&mut out, "  ", test);
    }
    section(&mut out, "What the answer takes for granted", &explanation.assumptions);
    section(&mut out, "About the readings", remarks);
    out
}

fn section(out: &mut String, title: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    line(out, &format!("\n{title}"));
    for item in items {
        wrap(out, "  - ", item);
    }
}

fn tally_line(out: &mut String, tally: &TallyStanding) {
    let [first, second] = tally.between.words();
    let verdict = match tally.verdict {
        Verdict::Agree => "agree",
        Verdict::Disagree => "DISAGREE",
        Verdict::Undecided => "undecided",
    };
    let mut text = format!("  {:<24}{verdict:<11}", format!("{first} / {second}"));
    if let Some(ratio) = tally.ratio {
        let _ = write!(text, "ratio {ratio:.5}  ");
    }
    if let Some(difference) = tally.difference {
        let _ = write!(text, "difference {difference:+.3} {}", tally.unit.symbol());
    }
    line(out, text.trim_end());
}

fn cause_lines(out: &mut String, place: usize, cause: &Cause) {
    let with: Vec<&str> = cause.with.iter().map(|code| code.as_str()).collect();
    let with = if with.is_empty() { String::new() } else { format!(" with {}", with.join(", ")) };
    line(out, &format!("{:>2}. {}{with}  ({:.1} %)", place + 1, cause.code, 100.0 * cause.probability));
    wrap(out, "    ", &cause.says);
    if let Some(onset) = cause.parameters.onset {
        line(out, &format!("    since about {onset}"));
    }
    if place == 0 {
        for evidence in &cause.evidence {
            wrap(out, "    - ", evidence);
        }
    }
}

fn litres(value: f64) -> String {
    if value.abs() >= 100.0 { format!("{value:.0}") } else { format!("{value:.2}") }
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

/// `text` in lines of at most [`WIDTH`] columns; the first begins with `lead`, the others are indented as far.
fn wrap(out: &mut String, lead: &str, text: &str) {
    let mut current = lead.to_owned();
    let indent = " ".repeat(lead.chars().count());
    let mut empty = true;
    for word in text.split_whitespace() {
        let needed = current.chars().count() + usize::from(!empty) + word.chars().count();
        if !empty && needed > WIDTH {
            line(out, &current);
            current.clone_from(&indent);
            empty = true;
        }
        if !empty {
            current.push(' ');
        }
        current.push_str(word);
        empty = false;
    }
    line(out, &current);
}

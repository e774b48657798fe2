//! What stands at the end: cautions before work on site, how the numbers were reached, what they rest on, and how to
//! check the file.

use maud::{Markup, html};
use tallywell_witness::cause::Explanation;

use super::answer::sentence;

/// Cautions that hold whatever the cause is.
pub(super) fn cautions() -> Markup {
    html! {
        ul class="cautions" {
            li {
                b { "Mains voltage. " }
                "A pump shed holds it, also where only signals are looked for. Isolate, lock, and prove dead before hands \
                 or tools go in."
            }
            li {
                b { "Pumps start by themselves. " }
                "Level, pressure and time switches give no warning, and a stop over a bus or a screen isolates nothing. \
                 Lock out at the isolator and check that it holds."
            }
            li {
                b { "A live current loop. " }
                "Opening it drops the signal to 0 mA: a controller takes that as less than no flow, and acts. Put what acts \
                 on it in manual, tell whoever runs the plant, and suspend the alarms and shutdowns that it feeds. A clamp \
                 meter, a test diode or the voltage over the receiver\u{2019}s resistor need no opening."
            }
            li {
                b { "Seals and bills. " }
                "Where water is sold by this meter, its seals and settings are protected by law. Break no seal, turn no \
                 setting; tell the owner and the authority, and keep this report with what was read on site."
            }
            li {
                b { "Confined wet places. " }
                "Pits hold bad air and water under pressure; shutting a main takes away somebody\u{2019}s supply."
            }
        }
        p {
            "Local codes decide what may be done and by whom; electrical work is for licensed people. This report is no \
             work permit."
        }
    }
}

/// How the numbers were reached.
pub(super) fn method() -> Markup {
    html! {
        dl class="method" {
            dt { "Reading" }
            dd {
                "The registers were read over the bus with reading functions only; nothing was ever written to a device. \
                 The current and the pulses were measured by something other than the meter. Each value carries the time at \
                 which it was most likely sampled."
            }
            dt { "Total against pulses" }
            dd {
                "While one constant offset can explain all readings within rounding, resolution and sampling time, total \
                 and pulses agree. The moment that none can, pulses were lost or gained for certain: a step, counted by \
                 the fewest pulses that explain it. No chance is involved. A disagreement is logged when the certain steps \
                 exceed what is let pass."
            }
            dt { "Flow against loop" }
            dd {
                "Both are brought to the same instant, allowing for damping, and averaged over blocks long enough to be \
                 independent. A sequential test decides whether their bias exceeds what is let pass and what the input\u{2019}s \
                 accuracy explains. Currents that mean a fault or saturation are no flows and are judged as such."
            }
            dt { "Volumes against flows" }
            dd { "The flow is added up between the same instants as the counts, and tested likewise." }
            dt { "Causes" }
            dd {
                "Each hypothesis of a fixed catalogue, alone and in pairs, is held against the readings; its probability \
                 follows from how well it predicts them, how many figures it is free to choose, and how often such things \
                 happen. Nothing outside the catalogue can be named, only called unexplained."
            }
            dt { "Pictures" }
            dd {
                "Of many readings in one column of a picture the first, lowest, highest and last are drawn, so that no peak \
                 is lost. A line is broken where nothing was heard. The running difference is plain arithmetic, without \
                 the allowances of the tally."
            }
        }
    }
}

/// What the answer takes for granted.
pub(super) fn assumptions(explanation: Option<&Explanation>) -> Markup {
    let all = explanation.map(|explanation| explanation.assumptions.as_slice()).unwrap_or_default();
    html! {
        p class="plainly" {
            b { "Agreement is not accuracy. " }
            "All witnesses share one sensor: what it gets wrong moves them all alike. Only a reference volume tells the \
             meter\u{2019}s error."
        }
        @if !all.is_empty() {
            ul { @for text in all { @if !text.starts_with("Agreement is not accuracy") { li { (sentence(text)) } } } }
        }
    }
}

/// How to check that the page is as it was made.
pub(super) fn check(sha256: &str) -> Markup {
    html! {
        footer {
            h2 { "To check this file" }
            p {
                "Everything above, from the line that says " code { "content begins" } " to the line that says "
                code { "content ends" } " in the file\u{2019}s text, both included, has this SHA-256:"
            }
            p { code class="hash" { (sha256) } }
            p { "With the file saved as " code { "report.html" } ", this command prints the same if nothing was changed:" }
            p { code class="command" { (CHECK_COMMAND) } }
            p class="small" {
                "The hash of the whole file was printed when it was made and is kept in the store it was made from. A hash \
                 shows a change, not who made the file: keep it somewhere else too."
            }
        }
    }
}

/// The line before the content.
pub(super) const CONTENT_BEGINS: &str = "<!-- content begins -->";
/// The line after the content.
pub(super) const CONTENT_ENDS: &str = "<!-- content ends -->";
const CHECK_COMMAND: &str = "sed -n '/^<!-- content begins/,/^<!-- content ends/p' report.html | sha256sum";

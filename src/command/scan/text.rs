//! The findings for people, in 80 columns.

use std::fmt::Write;

use tallywell_witness::declared::{Framing, Port};

use super::json::object_name;
use super::spoken;
use crate::line::fault::exception_name;
use crate::line::scan::identity::{hexadecimal, readable, text_within};
use crate::line::scan::{Ended, FirstAnswer, Found, Scan, ScanPlan};

const COLUMNS: usize = 80;
/// More settings than these are counted, not listed.
const MOST_LISTED: usize = 3;

pub(super) fn of(port: &str, plan: &ScanPlan, scan: &Scan, notes: &[String]) -> String {
    let mut text = format!("{port}\n");
    listening(&mut text, plan, scan);
    match &scan.ended {
        Ended::AnotherMaster { framing, units, nothing_sent } => {
            let heard = match framing {
                Some(framing) => format!("its frames came at {} and name {}", spoken(*framing), listed_units(units)),
                None => "the same bytes come again and again, and are no frames at the settings tried".to_owned(),
            };
            let sent = if *nothing_sent { "nothing was sent" } else { "the scan stopped" };
            add(&mut text, &format!("Another master speaks on this line: {heard}. So {sent}."));
            add(
                &mut text,
                "A second master disturbs the first one's polling. Stop or unplug the first, tell whoever relies on it, \
                 and scan again; or let `--listen-only` draw up what it reads, and set `mode = \"listen\"` for this line.",
            );
        }
        Ended::NeverQuiet => add(
            &mut text,
            "The line is never quiet, so nothing could be asked: look for another master, a missing bias, or swapped wires.",
        ),
        Ended::Done => {}
    }
    settings(&mut text, plan, scan);
    for device in &scan.devices {
        self::device(&mut text, plan, scan, device);
    }
    if !scan.anything_answered() && scan.ended == Ended::Done {
        nothing(&mut text, plan, scan);
    }
    tried(&mut text, plan, scan);
    for note in notes {
        add(&mut text, note);
    }
    text
}

fn listening(text: &mut String, plan: &ScanPlan, scan: &Scan) {
    let listened = scan.listened.as_secs_f64();
    if !matches!(plan.port, Port::Serial(_)) {
        add(text, "Through a gateway nobody can listen first: another master behind it would have been disturbed.");
    } else if scan.listened.is_zero() {
        add(text, "Nobody listened first: another master on this line would have been disturbed.");
    } else if scan.noisy {
        add(text, &format!("Listened for {listened} s: bytes came that are no frames."));
    } else if !scan.other_master() {
        add(text, &format!("Listened for {listened} s: silence."));
    }
    if scan.echo {
        add(text, "The adapter returns what it sends: write `echo = true` for this line.");
    }
    if scan.noise_bytes > 0 && !scan.other_master() {
        let bytes = scan.noise_bytes;
        add(
            text,
            &format!("{bytes} byte{} of noise came in all: look at bias, termination and shield.", plural(bytes)),
        );
    }
}

fn settings(text: &mut String, plan: &ScanPlan, scan: &Scan) {
    let Some(settled) = scan.settled.as_ref().filter(|_| matches!(plan.port, Port::Serial(_))) else { return };
    let framing = settled.framing;
    let other_rate = settled.also.iter().any(|other| other.baud != framing.baud);
    let sure = if settled.compared == 0 {
        "no other settings were compared".to_owned()
    } else if settled.also.is_empty() {
        format!("sure: with {} other settings the same device was silent", settled.compared)
    } else if settled.is_sure() {
        "sure but for the stop bits: it answers with one and with two".to_owned()
    } else if other_rate {
        "not sure: it answers at another rate too, as simulated ports and some gateways do".to_owned()
    } else {
        "rate sure, parity not: it answers with another parity too".to_owned()
    };
    add(text, &format!("Settings: {} ({sure}).", spoken(framing)));
}

fn device(text: &mut String, plan: &ScanPlan, scan: &Scan, device: &Found) {
    let answer = match device.answer {
        Some(FirstAnswer { register, content: Ok(word) }) => format!("holding register {register} holds {word:04X}h"),
        Some(FirstAnswer { register, content: Err(code) }) => {
            format!("refuses holding register {register}: {} ({code:02X}h)", exception_name(code))
        }
        None => "broken replies only".to_owned(),
    };
    let _ = writeln!(text, "Address {}", device.address);
    item(text, &answer);
    if scan.settled.as_ref().is_some_and(|settled| settled.framing != device.framing) {
        item(text, &format!("at {}", spoken(device.framing)));
    }
    if let Some(identification) = &device.identity.identification {
        for (&number, bytes) in &identification.0 {
            item(text, &format!("{}: {}", object_name(number).replace('_', " "), readable(bytes)));
        }
    }
    if let Some(bytes) = &device.identity.server_id {
        let said = text_within(bytes).unwrap_or_else(|| hexadecimal(bytes));
        item(text, &format!("server identification: {said}"));
    }
    if let Some(counters) = &device.identity.counters {
        let counted: Vec<String> =
            counters.iter().map(|(name, count)| format!("{} {count}", name.replace('_', " "))).collect();
        item(text, &format!("counters: {}", counted.join(", ")));
    }
    if device.slow {
        let wait = plan.patience.as_millis();
        item(text, &format!("slow: it needs more than {wait} ms to begin a reply; mind it in `reply_timeout`"));
    }
    if let Some(doubt) = scan.doubt(device) {
        item(text, &format!("doubt: {doubt}"));
    }
}

/// Why it may be that nothing answered, as far as the bytes tell.
fn nothing(text: &mut String, plan: &ScanPlan, scan: &Scan) {
    let garbled: Vec<Framing> = scan.garbled.iter().map(|probe| probe.framing).collect();
    if let Some(&framing) = garbled.first() {
        let address = scan.garbled[0].address;
        add(
            text,
            &format!(
                "Nothing answered soundly, but bytes that are no frame followed the question to address {address} at {}: \
                 something heard it. A wrong parity, two devices on one address, or a disturbed line.",
                spoken(framing)
            ),
        );
        return;
    }
    if matches!(plan.port, Port::Serial(_)) {
        add(
            text,
            "Nothing answered. From silence alone these cannot be told apart: the two wires of the pair crossed (swap \
             them at one end), no supply, the wrong terminals, an address or settings that were not tried, a device \
             that answers later than a second, or that says nothing when it is asked for a register that it does not have \
             (`--register` asks for another).",
        );
    } else {
        add(text, "Nothing answered behind this gateway: look at its serial settings, and at the addresses.");
    }
}

fn tried(text: &mut String, plan: &ScanPlan, scan: &Scan) {
    if scan.other_master() {
        return;
    }
    let complete: Vec<String> = scan
        .tried
        .iter()
        .filter(|tried| tried.addresses > 0 && tried.addresses == tried.of)
        .map(|tried| spoken(tried.framing))
        .collect();
    let partly = scan.tried.iter().filter(|tried| tried.addresses > 0 && tried.addresses < tried.of).count();
    let untried = scan.tried.iter().filter(|tried| tried.addresses == 0).count();
    let addresses = plan.addresses.len();
    let all = scan.tried.len();
    if !matches!(plan.port, Port::Serial(_)) {
        add(text, &format!("Tried: {addresses} address{}.", if addresses == 1 { "" } else { "es" }));
    } else if complete.len() == all {
        let with = if all == 1 { format!("at {}", complete[0]) } else { format!("with each of {all} settings") };
        add(text, &format!("Tried: {addresses} address{} {with}.", if addresses == 1 { "" } else { "es" }));
    } else if scan.tried.iter().all(|tried| tried.addresses == 0) {
        add(text, "Nothing was asked.");
    } else {
        let complete = match complete.len() {
            0 => "no settings".to_owned(),
            1..=MOST_LISTED => complete.join("; "),
            many => format!("{many} settings (`--format json` names them)"),
        };
        add(text, &format!("Tried with all {addresses} addresses: {complete}."));
        add(
            text,
            &format!(
                "Of {all} settings, {untried} were not tried, and {partly} with some addresses only; `--all` tries \
                 them. A device that has one of those was not found."
            ),
        );
    }
    if !scan.refused.is_empty() {
        let refused: Vec<String> = scan.refused.iter().map(|&framing| spoken(framing)).collect();
        add(text, &format!("The port does not run at: {}.", refused.join("; ")));
    }
}

fn listed_units(units: &std::collections::BTreeSet<u8>) -> String {
    let numbers: Vec<String> = units.iter().map(ToString::to_string).collect();
    format!("unit{} {}", plural(numbers.len()), numbers.join(", "))
}

const fn plural(count: usize) -> &'static str {
    if count == 1 { "" } else { "s" }
}

/// Adds a sentence, broken where a terminal would break it.
pub(super) fn add(text: &mut String, words: &str) {
    wrap(text, "", words);
}

/// The same, one step in.
pub(super) fn item(text: &mut String, words: &str) {
    wrap(text, "  ", words);
}

/// Breaks words into lines; a text that a device told may be longer than a line.
fn wrap(text: &mut String, indent: &str, words: &str) {
    let mut width = 0;
    for word in words.split_whitespace() {
        let length = word.chars().count();
        if width == 0 || width + 1 + length > COLUMNS {
            if width > 0 {
                text.push('\n');
            }
            text.push_str(indent);
            width = indent.len();
        } else {
            text.push(' ');
            width += 1;
        }
        text.push_str(word);
        width += length;
    }
    text.push('\n');
}

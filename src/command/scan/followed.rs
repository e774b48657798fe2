//! `scan --listen-only`: what another master reads, in words, as JSON, and as a first site file.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use serde::Serialize;
use serde_json::{Value, json};
use tallywell_witness::declared::{ByteOrder, Port, WordOrder};
use tallywell_witness::decode::{Likeness, Ranked, likely_layout, rank};

use super::{parity_word, site_file, spoken};
use crate::face::told::stretch_words;
use crate::line::listen::master::{MasterTiming, Passed, PollKey, PollTiming};
use crate::line::scan::following::Followed;

/// What does not look like it enough is not proposed.
const LEAST_SCORE: f64 = 0.3;
/// Periods that people would write, in milliseconds.
const PLAIN_PERIODS: [u64; 13] = [100, 200, 250, 500, 1000, 1500, 2000, 3000, 5000, 10_000, 15_000, 30_000, 60_000];

/// One request of the master, and what its registers look like.
struct Drawn<'a> {
    key: PollKey,
    poll: &'a PollTiming,
    /// The words last read.
    words: Vec<u16>,
    layout: Vec<Ranked>,
}

fn drawn(followed: &Followed) -> Vec<Drawn<'_>> {
    let polls = followed.counted.master.polls.iter();
    polls
        .map(|(&key, poll)| {
            let seen = followed.observations.get(&key).map(Vec::as_slice).unwrap_or_default();
            let mut layout = if key.request.table.is_bits() { Vec::new() } else { likely_layout(&rank(seen)) };
            layout.retain(|it| it.score >= LEAST_SCORE);
            layout.sort_by_key(|it| it.candidate.word);
            Drawn { key, poll, words: seen.last().map(|last| last.words.clone()).unwrap_or_default(), layout }
        })
        .collect()
}

pub(super) fn json(port: &str, followed: &Followed) -> Value {
    let drawn = drawn(followed);
    let polls = drawn.iter().map(|it| {
        let request = it.key.request;
        let decodings = it.layout.iter().map(|found| {
            let candidate = found.candidate;
            json!({
                "address": usize::from(request.start) + candidate.word,
                "type": candidate.value_type,
                "word_order": candidate.word_order,
                "byte_order": candidate.byte_order,
                "value": candidate.value,
                "looks_like": likeness(found.likeness),
                "score": (found.score * 100.0).round() / 100.0,
            })
        });
        json!({
            "address": it.key.unit,
            "table": request.table,
            "start": request.start,
            "count": request.count,
            "requests": it.poll.requests,
            "answered": it.poll.answered,
            "every_ms": it.poll.period.quantile(0.5).map(|period| period.as_secs_f64() * 1e3),
            "jitter_ms": it.poll.jitter().map(|jitter| jitter.as_secs_f64() * 1e3),
            "words": it.words,
            "decodings": decodings.collect::<Vec<_>>(),
        })
    });
    let devices = followed.counted.units.iter().map(|(unit, timing)| {
        json!({
            "address": unit,
            "replies": timing.replies,
            "reply_ms": timing.reply.quantile(0.5).map(|reply| reply.as_secs_f64() * 1e3),
        })
    });
    json!({
        "port": port,
        "nothing_sent": true,
        "listened_s": followed.listened.as_secs_f64(),
        "other_master": followed.framing.is_some(),
        "settings": followed.framing.map(|framing| json!({
            "baud": framing.baud,
            "parity": parity_word(framing.parity),
            "stop_bits": framing.stop_bits,
        })),
        "noise_bytes": followed.noise_bytes,
        "two_masters": followed.counted.master.are_two(),
        "devices": devices.collect::<Vec<_>>(),
        "polls": polls.collect::<Vec<_>>(),
    })
}

pub(super) fn text(port: &str, followed: &Followed, notes: &[String]) -> String {
    let mut text = format!("{port}\n");
    let Some(framing) = followed.framing else {
        let heard = match followed.noise_bytes {
            0 => "nothing at all: nobody polls, the adapter hears nothing, or the pair is not connected".to_owned(),
            bytes => format!("{bytes} bytes, and no frame at the settings tried: other settings, or crossed wires"),
        };
        super::text::add(&mut text, &format!("Nothing was sent. Heard: {heard}."));
        return text;
    };
    let master = &followed.counted.master;
    let _ = writeln!(
        text,
        "Nothing was sent. Another master polls at {}.\nListened for {} s.",
        spoken(framing),
        followed.listened.as_secs()
    );
    if master.are_two() {
        let two = "TWO MASTERS poll this line, and RTU allows one: requests come before the replies to others.";
        super::text::add(&mut text, two);
    }
    passed_over(&mut text, master);
    let mut unit = None;
    for it in drawn(followed) {
        if unit.replace(it.key.unit) != Some(it.key.unit) {
            let replies = followed.counted.units.get(&it.key.unit);
            let median = replies.and_then(|timing| timing.reply.quantile(0.5));
            let begins = median.map_or_else(String::new, |reply| format!(", replies begin after {}", millis(reply)));
            let _ = writeln!(text, "Address {}{begins}", it.key.unit);
        }
        add(&mut text, &it);
    }
    for note in notes {
        super::text::add(&mut text, note);
    }
    text
}

fn passed_over(text: &mut String, master: &MasterTiming) {
    let kinds = [
        (Passed::Write, "writing requests"),
        (Passed::Broadcast, "requests to everybody"),
        (Passed::Other, "requests of other functions"),
        (Passed::Unknown, "frames of unknown functions"),
    ];
    let counts: Vec<String> = kinds
        .into_iter()
        .filter(|(passed, _)| master.counted(*passed) > 0)
        .map(|(passed, words)| format!("{} {words}", master.counted(passed)))
        .collect();
    if !counts.is_empty() {
        super::text::add(text, &format!("Passed over: {}.", counts.join(", ")));
    }
}

fn add(text: &mut String, it: &Drawn<'_>) {
    let every =
        it.poll.period.quantile(0.5).map_or_else(|| "once".to_owned(), |period| format!("every {}", millis(period)));
    let jitter = it.poll.jitter().map_or_else(String::new, |jitter| format!(" (jitter {})", millis(jitter)));
    let unanswered = it.poll.requests - it.poll.answered.min(it.poll.requests);
    let missed =
        if unanswered == 0 { String::new() } else { format!(", {unanswered} of {} without values", it.poll.requests) };
    super::text::item(text, &format!("{} {every}{jitter}{missed}", stretch_words(&it.key.request)));
    for found in &it.layout {
        let candidate = found.candidate;
        let _ = writeln!(
            text,
            "    {:>5}  {:<4}{}  {}, looks like a {}",
            usize::from(it.key.request.start) + candidate.word,
            written(&candidate.value_type),
            orders(candidate.word_order, candidate.byte_order, candidate.value_type.width()),
            tallywell_witness::units::figure(candidate.value, 6),
            likeness(found.likeness),
        );
    }
}

/// Writes a first site file and a map for each device; nothing is overwritten.
pub(super) fn write(path: &Path, port: &str, followed: &Followed) -> Result<Vec<String>, anyhow::Error> {
    let mut maps: BTreeMap<u8, Vec<Drawn<'_>>> = BTreeMap::new();
    for it in drawn(followed).into_iter().filter(|it| it.poll.answered > 0) {
        maps.entry(it.key.unit).or_default().push(it);
    }
    let texts = maps.iter().map(|(unit, drawn)| (*unit, map_text(*unit, drawn)));
    let site = site_text(port, followed, &maps);
    site_file::write_texts(path, &site, texts)
}

fn site_text(port: &str, followed: &Followed, maps: &BTreeMap<u8, Vec<Drawn<'_>>>) -> String {
    let mut text = String::from(
        "# What another master was heard to read. Devices are named after their addresses: give them better names.\n\
         site = \"New site\"\n\n[line.line]\n",
    );
    let _ = writeln!(text, "port = {}\nmode = \"listen\"", site_file::quoted(port));
    if let (Some(framing), Ok(Port::Serial(_))) = (followed.framing, crate::site::port(port)) {
        let _ = writeln!(
            text,
            "baud = {}\nparity = \"{}\"\nstop_bits = {}",
            framing.baud,
            parity_word(framing.parity),
            framing.stop_bits
        );
    }
    for (unit, drawn) in maps {
        let periods = drawn.iter().filter_map(|it| it.poll.period.quantile(0.5));
        let every = periods.min().map_or(Duration::from_secs(1), plain);
        let _ = writeln!(
            text,
            "\n[device.unit-{unit}]\nline = \"line\"\naddress = {unit}\nmap = \"maps/unit-{unit}.toml\"\nevery = \"{}ms\"",
            every.as_millis()
        );
    }
    text.push_str(
        "\n# A flow to be watched, with its witnesses as DEVICE.ENTRY:\n\
         # [meter.NAME]\n# flow = \"unit-1.holding_0\"\n# total = \"unit-1.holding_2\"\n# total_counts = \"forward\"\n",
    );
    text
}

fn map_text(unit: u8, drawn: &[Drawn<'_>]) -> String {
    let mut text = format!(
        "about = \"Address {unit}: what another master reads of it\"\n\n\
         # Types and orders are what the values looked like while they were heard: hold them against the manual, and write\n\
         # the unit of each. What an entry means is not in the registers.\n"
    );
    let mut named = std::collections::BTreeSet::new();
    for it in drawn {
        let request = it.key.request;
        let table = written(&request.table);
        for found in &it.layout {
            let candidate = found.candidate;
            let address = usize::from(request.start) + candidate.word;
            if !named.insert((request.table, address)) {
                continue;
            }
            let _ = write!(
                text,
                "\n# Looks like a {}: {}.\n[entry.{table}_{address}]\ntable = \"{table}\"\naddress = {address}\ntype = \"{}\"\n",
                likeness(found.likeness),
                tallywell_witness::units::figure(candidate.value, 6),
                written(&candidate.value_type),
            );
            if candidate.value_type.width() > 1 {
                let _ = writeln!(text, "word_order = \"{}\"", written(&candidate.word_order));
            }
            if candidate.byte_order == ByteOrder::Little {
                text.push_str("byte_order = \"little\"\n");
            }
            text.push_str("unit = \"\"\n");
        }
        if it.layout.is_empty() {
            let kind = if request.table.is_bits() { "bit" } else { "u16" };
            if named.insert((request.table, usize::from(request.start))) {
                let _ = write!(
                    text,
                    "\n# The first of {}.\n[entry.{table}_{}]\ntable = \"{table}\"\naddress = {}\ntype = \"{kind}\"\nunit = \"\"\n",
                    stretch_words(&request),
                    request.start,
                    request.start,
                );
            }
        }
    }
    text
}

/// The nearest period that people would write.
fn plain(period: Duration) -> Duration {
    let distance = |plain: &u64| (*plain as f64 / period.as_secs_f64() / 1e3).ln().abs();
    let nearest = PLAIN_PERIODS.into_iter().min_by(|one, other| distance(one).total_cmp(&distance(other)));
    Duration::from_millis(nearest.unwrap_or(1000))
}

const fn likeness(likeness: Likeness) -> &'static str {
    match likeness {
        Likeness::Flow => "flow",
        Likeness::Total => "total",
        Likeness::Setting => "setting",
    }
}

fn orders(words: WordOrder, bytes: ByteOrder, width: u16) -> String {
    let words = if width > 1 && words == WordOrder::LowFirst { " low word first" } else { "" };
    let bytes = if bytes == ByteOrder::Little { " low byte first" } else { "" };
    format!("{words}{bytes}")
}

/// As site files and maps write it.
fn written(value: &impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

fn millis(time: Duration) -> String {
    let millis = time.as_secs_f64() * 1e3;
    if millis < 100.0 { format!("{millis:.1} ms") } else { format!("{millis:.0} ms") }
}

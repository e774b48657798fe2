//! What was read, for people and for programs.

use serde_json::{Value, json};
use tallywell_witness::declared::{ByteOrder, Device, Entry, Line, Parity, Port, Table, ValueType, WordOrder};
use tallywell_witness::decode::{Candidate, Likeness, Ranked, bits, decode, plausible};
use tallywell_witness::units::figure;

use super::watched::{Watched, likeness_in_words};
use crate::line::once::RequestRead;

/// Decimal digits that a double surely has.
const DIGITS: usize = 12;
/// So many raw words fit on a line of text.
const WORDS_A_LINE: usize = 8;

/// What was asked.
pub(super) struct Subject {
    /// The device as declared, where a site file declares it.
    pub device: Option<Device>,
    /// Its address.
    pub address: u8,
    /// Its line.
    pub line: Line,
}

/// What was asked and what came.
pub(super) struct Shown {
    pub subject: Subject,
    pub reads: Vec<RequestRead>,
    /// Every plausible decoding instead of the declared ones.
    pub decode_everything: bool,
    /// Where registers were looked at for a while: what was seen of each of the reads.
    pub watched: Vec<Watched>,
}

impl Shown {
    /// The device in a few words, for a map of it.
    pub(super) fn about(&self) -> String {
        match &self.subject.device {
            Some(device) => format!("{}, as its registers looked", device.name),
            None => format!("Address {}, as its registers looked", self.subject.address),
        }
    }

    /// What was seen of a read, where it was looked at more than once.
    fn seen_of(&self, read: &RequestRead) -> Option<&Watched> {
        self.watched.iter().find(|it| {
            it.looks > 1 && it.read.table == read.table && it.read.address == read.address && it.read.words.is_some()
        })
    }

    pub(super) fn json(&self) -> Value {
        let requests: Vec<Value> = self.reads.iter().map(|read| self.request_json(read)).collect();
        let mut report = json!({
            "device": self.subject.device.as_ref().map(|device| device.name.as_str()),
            "address": self.subject.address,
            "port": port_name(&self.subject.line.port),
            "requests": requests,
        });
        if let Some(device) = self.subject.device.as_ref().filter(|_| !self.decode_everything) {
            let entries: Vec<Value> = in_order(device).map(|entry| self.entry_json(entry)).collect();
            report["entries"] = entries.into();
        }
        report
    }

    fn request_json(&self, read: &RequestRead) -> Value {
        let mut request = json!({
            "table": read.table,
            "address": read.address,
            "count": read.count,
            "words": read.words,
            "fault": read.fault,
            "reply_ms": read.reply_ms,
        });
        if let Some(words) = self.to_be_guessed(read) {
            let decodings: Vec<Value> = plausible(words)
                .iter()
                .map(|candidate| {
                    json!({
                        "address": usize::from(read.address) + candidate.word,
                        "type": candidate.value_type,
                        "word_order": candidate.word_order,
                        "byte_order": candidate.byte_order,
                        "value": shortest(candidate.value_type, candidate.value),
                    })
                })
                .collect();
            request["decodings"] = decodings.into();
        }
        if let Some(seen) = self.seen_of(read) {
            request["looks"] = seen.looks.into();
            request["seconds"] = seen.lasted.0.into();
            let told = |it: &Ranked| {
                json!({
                    "address": seen.address_of(it),
                    "number": seen.address_of(it) + 1,
                    "type": it.candidate.value_type,
                    "word_order": it.candidate.word_order,
                    "byte_order": it.candidate.byte_order,
                    "value": shortest(it.candidate.value_type, it.candidate.value),
                    "looks_like": likeness_word(it.likeness),
                    "score": it.score,
                    "rise_per_second": it.rise_per_second,
                })
            };
            request["likely"] = seen.layout.iter().map(told).collect();
            request["ranked"] = seen.ranked.iter().map(told).collect();
        }
        request
    }

    fn entry_json(&self, entry: &Entry) -> Value {
        let words = self.words_of(entry);
        let value = words.map(|words| decode(entry, words));
        json!({
            "entry": entry.name,
            "table": entry.table,
            "address": entry.address,
            "type": entry.value_type,
            "raw": words.map(hexadecimal),
            // JSON has no other way to say that a float is no number.
            "value": value.map(|value| if value.is_finite() { json!(rounded(entry, value)) } else { json!(float_word(value)) }),
            "unit": entry.unit.symbol,
            "set": words.map(|words| set_bits(entry, words)),
        })
    }

    pub(super) fn text(&self) -> String {
        let Subject { device, address, line } = &self.subject;
        let port = port_name(&line.port);
        let mut text = match device {
            Some(device) => format!("{}, address {address} on {port}{}\n", device.name, characters(line)),
            None => format!("Address {address} on {port}{}\n", characters(line)),
        };
        for read in &self.reads {
            self.add_request(&mut text, read);
        }
        if let Some(device) = device.as_ref().filter(|_| !self.decode_everything) {
            self.add_entries(&mut text, device);
        }
        if self.reads.iter().all(|read| read.words.is_none()) {
            text.push_str("Nothing was read. Is it powered? Are the address, the rate and the parity right?\n");
            text.push_str("Are the two wires of the pair the right way round?\n");
        }
        text
    }

    fn add_request(&self, text: &mut String, read: &RequestRead) {
        let what = match read.count {
            1 => format!("{} {}", table_name(read.table), read.address),
            count => {
                format!(
                    "{} {} to {}",
                    table_name(read.table),
                    read.address,
                    u32::from(read.address) + u32::from(count) - 1
                )
            }
        };
        let Some(words) = &read.words else {
            text.push_str(&format!("  {what}: {}\n", read.fault.as_deref().unwrap_or("no reply")));
            return;
        };
        let after = read.reply_ms.map(|time| format!(", reply after {time:.1} ms")).unwrap_or_default();
        text.push_str(&format!("  {what}{after}\n"));
        let width = if read.table.is_bits() { 1 } else { 4 };
        for (index, some) in words.chunks(WORDS_A_LINE).enumerate() {
            let address = usize::from(read.address) + index * WORDS_A_LINE;
            let some: Vec<String> = some.iter().map(|word| format!("{word:0width$X}")).collect();
            text.push_str(&format!("    {address:>5}  {}\n", some.join(" ")));
        }
        match (self.seen_of(read), self.to_be_guessed(read)) {
            (Some(seen), _) => add_seen(text, seen),
            (None, Some(words)) => add_candidates(text, read.address, words),
            (None, None) => {}
        }
    }

    fn add_entries(&self, text: &mut String, device: &Device) {
        text.push('\n');
        let width = device.map.entries.keys().map(|name| name.chars().count()).max().unwrap_or(0);
        for entry in in_order(device) {
            let Some(words) = self.words_of(entry) else {
                text.push_str(&format!("{:<width$}  not read\n", entry.name));
                continue;
            };
            let value = decode(entry, words);
            let value =
                if value.is_finite() { rounded(entry, value).to_string() } else { float_word(value).to_owned() };
            let mut line = format!("{:<width$}  {value} {}", entry.name, entry.unit.symbol);
            let set = set_bits(entry, words);
            if !set.is_empty() {
                line.push_str(&format!("  {}", set.join(", ")));
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }

    /// The registers of a request whose meaning is to be guessed.
    fn to_be_guessed<'a>(&self, read: &'a RequestRead) -> Option<&'a [u16]> {
        let unknown = self.decode_everything || self.subject.device.is_none();
        read.words.as_deref().filter(|_| unknown && !read.table.is_bits())
    }

    /// The words of an entry, if they were read.
    fn words_of(&self, entry: &Entry) -> Option<&[u16]> {
        self.reads.iter().find_map(|read| {
            let first = usize::from(entry.address.checked_sub(read.address)?);
            let words = read.words.as_deref().filter(|_| read.table == entry.table)?;
            words.get(first..first + usize::from(entry.value_type.width()))
        })
    }
}

/// Entries as they lie in the device.
fn in_order(device: &Device) -> impl Iterator<Item = &Entry> {
    let mut entries: Vec<&Entry> = device.map.entries.values().collect();
    entries.sort_by_key(|entry| (entry.table, entry.address));
    entries.into_iter()
}

/// So many lesser guesses are shown; JSON has all.
const MOST_RANKED: usize = 12;

/// What registers looked like over some seconds: first what fits together, then what else could be.
fn add_seen(text: &mut String, seen: &Watched) {
    text.push_str(&format!("    Looked at {} times in {:.1} s. What fits together best:\n", seen.looks, seen.lasted.0));
    if seen.layout.is_empty() {
        text.push_str("      nothing looks like a flow, a total or a setting\n");
    }
    for it in &seen.layout {
        add_guess(text, seen, it);
    }
    let others = || seen.ranked.iter().filter(|it| !seen.layout.contains(it));
    if others().next().is_some() {
        text.push_str("    What else it could be, the likeliest first:\n");
        for it in others().take(MOST_RANKED) {
            add_guess(text, seen, it);
        }
    }
    for hint in hints(seen) {
        add_wrapped(text, &hint);
    }
}

fn add_guess(text: &mut String, seen: &Watched, it: &Ranked) {
    let Candidate { value_type, value, .. } = it.candidate;
    let name = format!("{value_type:?}").to_lowercase();
    let rise = figure(it.rise_per_second, 3);
    text.push_str(&format!(
        "    {:>5}  {name}  {:<10}  {:>13}  {}, {:.0} %\n",
        seen.address_of(it),
        order_in_short(&it.candidate),
        shortest(value_type, value),
        likeness_in_words(it, &rise),
        100.0 * it.score
    ));
}

const fn order_in_short(candidate: &Candidate) -> &'static str {
    match (candidate.value_type.width(), candidate.word_order, candidate.byte_order) {
        (1, _, ByteOrder::Big) => "",
        (1, _, ByteOrder::Little) => "little",
        (_, WordOrder::HighFirst, ByteOrder::Big) => "high-first",
        (_, WordOrder::LowFirst, ByteOrder::Big) => "low-first",
        (_, WordOrder::HighFirst, ByteOrder::Little) => "high-first little",
        (_, WordOrder::LowFirst, ByteOrder::Little) => "low-first little",
    }
}

/// What is easily mistaken about what was found.
fn hints(seen: &Watched) -> Vec<String> {
    let mut hints = Vec::new();
    if let Some(wide) = seen.layout.iter().find(|it| it.candidate.value_type.width() > 1) {
        let order = match wide.candidate.word_order {
            WordOrder::HighFirst => "the register with the higher half comes first (word_order = \"high-first\")",
            WordOrder::LowFirst => {
                "the register with the lower half comes first (word_order = \"low-first\"); taken the other way round the \
                 same registers jump by thousands"
            }
        };
        hints.push(format!("Order: {order}."));
    }
    if let Some(first) = seen.layout.first() {
        let address = seen.address_of(first);
        let table = if seen.read.table == Table::Input { 3 } else { 4 };
        hints.push(format!(
            "Numbering: address {address} here is number {} where a manual counts from 1, and {table}{:04} with its \
             table before it. In a map write `address`, `number` or `reference` accordingly.",
            address + 1,
            address + 1
        ));
    }
    if seen.begins_late() {
        hints.push(format!(
            "Off by one? Register {} belongs to no value, and the next one begins one. If it was taken from a manual that \
             counts from 1, its address is {}.",
            seen.read.address,
            seen.read.address - 1
        ));
    }
    hints
}

fn add_wrapped(text: &mut String, words: &str) {
    const COLUMNS: usize = 80;
    let mut line = String::from("   ");
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > COLUMNS {
            text.push_str(&line);
            text.push('\n');
            line = String::from("   ");
        }
        line.push(' ');
        line.push_str(word);
    }
    text.push_str(&line);
    text.push('\n');
}

const fn likeness_word(likeness: Likeness) -> &'static str {
    match likeness {
        Likeness::Flow => "flow",
        Likeness::Total => "total",
        Likeness::Setting => "setting",
    }
}

fn add_candidates(text: &mut String, first: u16, words: &[u16]) {
    text.push_str("    What that could be, by first register:\n");
    for candidate in plausible(words) {
        let address = usize::from(first) + candidate.word;
        let Candidate { value_type, value, .. } = candidate;
        let name = format!("{value_type:?}").to_lowercase();
        text.push_str(&format!(
            "    {address:>5}  {name}  {:<30}  {}\n",
            order_in_words(&candidate),
            shortest(value_type, value)
        ));
    }
}

fn order_in_words(candidate: &Candidate) -> &'static str {
    let many = candidate.value_type.width() > 1;
    match (many, candidate.word_order, candidate.byte_order) {
        (false, _, ByteOrder::Big) => "",
        (false, _, ByteOrder::Little) => "bytes little",
        (true, WordOrder::HighFirst, ByteOrder::Big) => "words high-first",
        (true, WordOrder::LowFirst, ByteOrder::Big) => "words low-first",
        (true, WordOrder::HighFirst, ByteOrder::Little) => "words high-first, bytes little",
        (true, WordOrder::LowFirst, ByteOrder::Little) => "words low-first, bytes little",
    }
}

/// The names of the bits that are set.
fn set_bits<'entry>(entry: &'entry Entry, words: &[u16]) -> Vec<&'entry str> {
    let pattern = bits(entry, words).unwrap_or(0);
    let named = entry.bits.iter().filter(|(bit, _)| pattern >> **bit & 1 == 1);
    named.map(|(_, name)| name.as_str()).collect()
}

/// A value without the digits that only a conversion made.
fn rounded(entry: &Entry, value: f64) -> f64 {
    if entry.value_type == ValueType::F32 && entry.scale == 1.0 && entry.offset == 0.0 {
        return shortest(ValueType::F32, value);
    }
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

/// The double with the fewest digits that is the same value of this type.
fn shortest(value_type: ValueType, value: f64) -> f64 {
    if value_type == ValueType::F32 { (value as f32).to_string().parse().unwrap_or(value) } else { value }
}

/// As the export writes a float that is no number.
const fn float_word(value: f64) -> &'static str {
    if value.is_nan() {
        "nan"
    } else if value > 0.0 {
        "inf"
    } else {
        "-inf"
    }
}

fn hexadecimal(words: &[u16]) -> Vec<String> {
    words.iter().map(|word| format!("{word:04X}")).collect()
}

pub(super) const fn table_name(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Input => "input",
        Table::Holding => "holding",
    }
}

fn port_name(port: &Port) -> String {
    match port {
        Port::Serial(path) => path.display().to_string(),
        Port::Tcp(address) => format!("tcp://{address}"),
        Port::RtuOverTcp(address) => format!("rtu+tcp://{address}"),
    }
}

/// How characters are sent, where that matters here.
fn characters(line: &Line) -> String {
    let Port::Serial(_) = line.port else { return String::new() };
    let parity = match line.framing.parity {
        Parity::Even => 'E',
        Parity::Odd => 'O',
        Parity::None => 'N',
    };
    format!(" ({} baud, 8{parity}{})", line.framing.baud, line.framing.stop_bits)
}

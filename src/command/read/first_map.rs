//! A first register map of what registers looked like, or of what somebody chose among it.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Context;
use tallywell_witness::declared::{ByteOrder, Table, ValueType, WordOrder};
use tallywell_witness::decode::{Candidate, Likeness};
use tallywell_witness::units::parse;

use super::watched::Watched;
use crate::command::schema;

/// An entry that was asked for: `NAME ADDRESS [TYPE] [ORDER] [UNIT]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Keep {
    name: String,
    address: u16,
    value_type: Option<ValueType>,
    word_order: Option<WordOrder>,
    byte_order: Option<ByteOrder>,
    unit: String,
}

/// Reads an entry that was asked for.
///
/// # Errors
/// What is wrong with it, and how it is written.
pub fn keep(text: &str) -> anyhow::Result<Keep> {
    const FORM: &str = "write it as \"flow_rate 0 f32 low-first L/s\": a name, an address, and what else is known";
    let mut words = text.split_whitespace();
    let name = words.next().context(FORM)?.to_owned();
    let is_bare = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '_' | '-');
    anyhow::ensure!(name.chars().all(is_bare), "{name:?} is no name of an entry: letters, digits, _ and - only");
    let address = words.next().and_then(|word| word.parse().ok()).context(FORM)?;
    let mut keep = Keep { name, address, value_type: None, word_order: None, byte_order: None, unit: String::new() };
    let mut unit = Vec::new();
    for word in words {
        match word {
            "high-first" => keep.word_order = Some(WordOrder::HighFirst),
            "low-first" => keep.word_order = Some(WordOrder::LowFirst),
            "big" => keep.byte_order = Some(ByteOrder::Big),
            "little" => keep.byte_order = Some(ByteOrder::Little),
            _ => match TYPES.iter().find(|(name, _)| *name == word) {
                Some((_, value_type)) => keep.value_type = Some(*value_type),
                None => unit.push(word),
            },
        }
    }
    keep.unit = unit.join(" ");
    if !keep.unit.is_empty() {
        parse::unit(&keep.unit).map_err(|error| anyhow::anyhow!("{error}; {}", error.instead()))?;
    }
    Ok(keep)
}

const TYPES: [(&str, ValueType); 8] = [
    ("u16", ValueType::U16),
    ("i16", ValueType::I16),
    ("u32", ValueType::U32),
    ("i32", ValueType::I32),
    ("u64", ValueType::U64),
    ("i64", ValueType::I64),
    ("f32", ValueType::F32),
    ("f64", ValueType::F64),
];

/// An entry of the map to be.
struct Entry {
    name: String,
    address: usize,
    shape: Candidate,
    unit: String,
    remark: String,
}

/// Writes a map, which must not be there yet; says what is left to do.
pub(super) fn write(path: &Path, about: &str, watched: &[Watched], chosen: &[Keep]) -> anyhow::Result<Vec<String>> {
    let entries = if chosen.is_empty() { all(watched) } else { some(watched, chosen)? };
    anyhow::ensure!(
        !entries.is_empty(),
        "nothing here looks like a flow, a total or a setting: look longer (--for 10s), or name entries with --keep"
    );
    let table = watched.first().map_or(Table::Holding, |it| it.read.table);
    let text = first_line(path) + &map(about, table, watched, &entries);
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .with_context(|| format!("cannot write the map {} (an existing one is left as it is)", path.display()))?;
    std::io::Write::write_all(&mut file, text.as_bytes())
        .with_context(|| format!("cannot write the map {}", path.display()))?;
    let mut notes = vec![format!("{} is written, with {} entries.", path.display(), entries.len())];
    if entries.iter().any(|entry| entry.unit.is_empty()) {
        notes.push("Units are in no register: write them in, from the device's manual or its display.".to_owned());
    }
    Ok(notes)
}

/// Where an editor finds the keys of a map, if the schema lies where a scan puts it.
fn first_line(path: &Path) -> String {
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let places = ["schema", "../schema"].map(|place| format!("{place}/{}", schema::MAP));
    let found = places.iter().find(|place| folder.join(place).exists());
    found.map_or_else(String::new, |place| format!("#:schema {place}\n"))
}

fn all(watched: &[Watched]) -> Vec<Entry> {
    let named = watched.iter().flat_map(|it| it.layout.iter().map(move |found| (it.address_of(found), found)));
    named
        .map(|(address, found)| {
            let kind = match found.likeness {
                Likeness::Flow => "flow",
                Likeness::Total => "total",
                Likeness::Setting => "setting",
            };
            let value = found.candidate.value;
            Entry {
                name: format!("{kind}_{address}"),
                address,
                shape: found.candidate,
                unit: String::new(),
                remark: format!("It looked like a {kind}, and last showed {value}."),
            }
        })
        .collect()
}

fn some(watched: &[Watched], chosen: &[Keep]) -> anyhow::Result<Vec<Entry>> {
    chosen.iter().map(|keep| one(watched, keep)).collect()
}

/// The likeliest decoding of what was chosen, with whatever was said of it.
fn one(watched: &[Watched], keep: &Keep) -> anyhow::Result<Entry> {
    let address = usize::from(keep.address);
    let read = watched
        .iter()
        .find(|it| it.read.words.is_some() && (usize::from(it.read.address)..).contains(&address))
        .with_context(|| format!("--keep {}: register {address} was not read", keep.name))?;
    let fits = |it: &Candidate| {
        keep.value_type.is_none_or(|wanted| wanted == it.value_type)
            && keep.word_order.is_none_or(|wanted| wanted == it.word_order || it.value_type.width() == 1)
            && keep.byte_order.is_none_or(|wanted| wanted == it.byte_order)
    };
    let at_address = |it: &&tallywell_witness::decode::Ranked| read.address_of(it) == address && fits(&it.candidate);
    let in_layout = read.layout.iter().find(at_address);
    let found = in_layout.or_else(|| read.ranked.iter().find(at_address));
    let shape = match (found, keep.value_type) {
        (Some(found), _) => found.candidate,
        (None, Some(value_type)) => Candidate {
            word: address - usize::from(read.read.address),
            value_type,
            word_order: keep.word_order.unwrap_or(WordOrder::HighFirst),
            byte_order: keep.byte_order.unwrap_or(ByteOrder::Big),
            value: f64::NAN,
        },
        (None, None) => anyhow::bail!(
            "--keep {}: nothing at {address} looks like a value; say its type, such as \"{} {address} f32\"",
            keep.name,
            keep.name
        ),
    };
    let end = shape.word + usize::from(shape.value_type.width());
    anyhow::ensure!(
        read.read.words.as_ref().is_some_and(|words| end <= words.len()),
        "--keep {}: its last register was not read",
        keep.name
    );
    Ok(Entry { name: keep.name.clone(), address, shape, unit: keep.unit.clone(), remark: String::new() })
}

fn map(about: &str, table: Table, watched: &[Watched], entries: &[Entry]) -> String {
    let mut text = format!("about = {}\n", toml::Value::String(about.to_owned()));
    let answered: Vec<&Watched> = watched.iter().filter(|it| it.read.words.is_some()).collect();
    let too_many = watched.iter().any(|it| it.read.exception == Some(0x03));
    if too_many && let Some(most) = answered.iter().map(|it| it.read.count).max() {
        let _ = writeln!(text, "max_registers = {most}           # more were refused");
    }
    // One request that was answered whole went over whatever lies between the entries.
    let [first, last] = [entries.iter().map(|it| it.address).min(), entries.iter().map(|it| it.address).max()];
    let in_one = answered.iter().any(|it| {
        let range = usize::from(it.read.address)..usize::from(it.read.address) + usize::from(it.read.count);
        [first, last].iter().flatten().all(|address| range.contains(address))
    });
    let gaps = if in_one { "readable\"         # one request over all of them was answered" } else { "forbidden\"" };
    let _ = writeln!(text, "gaps = \"{gaps}");
    for entry in entries {
        let shape = &entry.shape;
        let _ = writeln!(text, "\n[entry.{}]", entry.name);
        if !entry.remark.is_empty() {
            let _ = writeln!(text, "# {}", entry.remark);
        }
        let table = super::shown::table_name(table);
        let value_type = TYPES.iter().find(|(_, it)| *it == shape.value_type).map_or("u16", |(name, _)| name);
        let _ = writeln!(text, "table = \"{table}\"\naddress = {}\ntype = \"{value_type}\"", entry.address);
        if shape.value_type.width() > 1 {
            let order = if shape.word_order == WordOrder::HighFirst { "high-first" } else { "low-first" };
            let _ = writeln!(text, "word_order = \"{order}\"");
        }
        if shape.byte_order == ByteOrder::Little {
            text.push_str("byte_order = \"little\"\n");
        }
        let _ = writeln!(text, "unit = {}", toml::Value::String(entry.unit.clone()));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_named_in_any_order() {
        let kept = keep("flow_rate 12 low-first f32 m3/h").expect("it is written well");
        let expected = Keep {
            name: "flow_rate".to_owned(),
            address: 12,
            value_type: Some(ValueType::F32),
            word_order: Some(WordOrder::LowFirst),
            byte_order: None,
            unit: "m3/h".to_owned(),
        };
        assert_eq!(kept, expected);
        assert_eq!(keep("total 3").expect("it is written well").value_type, None);
        for wrong in ["", "flow", "flow zero", "fl.ow 0", "flow 0 flurlongs/h"] {
            assert!(keep(wrong).is_err(), "{wrong}");
        }
    }
}

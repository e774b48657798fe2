//! The register map: from what was written to the registers that are meant.

use std::collections::BTreeMap;
use std::ops::Range;

use tallywell_witness::declared::{ByteOrder, Entry, RegisterMap, Table, ValueType, WordOrder};
use tallywell_witness::units::parse::QuantityError;
use tallywell_witness::units::{Dimension, Unit, parse};
use toml::Spanned;

use super::keys;
use super::names::listed;
use super::problem::{File, Report};
use super::reference;
use super::written::{Fields, is_site_file, parse_toml};

/// Registers that one request may ask for (MODBUS Application Protocol V1.1b3 §6.3).
const MOST_REGISTERS: u16 = 125;

/// A map as far as it could be understood, and where its entries stand.
#[derive(Debug)]
pub(super) struct MapRead {
    /// The file.
    pub(super) file: File,
    /// What it means; entries with errors are left out.
    pub(super) map: RegisterMap,
    /// Every entry that is written, with the place of its name and of its unit.
    pub(super) places: BTreeMap<String, EntryPlace>,
}

/// Where an entry stands in its file.
#[derive(Clone, Debug)]
pub(super) struct EntryPlace {
    /// Its name.
    pub(super) name: Range<usize>,
    /// Its unit, where one is written.
    pub(super) unit: Option<Range<usize>>,
    /// Its type, where one is written.
    pub(super) value_type: Option<Range<usize>>,
}

/// Reads a map.
pub(super) fn read(mut file: File, report: &mut Report) -> MapRead {
    let text = file.text.clone();
    let document = parse_toml(&text, &mut file, report);
    if is_site_file(document.get_ref()) && !document.get_ref().contains_key("entry") {
        report
            .error(&file, 0..0, "this is a site file, not a register map")
            .write("a register map has a table `[entry.NAME]` for each register or group of registers");
        file.broken = true;
        let map =
            RegisterMap { about: None, max_registers: MOST_REGISTERS, gaps_readable: false, entries: BTreeMap::new() };
        return MapRead { file, map, places: BTreeMap::new() };
    }
    let fields = Fields::of_document(document.get_ref(), keys::MAP, &file, report);
    let max_registers =
        fields.whole("max_registers").and_then(|most| u16::try_from(*most.get_ref()).ok()).unwrap_or(MOST_REGISTERS);
    let mut map = RegisterMap {
        about: fields.text("about").map(|about| (*about.get_ref()).to_owned()),
        max_registers,
        gaps_readable: fields.choice("gaps").is_some_and(|gaps| *gaps.get_ref() == 1),
        entries: BTreeMap::new(),
    };
    let mut places = BTreeMap::new();
    for (name, entry) in fields.named("entry") {
        let mut reader = EntryReader { name: name.clone(), fields: entry, file: &file, report };
        let place = EntryPlace {
            name: name.span(),
            unit: entry.text("unit").map(|unit| unit.span()),
            value_type: entry.text("type").map(|value_type| value_type.span()),
        };
        places.insert((*name.get_ref()).to_owned(), place);
        if let Some(entry) = reader.read(max_registers) {
            map.entries.insert(entry.name.clone(), entry);
        }
    }
    overlaps(&map, &places, &file, report);
    MapRead { file, map, places }
}

struct EntryReader<'a, 'r> {
    name: Spanned<&'a str>,
    fields: Fields<'a>,
    file: &'r File,
    report: &'r mut Report,
}

impl EntryReader<'_, '_> {
    fn read(&mut self, max_registers: u16) -> Option<Entry> {
        let place = self.place();
        let table = self.table(place.as_ref().and_then(|place| place.table));
        let value_type = self.value_type(table);
        let unit = self.unit(value_type);
        let scale = self.scale();
        let bits = self.bits(value_type);
        let wraps_at = self.wraps_at(value_type);
        let (table, value_type, address) = (table?, value_type?, place?.address);
        self.fits_its_table(table, value_type, address, max_registers)?;
        Some(Entry {
            name: (*self.name.get_ref()).to_owned(),
            table,
            address,
            value_type,
            word_order: match self.fields.choice("word_order") {
                Some(order) if *order.get_ref() == 1 => WordOrder::LowFirst,
                _ => WordOrder::HighFirst,
            },
            byte_order: match self.fields.choice("byte_order") {
                Some(order) if *order.get_ref() == 1 => ByteOrder::Little,
                _ => ByteOrder::Big,
            },
            unit: unit?,
            scale: scale?,
            offset: self.fields.number("offset").map_or(0.0, Spanned::into_inner),
            wraps_at,
            bits,
        })
    }

    fn error(&mut self, span: Range<usize>, message: String) -> &mut super::problem::Problem {
        self.report.error(self.file, span, message)
    }

    /// Address, number or reference: one of them, or several that say the same.
    fn place(&mut self) -> Option<reference::Placed> {
        let name = *self.name.get_ref();
        let written: Vec<(&str, Range<usize>)> = ["address", "number", "reference"]
            .into_iter()
            .filter_map(|key| Some((key, self.fields.key_span(key)?)))
            .collect();
        if written.is_empty() && !self.file.broken {
            let span = self.name.span();
            self.error(span, format!("[entry.{name}] does not say where it lies"))
                .write("write `address = 0` (from 0), `number = 1` (from 1) or `reference = 40001`");
        }
        let placed: Option<Vec<_>> = written.iter().map(|(key, _)| self.placed_by(key)).collect();
        let placed = placed?;
        let first = *placed.first()?;
        if placed.iter().any(|other| other.address != first.address) {
            let mut said = written.iter().zip(&placed);
            let (_, span) = written.first()?;
            let file = self.file;
            let message = format!("what [entry.{name}] says of its place are different addresses");
            let problem = self.report.error(file, span.clone(), message);
            if let Some((_, placed)) = said.next() {
                problem.label(format!("address {}", placed.address));
            }
            for ((_, span), placed) in said {
                problem.see(file, span.clone(), format!("address {}", placed.address));
            }
            problem.write("keep the right one; `address` counts from 0, `number` and `reference` from 1");
            return None;
        }
        Some(reference::Placed { table: placed.iter().find_map(|placed| placed.table), address: first.address })
    }

    fn placed_by(&mut self, key: &str) -> Option<reference::Placed> {
        match key {
            "address" | "number" => {
                let written = self.fields.whole(key)?;
                self.caution_if_reference(key, &written);
                let address = u16::try_from(written.into_inner() - i64::from(key == "number")).ok()?;
                Some(reference::Placed { table: None, address })
            }
            _ => {
                let digits = self.fields.digits(key)?;
                reference::parse(digits.get_ref())
                    .inspect_err(|error| {
                        self.error(digits.span(), error.to_string()).write(error.instead());
                    })
                    .ok()
            }
        }
    }

    /// `address = 40001` in the holding table is possible, but more often a reference in the wrong key.
    fn caution_if_reference(&mut self, key: &str, written: &Spanned<i64>) {
        let digits = written.get_ref().to_string();
        let Ok(reference::Placed { table: Some(referred), address }) = reference::parse(&digits) else { return };
        if digits.len() < 5 || self.fields.choice("table").map(|table| TABLES[*table.get_ref()]) != Some(referred) {
            return;
        }
        self.report
            .caution(self.file, written.span(), format!("`{key} = {digits}` looks like a reference from a manual"))
            .write(format!("if it is one, write `reference = {digits}`, which is address {address}"));
    }

    fn table(&mut self, referred: Option<Table>) -> Option<Table> {
        let declared = self.fields.choice("table");
        match (declared, referred) {
            (Some(declared), Some(referred)) if TABLES[*declared.get_ref()] != referred => {
                let (word, other) = (table_word(TABLES[*declared.get_ref()]), table_word(referred));
                let file = self.file;
                let span = self.fields.key_span("reference").unwrap_or_else(|| declared.span());
                self.report
                    .error(
                        file,
                        declared.span(),
                        format!("`table` says {word}, but the reference is of the {other} table"),
                    )
                    .see(file, span, format!("a reference of the {other} table"))
                    .write("correct one of them, or leave `table` out");
                None
            }
            (Some(declared), _) => Some(TABLES[*declared.get_ref()]),
            (None, Some(referred)) => Some(referred),
            (None, None) => {
                if self.fields.key_span("table").is_none()
                    && self.fields.key_span("reference").is_none()
                    && !self.file.broken
                {
                    let (name, span) = (*self.name.get_ref(), self.name.span());
                    self.error(span, format!("[entry.{name}] does not say in which table it lies"))
                        .write("write `table = \"holding\"`, or `input`, `coil` or `discrete`");
                }
                None
            }
        }
    }

    fn value_type(&mut self, table: Option<Table>) -> Option<ValueType> {
        let Some(written) = self.fields.choice("type") else {
            if table.is_some_and(Table::is_bits) && self.fields.key_span("type").is_none() {
                return Some(ValueType::Bit);
            }
            if self.fields.key_span("type").is_none() && !self.file.broken {
                let (name, span) = (*self.name.get_ref(), self.name.span());
                self.error(span, format!("[entry.{name}] has no `type`: how its registers are to be understood"))
                    .write(format!("write `type = \"f32\"`, or {}", listed(keys::TYPES.iter().copied(), "or")));
            }
            return None;
        };
        let value_type = TYPES[*written.get_ref()];
        match table {
            Some(table) if table.is_bits() && value_type != ValueType::Bit => {
                self.error(written.span(), format!("the {} table holds single bits", table_word(table)))
                    .write("write `type = \"bit\"`, or `table = \"holding\"` or `\"input\"`");
                None
            }
            Some(table) if !table.is_bits() && value_type == ValueType::Bit => {
                self.error(written.span(), format!("the {} table holds registers, not bits", table_word(table)))
                    .write("write `type = \"u16\"` and name its bits: `bits = { 0 = \"empty pipe\" }`");
                None
            }
            _ => Some(value_type),
        }
    }

    fn unit(&mut self, value_type: Option<ValueType>) -> Option<Unit> {
        let Some(written) = self.fields.text("unit") else {
            let needs_none = value_type.is_none_or(|value_type| value_type == ValueType::Bit)
                || self.fields.key_span("bits").is_some();
            if self.fields.key_span("unit").is_none() && !needs_none && !self.file.broken {
                let (name, span) = (*self.name.get_ref(), self.name.span());
                self.report
                    .caution(self.file, span, format!("[entry.{name}] has no `unit`: it is taken as a bare number"))
                    .write("write `unit = \"L/s\"`, or `unit = \"\"` if it has none");
            }
            return Some(Unit::number());
        };
        match parse::unit(written.get_ref()) {
            Ok(unit) => {
                if parse::leaves_country_open(&unit.symbol) {
                    self.report
                        .caution(self.file, written.span(), "these are taken as US gallons".to_owned())
                        .write(format!("write `US {0}` or `imp {0}`", unit.symbol));
                }
                Some(unit)
            }
            // A meter may offer quantities that this program never converts: they are shown as they are.
            Err(error @ QuantityError::UnknownUnit { .. }) => {
                let problem = self.report.caution(self.file, written.span(), error.to_string());
                match &error {
                    QuantityError::UnknownUnit { nearest: Some(near), .. } => {
                        problem.label(format!("did you mean `{near}`?"));
                    }
                    _ => {
                        problem.label("shown as it is, never converted");
                    }
                }
                let symbol = (*written.get_ref()).to_owned();
                Some(Unit { symbol, dimension: Dimension::Other, to_base: 1.0 })
            }
            Err(error) => {
                self.error(written.span(), error.to_string()).write(error.instead());
                None
            }
        }
    }

    fn scale(&mut self) -> Option<f64> {
        if self.fields.key_span("scale").is_none() {
            return Some(1.0);
        }
        let scale = self.fields.number("scale")?;
        if *scale.get_ref() == 0.0 {
            self.error(scale.span(), "a scale of 0 makes every value the same".to_owned())
                .write("write what one count is worth, e.g. `scale = 0.001`");
            return None;
        }
        Some(scale.into_inner())
    }

    fn wraps_at(&mut self, value_type: Option<ValueType>) -> Option<u64> {
        let written = self.fields.whole("wraps_at")?;
        let value_type = value_type?;
        let counts = u32::from(value_type.width()) * 16;
        if value_type.is_float() || value_type == ValueType::Bit {
            let word = keys::TYPES[type_index(value_type)];
            self.error(written.span(), format!("`wraps_at` is a raw count, and {word} is no count"))
                .write("leave `wraps_at` out, or correct `type`");
            return None;
        }
        let wraps_at = u64::try_from(*written.get_ref()).ok()?;
        if counts < 64 && wraps_at > 1 << counts {
            let word = keys::TYPES[type_index(value_type)];
            let full = 1_u64 << counts;
            self.error(written.span(), format!("{word} goes back to 0 at {full}, before it reaches {wraps_at}"))
                .write("`wraps_at` is the raw count, before `scale`; leave it out if the type is used in full");
            return None;
        }
        Some(wraps_at)
    }

    fn bits(&mut self, value_type: Option<ValueType>) -> BTreeMap<u8, String> {
        let mut bits: BTreeMap<u8, String> = BTreeMap::new();
        let written = self.fields.bits("bits");
        let Some(value_type) = value_type.filter(|_| !written.is_empty()) else { return bits };
        if value_type.is_float() || value_type == ValueType::Bit {
            let word = keys::TYPES[type_index(value_type)];
            let span = self.fields.key_span("bits").unwrap_or_else(|| self.name.span());
            self.error(span, format!("{word} has no bits to name"))
                .write("write `type = \"u16\"`, or leave `bits` out");
            return bits;
        }
        let last = value_type.width() * 16 - 1;
        for (number, name) in written {
            let Some(bit) = number.get_ref().parse::<u8>().ok().filter(|bit| u16::from(*bit) <= last) else {
                self.error(number.span(), format!("there is no bit `{}`", number.get_ref()))
                    .write(format!("bits are numbered from 0, the least significant, to {last}"));
                continue;
            };
            let text = name.get_ref().trim();
            if text.is_empty() || text.contains(';') || text == "ok" {
                self.error(name.span(), format!("\"{text}\" cannot be the name of a bit"))
                    .write("a name is not empty, has no `;` and is not `ok`: lists of set bits are written with those");
            } else if bits.values().any(|other| other == text) {
                self.error(name.span(), format!("two bits have the name \"{text}\""));
            } else {
                bits.insert(bit, text.to_owned());
            }
        }
        bits
    }

    fn fits_its_table(&mut self, table: Table, value_type: ValueType, address: u16, max_registers: u16) -> Option<()> {
        let width = value_type.width();
        if u32::from(address) + u32::from(width) > 65_536 {
            let word = keys::TYPES[type_index(value_type)];
            let span = ["address", "number", "reference"]
                .into_iter()
                .find_map(|key| self.fields.key_span(key))
                .unwrap_or_else(|| self.name.span());
            self.error(span, format!("{word} takes {width} registers, but the table ends at address 65535"))
                .write(format!("its address is {} at most", 65_536 - u32::from(width)));
            return None;
        }
        if !table.is_bits() && width > max_registers {
            let word = keys::TYPES[type_index(value_type)];
            let span = self.fields.key_span("type").unwrap_or_else(|| self.name.span());
            self.error(
                span,
                format!("{word} takes {width} registers, but one request may only ask for {max_registers}"),
            )
            .write("a value read in two halves is torn: raise `max_registers`, or leave the entry out");
            return None;
        }
        Some(())
    }
}

/// Entries that share registers: sometimes meant (two views of one register), more often a slip of an address.
fn overlaps(map: &RegisterMap, places: &BTreeMap<String, EntryPlace>, file: &File, report: &mut Report) {
    let mut entries: Vec<&Entry> = map.entries.values().collect();
    entries.sort_by_key(|entry| (entry.table, entry.address));
    for (index, entry) in entries.iter().enumerate() {
        let end = u32::from(entry.address) + u32::from(entry.value_type.width());
        let next =
            entries[index + 1..].iter().find(|other| other.table == entry.table && u32::from(other.address) < end);
        let Some(other) = next else { continue };
        let (Some(here), Some(there)) = (places.get(&entry.name), places.get(&other.name)) else { continue };
        report
            .caution(file, there.name.clone(), format!("`{}` and `{}` share registers", entry.name, other.name))
            .label(format!("{} {}", table_word(other.table), address_range(other)))
            .see(file, here.name.clone(), format!("{} {}", table_word(entry.table), address_range(entry)))
            .write("if that is not meant, one of the addresses or types is wrong");
    }
}

/// The addresses of an entry, `2` or `2 to 3`.
fn address_range(entry: &Entry) -> String {
    match entry.value_type.width() {
        1 => entry.address.to_string(),
        width => format!("{} to {}", entry.address, u32::from(entry.address) + u32::from(width) - 1),
    }
}

/// The tables in the order of their words in the table of keys.
const TABLES: [Table; 4] = [Table::Coil, Table::Discrete, Table::Input, Table::Holding];

/// The types in the order of their words in [`keys::TYPES`].
const TYPES: [ValueType; 9] = [
    ValueType::Bit,
    ValueType::U16,
    ValueType::I16,
    ValueType::U32,
    ValueType::I32,
    ValueType::U64,
    ValueType::I64,
    ValueType::F32,
    ValueType::F64,
];

fn type_index(value_type: ValueType) -> usize {
    TYPES.iter().position(|other| *other == value_type).unwrap_or_default()
}

const fn table_word(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Input => "input",
        Table::Holding => "holding",
    }
}

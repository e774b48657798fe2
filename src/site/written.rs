//! What was written: the file's text as TOML with the place of every value, checked against the tables of keys.
//!
//! Checking says which keys are unknown or missing and which values are of a wrong kind; [`Fields`] then hands out only
//! values of the right kind, so that whoever gives them a meaning has nothing left to say about their shape.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeInteger, DeTable, DeValue};

use super::keys::{Holds, Key};
use super::names::{listed, nearest};
use super::problem::{File, Report};

/// Reads a file's text as TOML. What cannot be read is said; the rest is handed on, so that its errors are told as well.
pub(super) fn parse_toml<'t>(text: &'t str, file: &mut File, report: &mut Report) -> Spanned<DeTable<'t>> {
    if text.len() > LARGEST_FILE {
        file.broken = true;
        let message = format!("with {} kB this is no file that somebody wrote", text.len() / 1000);
        report.error(file, 0..0, message).write(format!("such a file has {} kB at most", LARGEST_FILE / 1000));
        return nothing();
    }
    let (document, errors) = DeTable::parse_recoverable(text);
    file.broken = !errors.is_empty();
    let more = errors.len().saturating_sub(MOST_SYNTAX_ERRORS);
    for error in errors.into_iter().take(MOST_SYNTAX_ERRORS) {
        let (what, instead) = toml_error(error.message());
        let problem = report.error(file, error.span().unwrap_or_default(), format!("this is not TOML: {what}"));
        problem.of_syntax();
        if let Some(instead) = instead {
            problem.write(instead);
        }
    }
    if more > 0 {
        report.error(file, text.len()..text.len(), format!("and {more} more places are not TOML")).of_syntax();
        return nothing();
    }
    document
}

/// A file with so many syntax errors is something else than TOML.
const MOST_SYNTAX_ERRORS: usize = 20;
/// Bytes: a full line of 247 devices and as many meters takes a tenth of it.
const LARGEST_FILE: usize = 1_000_000;

fn nothing<'t>() -> Spanned<DeTable<'t>> {
    Spanned::new(0..0, DeTable::new())
}

/// The slips that people make most, in words for people; the parser's own words for the rest.
fn toml_error(message: &str) -> (&str, Option<&'static str>) {
    let description = message.split_once(", expected").map_or(message, |(description, _)| description);
    let known = match description {
        "string values must be quoted" => ("a text without its quotes", "write it as in `site = \"Kestrel Creek\"`"),
        "duplicate key" => ("the same key twice in one table", "keep one of them"),
        "unclosed table" | "unclosed array table" => ("a `]` is missing", "write the table's name as in `[line.shed]`"),
        "unclosed array" => ("a `]` is missing", "write a list as in `[\"3.8 mA\", \"20.5 mA\"]`"),
        "unclosed inline table" => ("a `}` is missing", "write as in `{ 0 = \"empty pipe\" }`"),
        "unexpected leading zero" => ("a number with a leading zero", "leave the zero out, or put a text in quotes"),
        "invalid basic string" | "invalid literal string" => {
            ("a text that does not end", "close its quotes on the same line")
        }
        "recursion limit" => ("nested too deeply", "tables go four deep at most, as in `[meter.bore-1.loop]`"),
        "key with no value" => ("a key without a value", "write `KEY = VALUE`"),
        "missing value for key" => ("nothing behind the `=`", "write a value, or leave the key out"),
        "missing assignment between key-value pairs" => ("no `=` behind the key", "write `KEY = VALUE`"),
        "invalid unquoted key" => {
            ("a key with other characters than letters, digits, `-` and `_`", "put the key in quotes")
        }
        "unexpected key or value" => ("something behind the value", "write one `KEY = VALUE` a line"),
        _ => return (message, None),
    };
    (known.0, Some(known.1))
}

/// Whether a document has the parts of a register map and none of a site file.
pub(super) fn is_register_map(document: &DeTable<'_>) -> bool {
    document.contains_key("entry") && !is_site_file(document)
}

/// Whether a document has the parts of a site file.
pub(super) fn is_site_file(document: &DeTable<'_>) -> bool {
    ["site", "line", "device", "meter"].iter().any(|key| document.contains_key(*key))
}

/// A table whose shape has been checked.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fields<'a> {
    table: &'a DeTable<'a>,
    keys: &'static [Key],
}

impl<'a> Fields<'a> {
    /// Checks a whole document against its keys.
    pub(super) fn of_document(table: &'a DeTable<'a>, keys: &'static [Key], file: &File, report: &mut Report) -> Self {
        let mut checker = Checker { file, report };
        checker.table(table, keys, "", &(0..0));
        Self { table, keys }
    }

    fn value(&self, name: &str) -> Option<(&'static Key, &'a Spanned<DeValue<'a>>)> {
        debug_assert!(self.keys.iter().any(|key| key.name == name), "{name} is in no table of keys");
        let key = self.keys.iter().find(|key| key.name == name)?;
        let value = self.table.get(name)?;
        fits(&key.holds, value.get_ref()).then_some((key, value))
    }

    /// The place of a key that is there, whatever its value.
    pub(super) fn key_span(&self, name: &str) -> Option<Range<usize>> {
        self.table.get_key_value(name).map(|(key, _)| key.span())
    }

    /// A text.
    pub(super) fn text(&self, name: &str) -> Option<Spanned<&'a str>> {
        let (_, value) = self.value(name)?;
        value.get_ref().as_str().map(|text| Spanned::new(value.span(), text))
    }

    /// A list of texts, or one text as a list.
    pub(super) fn texts(&self, name: &str) -> Option<Spanned<Vec<Spanned<&'a str>>>> {
        let (_, value) = self.value(name)?;
        let texts = match value.get_ref() {
            DeValue::Array(items) => {
                items.iter().filter_map(|item| Some(Spanned::new(item.span(), item.get_ref().as_str()?))).collect()
            }
            other => vec![Spanned::new(value.span(), other.as_str()?)],
        };
        Some(Spanned::new(value.span(), texts))
    }

    /// A whole number within the range of its key.
    pub(super) fn whole(&self, name: &str) -> Option<Spanned<i64>> {
        let (_, value) = self.value(name)?;
        let number = value.get_ref().as_integer().and_then(whole)?;
        Some(Spanned::new(value.span(), number))
    }

    /// A whole number as its digits, or a text.
    pub(super) fn digits(&self, name: &str) -> Option<Spanned<String>> {
        let (_, value) = self.value(name)?;
        let digits = match value.get_ref() {
            DeValue::Integer(integer) => whole(integer)?.to_string(),
            other => other.as_str()?.trim().to_owned(),
        };
        Some(Spanned::new(value.span(), digits))
    }

    /// Any number.
    pub(super) fn number(&self, name: &str) -> Option<Spanned<f64>> {
        let (_, value) = self.value(name)?;
        number(value.get_ref()).map(|number| Spanned::new(value.span(), number))
    }

    /// `true` or `false`.
    pub(super) fn truth(&self, name: &str) -> Option<bool> {
        self.value(name)?.1.get_ref().as_bool()
    }

    /// The place of a word in its key's list.
    pub(super) fn choice(&self, name: &str) -> Option<Spanned<usize>> {
        let (key, value) = self.value(name)?;
        let Holds::Choice(words) = key.holds else { return None };
        let text = value.get_ref().as_str()?;
        words.iter().position(|word| *word == text).map(|index| Spanned::new(value.span(), index))
    }

    /// Names of bits, by their keys as written.
    pub(super) fn bits(&self, name: &str) -> Vec<(Spanned<&'a str>, Spanned<&'a str>)> {
        let Some(table) = self.value(name).and_then(|(_, value)| value.get_ref().as_table()) else { return Vec::new() };
        table
            .iter()
            .filter_map(|(bit, text)| {
                let text = Spanned::new(text.span(), text.get_ref().as_str()?);
                Some((Spanned::new(bit.span(), bit.get_ref().as_ref()), text))
            })
            .collect()
    }

    /// A table inside this one.
    pub(super) fn table(&self, name: &str) -> Option<Fields<'a>> {
        let (key, value) = self.value(name)?;
        let Holds::Table(keys) = key.holds else { return None };
        value.get_ref().as_table().map(|table| Fields { table, keys })
    }

    /// The tables with names of the user's choice, in the order in which they are written.
    pub(super) fn named(&self, name: &str) -> Vec<(Spanned<&'a str>, Fields<'a>)> {
        let Some((Key { holds: Holds::Named(keys), .. }, value)) = self.value(name) else { return Vec::new() };
        let Some(tables) = value.get_ref().as_table() else { return Vec::new() };
        let mut found: Vec<_> = tables
            .iter()
            .filter_map(|(name, value)| {
                let fields = Fields { table: value.get_ref().as_table()?, keys };
                Some((Spanned::new(name.span(), name.get_ref().as_ref()), fields))
            })
            .collect();
        found.sort_by_key(|(name, _)| name.span().start);
        found
    }
}

fn whole(integer: &DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

#[expect(clippy::cast_precision_loss, reason = "a scale of more than 2^53 is no scale")]
fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(integer) => whole(integer).map(|number| number as f64),
        DeValue::Float(float) => float.as_str().parse().ok().filter(|number: &f64| number.is_finite()),
        _ => None,
    }
}

/// Whether a value is of the kind that its key holds.
pub(super) fn fits(holds: &Holds, value: &DeValue<'_>) -> bool {
    let all_texts = || value.as_array().is_some_and(|items| items.iter().all(|item| item.get_ref().is_str()));
    match holds {
        Holds::Text | Holds::Quantity(_) | Holds::Size | Holds::TimeOrAuto | Holds::FlowTolerance => value.is_str(),
        Holds::CurrentPair => all_texts() && value.as_array().is_some_and(|items| items.len() == 2),
        Holds::Whole(least, most) => {
            value.as_integer().and_then(whole).is_some_and(|number| (*least..=*most).contains(&number))
        }
        Holds::Reference => value.as_integer().is_some_and(|integer| whole(integer).is_some()) || value.is_str(),
        Holds::Number => number(value).is_some(),
        Holds::Truth => value.is_bool(),
        Holds::Choice(words) => value.as_str().is_some_and(|text| words.contains(&text)),
        Holds::Texts => all_texts(),
        Holds::TextOrTexts => value.is_str() || all_texts(),
        Holds::Bits => value.as_table().is_some_and(|table| table.iter().all(|(_, name)| name.get_ref().is_str())),
        Holds::Table(_) | Holds::Named(_) => value.is_table(),
    }
}

struct Checker<'r> {
    file: &'r File,
    report: &'r mut Report,
}

impl Checker<'_> {
    /// Checks the keys of a table and all below it; `within` names the table, `at` is where its name stands.
    fn table(&mut self, table: &DeTable<'_>, keys: &'static [Key], within: &str, at: &Range<usize>) {
        for (written, value) in table {
            match keys.iter().find(|key| key.name == written.get_ref().as_ref()) {
                Some(key) => self.value(key, value, within, &written.span()),
                None => self.unknown(written, keys, within),
            }
        }
        if self.file.broken {
            return;
        }
        // A key that is only misspelt is told about once.
        let misspelt: Vec<_> = table
            .iter()
            .filter(|(written, _)| keys.iter().all(|key| key.name != written.get_ref().as_ref()))
            .filter_map(|(written, _)| nearest(written.get_ref(), keys.iter().map(|key| key.name)))
            .collect();
        for key in
            keys.iter().filter(|key| key.needed && !table.contains_key(key.name) && !misspelt.contains(&key.name))
        {
            self.missing(key, within, at);
        }
    }

    fn unknown(&mut self, written: &Spanned<impl AsRef<str>>, keys: &'static [Key], within: &str) {
        let name = written.get_ref().as_ref();
        let place = if within.is_empty() { String::new() } else { format!(" in [{within}]") };
        let problem = self.report.error(self.file, written.span(), format!("there is no key `{name}`{place}"));
        match nearest(name, keys.iter().map(|key| key.name)) {
            Some(near) => problem.label(format!("did you mean `{near}`?")),
            None => problem.write(format!("known here: {}", listed(keys.iter().map(|key| key.name), "and"))),
        };
    }

    fn missing(&mut self, key: &Key, within: &str, at: &Range<usize>) {
        let example = match key.holds {
            Holds::Table(_) => format!("[{}]", key.name),
            Holds::Named(_) => format!("[{}.NAME]", key.name),
            _ => format!("{} = {}", key.name, key.example),
        };
        let message = if within.is_empty() {
            format!("there is no `{}`: {}", key.name, key.about)
        } else {
            format!("[{within}] has no `{}`: {}", key.name, key.about)
        };
        self.report.error(self.file, at.clone(), message).write(format!("write `{example}`"));
    }

    fn value(&mut self, key: &'static Key, value: &Spanned<DeValue<'_>>, within: &str, at: &Range<usize>) {
        let inner = if within.is_empty() { key.name.to_owned() } else { format!("{within}.{}", key.name) };
        match (&key.holds, value.get_ref()) {
            (Holds::Table(keys), DeValue::Table(table)) => self.table(table, keys, &inner, at),
            (Holds::Named(keys), DeValue::Table(tables)) => self.named(tables, keys, &inner, at),
            (holds, value_written) if !fits(holds, value_written) => self.wrong_kind(key, value),
            _ => {}
        }
    }

    fn named(&mut self, tables: &DeTable<'_>, keys: &'static [Key], within: &str, at: &Range<usize>) {
        if tables.is_empty() && !self.file.broken {
            self.report.error(self.file, at.clone(), format!("[{within}] is empty"));
        }
        for (name, value) in tables {
            let written = name.get_ref().as_ref();
            if !is_name(written) {
                self.report
                    .error(self.file, name.span(), format!("`{written}` cannot be a name"))
                    .write("names are of letters, digits, `-` and `_`");
            }
            match value.get_ref() {
                DeValue::Table(table) => self.table(table, keys, &format!("{within}.{written}"), &name.span()),
                _ => {
                    self.report
                        .error(self.file, name.span(), format!("`{written}` stands where a table belongs"))
                        .write(format!("write `[{within}.NAME]` above it, or move it to the table that it belongs to"));
                }
            }
        }
    }

    fn wrong_kind(&mut self, key: &Key, value: &Spanned<DeValue<'_>>) {
        let written = value.get_ref();
        let source = self.file.text.get(value.span()).unwrap_or_default();
        let name = key.name;
        let (message, instead) = match (&key.holds, written) {
            (Holds::Quantity(_) | Holds::Size | Holds::TimeOrAuto, DeValue::Integer(_) | DeValue::Float(_)) => (
                format!("`{name}` needs a unit"),
                format!("write `{name} = \"{source} {}\"`, or whatever its unit is", unit_of_example(key)),
            ),
            (Holds::Whole(least, most), DeValue::Integer(_)) => {
                let range = if *most == i64::MAX { format!("{least} or more") } else { format!("{least} to {most}") };
                (
                    format!("`{name}` cannot be {source}: it is {range}"),
                    format!("write as in `{name} = {}`", key.example),
                )
            }
            (Holds::Whole(..) | Holds::Number | Holds::Truth, DeValue::String(text)) => {
                let bare = DeValue::parse(text).ok().filter(|bare| fits(&key.holds, bare.get_ref()));
                let instead = bare.map_or_else(|| key.example.to_owned(), |_| text.trim().to_owned());
                (format!("`{name}` is {}, not a text", kind_wanted(&key.holds)), format!("write `{name} = {instead}`"))
            }
            (Holds::Choice(words), DeValue::String(text)) => {
                let message = format!("`{name}` cannot be \"{text}\"");
                let list = listed(words.iter().copied(), "or");
                let instead = match nearest(text, words.iter().copied()) {
                    Some(near) => format!("did you mean \"{near}\"? It is one of {list}"),
                    None => format!("it is one of {list}"),
                };
                (message, instead)
            }
            (Holds::CurrentPair, DeValue::Array(_)) => (
                format!("`{name}` is a lower and an upper value, both as texts"),
                format!("write as in `{name} = {}`", key.example),
            ),
            (Holds::Table(_), _) => (
                format!("`{name}` is a table, not {}", kind_written(written)),
                format!("write `[{name}]` and its keys below it"),
            ),
            (Holds::Named(_), _) => (
                format!("`{name}` is a group of named tables, not {}", kind_written(written)),
                format!("write `[{name}.NAME]` and its keys below it"),
            ),
            (holds, _) => (
                format!("`{name}` is {}, not {}", kind_wanted(holds), kind_written(written)),
                format!("write as in `{name} = {}`", key.example),
            ),
        };
        self.report.error(self.file, value.span(), message).write(instead);
    }
}

/// The unit in a key's example: `ms` of `"60ms"`.
fn unit_of_example(key: &Key) -> &'static str {
    let unit =
        key.example.trim_matches('"').trim_start_matches(|next: char| next.is_ascii_digit() || next == '.').trim();
    if unit == "auto" { "ms" } else { unit }
}

/// Letters and digits of any script, `-` and `_`.
fn is_name(text: &str) -> bool {
    !text.is_empty() && text.chars().all(|character| character.is_alphanumeric() || "-_".contains(character))
}

fn kind_wanted(holds: &Holds) -> String {
    let kind = match holds {
        Holds::Quantity(dimension) => return format!("a text with {} and its unit", dimension.noun()),
        Holds::Text | Holds::Choice(_) => "a text",
        Holds::Size => "a text with a number of bytes",
        Holds::TimeOrAuto => "a text with a time, or \"auto\"",
        Holds::FlowTolerance => "a text with a share",
        Holds::CurrentPair => "a list of two texts",
        Holds::Whole(..) => "a whole number",
        Holds::Reference => "a whole number or its digits",
        Holds::Number => "a number",
        Holds::Truth => "true or false",
        Holds::Texts => "a list of texts",
        Holds::TextOrTexts => "a text or a list of texts",
        Holds::Bits => "a table of names by bit number",
        Holds::Table(_) | Holds::Named(_) => "a table",
    };
    kind.to_owned()
}

const fn kind_written(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

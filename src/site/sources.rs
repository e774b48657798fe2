//! References from a meter to where its values come from: `DEVICE.ENTRY`, or `file:PATH`.

use std::collections::BTreeMap;

use tallywell_witness::declared::{Entry, Source, ValueType};
use tallywell_witness::units::Dimension;
use toml::Spanned;

use super::devices::DeviceRead;
use super::map::MapRead;
use super::meaning::Meaning;
use super::mentioned::MentionKind;
use super::names::{Names, listed, nearest};

/// What a reference has to lead to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// A value of one of these dimensions.
    OneOf(&'static [Dimension]),
    /// A count of pulses.
    Count,
    /// A bit, or a whole number that is 0 or not.
    Bit,
    /// Named bits.
    NamedBits,
    /// Any value.
    Anything,
}

pub(super) const FLOW: Wanted = Wanted::OneOf(&[Dimension::Flow]);
pub(super) const VOLUME: Wanted = Wanted::OneOf(&[Dimension::Volume]);
pub(super) const CURRENT: Wanted = Wanted::OneOf(&[Dimension::Current]);

/// Where a reference leads.
#[derive(Clone, Debug)]
pub(super) struct Resolved<'d> {
    /// What the site means.
    pub(super) source: Source,
    /// The entry and its map; none for a file.
    pub(super) entry: Option<(&'d Entry, &'d MapRead)>,
}

/// The devices that references can lead to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sources<'d> {
    pub(super) devices: &'d BTreeMap<String, DeviceRead>,
    /// Their names.
    pub(super) names: &'d Names<'d>,
}

impl<'d> Sources<'d> {
    /// Follows a reference to an entry or, where the kernel offers such values, to a file.
    pub(super) fn entry_or_file(
        &self,
        written: Option<Spanned<&str>>,
        wanted: Wanted,
        meaning: &mut Meaning<'_>,
    ) -> Option<Resolved<'d>> {
        let text = written.as_ref().map(|written| Spanned::new(written.span(), written.get_ref().trim()));
        let Some(path) = text.and_then(|text| {
            let path = text.get_ref().strip_prefix("file:")?;
            Some(Spanned::new(text.span(), path))
        }) else {
            return self.entry(written, wanted, meaning);
        };
        if path.get_ref().trim().is_empty() {
            meaning
                .error(path.span(), "`file:` names no file".to_owned())
                .write("write the path right after the colon");
            return None;
        }
        let path = meaning.path(Some(path), MentionKind::File)?;
        Some(Resolved { source: Source::File(path), entry: None })
    }

    /// Follows a reference to an entry.
    pub(super) fn entry(
        &self,
        written: Option<Spanned<&str>>,
        wanted: Wanted,
        meaning: &mut Meaning<'_>,
    ) -> Option<Resolved<'d>> {
        let written = written?;
        let text = written.get_ref().trim();
        let Some((device_name, entry_name)) = text.split_once('.').filter(|_| !text.starts_with("file:")) else {
            let instead = match self.devices.get(text).and_then(|device| device.map.as_ref()) {
                Some(map) if !map.places.is_empty() => {
                    let names = listed(map.places.keys().map(String::as_str), "and");
                    format!("write `{text}.ENTRY`; the entries of its map are {names}")
                }
                _ => "write the device's name, a dot and the entry's name, e.g. \"bore-1.flow_rate\"".to_owned(),
            };
            meaning.error(written.span(), format!("`{text}` is not of the form DEVICE.ENTRY")).write(instead);
            return None;
        };
        let Some(device) = self.devices.get(device_name) else {
            self.unknown_device(device_name, &written, meaning);
            return None;
        };
        let map = device.map.as_deref()?;
        if !map.places.contains_key(entry_name) {
            unknown_entry(entry_name, map, &written, meaning);
            return None;
        }
        // An entry that is written but wrong has been told about in its map.
        let entry = map.map.entries.get(entry_name)?;
        is_wanted(text, entry, map, wanted, &written, meaning).then(|| Resolved {
            source: Source::Entry { device: device_name.to_owned(), entry: entry_name.to_owned() },
            entry: Some((entry, map)),
        })
    }

    /// The entry that a source was resolved to, and its map.
    pub(super) fn declared(&self, source: &Source) -> Option<(&'d Entry, &'d MapRead)> {
        let Source::Entry { device, entry } = source else { return None };
        let map = self.devices.get(device)?.map.as_deref()?;
        Some((map.map.entries.get(entry)?, map))
    }

    fn unknown_device(&self, name: &str, written: &Spanned<&str>, meaning: &mut Meaning<'_>) {
        if meaning.file.broken {
            return;
        }
        let problem = meaning.error(written.span(), format!("there is no device `{name}`"));
        match self.names.nearest(name) {
            Some(near) => problem.label(format!("did you mean `{near}`?")),
            None => problem.write(format!("the devices are {}", self.names.listed())),
        };
    }
}

fn unknown_entry(name: &str, map: &MapRead, written: &Spanned<&str>, meaning: &mut Meaning<'_>) {
    if map.file.broken {
        return;
    }
    let known = || map.places.keys().map(String::as_str);
    let message = format!("{} has no entry `{name}`", map.file.path.display());
    let problem = meaning.error(written.span(), message);
    match nearest(name, known()) {
        Some(near) => problem.label(format!("did you mean `{near}`?")),
        None => problem.write(format!("its entries are {}", listed(known(), "and"))),
    };
}

/// Whether an entry is what a reference has to lead to; says so where it is not.
fn is_wanted(
    text: &str,
    entry: &Entry,
    map: &MapRead,
    wanted: Wanted,
    written: &Spanned<&str>,
    meaning: &mut Meaning<'_>,
) -> bool {
    let is_integer = !entry.value_type.is_float();
    let is_bit = entry.value_type == ValueType::Bit;
    let dimension = entry.unit.dimension;
    let (right, what) = match wanted {
        Wanted::Anything => (true, "a value"),
        Wanted::OneOf(dimensions) => {
            (dimensions.contains(&dimension) && !is_bit, dimensions.first().map_or("a value", |first| first.noun()))
        }
        Wanted::Count => (dimension == Dimension::Number && !is_bit, "a count of pulses"),
        Wanted::Bit => (is_integer && dimension == Dimension::Number, "a bit"),
        Wanted::NamedBits => (!entry.bits.is_empty(), "an entry whose bits are named"),
    };
    if right {
        return true;
    }
    let place = map.places.get(&entry.name);
    let is = match (wanted, &entry.unit) {
        (Wanted::NamedBits, _) => "names no bits".to_owned(),
        (Wanted::Bit, _) if !is_integer => "is a float".to_owned(),
        _ if is_bit => "is a bit".to_owned(),
        (_, unit) if unit.symbol.is_empty() => "has no unit".to_owned(),
        (_, unit) if unit.dimension == Dimension::Other => format!("is in `{}`", unit.symbol),
        (_, unit) => format!("is in {}, which is {}", unit.symbol, dimension.noun()),
    };
    let problem = meaning.error(written.span(), format!("`{text}` {is}; {what} is wanted here"));
    if let Some(place) = place {
        let declared = match wanted {
            Wanted::NamedBits => place.name.clone(),
            Wanted::Bit if !is_integer => place.value_type.clone().unwrap_or_else(|| place.name.clone()),
            _ => place.unit.clone().unwrap_or_else(|| place.name.clone()),
        };
        problem.see(&map.file, declared, "declared here");
    }
    let fits = |other: &Entry| match wanted {
        Wanted::Anything => true,
        Wanted::OneOf(dimensions) => dimensions.contains(&other.unit.dimension) && other.value_type != ValueType::Bit,
        Wanted::Count => other.unit.dimension == Dimension::Number && other.value_type != ValueType::Bit,
        Wanted::Bit => !other.value_type.is_float() && other.unit.dimension == Dimension::Number,
        Wanted::NamedBits => !other.bits.is_empty(),
    };
    let others: Vec<&str> =
        map.map.entries.values().filter(|other| fits(other)).map(|other| other.name.as_str()).collect();
    match (wanted, others.as_slice()) {
        (_, [_, ..]) => {
            problem.write(format!("in its map, {} would fit", listed(others.iter().copied(), "or")));
        }
        (Wanted::OneOf([first, ..]), []) => {
            problem.write(format!(
                "if the map is wrong, write the unit there, e.g. `unit = \"{}\"`",
                first.example_unit()
            ));
        }
        _ => {}
    }
    false
}

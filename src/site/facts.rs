//! What the tallies and the causes need to know about one meter, gathered from all over the site.

use std::collections::BTreeMap;
use std::time::Duration;

use tallywell_witness::declared::{ByteOrder, Entry, Meter, Site, Source, Table, ValueType, WordOrder};
use tallywell_witness::reading::{MeterFacts, WitnessFacts};
use tallywell_witness::units::{Dimension, Unit};

use super::names::{listed, nearest};

/// How often a file of the kernel is read where no register of the meter says how often.
const DEFAULT_FILE_PERIOD: Duration = Duration::from_secs(1);

/// A meter that the site does not have.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no meter `{name}` in the site file; {instead}")]
pub struct UnknownMeter {
    name: String,
    instead: String,
}

/// What may have been meant by a name that is not in the site file: the nearest that it has, or else all.
pub fn instead_of<'n, I: Iterator<Item = &'n str>>(name: &str, known: impl Fn() -> I) -> String {
    match nearest(name, known()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("it has {}", listed(known(), "and")),
    }
}

/// Gathers what is declared about the meter `name`.
///
/// # Errors
/// When the site has no such meter; the error names those that it has.
pub fn meter_facts(site: &Site, name: &str) -> Result<MeterFacts, UnknownMeter> {
    let meter = site.meters.get(name).ok_or_else(|| {
        let known = || site.meters.keys().map(String::as_str);
        UnknownMeter { name: name.to_owned(), instead: instead_of(name, known) }
    })?;
    let witness =
        |source: Option<&Source>, of_file: &Entry| source.and_then(|source| facts(site, meter, source, of_file));
    let current = file_entry(
        "current",
        ValueType::F64,
        Unit { symbol: "mA".to_owned(), dimension: Dimension::Current, to_base: 1.0 },
    );
    let other = file_entry("value", ValueType::F64, Unit::number());
    let current_loop = meter.current_loop.as_ref();
    let pulse = meter.pulse.as_ref();
    let wraps_at = pulse.and_then(|pulse| pulse.wraps_at);
    let count = Entry { wraps_at, ..file_entry("count", ValueType::U64, Unit::number()) };
    Ok(MeterFacts {
        flow: witness(meter.flow.as_ref(), &other),
        total: witness(meter.total.as_ref(), &other),
        reverse_total: witness(meter.reverse_total.as_ref(), &other),
        loop_ma: witness(current_loop.map(|current_loop| &current_loop.current), &current),
        pulses: witness(pulse.map(|pulse| &pulse.count), &count),
        receiver_flow: witness(current_loop.and_then(|current_loop| current_loop.receiver_flow.as_ref()), &other),
        receiver_total: witness(pulse.and_then(|pulse| pulse.receiver_total.as_ref()), &other),
        status_names: status_names(site, meter),
        meter: meter.clone(),
    })
}

/// The names of a meter's status bits, entry after entry and bit after bit; a name that comes again is one alarm.
fn status_names(site: &Site, meter: &Meter) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    let entries = meter.status.iter().filter_map(|source| entry_of(site, source));
    for name in entries.flat_map(|(entry, _)| entry.bits.values()) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

fn facts(site: &Site, meter: &Meter, source: &Source, of_file: &Entry) -> Option<WitnessFacts> {
    match source {
        Source::Entry { .. } => {
            let (entry, every) = entry_of(site, source)?;
            Some(WitnessFacts { entry: entry.clone(), every })
        }
        Source::File(_) => Some(WitnessFacts { entry: of_file.clone(), every: file_period(site, meter) }),
    }
}

/// The entry that a source names, and how often its device is read.
fn entry_of<'s>(site: &'s Site, source: &Source) -> Option<(&'s Entry, Duration)> {
    let Source::Entry { device, entry } = source else { return None };
    let device = site.devices.get(device)?;
    Some((device.map.entries.get(entry)?, device.every))
}

/// A file is read as often as the meter's quickest register, so that its samples meet the others'.
fn file_period(site: &Site, meter: &Meter) -> Duration {
    let current = meter.current_loop.as_ref().map(|current_loop| &current_loop.current);
    let count = meter.pulse.as_ref().map(|pulse| &pulse.count);
    [meter.flow.as_ref(), meter.total.as_ref(), current, count]
        .into_iter()
        .flatten()
        .filter_map(|source| entry_of(site, source).map(|(_, every)| every))
        .min()
        .unwrap_or(DEFAULT_FILE_PERIOD)
}

/// A file that holds one number, as if it were a register.
fn file_entry(name: &str, value_type: ValueType, unit: Unit) -> Entry {
    Entry {
        name: name.to_owned(),
        table: Table::Input,
        address: 0,
        value_type,
        word_order: WordOrder::HighFirst,
        byte_order: ByteOrder::Big,
        unit,
        scale: 1.0,
        offset: 0.0,
        wraps_at: None,
        bits: BTreeMap::new(),
    }
}

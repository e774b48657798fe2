//! What somebody else's polling leaves unread of the register maps, and what would have to be polled for it.
//!
//! A value counts as read only where one request holds it whole: halves from two requests are of two instants.

use std::time::Duration;

use crate::declared::{Device, Entry, Site};
use crate::plan::{ASSUMED_DEVICE_LATENCY, PlanError, Request, WireTiming, cheapest_plan};

/// Entries of one device that nobody reads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unread {
    /// The device's name.
    pub device: String,
    /// Its address.
    pub address: u8,
    /// The entries, by name.
    pub entries: Vec<String>,
    /// The fewest requests that would read them.
    pub needed: Vec<Request>,
}

/// Whether one of these requests reads the whole of an entry.
pub fn is_read(entry: &Entry, requests: impl IntoIterator<Item = Request>) -> bool {
    let end = u32::from(entry.address) + u32::from(entry.value_type.width());
    requests
        .into_iter()
        .any(|request| request.table == entry.table && request.start <= entry.address && end <= request.end())
}

/// What these requests, each to an address, leave unread on a line; devices in the order of their addresses.
///
/// # Errors
/// No such line, or a map that cannot be planned.
pub fn unread(site: &Site, line: &str, requests: &[(u8, Request)]) -> Result<Vec<Unread>, PlanError> {
    let declared = site.lines.get(line).ok_or_else(|| PlanError::UnknownLine { name: line.to_owned() })?;
    let timing = WireTiming::new(declared.framing);
    let delay: Duration = timing.t3_5() + ASSUMED_DEVICE_LATENCY;
    let mut devices: Vec<&Device> = site.devices.values().filter(|device| device.line == line).collect();
    devices.sort_by_key(|device| device.address);
    let mut all = Vec::new();
    for device in devices {
        let asked = || requests.iter().filter(|(unit, _)| *unit == device.address).map(|(_, request)| *request);
        let entries = device.map.entries.iter().filter(|(_, entry)| !is_read(entry, asked()));
        let entries: Vec<String> = entries.map(|(name, _)| name.clone()).collect();
        if !entries.is_empty() {
            let plan = cheapest_plan(&device.map, &entries, timing, delay)?;
            let needed = plan.requests.iter().map(|planned| planned.request).collect();
            all.push(Unread { device: device.name.clone(), address: device.address, entries, needed });
        }
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::declared::{ByteOrder, Dimension, Table, Unit, ValueType, WordOrder};

    #[test]
    fn halves_of_two_requests_are_no_value() {
        let entry = Entry {
            name: "total".to_owned(),
            table: Table::Holding,
            address: 10,
            value_type: ValueType::U32,
            word_order: WordOrder::HighFirst,
            byte_order: ByteOrder::Big,
            unit: Unit { symbol: "L".to_owned(), dimension: Dimension::Number, to_base: 1.0 },
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            bits: BTreeMap::new(),
        };
        let request = |table, start, count| Request { table, start, count };
        let (low, high) = (request(Table::Holding, 0, 11), request(Table::Holding, 11, 9));
        assert!(!is_read(&entry, [low, high]));
        assert!(!is_read(&entry, [request(Table::Input, 0, 100)]));
        assert!(is_read(&entry, [low, request(Table::Holding, 10, 2)]));
    }
}

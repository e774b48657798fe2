//! What it takes to read all registers of a made-up device.

use std::collections::BTreeMap;
use std::time::Duration;

use tallywell_witness::declared::{ByteOrder, Dimension, Entry, RegisterMap, Table, Unit, ValueType, WordOrder};
use tallywell_witness::plan::{PlannedRequest, WireTiming, cheapest_plan};

/// The requests for so many holding registers, all of one type.
pub fn all_registers(
    registers: u16,
    value_type: ValueType,
    timing: WireTiming,
    latency: Duration,
) -> Vec<PlannedRequest> {
    let entry = |address: u16| Entry {
        name: format!("value_{address}"),
        table: Table::Holding,
        address,
        value_type,
        word_order: WordOrder::HighFirst,
        byte_order: ByteOrder::Big,
        unit: Unit { symbol: String::new(), dimension: Dimension::Number, to_base: 1.0 },
        scale: 1.0,
        offset: 0.0,
        wraps_at: None,
        bits: BTreeMap::new(),
    };
    let addresses = (0..registers).step_by(usize::from(value_type.width()));
    let entries = addresses.map(entry).map(|entry| (entry.name.clone(), entry)).collect();
    let map = RegisterMap { about: None, max_registers: 125, gaps_readable: false, entries };
    cheapest_plan(&map, map.entries.keys(), timing, latency).unwrap().requests
}

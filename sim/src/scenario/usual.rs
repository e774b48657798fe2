//! The devices that a shed usually has, at the addresses that a case's site file names.

use super::written::{Channels, Counts, Device, Entry, Written};
use crate::frame::Table;

/// The address of the first meter; the others follow.
const FIRST_METER: u8 = 11;
const CURRENTS: u8 = 40;
const COUNTERS: u8 = 41;
const CONTROLLER: u8 = 50;

/// A device for each meter, the two modules, and a controller where the first meter has one.
pub(super) fn add_devices(written: &mut Written) {
    let names: Vec<String> = written.meter.keys().cloned().collect();
    for (address, (name, meter)) in (FIRST_METER..CURRENTS).zip(&written.meter) {
        let is_net = meter.total_counts == Counts::Net;
        let total = meter.total_type.clone().unwrap_or_else(|| if is_net { "i32" } else { "u32" }.to_owned());
        let scale = meter.total_step_l;
        let mut layout = vec![
            Entry { unit: Some("L/s".to_owned()), ..entry("flow", Table::Holding, 0, "f32") },
            Entry { unit: Some("L".to_owned()), scale, ..entry("total", Table::Holding, 4, &total) },
            entry("status", Table::Input, 0, "u16"),
        ];
        if is_net {
            layout.push(Entry { scale, ..entry("reverse-total", Table::Holding, 8, &total) });
        }
        written.layout.insert(name.clone(), layout);
        written.device.insert(name.clone(), of_meter(address, name, name));
    }
    let channels = |format: &str, scale_ma| {
        Some(Channels { table: Table::Input, address: 0, r#type: format.to_owned(), scale_ma, meters: names.clone() })
    };
    let analogue = Device { address: CURRENTS, currents: channels("f32", Some(1.0)), ..Device::default() };
    written.device.insert("analogue".to_owned(), analogue);
    let counter = Device { address: COUNTERS, counts: channels("u32", None), ..Device::default() };
    written.device.insert("counter".to_owned(), counter);
    if let Some((first, _)) = written.meter.iter().next().filter(|(_, meter)| meter.controller) {
        let layout =
            vec![entry("receiver-flow", Table::Holding, 0, "f32"), entry("receiver-total", Table::Holding, 10, "f64")];
        written.layout.insert("controller".to_owned(), layout);
        written.device.insert("controller".to_owned(), of_meter(CONTROLLER, first, "controller"));
    }
}

fn of_meter(address: u8, meter: &str, layout: &str) -> Device {
    Device {
        address,
        meter: Some(meter.to_owned()),
        layout: Some(layout.to_owned()),
        fills: Some((0, 99)),
        ..Device::default()
    }
}

fn entry(shows: &str, table: Table, address: u16, format: &str) -> Entry {
    Entry {
        shows: shows.to_owned(),
        table,
        address,
        r#type: format.to_owned(),
        low_word_first: false,
        unit: None,
        scale: None,
        wraps_at: None,
    }
}

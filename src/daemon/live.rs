//! How things stand, as JSON: for `watch`, and for whoever asks at the socket.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use tallywell_witness::declared::Site;
use tallywell_witness::reading::{MeterFacts, Sample, WitnessFacts};
use tallywell_witness::station::{Standing, Stations};

use super::core::LineState;
use crate::record::format_instant;
use crate::store::Health;

/// The whole state.
pub(super) fn state(site: &Site, stations: &Stations, lines: &BTreeMap<String, LineState>, store: &Health) -> Value {
    json!({
        "site": site.name,
        "meters": stations.meters().map(meter).collect::<Vec<_>>(),
        "lines": lines.iter().map(|(name, state)| json!({
            "line": name,
            "port_lost": state.lost,
            "silent_devices": state.silent,
        })).collect::<Vec<_>>(),
        "store": {
            "readings_stored": store.readings_stored,
            "readings_dropped": store.readings_dropped,
            "waiting": store.waiting,
            "trouble": store.trouble.as_ref().map(|(trouble, _)| trouble),
        },
    })
}

fn meter(standing: Standing<'_>) -> Value {
    let MeterFacts { meter, flow, total, pulses, status_names, .. } = standing.facts;
    let latest = standing.latest;
    let shown = |sample: Option<Sample>, facts: &Option<WitnessFacts>| {
        let unit = facts.as_ref().map(|facts| facts.entry.unit.symbol.as_str());
        sample.map(|sample| json!({ "value": sample.value, "unit": unit }))
    };
    let status = latest.and_then(|reading| reading.status).map(|bits| {
        let set = status_names.iter().enumerate().filter(|(number, _)| bits.0 >> number & 1 == 1);
        set.map(|(_, name)| name).collect::<Vec<_>>()
    });
    let loop_ma = latest.and_then(|reading| reading.loop_ma);
    json!({
        "meter": meter.name,
        "time": latest.map(|reading| format_instant(reading.wall)),
        "flow": shown(latest.and_then(|reading| reading.flow), flow),
        "total": shown(latest.and_then(|reading| reading.total), total),
        "loop_ma": loop_ma.map(|sample| sample.value),
        "loop_flow_l_s": loop_ma.zip(meter.current_loop.as_ref()).map(|(sample, declared)| {
            declared.flow_of(tallywell_witness::units::Milliamperes(sample.value)).0
        }),
        "pulses": shown(latest.and_then(|reading| reading.pulses), pulses),
        "status": status,
        "tallies": standing.standing(),
    })
}

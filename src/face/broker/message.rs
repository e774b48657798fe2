//! Topics and what is said in them.

use serde_json::{Value, json};
use tallywell_witness::reading::{MeterFacts, Reading, Sample, WitnessFacts};
use tallywell_witness::units::WallMillis;

use crate::record::format_instant;
use crate::store::{Outgoing, Weight};

/// The topic of the daemon's state.
pub(super) fn state_topic(root: &str) -> String {
    format!("{root}/state")
}

fn meter_topic(root: &str, meter: &str, what: &str) -> String {
    format!("{root}/meters/{}/{what}", level(meter))
}

/// A name as one level of a topic: what has a meaning there is percent-encoded.
fn level(name: &str) -> String {
    let mut level = String::new();
    for character in name.chars() {
        if "/+#%".contains(character) || character.is_control() {
            level.extend(character.to_string().bytes().map(|byte| format!("%{byte:02X}")));
        } else {
            level.push(character);
        }
    }
    level
}

/// What the state says while the daemon runs, but for what changes.
pub(super) fn birth(site: &str, meters: &[MeterFacts], since: WallMillis) -> Value {
    let unit = |facts: &Option<WitnessFacts>| facts.as_ref().map(|facts| facts.entry.unit.symbol.clone());
    let meters: Vec<Value> = meters
        .iter()
        .map(|facts| {
            let MeterFacts { meter, flow, total, .. } = facts;
            json!({
                "meter": meter.name,
                "flow_unit": unit(flow),
                "total_unit": unit(total),
                "full_scale_l_s": meter.current_loop.as_ref().map(|it| it.full_scale.0),
                "litres_per_pulse": meter.pulse.as_ref().map(|it| it.volume.0),
            })
        })
        .collect();
    json!({
        "state": "running",
        "site": site,
        "program": concat!("tallywell ", env!("CARGO_PKG_VERSION")),
        "since": format_instant(since),
        "meters": meters,
    })
}

/// What the state says when the daemon has ended, or is lost.
pub(super) fn gone(site: &str, state: &str) -> String {
    json!({ "state": state, "site": site }).to_string()
}

/// A reading. A value that is no number is null.
pub(super) fn reading(root: &str, facts: &MeterFacts, reading: &Reading) -> Outgoing {
    let with_unit = |sample: Option<Sample>, facts: &Option<WitnessFacts>| {
        let unit = facts.as_ref().map(|facts| facts.entry.unit.symbol.as_str());
        sample.map(|sample| json!({ "value": sample.value, "unit": unit }))
    };
    let status = reading.status.map(|bits| {
        let set = facts.status_names.iter().enumerate().filter(|(number, _)| bits.0 >> number & 1 == 1);
        set.map(|(_, name)| name.as_str()).collect::<Vec<_>>()
    });
    let body = json!({
        "meter": facts.meter.name,
        "time": format_instant(reading.wall),
        "flow": with_unit(reading.flow, &facts.flow),
        "total": with_unit(reading.total, &facts.total),
        "loop_ma": reading.loop_ma.map(|sample| sample.value),
        "pulses": reading.pulses.map(|sample| sample.value),
        "status": status,
    });
    Outgoing {
        weight: Weight::Reading,
        topic: meter_topic(root, &facts.meter.name, "readings"),
        body: body.to_string(),
    }
}

/// What a notice program is told.
pub(super) fn notice(root: &str, what: &str, about: &Value) -> Outgoing {
    let (weight, kind) =
        if what.starts_with("event") { (Weight::Event, "events") } else { (Weight::Disagreement, "disagreements") };
    let meter = about["meter"].as_str().unwrap_or_default();
    Outgoing {
        weight,
        topic: meter_topic(root, meter, kind),
        body: json!({ "notice": what, "about": about }).to_string(),
    }
}

/// A message with its number in it.
pub(super) fn numbered(number: i64, body: &str) -> String {
    match body.strip_prefix('{') {
        Some(rest) => format!("{{\"number\":{number},{rest}"),
        None => body.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_level_of_a_topic() {
        assert_eq!(meter_topic("shed", "bore-1", "events"), "shed/meters/bore-1/events");
        assert_eq!(level("a/b +#%ü"), "a%2Fb %2B%23%25ü");
    }

    #[test]
    fn what_weighs_more_is_told_by_its_topic() {
        let about = json!({ "meter": "bore-1" });
        let of = |what| {
            let message = notice("shed", what, &about);
            (message.weight, message.topic)
        };
        assert_eq!(of("event-began"), (Weight::Event, "shed/meters/bore-1/events".to_owned()));
        assert_eq!(of("cause-named"), (Weight::Disagreement, "shed/meters/bore-1/disagreements".to_owned()));
        let body = numbered(7, &notice("shed", "event-ended", &about).body);
        assert_eq!(serde_json::from_str::<Value>(&body).unwrap()["number"], 7);
    }
}

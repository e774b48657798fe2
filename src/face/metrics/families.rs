//! Which metrics there are.

use tallywell_witness::tally::{DifferenceUnit, TallyStanding, Verdict};

use super::{Family, Kind};
use crate::face::state::{DeviceState, LineState, MeterState, State, tally_name};

const FLOW_UNIT: &str = "cubic_meters_per_second";
const VOLUME_UNIT: &str = "cubic_meters";
const VERDICTS: [&str; 3] = ["agree", "disagree", "undecided"];

const fn family(name: &'static str, kind: Kind, unit: Option<&'static str>, help: &'static str) -> Family {
    Family { name, kind, unit, help, samples: Vec::new() }
}

/// Every family, with its samples.
pub(super) fn all(state: &State) -> Vec<Family> {
    let mut families = program(state);
    families.extend(witnesses(&state.meters));
    families.extend(verdicts(&state.meters));
    families.extend(logged(&state.meters));
    families.extend(lines(&state.lines));
    families.extend(devices(&state.lines));
    families.extend(store(state));
    families
}

#[expect(clippy::cast_precision_loss, reason = "counts and milliseconds of civil time fit a double")]
fn program(state: &State) -> Vec<Family> {
    let mut build = family("tallywell_build", Kind::Info, None, "The program's version, and the site it watches.");
    let version = state.program.rsplit(' ').next().unwrap_or_default();
    build.put(&[("version", version), ("site", &state.site)], 1.0);
    let mut start =
        family("tallywell_start_time_seconds", Kind::Gauge, Some("seconds"), "When the daemon began, since 1970.");
    start.put(&[], state.running_since.0 as f64 / 1000.0);
    vec![build, start]
}

#[expect(clippy::cast_precision_loss, reason = "counts and milliseconds of civil time fit a double")]
fn witnesses(meters: &[MeterState]) -> Vec<Family> {
    let mut at = family(
        "tallywell_meter_last_reading_timestamp_seconds",
        Kind::Gauge,
        Some("seconds"),
        "When the meter was read last, since 1970.",
    );
    let mut readings = family("tallywell_meter_readings", Kind::Counter, None, "Readings since the daemon began.");
    let mut flow = family(
        "tallywell_meter_flow_cubic_meters_per_second",
        Kind::Gauge,
        Some(FLOW_UNIT),
        "The flow as the register and as the loop current tell it.",
    );
    let mut mean = family(
        "tallywell_meter_mean_flow_cubic_meters_per_second",
        Kind::Gauge,
        Some(FLOW_UNIT),
        "The mean flow of the last minute, by each witness.",
    );
    let mut current = family(
        "tallywell_meter_loop_current_amperes",
        Kind::Gauge,
        Some("amperes"),
        "The loop current as it is measured.",
    );
    let mut register = family(
        "tallywell_meter_register_cubic_meters",
        Kind::Gauge,
        Some(VOLUME_UNIT),
        "The total register; it may wrap, be reset, or go back where it is a net total.",
    );
    let mut pulses = family("tallywell_meter_pulses", Kind::Counter, None, "The pulse counter as read.");
    let mut maintenance =
        family("tallywell_meter_maintenance", Kind::Gauge, None, "1 while readings are kept and judged by nothing.");
    for it in meters {
        let name = it.meter.as_str();
        let meter = [("meter", name)];
        let put = |family: &mut Family, value: Option<f64>| {
            if let Some(value) = value {
                family.put(&meter, value);
            }
        };
        put(&mut at, it.time.map(|time| time.0 as f64 / 1000.0));
        readings.put(&meter, it.counted.readings as f64);
        for (witness, value) in [("flow", it.flow_l_s), ("loop", it.loop_flow_l_s)] {
            if let Some(value) = value {
                flow.put(&[("meter", name), ("witness", witness)], value / 1000.0);
            }
        }
        for of in &it.last_minute {
            mean.put(&[("meter", name), ("witness", &of.witness)], of.mean_l_s / 1000.0);
        }
        put(&mut current, it.loop_ma.map(|current| current / 1000.0));
        put(&mut register, it.total_l.map(|total| total / 1000.0));
        put(&mut pulses, it.pulses.as_ref().and_then(|pulses| pulses.value));
        maintenance.put(&meter, f64::from(u8::from(it.maintenance)));
    }
    vec![at, readings, flow, mean, current, register, pulses, maintenance]
}

const fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Agree => "agree",
        Verdict::Disagree => "disagree",
        Verdict::Undecided => "undecided",
    }
}

fn verdicts(meters: &[MeterState]) -> Vec<Family> {
    let mut meter = family("tallywell_meter_verdict", Kind::StateSet, None, "Whether a meter's witnesses agree.");
    let mut tally = family("tallywell_tally_verdict", Kind::StateSet, None, "Whether two witnesses agree.");
    let mut ratio = family(
        "tallywell_tally_ratio",
        Kind::Gauge,
        Some("ratio"),
        "The second witness over the first, over what was judged.",
    );
    let mut flow = family(
        "tallywell_tally_flow_difference_cubic_meters_per_second",
        Kind::Gauge,
        Some(FLOW_UNIT),
        "The second witness less the first: the mean difference of flows.",
    );
    let mut flow_pass = family(
        "tallywell_tally_flow_tolerance_cubic_meters_per_second",
        Kind::Gauge,
        Some(FLOW_UNIT),
        "The difference of flows that is let pass.",
    );
    let mut volume = family(
        "tallywell_tally_volume_difference_cubic_meters",
        Kind::Gauge,
        Some(VOLUME_UNIT),
        "The second witness less the first: the difference of volumes.",
    );
    let mut volume_pass = family(
        "tallywell_tally_volume_tolerance_cubic_meters",
        Kind::Gauge,
        Some(VOLUME_UNIT),
        "The difference of volumes that is let pass.",
    );
    for it in meters {
        meter.put_state(&[("meter", &it.meter)], &VERDICTS, word(it.verdict()));
        for standing in &it.tallies {
            let TallyStanding { between, verdict, unit, .. } = standing;
            let between = tally_name(*between);
            let labels = [("meter", it.meter.as_str()), ("between", between.as_str())];
            tally.put_state(&labels, &VERDICTS, word(*verdict));
            if let Some(value) = standing.ratio {
                ratio.put(&labels, value);
            }
            let (difference, pass) = match unit {
                DifferenceUnit::LitresPerSecond => (&mut flow, &mut flow_pass),
                DifferenceUnit::Litres => (&mut volume, &mut volume_pass),
            };
            if let Some(value) = standing.difference {
                difference.put(&labels, value / 1000.0);
            }
            if let Some(value) = standing.tolerance {
                pass.put(&labels, value / 1000.0);
            }
        }
    }
    vec![meter, tally, ratio, flow, flow_pass, volume, volume_pass]
}

#[expect(clippy::cast_precision_loss, reason = "counts fit a double")]
fn logged(meters: &[MeterState]) -> Vec<Family> {
    let mut opened =
        family("tallywell_disagreements", Kind::Counter, None, "Disagreements that opened since the daemon began.");
    let mut open = family("tallywell_disagreements_open", Kind::Gauge, None, "Disagreements that stand open.");
    let mut events = family("tallywell_events", Kind::Counter, None, "Events that began since the daemon began.");
    let mut lasting = family("tallywell_events_lasting", Kind::Gauge, None, "Events that last.");
    for it in meters {
        for standing in &it.tallies {
            let between = tally_name(standing.between);
            let labels = [("meter", it.meter.as_str()), ("between", between.as_str())];
            opened.put(&labels, it.counted.disagreements.get(&between).copied().unwrap_or(0) as f64);
            let words = standing.between.words();
            let stand = it.disagreements.iter().filter(|open| open.told["between"] == serde_json::json!(words)).count();
            open.put(&labels, stand as f64);
        }
        for (kind, count) in &it.counted.events {
            events.put(&[("meter", &it.meter), ("kind", kind)], *count as f64);
        }
        lasting.put(&[("meter", &it.meter)], it.events.len() as f64);
    }
    vec![opened, open, events, lasting]
}

#[expect(clippy::cast_precision_loss, reason = "counts fit a double")]
fn lines(lines: &[LineState]) -> Vec<Family> {
    let mut up = family("tallywell_line_up", Kind::Gauge, None, "1 while the line's port is open.");
    let mut requests = family("tallywell_line_requests", Kind::Counter, None, "Requests sent since the daemon began.");
    let mut foreign = family(
        "tallywell_line_foreign_requests",
        Kind::Counter,
        None,
        "Requests that somebody else sent on a line that is polled, since the daemon began.",
    );
    let mut busy = family(
        "tallywell_line_busy_seconds",
        Kind::Counter,
        Some("seconds"),
        "Time in which the line was in use since the daemon began.",
    );
    for it in lines {
        let labels = [("line", it.line.as_str())];
        up.put(&labels, f64::from(u8::from(it.port_lost.is_none())));
        requests.put(&labels, it.transactions as f64);
        foreign.put(&labels, it.foreign_requests as f64);
        busy.put(&labels, it.busy_s);
    }
    vec![up, requests, foreign, busy]
}

#[expect(clippy::cast_precision_loss, reason = "counts fit a double")]
fn devices(lines: &[LineState]) -> Vec<Family> {
    let mut up = family("tallywell_device_up", Kind::Gauge, None, "1 while the device answers.");
    let mut replies = family("tallywell_device_replies", Kind::Counter, None, "Sound replies since the daemon began.");
    let mut faults = family("tallywell_device_faults", Kind::Counter, None, "Bad replies since the daemon began.");
    let mut noise = family(
        "tallywell_device_noise_bytes",
        Kind::Counter,
        Some("bytes"),
        "Bytes outside any reply since the daemon began.",
    );
    let mut latency = family(
        "tallywell_device_reply_latency_seconds",
        Kind::Summary,
        Some("seconds"),
        "From the end of a request to the beginning of the reply, since the daemon began.",
    );
    for line in lines {
        for it in &line.devices {
            let DeviceState { device, reply_ms, .. } = it;
            let labels = [("line", line.line.as_str()), ("device", device.as_str())];
            up.put(&labels, f64::from(u8::from(!line.silent_devices.contains(device) && line.port_lost.is_none())));
            replies.put(&labels, it.replies as f64);
            noise.put(&labels, it.noise_bytes as f64);
            for (kind, count) in &it.faults {
                faults.put(&[labels[0], labels[1], ("kind", kind)], *count as f64);
            }
            for (quantile, value) in [("0.5", reply_ms.p50), ("0.9", reply_ms.p90), ("0.99", reply_ms.p99)] {
                if let Some(value) = value {
                    latency.put(&[labels[0], labels[1], ("quantile", quantile)], value / 1000.0);
                }
            }
            latency.put_with("_count", &labels, it.replies as f64);
        }
    }
    vec![up, replies, faults, noise, latency]
}

#[expect(clippy::cast_precision_loss, reason = "counts fit a double")]
fn store(state: &State) -> Vec<Family> {
    let store = &state.store;
    let one = |name, kind, help, value| {
        let mut one = family(name, kind, None, help);
        one.put(&[], value);
        one
    };
    vec![
        one(
            "tallywell_store_up",
            Kind::Gauge,
            "1 while the store can be written.",
            f64::from(u8::from(store.trouble.is_none())),
        ),
        one(
            "tallywell_store_readings",
            Kind::Counter,
            "Readings on the disk since the daemon began.",
            store.readings_stored as f64,
        ),
        one(
            "tallywell_store_readings_dropped",
            Kind::Counter,
            "Readings dropped, since the disk did not take them.",
            store.readings_dropped as f64,
        ),
        one("tallywell_store_waiting", Kind::Gauge, "Things that wait for the disk.", store.waiting as f64),
    ]
}

//! How things stand, gathered from the daemon's parts.

use std::collections::BTreeMap;

use tallywell_witness::declared::Site;
use tallywell_witness::reading::{MeterFacts, Sample, WitnessFacts};
use tallywell_witness::station::{Standing, Stations};
use tallywell_witness::units::Milliamperes;

use super::faces::Faces;
use super::known_line::KnownLine;
use super::listened::unread_on;
use crate::face::state::{DeviceState, LineState, MeterState, Quantiles, Shown, State, StoreState};
use crate::face::told;
use crate::line::statistics::{DeviceReport, LineTiming};
use crate::line::times::TimesReport;
use crate::record::Quantity;
use crate::store::Health;
use crate::wall;

/// The whole state.
pub(super) fn state(
    site: &Site,
    stations: &Stations,
    lines: &BTreeMap<String, KnownLine>,
    store: &Health,
    faces: &Faces,
) -> State {
    State {
        site: site.name.clone(),
        program: concat!("tallywell ", env!("CARGO_PKG_VERSION")).to_owned(),
        at: wall::now(),
        running_since: faces.began,
        meters: stations.meters().map(|standing| meter(standing, faces)).collect(),
        lines: lines.iter().map(|(name, known)| line(site, name, known, &faces.line(name))).collect(),
        store: StoreState {
            readings_stored: store.readings_stored,
            readings_dropped: store.readings_dropped,
            waiting: store.waiting,
            trouble: store.trouble.as_ref().map(|(trouble, _)| trouble.clone()),
            set_aside: store.set_aside.as_ref().map(|path| path.display().to_string()),
        },
    }
}

fn meter(standing: Standing<'_>, faces: &Faces) -> MeterState {
    let MeterFacts { meter, flow, total, pulses, status_names, .. } = standing.facts;
    let latest = standing.latest;
    let [flow_read, total_read, pulses_read] =
        [latest.and_then(|it| it.flow), latest.and_then(|it| it.total), latest.and_then(|it| it.pulses)];
    let status = latest.and_then(|reading| reading.status).map(|bits| {
        let set = status_names.iter().enumerate().filter(|(number, _)| bits.0 >> number & 1 == 1);
        set.map(|(_, name)| name.clone()).collect()
    });
    let loop_ma = finite(latest.and_then(|reading| reading.loop_ma));
    let face = faces.meter(&meter.name);
    MeterState {
        meter: meter.name.clone(),
        time: latest.map(|reading| reading.wall),
        every_s: Quantity::slowest_s(standing.facts),
        flow: shown(flow_read, flow),
        flow_l_s: in_base(flow_read, flow),
        total: shown(total_read, total),
        total_l: in_base(total_read, total),
        loop_ma,
        loop_flow_l_s: loop_ma.zip(meter.current_loop.as_ref()).and_then(|(current, declared)| {
            let (low, high) = declared.saturates;
            (low.0 <= current && current <= high.0).then(|| declared.flow_of(Milliamperes(current)).0)
        }),
        pulses: shown(pulses_read, pulses),
        pulse_volume_l: meter.pulse.as_ref().map(|pulse| pulse.volume.0),
        last_minute: face.map(|face| face.last_minute()).unwrap_or_default(),
        status,
        running: latest.and_then(|reading| reading.running),
        maintenance: standing.tallies.is_maintained(),
        tallies: standing.standing(),
        disagreements: face.map(|face| face.open()).unwrap_or_default(),
        events: face.map(|face| face.lasting()).unwrap_or_default(),
        counted: face.map(|face| face.counted.clone()).unwrap_or_default(),
    }
}

fn finite(sample: Option<Sample>) -> Option<f64> {
    sample.map(|sample| sample.value).filter(|value| value.is_finite())
}

fn shown(sample: Option<Sample>, facts: &Option<WitnessFacts>) -> Option<Shown> {
    let unit = facts.as_ref().map(|facts| facts.entry.unit.symbol.clone());
    sample.map(|sample| Shown { value: finite(Some(sample)), unit })
}

fn in_base(sample: Option<Sample>, facts: &Option<WitnessFacts>) -> Option<f64> {
    let (value, facts) = finite(sample).zip(facts.as_ref())?;
    Some(facts.entry.unit.value_in_base(value)).filter(|value| value.is_finite())
}

fn line(site: &Site, name: &str, known: &KnownLine, timing: &LineTiming) -> LineState {
    let report = timing.report(name, |device| site.devices.get(device).map(|device| device.address));
    LineState {
        line: name.to_owned(),
        port_lost: known.lost.clone(),
        silent_devices: known.silent.clone(),
        transactions: report.transactions,
        line_use: report.line_use,
        elapsed_s: timing.elapsed.as_secs_f64(),
        busy_s: timing.busy.as_secs_f64(),
        hint: report.hint,
        unread: unread_on(site, name, timing).map(|devices| devices.iter().map(told::unread_line).collect()),
        foreign_requests: report.foreign_requests,
        two_masters: report.two_masters,
        devices: report.devices.into_iter().map(device).collect(),
    }
}

fn device(report: DeviceReport) -> DeviceState {
    let quantiles = |times: TimesReport| Quantiles { p50: times.p50, p90: times.p90, p99: times.p99, max: times.max };
    DeviceState {
        device: report.device,
        address: report.address,
        replies: report.replies,
        noise_bytes: report.noise_bytes,
        reply_ms: quantiles(report.reply_ms),
        lateness_ms: quantiles(report.lateness_ms),
        faults: report.faults.into_iter().map(|(name, count)| (name.to_owned(), count)).collect(),
    }
}

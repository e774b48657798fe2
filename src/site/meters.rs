//! The meters of the site file: their witnesses, as their receivers take them.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use tallywell_witness::declared::{
    CurrentLoop, FlowTolerance, Limits, Meter, Pulse, PulseCounts, Setting, Source, Tolerance, TotalCounts,
};
use tallywell_witness::units::{Dimension, Litres, LitresPerSecond, Milliamperes, parse};
use toml::Spanned;

use super::devices::DeviceRead;
use super::meaning::Meaning;
use super::meter_cautions;
use super::names::Names;
use super::sources::{CURRENT, FLOW, Resolved, Sources, VOLUME, Wanted};
use super::written::Fields;

const DEFAULT_REFRESH: Duration = Duration::from_secs(1);
/// Of the 16 mA span: what a good analogue input is sold as.
const DEFAULT_ACCURACY: f64 = 0.001;
/// NE 43: the currents that still mean a flow, and those that signal a fault.
const NE_43_SATURATES: (Milliamperes, Milliamperes) = (Milliamperes(3.8), Milliamperes(20.5));
const NE_43_FAULT: (Milliamperes, Milliamperes) = (Milliamperes(3.6), Milliamperes(21.0));

/// Status bits of one meter: what a [`tallywell_witness::reading::StatusBits`] holds.
const MOST_STATUS_NAMES: usize = 64;

/// Reads the meters.
pub(super) fn meters(
    site: &Fields<'_>,
    devices: &BTreeMap<String, DeviceRead>,
    meaning: &mut Meaning<'_>,
) -> BTreeMap<String, Meter> {
    let names = Names::of(devices.keys().map(String::as_str));
    let sources = Sources { devices, names: &names };
    let mut meters = BTreeMap::new();
    let mut seen = meter_cautions::Seen::default();
    for (name, fields) in site.named("meter") {
        let mut reader = MeterReader { name, fields, sources, meaning };
        let meter = reader.read(&mut seen);
        meters.insert(meter.name.clone(), meter);
    }
    meters
}

struct MeterReader<'a, 'd, 'm, 'r> {
    name: Spanned<&'a str>,
    fields: Fields<'a>,
    sources: Sources<'d>,
    meaning: &'m mut Meaning<'r>,
}

impl<'d> MeterReader<'_, 'd, '_, '_> {
    fn read(&mut self, seen: &mut meter_cautions::Seen) -> Meter {
        let fields = self.fields;
        let flow = self.entry(&fields, "flow", FLOW);
        let total = self.entry(&fields, "total", VOLUME);
        let reverse_total = self.entry(&fields, "reverse_total", VOLUME);
        let running = self.entry(&fields, "running", Wanted::Bit);
        let current_loop = fields.table("loop").and_then(|fields| self.current_loop(&fields));
        let pulse = fields.table("pulse").and_then(|fields| self.pulse(&fields));
        let status = self.status(flow.as_ref().or(total.as_ref()));
        let meter = Meter {
            name: (*self.name.get_ref()).to_owned(),
            flow: flow.map(|flow| flow.source),
            total: total.as_ref().map(|total| total.source.clone()),
            total_counts: match fields.choice("total_counts").map(Spanned::into_inner) {
                Some(1) => TotalCounts::Reverse,
                Some(2) => TotalCounts::Net,
                _ => TotalCounts::Forward,
            },
            reverse_total: reverse_total.map(|total| total.source),
            refresh: self.meaning.quantity(fields.text("refresh"), parse::duration).unwrap_or(DEFAULT_REFRESH),
            running: running.map(|running| running.source),
            status,
            current_loop,
            pulse,
            settings: self.settings(),
            tolerance: self.tolerance(),
            limits: self.limits(),
        };
        meter_cautions::look_over(&meter, &self.name, &fields, self.sources, seen, self.meaning);
        meter
    }

    fn entry(&mut self, fields: &Fields<'_>, key: &str, wanted: Wanted) -> Option<Resolved<'d>> {
        self.sources.entry(fields.text(key), wanted, self.meaning)
    }

    fn source(&mut self, fields: &Fields<'_>, key: &str, wanted: Wanted) -> Option<Source> {
        self.entry(fields, key, wanted).map(|resolved| resolved.source)
    }

    /// The entries whose bits are the meter's alarms, as long as they are not too many to be told apart.
    fn status(&mut self, witness: Option<&Resolved<'d>>) -> Vec<Source> {
        let status = self.status_entries(witness);
        let names: BTreeSet<&String> = status
            .iter()
            .filter_map(|source| match source {
                Source::Entry { device, entry } => {
                    self.sources.devices.get(device)?.map.as_ref()?.map.entries.get(entry)
                }
                Source::File(_) => None,
            })
            .flat_map(|entry| entry.bits.values())
            .collect();
        if names.len() > MOST_STATUS_NAMES {
            let message = format!("`{}` has {} named status bits", self.name.get_ref(), names.len());
            self.meaning
                .error(self.name.span(), message)
                .write(format!("at most {MOST_STATUS_NAMES} are kept apart: choose entries with `status = [...]`"));
        }
        status
    }

    /// The entries that are declared, or all that name bits on its device.
    fn status_entries(&mut self, witness: Option<&Resolved<'d>>) -> Vec<Source> {
        if let Some(written) = self.fields.texts("status") {
            let entries = written.into_inner().into_iter();
            return entries
                .filter_map(|entry| self.sources.entry(Some(entry), Wanted::NamedBits, self.meaning))
                .map(|resolved| resolved.source)
                .collect();
        }
        let Some(Resolved { source: Source::Entry { device, .. }, entry: Some((_, map)) }) = witness else {
            return Vec::new();
        };
        let with_bits = map.map.entries.values().filter(|entry| !entry.bits.is_empty());
        with_bits.map(|entry| Source::Entry { device: device.clone(), entry: entry.name.clone() }).collect()
    }

    fn current_loop(&mut self, fields: &Fields<'_>) -> Option<CurrentLoop> {
        let current = self.sources.entry_or_file(fields.text("current"), CURRENT, self.meaning);
        let full_scale = self.meaning.quantity(fields.text("full_scale"), parse::flow);
        let at_4_ma = self.meaning.quantity(fields.text("at_4_ma"), parse::flow).unwrap_or_default();
        if let (Some(scale), Some(written)) = (full_scale, fields.text("full_scale"))
            && scale.0 <= at_4_ma.0
        {
            let against = if fields.key_span("at_4_ma").is_some() { "the flow at 4 mA" } else { "0 L/s at 4 mA" };
            self.meaning
                .error(written.span(), format!("the full scale is not above {against}"))
                .write("write the flow that the receiver takes 20 mA to mean");
        }
        let (saturates, fault) = self.current_limits(fields);
        Some(CurrentLoop {
            current: current?.source,
            full_scale: full_scale?,
            at_4_ma,
            damping: self.meaning.quantity(fields.text("damping"), parse::duration),
            accuracy: self.share_of(fields.text("accuracy"), "span").unwrap_or(DEFAULT_ACCURACY),
            saturates,
            fault,
            receiver_flow: self.source(fields, "receiver_flow", FLOW),
        })
    }

    /// The currents of saturation and of fault, one around the other.
    fn current_limits(&mut self, fields: &Fields<'_>) -> ((Milliamperes, Milliamperes), (Milliamperes, Milliamperes)) {
        let saturates = self.pair(fields, "saturates").unwrap_or(NE_43_SATURATES);
        let fault = self.pair(fields, "fault").unwrap_or(NE_43_FAULT);
        let key = if fields.key_span("fault").is_some() { "fault" } else { "saturates" };
        if let Some(written) = fields.texts(key)
            && (fault.0 > saturates.0 || fault.1 < saturates.1)
        {
            let (low, high) = (saturates.0.0, saturates.1.0);
            self.meaning
                .error(written.span(), format!("a fault is signalled outside {low} to {high} mA, where flows end"))
                .write(
                    "the outer pair is `fault`, the inner one `saturates`: NE 43 has 3.6 and 21.0 around 3.8 and 20.5",
                );
        }
        if let Some(written) = fields.texts("saturates")
            && (saturates.0.0 > 4.0 || saturates.1.0 < 20.0)
        {
            self.meaning
                .error(written.span(), "flows reach from 4 to 20 mA at least".to_owned())
                .write("write as in `saturates = [\"3.8 mA\", \"20.5 mA\"]`");
        }
        (saturates, fault)
    }

    fn pair(&mut self, fields: &Fields<'_>, key: &str) -> Option<(Milliamperes, Milliamperes)> {
        let written = fields.texts(key)?;
        let span = written.span();
        let currents: Vec<Option<Milliamperes>> = written
            .into_inner()
            .into_iter()
            .map(|current| self.meaning.quantity(Some(current), parse::current))
            .collect();
        let [Some(low), Some(high)] = currents.as_slice() else { return None };
        if low.0 >= high.0 {
            self.meaning.error(span, format!("`{key}` is a lower and an upper current, in that order")).write(format!(
                "write `{key} = [\"{} mA\", \"{} mA\"]`",
                high.0.min(low.0),
                high.0.max(low.0)
            ));
            return None;
        }
        Some((*low, *high))
    }

    fn pulse(&mut self, fields: &Fields<'_>) -> Option<Pulse> {
        let count = self.sources.entry_or_file(fields.text("count"), Wanted::Count, self.meaning);
        let volume = self.meaning.quantity(fields.text("volume"), parse::volume);
        if let (Some(volume), Some(written)) = (volume, fields.text("volume"))
            && volume <= Litres(0.0)
        {
            self.meaning
                .error(written.span(), "a pulse has to mean some volume".to_owned())
                .write("write what the receiver counts for one pulse, e.g. `volume = \"25 L\"`");
        }
        let on_time = self.meaning.positive(fields.text("on_time"));
        let off_time = match fields.text("off_time") {
            None => on_time,
            written => self.meaning.positive(written),
        };
        let receiver_total = self.source(fields, "receiver_total", VOLUME);
        let count = count?.source;
        let wraps_at = fields.whole("wraps_at").and_then(|written| {
            if matches!(count, Source::File(_)) {
                return u64::try_from(*written.get_ref()).ok();
            }
            self.meaning
                .error(
                    written.span(),
                    "`wraps_at` is here for a count from a file; a register's stands in its map".to_owned(),
                )
                .write("move it to the entry in the device's map, if the entry's type does not say it already");
            None
        });
        Some(Pulse {
            count,
            volume: volume?,
            on_time: on_time?,
            off_time: off_time?,
            counts: match fields.choice("counts").map(Spanned::into_inner) {
                Some(1) => PulseCounts::Reverse,
                Some(2) => PulseCounts::Both,
                _ => PulseCounts::Forward,
            },
            wraps_at,
            receiver_total,
        })
    }

    fn settings(&mut self) -> BTreeMap<Setting, Source> {
        let Some(fields) = self.fields.table("settings") else { return BTreeMap::new() };
        SETTINGS
            .iter()
            .filter_map(|(key, setting, wanted)| Some((*setting, self.source(&fields, key, *wanted)?)))
            .collect()
    }

    fn tolerance(&mut self) -> Tolerance {
        let default = Tolerance::default();
        let Some(fields) = self.fields.table("tolerance") else { return default };
        let volume = self.share_of(fields.text("volume"), "volume");
        if let (Some(0.0), Some(written)) = (volume, fields.text("volume")) {
            self.meaning
                .caution(written.span(), "a tolerance of 0 leaves the 3 pulses that are always let pass".to_owned());
        }
        Tolerance {
            flow: fields.text("flow").and_then(|written| self.flow_tolerance(&written)).unwrap_or(default.flow),
            volume: volume.unwrap_or(default.volume),
        }
    }

    /// A share of what is plain from its key, whether that is said or not: `0.1 %` or `0.1 % of span`.
    fn share_of(&mut self, written: Option<Spanned<&str>>, of: &str) -> Option<f64> {
        let written = written?;
        let share = written.get_ref().trim();
        let share = share.strip_suffix(of).and_then(|share| share.trim_end().strip_suffix(" of")).unwrap_or(share);
        self.meaning.quantity(Some(Spanned::new(written.span(), share)), parse::fraction)
    }

    /// `0.25 % of span` or `1 % of reading`.
    fn flow_tolerance(&mut self, written: &Spanned<&str>) -> Option<FlowTolerance> {
        let text = written.get_ref().trim();
        let Some((share, of)) = text.split_once(" of ") else {
            self.meaning
                .error(written.span(), format!("\"{text}\" does not say of what"))
                .write(format!("write \"{text} of span\" or \"{text} of reading\""));
            return None;
        };
        let share = self.meaning.quantity(Some(Spanned::new(written.span(), share)), parse::fraction)?;
        match of.trim() {
            "span" | "the span" => Some(FlowTolerance::OfSpan(share)),
            "reading" | "the reading" => Some(FlowTolerance::OfReading(share)),
            other => {
                self.meaning
                    .error(written.span(), format!("a flow's tolerance is not of `{other}`"))
                    .write("write as in \"0.25 % of span\" or \"1 % of reading\"");
                None
            }
        }
    }

    fn limits(&mut self) -> Limits {
        let Some(fields) = self.fields.table("limits") else { return Limits::default() };
        let high = self.meaning.quantity(fields.text("high"), parse::flow);
        let low = self.meaning.quantity(fields.text("low"), parse::flow);
        if let (Some(LitresPerSecond(above)), Some(LitresPerSecond(below)), Some(written)) =
            (high, low, fields.text("high"))
            && above <= below
        {
            self.meaning
                .error(written.span(), "`high` is not above `low`".to_owned())
                .write("no flow would be within the limits: exchange or correct them");
        }
        Limits { high, low, reverse: fields.truth("reverse").unwrap_or(false) }
    }
}

const SETTINGS: &[(&str, Setting, Wanted)] = &[
    ("full_scale", Setting::FullScale, FLOW),
    ("pulse_volume", Setting::PulseVolume, VOLUME),
    ("pulse_on_time", Setting::PulseOnTime, Wanted::OneOf(&[Dimension::Time])),
    ("bore", Setting::Bore, Wanted::OneOf(&[Dimension::Length])),
    ("sensor_factor", Setting::SensorFactor, Wanted::Anything),
    ("zero", Setting::Zero, Wanted::Anything),
    (
        "low_flow_cutoff",
        Setting::LowFlowCutoff,
        Wanted::OneOf(&[Dimension::Flow, Dimension::Velocity, Dimension::Fraction]),
    ),
    ("damping", Setting::Damping, Wanted::OneOf(&[Dimension::Time])),
];

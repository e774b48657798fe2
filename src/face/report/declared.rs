//! What was declared: the meter, its witnesses, what is let pass, the registers behind it, and the files that say so.

use maud::{Markup, html};
use tallywell_witness::declared::{
    ByteOrder, FlowTolerance, PulseCounts, Setting, Source, Table, TotalCounts, ValueType, WordOrder,
};
use tallywell_witness::reading::{MeterFacts, WitnessFacts};

use super::figures::{instant, number, percent, time};
use super::{Declaration, Report};

/// The rows of the declaration.
pub(super) fn declared(report: &Report<'_>) -> Markup {
    let rows = rows(report.facts);
    html! {
        table class="pairs" {
            tbody { @for (what, value) in &rows { tr { th scope="row" { (what) } td { (value) } } } }
        }
        h3 { "Registers" }
        (registers(report.facts))
        @if !report.settings.is_empty() {
            h3 { "The meter\u{2019}s own settings, as last read from it" }
            (settings(report.facts, &report.settings))
        }
        @if !report.declarations.is_empty() {
            h3 { "Files that say so" }
            (files(&report.declarations))
        }
    }
}

pub(super) fn rows(facts: &MeterFacts) -> Vec<(&'static str, String)> {
    let meter = &facts.meter;
    let mut rows = Vec::new();
    let counts = match meter.total_counts {
        TotalCounts::Forward => "forward flow",
        TotalCounts::Reverse => "reverse flow",
        TotalCounts::Net => "forward less reverse flow",
    };
    if let Some(flow) = &meter.flow {
        rows.push(("Flow register", format!("{}, renewed every {}", source(flow), time(meter.refresh))));
    }
    if let Some(total) = &meter.total {
        rows.push(("Total register", format!("{}, counts {counts}", source(total))));
    }
    if let Some(reverse) = &meter.reverse_total {
        rows.push(("Reverse total", source(reverse)));
    }
    if let Some(current) = &meter.current_loop {
        rows.push(("Loop current", source(&current.current)));
        let damping = current.damping.map(|it| format!(", damped by {}", time(it))).unwrap_or_default();
        rows.push((
            "Loop, as its receiver takes it",
            format!(
                "4 mA is {} L/s, 20 mA is {} L/s{damping}; measured to {} of span",
                number(current.at_4_ma.0),
                number(current.full_scale.0),
                percent(current.accuracy)
            ),
        ));
        rows.push((
            "Currents that mean no flow",
            format!(
                "saturated at {} and {} mA, fault at or below {} mA and at or above {} mA",
                number(current.saturates.0.0),
                number(current.saturates.1.0),
                number(current.fault.0.0),
                number(current.fault.1.0)
            ),
        ));
        if let Some(receiver) = &current.receiver_flow {
            rows.push(("Receiver\u{2019}s own flow", source(receiver)));
        }
    }
    if let Some(pulse) = &meter.pulse {
        let which = match pulse.counts {
            PulseCounts::Forward => "forward flow",
            PulseCounts::Reverse => "reverse flow",
            PulseCounts::Both => "flow in either direction",
        };
        rows.push(("Pulses", source(&pulse.count)));
        rows.push((
            "Pulses, as their receiver takes them",
            format!(
                "{} L each, made by {which}, {} on and at least {} off",
                number(pulse.volume.0),
                time(pulse.on_time),
                time(pulse.off_time)
            ),
        ));
        if let Some(receiver) = &pulse.receiver_total {
            rows.push(("Receiver\u{2019}s own total", source(receiver)));
        }
    }
    let flow = match meter.tolerance.flow {
        FlowTolerance::OfSpan(share) => format!("{} of the loop\u{2019}s span", percent(share)),
        FlowTolerance::OfReading(share) => format!("{} of the reading", percent(share)),
    };
    rows.push(("Let pass between flows", flow));
    rows.push((
        "Let pass between volumes",
        format!("{} of the volume judged, and never fewer than 3 pulses", percent(meter.tolerance.volume)),
    ));
    let limits = [("above", meter.limits.high), ("below", meter.limits.low)]
        .into_iter()
        .filter_map(|(word, limit)| limit.map(|limit| format!("{word} {} L/s", number(limit.0))))
        .chain(meter.limits.reverse.then(|| "reverse flow".to_owned()))
        .collect::<Vec<_>>();
    if !limits.is_empty() {
        rows.push(("Events asked for", limits.join(", ")));
    }
    rows
}

/// A source as the site file writes it.
pub(super) fn source(source: &Source) -> String {
    match source {
        Source::Entry { device, entry } => format!("{device}.{entry}"),
        Source::File(path) => format!("file {}", path.display()),
    }
}

pub(super) fn registers(facts: &MeterFacts) -> Markup {
    let pulse = facts.meter.pulse.as_ref();
    let current = facts.meter.current_loop.as_ref();
    let all = [
        (facts.flow.as_ref(), facts.meter.flow.as_ref()),
        (facts.total.as_ref(), facts.meter.total.as_ref()),
        (facts.reverse_total.as_ref(), facts.meter.reverse_total.as_ref()),
        (facts.loop_ma.as_ref(), current.map(|it| &it.current)),
        (facts.pulses.as_ref(), pulse.map(|it| &it.count)),
        (facts.receiver_flow.as_ref(), current.and_then(|it| it.receiver_flow.as_ref())),
        (facts.receiver_total.as_ref(), pulse.and_then(|it| it.receiver_total.as_ref())),
    ];
    html! {
        div class="wide" role="region" aria-label="Registers" tabindex="0" {
            table {
                thead { tr {
                    th { "Entry" } th { "Table" } th class="n" { "Address" } th { "Type" } th { "Order" } th { "Unit" }
                    th class="n" { "Scale" } th { "Read every" }
                } }
                tbody {
                    @for (witness, from) in all {
                        @if let (Some(witness), Some(from)) = (witness, from) { (register(witness, from)) }
                    }
                }
            }
        }
        p class="small" { "Addresses are the protocol\u{2019}s own, counted from 0. A value is the raw number times its scale." }
    }
}

fn register(witness: &WitnessFacts, from: &Source) -> Markup {
    let entry = &witness.entry;
    let is_register = matches!(from, Source::Entry { .. });
    let table = match entry.table {
        Table::Coil => "coil",
        Table::Discrete => "discrete input",
        Table::Input => "input",
        Table::Holding => "holding",
    };
    let (name, order) = kind(entry.value_type, entry.word_order, entry.byte_order);
    let offset = if entry.offset == 0.0 { String::new() } else { format!(" + {}", number(entry.offset)) };
    html! {
        tr {
            td { (source(from)) }
            @if is_register {
                td { (table) } td class="n" { (entry.address) } td { (name) } td { (order) }
            } @else {
                td colspan="4" { "a file of the machine that polls" }
            }
            td { (entry.unit.symbol) }
            td class="n" { (number(entry.scale)) (offset) }
            td { (time(witness.every)) }
        }
    }
}

fn kind(value_type: ValueType, words: WordOrder, bytes: ByteOrder) -> (&'static str, &'static str) {
    let name = match value_type {
        ValueType::Bit => "bit",
        ValueType::U16 => "u16",
        ValueType::I16 => "i16",
        ValueType::U32 => "u32",
        ValueType::I32 => "i32",
        ValueType::U64 => "u64",
        ValueType::I64 => "i64",
        ValueType::F32 => "f32",
        ValueType::F64 => "f64",
    };
    let order = match (value_type.width(), words, bytes) {
        (1, _, ByteOrder::Big) => "",
        (1, _, ByteOrder::Little) => "bytes swapped",
        (_, WordOrder::HighFirst, ByteOrder::Big) => "high word first",
        (_, WordOrder::LowFirst, ByteOrder::Big) => "low word first",
        (_, WordOrder::HighFirst, ByteOrder::Little) => "high word first, bytes swapped",
        (_, WordOrder::LowFirst, ByteOrder::Little) => "low word first, bytes swapped",
    };
    (name, order)
}

/// What a setting sets, and its unit.
pub(super) const fn setting_name(setting: Setting) -> (&'static str, &'static str) {
    match setting {
        Setting::FullScale => ("Flow at 20 mA", " L/s"),
        Setting::PulseVolume => ("Volume per pulse", " L"),
        Setting::PulseOnTime => ("Pulse width", " s"),
        Setting::Bore => ("Bore", " mm"),
        Setting::SensorFactor => ("Sensor factor", ""),
        Setting::Zero => ("Zero trim", ""),
        Setting::LowFlowCutoff => ("Low-flow cut-off", " L/s"),
        Setting::Damping => ("Damping", " s"),
    }
}

/// What the receiver takes a setting to be, where it has an opinion.
pub(super) fn declared_setting(facts: &MeterFacts, setting: Setting) -> Option<f64> {
    let meter = &facts.meter;
    match setting {
        Setting::FullScale => meter.current_loop.as_ref().map(|it| it.full_scale.0),
        Setting::PulseVolume => meter.pulse.as_ref().map(|it| it.volume.0),
        Setting::PulseOnTime => meter.pulse.as_ref().map(|it| it.on_time.as_secs_f64()),
        Setting::Damping => meter.current_loop.as_ref()?.damping.map(|it| it.as_secs_f64()),
        Setting::Bore | Setting::SensorFactor | Setting::Zero | Setting::LowFlowCutoff => None,
    }
}

/// Settings as read, beside what the receiver takes them to be.
pub(super) fn settings(facts: &MeterFacts, settings: &[(Setting, f64)]) -> Markup {
    html! {
        div class="wide" role="region" aria-label="Settings" tabindex="0" { table {
            thead { tr { th { "Setting" } th class="n" { "In the meter" } th class="n" { "Declared" } th { } } }
            tbody {
                @for (setting, read) in settings {
                    @let (name, unit) = setting_name(*setting);
                    @let declared = declared_setting(facts, *setting);
                    tr {
                        td { (name) }
                        td class="n" { (number(*read)) (unit) }
                        td class="n" {
                            @match declared { Some(it) => { (number(it)) (unit) } None => { "\u{2013}" } }
                        }
                        td {
                            @match declared {
                                Some(it) if (it - read).abs() > 1e-5 * it.abs() => b class="disagree" { "\u{2260} differs" },
                                Some(_) => "= the same",
                                None => "",
                            }
                        }
                    }
                }
            }
        } }
    }
}

pub(super) fn files(declarations: &[Declaration]) -> Markup {
    html! {
        div class="wide" role="region" aria-label="Files" tabindex="0" {
            table {
                thead { tr { th { "File" } th { "SHA-256" } th { "In force" } } }
                tbody {
                    @for it in declarations {
                        tr {
                            td { (it.path) }
                            @let (one_half, other_half) = it.sha256.split_at_checked(it.sha256.len() / 2).unwrap_or((&it.sha256, ""));
                            td { code class="hash" { (one_half) wbr; (other_half) } }
                            td {
                                @match it.since { Some(since) => { "since " (instant(since)) } None => "now" }
                                @if !it.is_read_now { b { "; not the text that this report was made with" } }
                            }
                        }
                    }
                }
            }
        }
    }
}

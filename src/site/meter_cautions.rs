//! What a meter's declaration allows and yet seldom means: cautions, with their figures.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use tallywell_witness::declared::{Entry, Meter, PulseCounts, Source, TotalCounts, ValueType};
use tallywell_witness::units::{Litres, LitresPerSecond, Seconds, figure};
use toml::Spanned;

use super::map::MapRead;
use super::meaning::Meaning;
use super::sources::Sources;
use super::written::Fields;

/// Increments that a binary32 can tell apart in a total, in bits of its significand (IEEE 754).
const F32_SIGNIFICAND_BITS: i32 = 24;

/// What earlier meters have shown.
#[derive(Debug, Default)]
pub(super) struct Seen {
    /// The sources of witnesses, and whose they are.
    used: BTreeMap<Source, String>,
    /// The float totals that were told about, as file and entry: meters of one kind share a map.
    float_totals: BTreeSet<(PathBuf, String)>,
}

/// Says everything doubtful about one meter.
pub(super) fn look_over(
    meter: &Meter,
    name: &Spanned<&str>,
    fields: &Fields<'_>,
    sources: Sources<'_>,
    seen: &mut Seen,
    meaning: &mut Meaning<'_>,
) {
    too_few_witnesses(meter, name, fields, meaning);
    used_twice(meter, fields, seen, meaning);
    told_by_the_meter_itself(meter, fields, meaning);
    let receiver_total = meter.pulse.as_ref().and_then(|pulse| pulse.receiver_total.as_ref());
    for total in [meter.total.as_ref(), meter.reverse_total.as_ref(), receiver_total].into_iter().flatten() {
        if let Some((entry, map)) = sources.declared(total) {
            float_total(meter, entry, map, seen, meaning);
        }
    }
    pulses_cannot_carry(meter, fields, meaning);
    net_total(meter, fields, meaning);
}

fn too_few_witnesses(meter: &Meter, name: &Spanned<&str>, fields: &Fields<'_>, meaning: &mut Meaning<'_>) {
    let written = ["flow", "total", "loop", "pulse"].into_iter().filter(|key| fields.key_span(key).is_some()).count();
    if meaning.file.broken {
        return;
    }
    if written == 0 {
        meaning
            .error(name.span(), format!("[meter.{}] has no witness of its flow", meter.name))
            .write("write `flow` and `total`, and the tables [meter.NAME.loop] and [meter.NAME.pulse] where they are");
    } else if written == 1 {
        meaning
            .caution(name.span(), format!("`{}` has one witness only: there is nothing to tally", meter.name))
            .write("add the loop current or the pulses, measured by something other than the meter");
    }
}

/// Two meters with one witness between them: one of the two references is a slip.
fn used_twice(meter: &Meter, fields: &Fields<'_>, seen: &mut Seen, meaning: &mut Meaning<'_>) {
    let witnesses = [
        (meter.flow.as_ref(), Some(*fields), "flow"),
        (meter.total.as_ref(), Some(*fields), "total"),
        (meter.current_loop.as_ref().map(|current_loop| &current_loop.current), fields.table("loop"), "current"),
        (meter.pulse.as_ref().map(|pulse| &pulse.count), fields.table("pulse"), "count"),
    ];
    for (source, fields, key) in witnesses {
        let (Some(source), Some(written)) = (source, fields.and_then(|fields| fields.text(key))) else { continue };
        if let Some(other) = seen.used.get(source) {
            let message = format!("`{}` is a witness of `{other}` already", written.get_ref());
            meaning
                .caution(written.span(), message)
                .write("two meters cannot share it, unless they watch the same flow");
        }
        seen.used.entry(source.clone()).or_insert_with(|| meter.name.clone());
    }
}

/// A current or count that the meter's own device reports says what the meter means to send, not what arrives.
fn told_by_the_meter_itself(meter: &Meter, fields: &Fields<'_>, meaning: &mut Meaning<'_>) {
    let Some(Source::Entry { device: own, .. }) = meter.flow.as_ref().or(meter.total.as_ref()) else { return };
    let outputs = [
        (meter.current_loop.as_ref().map(|current_loop| &current_loop.current), "loop", "current"),
        (meter.pulse.as_ref().map(|pulse| &pulse.count), "pulse", "count"),
    ];
    for (source, table, key) in outputs {
        let written = fields.table(table).and_then(|fields| fields.text(key));
        let (Some(Source::Entry { device, .. }), Some(written)) = (source, written) else { continue };
        if device == own {
            meaning
                .caution(written.span(), format!("`{device}` tells its flow by the bus and this too"))
                .write("it is a witness only if something other than the meter measures it");
        }
    }
}

/// A total in binary32 loses what is smaller than its last bit.
fn float_total(meter: &Meter, entry: &Entry, map: &MapRead, seen: &mut Seen, meaning: &mut Meaning<'_>) {
    let Some(place) = map.places.get(&entry.name) else { return };
    if entry.value_type != ValueType::F32 || !seen.float_totals.insert((map.file.path.clone(), entry.name.clone())) {
        return;
    }
    let needed = meter.pulse.as_ref().map_or(Litres(1.0), |pulse| pulse.volume);
    let raw_step = needed.0 / (entry.unit.value_in_base(1.0) * entry.scale.abs());
    // Steps of 2^k are told apart below 2^(k + 24).
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a double fits")]
    let exponent = raw_step.log2().floor() as i32;
    let limit = entry.unit.value_in_base(2_f64.powi(exponent + F32_SIGNIFICAND_BITS) * entry.scale.abs());
    let step = if meter.pulse.is_some() { "the volume of a pulse" } else { "a litre" };
    let span = place.value_type.clone().unwrap_or_else(|| place.name.clone());
    let mut message = format!(
        "a 32-bit float total loses {step} above {}",
        grouped(limit / entry.unit.value_in_base(1.0), &entry.unit.symbol)
    );
    if let Some(current_loop) = &meter.current_loop {
        let days = (Litres(limit) / current_loop.full_scale).0 / 86_400.0;
        message.push_str(&format!(", {days:.0} days at full scale"));
    }
    meaning
        .report
        .caution(&map.file, span, message)
        .write("if the meter offers an integer or 64-bit total, read that one");
}

/// On-time and pause set the highest rate; the volume of a pulse then sets the highest flow.
fn pulses_cannot_carry(meter: &Meter, fields: &Fields<'_>, meaning: &mut Meaning<'_>) {
    let (Some(pulse), Some(written)) = (&meter.pulse, fields.table("pulse").and_then(|pulse| pulse.text("on_time")))
    else {
        return;
    };
    let period = Seconds((pulse.on_time + pulse.off_time).as_secs_f64());
    let highest: LitresPerSecond = pulse.volume / period;
    let full_scale = meter.current_loop.as_ref().map(|current_loop| current_loop.full_scale);
    let Some(expected) = full_scale.or(meter.limits.high).filter(|expected| *expected > highest) else { return };
    let what = if full_scale.is_some() { "full scale" } else { "the high limit" };
    let least = expected * period;
    let (highest, expected, least) = (figure(highest.0, 3), figure(expected.0, 3), figure(least.0, 3));
    meaning
        .caution(written.span(), format!("these pulses carry {highest} L/s at most; {what} is {expected} L/s"))
        .write(format!("take at least {least} L a pulse, or a shorter on_time and pause"));
}

/// A net total goes back where forward pulses stand still.
fn net_total(meter: &Meter, fields: &Fields<'_>, meaning: &mut Meaning<'_>) {
    let Some(written) = fields.choice("total_counts") else { return };
    let forward = meter.pulse.as_ref().is_some_and(|pulse| pulse.counts == PulseCounts::Forward);
    if meter.total_counts == TotalCounts::Net && forward && fields.key_span("reverse_total").is_none() {
        meaning
            .caution(written.span(), "forward pulses cannot be held against a net total exactly".to_owned())
            .write("declare `reverse_total`, or take the forward total if the map has one");
    }
}

/// A large number as people read it: `16 777 216 L`.
fn grouped(number: f64, symbol: &str) -> String {
    let digits = format!("{number:.0}");
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            text.push(' ');
        }
        text.push(digit);
    }
    format!("{text} {symbol}")
}

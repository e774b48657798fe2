//! A meter for the tests of the tallies.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::declared::{
    ByteOrder, CurrentLoop, Dimension, Entry, Limits, Meter, Pulse, PulseCounts, Source, Table, Tolerance, TotalCounts,
    Unit, ValueType, WordOrder,
};
use crate::reading::{MeterFacts, Reading, Sample, WitnessFacts};
use crate::units::{Litres, LitresPerSecond, Milliamperes, SteadyMillis, WallMillis};

/// 20 mA for 36 L/s, 25 L a pulse; the meter and the two modules at its outputs are read once a second.
pub(crate) fn meter() -> MeterFacts {
    let source = |device: &str, entry: &str| Source::Entry { device: device.to_owned(), entry: entry.to_owned() };
    MeterFacts {
        meter: Meter {
            name: "bore-1".to_owned(),
            flow: Some(source("bore-1", "flow")),
            total: Some(source("bore-1", "total")),
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: Duration::from_secs(1),
            running: None,
            status: Vec::new(),
            current_loop: Some(CurrentLoop {
                current: source("analogue", "channel_1"),
                full_scale: LitresPerSecond(36.0),
                at_4_ma: LitresPerSecond(0.0),
                damping: None,
                accuracy: 0.001,
                saturates: (Milliamperes(3.8), Milliamperes(20.5)),
                fault: (Milliamperes(3.6), Milliamperes(21.0)),
                receiver_flow: None,
            }),
            pulse: Some(Pulse {
                count: source("counter", "channel_1"),
                volume: Litres(25.0),
                on_time: Duration::from_millis(60),
                off_time: Duration::from_millis(60),
                counts: PulseCounts::Forward,
                wraps_at: None,
                receiver_total: None,
            }),
            settings: BTreeMap::new(),
            tolerance: Tolerance::default(),
            limits: Limits::default(),
        },
        flow: witness("flow", ValueType::F32, ("L/s", Dimension::Flow)),
        total: witness("total", ValueType::U32, ("L", Dimension::Volume)),
        reverse_total: None,
        loop_ma: witness("current", ValueType::F32, ("mA", Dimension::Current)),
        pulses: witness("count", ValueType::U32, ("", Dimension::Number)),
        receiver_flow: None,
        receiver_total: None,
        status_names: Vec::new(),
    }
}

/// A reading of it: flow in L/s, total in litres, current in mA, pulses.
pub(crate) fn reading(at_ms: i64, flow: f64, total: f64, current: f64, pulses: f64) -> Reading {
    let at = SteadyMillis(at_ms);
    let sample = |value: f64| Some(Sample { value, at, raw: Default::default() });
    Reading {
        at,
        wall: WallMillis(at_ms),
        flow: sample(flow),
        total: sample(total),
        loop_ma: sample(current),
        pulses: sample(pulses),
        ..Reading::default()
    }
}

fn witness(name: &str, value_type: ValueType, (symbol, dimension): (&str, Dimension)) -> Option<WitnessFacts> {
    Some(WitnessFacts {
        entry: Entry {
            name: name.to_owned(),
            table: Table::Holding,
            address: 0,
            value_type,
            word_order: WordOrder::HighFirst,
            byte_order: ByteOrder::Big,
            unit: Unit { symbol: symbol.to_owned(), dimension, to_base: 1.0 },
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            bits: BTreeMap::new(),
        },
        every: Duration::from_secs(1),
    })
}

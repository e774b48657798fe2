//! Counts over time: how far a counter or total has gone, wraps, restarts and nonsense set aside.

use tallywell_witness::decode::{modulus, unwrap_step};
use tallywell_witness::reading::{MeterFacts, WitnessFacts};

/// So many readings in a row that no flow explains are a new beginning, not nonsense.
const ODD_IS_REAL: u32 = 3;

/// No flow is so many times full scale: what goes quicker is nonsense.
const ABSURD: f64 = 50.0;

/// One counter or total from reading to reading, in its entry's unit.
#[derive(Clone, Debug)]
pub(super) struct Count {
    modulus: Option<f64>,
    /// May it go back at all?
    net: bool,
    last: Option<(f64, f64)>,
    odd: u32,
    /// How far it has gone since the first reading.
    pub gone: f64,
    /// How often it began anew.
    pub restarts: u32,
}

/// What one more value of a count says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Went {
    /// So far since the value before.
    On(f64),
    /// It began anew, or this is the first value: nothing is known of what lies between.
    Anew,
    /// A value that cannot be: set aside.
    Odd,
}

impl Count {
    pub(super) fn new(facts: &WitnessFacts, net: bool) -> Self {
        Self { modulus: modulus(&facts.entry), net, last: None, odd: 0, gone: 0.0, restarts: 0 }
    }

    /// The next value at `seconds` on a time line, where `quickest` is what it may go in a second at most.
    pub(super) fn push(&mut self, seconds: f64, value: f64, resolution: f64, quickest: f64) -> Went {
        if !value.is_finite() {
            return Went::Odd;
        }
        let Some((then, last)) = self.last else {
            self.last = Some((seconds, value));
            return Went::Anew;
        };
        let step = unwrap_step(last, value, self.modulus);
        let allowed = quickest * ((seconds - then).max(0.0) + 2.0) + 3.0 * resolution;
        let fits = step.abs() <= allowed && (self.net || step >= -2.0 * resolution);
        if !fits && self.odd < ODD_IS_REAL {
            self.odd += 1;
            return Went::Odd;
        }
        self.last = Some((seconds, value));
        self.odd = 0;
        if fits {
            self.gone += step;
            Went::On(step)
        } else {
            self.restarts += 1;
            Went::Anew
        }
    }
}

/// The largest flow that is no nonsense, in L/s.
pub(super) fn quickest(facts: &MeterFacts) -> f64 {
    let full_scale = facts.meter.current_loop.as_ref().map(|declared| declared.full_scale.0.abs());
    full_scale.or(facts.meter.limits.high.map(|high| high.0)).map_or(f64::INFINITY, |flow| ABSURD * flow)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tallywell_witness::declared::{ByteOrder, Entry, Table, ValueType, WordOrder};
    use tallywell_witness::units::Unit;

    use super::*;

    fn gone(values: &[f64]) -> (f64, u32) {
        let entry = Entry {
            name: "count".to_owned(),
            table: Table::Input,
            address: 0,
            value_type: ValueType::U16,
            word_order: WordOrder::HighFirst,
            byte_order: ByteOrder::Big,
            unit: Unit::number(),
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            bits: std::collections::BTreeMap::new(),
        };
        let mut count = Count::new(&WitnessFacts { entry, every: Duration::from_secs(1) }, false);
        for (second, value) in values.iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "a few readings")]
            count.push(second as f64, *value, 1.0, 10.0);
        }
        (count.gone, count.restarts)
    }

    #[test]
    fn wraps_go_on_restarts_begin_anew_and_nonsense_is_set_aside() {
        assert_eq!(gone(&[65_530.0, 65_535.0, 4.0]), (10.0, 0), "16 bits wrap");
        assert_eq!(
            gone(&[9_000.0, 9_005.0, 0.0, 1.0, 2.0, 3.0, 4.0]),
            (6.0, 1),
            "restarted: 5 before, 1 after three odd ones"
        );
        assert_eq!(gone(&[100.0, 20_000.0, 110.0, f64::NAN, 120.0]), (20.0, 0), "one value from nowhere");
    }
}

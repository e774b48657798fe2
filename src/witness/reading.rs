//! One moment of one meter, as its witnesses told it.

use std::time::Duration;

use crate::declared::{Entry, Meter, Source, ValueType};
use crate::units::{SteadyMillis, WallMillis};

/// The registers behind a value, lowest address first, at most four.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RawWords {
    words: [u16; 4],
    len: u8,
}

impl RawWords {
    /// The first four words of `words`.
    #[must_use]
    pub fn new(words: &[u16]) -> Self {
        let mut raw = Self::default();
        for (slot, word) in raw.words.iter_mut().zip(words) {
            *slot = *word;
            raw.len += 1;
        }
        raw
    }

    /// The words, lowest address first; empty where the source has no registers.
    #[must_use]
    pub fn words(&self) -> &[u16] {
        &self.words[..usize::from(self.len)]
    }
}

/// One witness's value and when it was most likely sampled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The value in the unit that its entry declares, after scale and offset; NaN and infinities are kept as they came.
    pub value: f64,
    /// When the device most likely sampled it.
    pub at: SteadyMillis,
    /// The registers that it was decoded from, where known.
    pub raw: RawWords,
}

/// Named status bits that were set, as bit numbers into [`MeterFacts::status_names`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StatusBits(pub u64);

/// One moment of one meter. A missing value is a reading that was missed.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Reading {
    /// The moment on a time line without jumps; later readings have larger values within one stretch.
    pub at: SteadyMillis,
    /// The moment by the clock on the wall.
    pub wall: WallMillis,
    /// The flow register.
    pub flow: Option<Sample>,
    /// The total register.
    pub total: Option<Sample>,
    /// The loop current, in milliamperes whatever unit its entry declares.
    pub loop_ma: Option<Sample>,
    /// The pulse counter as read, before any unwrapping.
    pub pulses: Option<Sample>,
    /// The reverse total, in the unit that its entry declares.
    pub reverse_total: Option<Sample>,
    /// What the controller makes of the current.
    pub receiver_flow: Option<Sample>,
    /// What the controller or biller makes of the pulses.
    pub receiver_total: Option<Sample>,
    /// The meter's status.
    pub status: Option<StatusBits>,
    /// Whether the pump runs.
    pub running: Option<bool>,
}

/// How one witness is read: its entry and its period.
#[derive(Clone, Debug, PartialEq)]
pub struct WitnessFacts {
    /// The register as declared; for a file a plain 64-bit number.
    pub entry: Entry,
    /// How often it is read; zero is as fast as the line allows.
    pub every: Duration,
}

/// Everything declared that the tallies and the causes need to know about one meter.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterFacts {
    /// The meter as declared.
    pub meter: Meter,
    /// The flow register.
    pub flow: Option<WitnessFacts>,
    /// The total register.
    pub total: Option<WitnessFacts>,
    /// The reverse total.
    pub reverse_total: Option<WitnessFacts>,
    /// The measured current.
    pub loop_ma: Option<WitnessFacts>,
    /// The pulse counter.
    pub pulses: Option<WitnessFacts>,
    /// What the controller makes of the current.
    pub receiver_flow: Option<WitnessFacts>,
    /// What the controller or biller makes of the pulses.
    pub receiver_total: Option<WitnessFacts>,
    /// The names of the status bits, in the order of [`StatusBits`].
    pub status_names: Vec<String>,
}

impl MeterFacts {
    /// Whether nobody declared how wide the counter of pulses is: that of a file, which does not say so itself.
    #[must_use]
    pub fn pulse_width_is_undeclared(&self) -> bool {
        let is_file = self.meter.pulse.as_ref().is_some_and(|pulse| matches!(pulse.count, Source::File(_)));
        is_file && self.pulses.as_ref().is_some_and(|facts| facts.entry.wraps_at.is_none())
    }

    /// Whether this flow in L/s is the least that the register can show, for its type has no sign: it may flow backwards.
    #[must_use]
    pub fn may_hide_reverse(&self, flow_l_s: f64) -> bool {
        self.flow.as_ref().is_some_and(|WitnessFacts { entry, .. }| {
            let has_no_sign = matches!(entry.value_type, ValueType::U16 | ValueType::U32 | ValueType::U64);
            has_no_sign && entry.scale > 0.0 && flow_l_s <= entry.offset * entry.unit.to_base
        })
    }
}

//! What unknown registers could mean.

use super::{number, pattern};
use crate::declared::{ByteOrder, Dimension, Entry, Table, Unit, ValueType, WordOrder};

/// One way to understand registers whose map is not known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// Which word of those given is its first.
    pub word: usize,
    /// As which type.
    pub value_type: ValueType,
    /// In which order of registers; [`WordOrder::HighFirst`] where there is only one.
    pub word_order: WordOrder,
    /// In which order of bytes.
    pub byte_order: ByteOrder,
    /// The bare number, unscaled.
    pub value: f64,
}

/// Floats of an instrument lie between these magnitudes, or are zero; bits taken in a wrong order seldom do.
const FLOAT_MAGNITUDES: std::ops::RangeInclusive<f64> = 1e-6..=1e12;

/// Whole numbers of an instrument's registers; a 64-bit number beyond it is four other registers taken together.
const WHOLE_MAGNITUDES: std::ops::RangeInclusive<f64> = 0.0..=1e15;

/// Every plausible decoding of a row of registers, by first word, then type, then order.
///
/// Left out: floats that are no number or of a magnitude that no instrument shows, whole numbers beyond 1e15, and what
/// would only repeat another candidate (a signed number that is not negative, an order that changes nothing).
#[must_use]
pub fn plausible(words: &[u16]) -> Vec<Candidate> {
    let mut found = Vec::new();
    for first in 0..words.len() {
        for value_type in TYPES {
            candidates_at(words, first, value_type, &mut found);
        }
    }
    found
}

pub(super) const TYPES: [ValueType; 8] = [
    ValueType::U16,
    ValueType::I16,
    ValueType::U32,
    ValueType::I32,
    ValueType::F32,
    ValueType::U64,
    ValueType::I64,
    ValueType::F64,
];

fn candidates_at(words: &[u16], first: usize, value_type: ValueType, found: &mut Vec<Candidate>) {
    let already = found.len();
    for word_order in [WordOrder::HighFirst, WordOrder::LowFirst] {
        if value_type.width() == 1 && word_order == WordOrder::LowFirst {
            continue;
        }
        for byte_order in [ByteOrder::Big, ByteOrder::Little] {
            let shape = unscaled(value_type, word_order, byte_order);
            let Some(pattern) = pattern(&shape, &words[first..]) else { return };
            let value = number(value_type, pattern);
            let repeats = found[already..].iter().any(|other| other.value == value);
            if is_plausible(value_type, value) && !repeats {
                found.push(Candidate { word: first, value_type, word_order, byte_order, value });
            }
        }
    }
}

pub(super) fn is_plausible(value_type: ValueType, value: f64) -> bool {
    match value_type {
        ValueType::F32 | ValueType::F64 => value == 0.0 || FLOAT_MAGNITUDES.contains(&value.abs()),
        ValueType::I16 | ValueType::I32 | ValueType::I64 => value < 0.0 && WHOLE_MAGNITUDES.contains(&value.abs()),
        ValueType::Bit | ValueType::U16 | ValueType::U32 | ValueType::U64 => WHOLE_MAGNITUDES.contains(&value),
    }
}

/// An entry that only says how registers are to be taken.
pub(super) fn unscaled(value_type: ValueType, word_order: WordOrder, byte_order: ByteOrder) -> Entry {
    Entry {
        name: String::new(),
        table: Table::Holding,
        address: 0,
        value_type,
        word_order,
        byte_order,
        unit: Unit { symbol: String::new(), dimension: Dimension::Number, to_base: 1.0 },
        scale: 1.0,
        offset: 0.0,
        wraps_at: None,
        bits: std::collections::BTreeMap::new(),
    }
}

//! Registers to values and back.
//!
//! A value of more than one register is a row of bytes, most significant first, that the device cut into registers. Letter
//! names for the orders (`ABCD`, `CDAB`) mean different things to different makers; here an order is always said by its two
//! facts: which register comes first ([`WordOrder`]) and which byte of a register comes first ([`ByteOrder`]).
//!
//! `value = raw * scale + offset`, in the unit that the entry declares. A NaN or an infinity that a device sends is kept:
//! it is evidence.

mod plausible;
mod ranking;
#[cfg(test)]
mod tests;

pub use plausible::{Candidate, plausible};
pub use ranking::{Likeness, Observation, Ranked, likely_layout, rank};

use crate::declared::{ByteOrder, Entry, ValueType, WordOrder};
use crate::reading::RawWords;

/// The value that registers (lowest address first) hold, in the entry's unit.
///
/// For an entry of a bit table the words are the bits, one each. Whole numbers beyond 2^53 are rounded to the nearest
/// double. Fewer words than the entry is wide hold no value: NaN.
#[must_use]
pub fn decode(entry: &Entry, words: &[u16]) -> f64 {
    match pattern(entry, words) {
        Some(pattern) => scaled(number(entry.value_type, pattern), entry.scale) + entry.offset,
        None => f64::NAN,
    }
}

/// `raw * scale`. A scale such as 0.001 is no double: what it stands for is the division by 1000, which gives 16.891 where
/// the product would give 16.891000000000002.
fn scaled(raw: f64, scale: f64) -> f64 {
    let divisor = scale.recip().round();
    if divisor.abs() > 1.0 && divisor.recip() == scale { raw / divisor } else { raw * scale }
}

/// The bits that registers hold, bit 0 the least significant, before any scale; `None` if there are too few words.
#[must_use]
pub fn bits(entry: &Entry, words: &[u16]) -> Option<u64> {
    pattern(entry, words)
}

/// The registers that would show `value`: the inverse of [`decode`], to the nearest count or float.
///
/// `None` where the entry's type cannot hold the value: too large, negative in an unsigned type, no number in a whole one.
/// It is exact wherever [`decode`] was, that is but for whole numbers beyond 2^53.
#[must_use]
pub fn encode(entry: &Entry, value: f64) -> Option<RawWords> {
    let raw = (value - entry.offset) / entry.scale;
    let width = usize::from(entry.value_type.width());
    let pattern = pattern_of(entry.value_type, raw)?;
    let mut words = [0_u16; 4];
    for (slot, shift) in words[..width].iter_mut().zip((0..width).rev()) {
        *slot = in_byte_order((pattern >> (16 * shift)) as u16, entry.byte_order);
    }
    if entry.word_order == WordOrder::LowFirst {
        words[..width].reverse();
    }
    Some(RawWords::new(&words[..width]))
}

/// Fifteen digits of 2^64 leave as many bits open.
const LOST_BITS: u32 = 20;

/// What a shown value would be had its registers been taken in the other order; NaN where it cannot be encoded.
///
/// A value of one register is its own swap. A whole number beyond 2^53 has come through a double, and perhaps through fifteen
/// digits: its last bits are lost, and are taken for nothing, as the top of any likely count is.
#[must_use]
pub fn swapped(entry: &Entry, shown: f64) -> f64 {
    let Some(raw) = encode(entry, shown) else { return f64::NAN };
    let mut words = raw.words().to_vec();
    let is_rounded = matches!(entry.value_type, ValueType::U64 | ValueType::I64)
        && ((shown - entry.offset) / entry.scale).abs() > 2_f64.powi(53);
    if is_rounded && let Some(pattern) = pattern(entry, &words) {
        let whole = (pattern.saturating_add(1 << (LOST_BITS - 1)) >> LOST_BITS) << (LOST_BITS - 16);
        for (slot, shift) in words.iter_mut().zip([32_u32, 16, 0]) {
            *slot = in_byte_order((whole >> shift) as u16, entry.byte_order);
        }
        if let Some(lowest) = words.last_mut() {
            *lowest = 0;
        }
        if entry.word_order == WordOrder::LowFirst {
            words.reverse();
        }
    }
    words.reverse();
    decode(entry, &words)
}

/// The smallest step by which a value could differ from the one shown, in the entry's unit.
///
/// For whole numbers the scale; for floats the distance to the next float of the entry's own type, away from zero, times
/// the scale. Nonsense (NaN, infinity) has no resolution: infinity.
#[must_use]
pub fn resolution(entry: &Entry, shown: f64) -> f64 {
    let raw = (shown - entry.offset) / entry.scale;
    let step = match entry.value_type {
        _ if !raw.is_finite() => f64::INFINITY,
        ValueType::F32 => ulp_f32(raw as f32),
        ValueType::F64 => ulp_f64(raw),
        // Beyond 2^53 a double no longer tells neighbouring counts apart.
        ValueType::U64 | ValueType::I64 => ulp_f64(raw).max(1.0),
        ValueType::Bit | ValueType::U16 | ValueType::I16 | ValueType::U32 | ValueType::I32 => 1.0,
    };
    step * entry.scale.abs()
}

/// The span after which a counter or total begins again, in the entry's unit: `wraps_at`, or else what its type holds.
///
/// `None` for floats without `wraps_at`, which lose steps instead of wrapping, and for bits.
#[must_use]
pub fn modulus(entry: &Entry) -> Option<f64> {
    let counts = match (entry.wraps_at, entry.value_type) {
        (Some(counts), _) => counts as f64,
        (None, ValueType::U16 | ValueType::I16) => 2_f64.powi(16),
        (None, ValueType::U32 | ValueType::I32) => 2_f64.powi(32),
        (None, ValueType::U64 | ValueType::I64) => 2_f64.powi(64),
        (None, ValueType::F32 | ValueType::F64 | ValueType::Bit) => return None,
    };
    Some(counts * entry.scale.abs())
}

/// The step from one reading of a counter to the next, the short way round: at most half the modulus either way.
///
/// All three are in the same unit. Without a modulus it is the plain difference.
#[must_use]
pub fn unwrap_step(previous: f64, next: f64, modulus: Option<f64>) -> f64 {
    let step = next - previous;
    match modulus {
        Some(modulus) if step > modulus / 2.0 => step - modulus,
        Some(modulus) if step < -modulus / 2.0 => step + modulus,
        _ => step,
    }
}

/// The words as one number, most significant word and byte first.
fn pattern(entry: &Entry, words: &[u16]) -> Option<u64> {
    let words = words.get(..usize::from(entry.value_type.width()))?;
    if entry.value_type == ValueType::Bit {
        return Some(u64::from(words[0] != 0));
    }
    let join = |pattern: u64, word: &u16| pattern << 16 | u64::from(in_byte_order(*word, entry.byte_order));
    Some(match entry.word_order {
        WordOrder::HighFirst => words.iter().fold(0, join),
        WordOrder::LowFirst => words.iter().rev().fold(0, join),
    })
}

const fn in_byte_order(word: u16, order: ByteOrder) -> u16 {
    match order {
        ByteOrder::Big => word,
        ByteOrder::Little => word.swap_bytes(),
    }
}

/// The number that a pattern means in a type. The casts keep the low bits, which is what they are for.
fn number(value_type: ValueType, pattern: u64) -> f64 {
    match value_type {
        ValueType::Bit | ValueType::U16 | ValueType::U32 | ValueType::U64 => pattern as f64,
        ValueType::I16 => f64::from(pattern as u16 as i16),
        ValueType::I32 => f64::from(pattern as u32 as i32),
        ValueType::I64 => pattern as i64 as f64,
        ValueType::F32 => f64::from(f32::from_bits(pattern as u32)),
        ValueType::F64 => f64::from_bits(pattern),
    }
}

/// The pattern of the number of a type that is nearest to `raw`; `None` where the type holds no such number.
fn pattern_of(value_type: ValueType, raw: f64) -> Option<u64> {
    let count = raw.round();
    // The bounds of 64 bits are not doubles: the first double that is too large is the power of two.
    let within = |low: f64, beyond: f64| (count >= low && count < beyond).then_some(count);
    Some(match value_type {
        ValueType::Bit => within(0.0, 2.0)? as u64,
        ValueType::U16 => within(0.0, 2_f64.powi(16))? as u64,
        ValueType::U32 => within(0.0, 2_f64.powi(32))? as u64,
        ValueType::U64 => within(0.0, 2_f64.powi(64))? as u64,
        ValueType::I16 => u64::from(within(-2_f64.powi(15), 2_f64.powi(15))? as i16 as u16),
        ValueType::I32 => u64::from(within(-2_f64.powi(31), 2_f64.powi(31))? as i32 as u32),
        ValueType::I64 => within(-2_f64.powi(63), 2_f64.powi(63))? as i64 as u64,
        ValueType::F32 => {
            let nearest = raw as f32;
            if nearest.is_infinite() && raw.is_finite() {
                return None;
            }
            u64::from(nearest.to_bits())
        }
        ValueType::F64 => raw.to_bits(),
    })
}

fn ulp_f32(value: f32) -> f64 {
    let magnitude = value.abs();
    f64::from(magnitude.next_up()) - f64::from(magnitude)
}

fn ulp_f64(value: f64) -> f64 {
    let magnitude = value.abs();
    magnitude.next_up() - magnitude
}

//! How a meter puts a number into registers, and how a map takes it out again.

/// The number format of a value in registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Unsigned, one register.
    U16,
    /// Two's complement, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Two's complement, two registers.
    I32,
    /// Unsigned, four registers.
    U64,
    /// Two's complement, four registers.
    I64,
    /// IEEE 754 binary32, two registers.
    F32,
    /// IEEE 754 binary64, four registers.
    F64,
}

impl Format {
    /// The number of registers.
    #[must_use]
    pub const fn registers(self) -> usize {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// Its name in a register map.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::U16 => "u16",
            Self::I16 => "i16",
            Self::U32 => "u32",
            Self::I32 => "i32",
            Self::U64 => "u64",
            Self::I64 => "i64",
            Self::F32 => "f32",
            Self::F64 => "f64",
        }
    }

    /// Whether it is a floating-point format.
    #[must_use]
    pub const fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }
}

/// Registers of one value, lowest address first; those beyond the format's are zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Words {
    words: [u16; 4],
    count: u8,
}

impl Words {
    /// A single register.
    #[must_use]
    pub const fn one(word: u16) -> Self {
        Self { words: [word, 0, 0, 0], count: 1 }
    }

    /// The registers.
    #[must_use]
    pub fn as_slice(&self) -> &[u16] {
        &self.words[..usize::from(self.count)]
    }

    /// The first half of the registers of `self`, the second half of `other`: a value read at two instants.
    #[must_use]
    pub fn torn_with(mut self, other: Self) -> Self {
        let half = usize::from(self.count) / 2;
        let end = usize::from(self.count);
        self.words[half..end].copy_from_slice(&other.words[half..end]);
        self
    }
}

/// How a value in base units (litres, litres per second) stands in registers: `raw = value / unit / scale`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Encoding {
    /// The number format.
    pub format: Format,
    /// Whether the register with the most significant word has the lowest address.
    pub high_first: bool,
    /// The unit of the value after scaling.
    pub unit: Unit,
    /// Value per count, in `unit`; for an integer its resolution.
    pub scale: f64,
    /// The raw count at which an integer goes back to 0 before its format is full.
    pub wraps_at: Option<u64>,
}

/// A unit by its symbol, and how many base units (litres or litres per second) it holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// As written in a register map.
    pub symbol: &'static str,
    /// Litres or litres per second in one of it.
    pub base: f64,
}

/// Litres in a US gallon of 231 cubic inches.
const US_GALLON_L: f64 = 3.785_411_784;
/// Litres in an imperial gallon.
const IMPERIAL_GALLON_L: f64 = 4.546_09;
/// Litres in a cubic foot of 0.3048 m.
const CUBIC_FOOT_L: f64 = 28.316_846_592;

/// The base unit of flow.
pub const LITRES_PER_SECOND: Unit = Unit { symbol: "L/s", base: 1.0 };
/// The base unit of volume.
pub const LITRES: Unit = Unit { symbol: "L", base: 1.0 };

/// Units of flow that meters are set to.
pub const FLOW_UNITS: [Unit; 7] = [
    LITRES_PER_SECOND,
    Unit { symbol: "m3/h", base: 1000.0 / 3600.0 },
    Unit { symbol: "L/min", base: 1.0 / 60.0 },
    Unit { symbol: "ML/d", base: 1.0e6 / 86_400.0 },
    Unit { symbol: "US gal/min", base: US_GALLON_L / 60.0 },
    Unit { symbol: "m3/s", base: 1000.0 },
    Unit { symbol: "ft3/s", base: CUBIC_FOOT_L },
];

/// Units of volume that meters are set to.
pub const VOLUME_UNITS: [Unit; 5] = [
    LITRES,
    Unit { symbol: "m3", base: 1000.0 },
    Unit { symbol: "US gal", base: US_GALLON_L },
    Unit { symbol: "ML", base: 1.0e6 },
    Unit { symbol: "ft3", base: CUBIC_FOOT_L },
];

/// Factors by which a unit is commonly mistaken for another, of flow or of volume.
pub const UNIT_MISTAKES: [f64; 10] = [
    3.6,
    1.0 / 3.6,
    60.0,
    1.0 / 60.0,
    1000.0,
    0.001,
    US_GALLON_L,
    1.0 / US_GALLON_L,
    IMPERIAL_GALLON_L / US_GALLON_L,
    US_GALLON_L / IMPERIAL_GALLON_L,
];

impl Encoding {
    /// A float in base units, high word first.
    #[must_use]
    pub const fn float(unit: Unit) -> Self {
        Self { format: Format::F32, high_first: true, unit, scale: 1.0, wraps_at: None }
    }

    /// An unsigned 32-bit count of `scale` units, high word first.
    #[must_use]
    pub const fn count32(unit: Unit, scale: f64) -> Self {
        Self { format: Format::U32, high_first: true, unit, scale, wraps_at: None }
    }

    /// The value of one count in base units; for a float its scale.
    #[must_use]
    pub fn step(&self) -> f64 {
        self.unit.base * self.scale
    }

    /// The registers that show `value`, given in base units. Integers are cut off like a meter's counter, wrap at
    /// `wraps_at`, and otherwise at their width; a flow beyond a signed format stands at its end.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a register keeps the low bits: that is the wrap that is meant"
    )]
    pub fn encode(&self, value: f64) -> Words {
        let raw = value / self.step();
        let bits = match self.format {
            Format::F32 => u64::from((raw as f32).to_bits()),
            Format::F64 => raw.to_bits(),
            Format::I16 => saturated(raw, 16),
            Format::I32 => saturated(raw, 32),
            Format::I64 => saturated(raw, 64),
            Format::U16 | Format::U32 | Format::U64 => self.counted(raw),
        };
        let count = self.format.registers();
        let mut words = Words { words: [0; 4], count: count as u8 };
        for (index, word) in words.words[..count].iter_mut().enumerate() {
            let place = if self.high_first { count - 1 - index } else { index };
            *word = (bits >> (16 * place)) as u16;
        }
        words
    }

    /// The registers that show `value` rounded to the nearest count, for what is measured rather than counted: it does
    /// not wrap, and an unsigned format shows 0 for what is less.
    #[must_use]
    pub fn encode_nearest(&self, value: f64) -> Words {
        let value = match self.format {
            Format::U16 | Format::U32 | Format::U64 => value.max(0.0),
            _ => value,
        };
        if self.format.is_float() {
            self.encode(value)
        } else {
            self.encode((value / self.step()).round() * self.step())
        }
    }

    /// The value in `unit` that registers show.
    #[must_use]
    #[expect(clippy::cast_possible_wrap, clippy::cast_precision_loss, reason = "the bits are reinterpreted")]
    #[expect(clippy::cast_possible_truncation, reason = "the format says how many bits count")]
    pub fn decode(&self, words: &Words) -> f64 {
        let count = self.format.registers();
        let bits = words.words[..count].iter().enumerate().fold(0_u64, |bits, (index, word)| {
            let place = if self.high_first { count - 1 - index } else { index };
            bits | u64::from(*word) << (16 * place)
        });
        let raw = match self.format {
            Format::F32 => f64::from(f32::from_bits(bits as u32)),
            Format::F64 => f64::from_bits(bits),
            Format::U16 | Format::U32 | Format::U64 => bits as f64,
            Format::I16 => f64::from(bits as u16 as i16),
            Format::I32 => f64::from(bits as u32 as i32),
            Format::I64 => bits as i64 as f64,
        };
        raw * self.scale
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the value is brought into range first"
    )]
    #[expect(clippy::cast_precision_loss, reason = "a counter's modulus is far below 2^53, or the whole of 64 bits")]
    fn counted(&self, raw: f64) -> u64 {
        let bits = 16 * self.format.registers() as u32;
        let modulus = match self.wraps_at {
            Some(modulus) => modulus as f64,
            None => 2_f64.powi(bits as i32),
        };
        // Adding a hair keeps 25.000000000001 litres, kept as 24.999999999999, from showing 24.
        let whole = (raw + 1e-9 * raw.abs().max(1.0)).floor();
        if whole >= 0.0 && whole < modulus { whole as u64 } else { whole.rem_euclid(modulus) as u64 }
    }
}

/// The value without the dust of binary fractions: 12.3 for 12.300000000000001.
#[must_use]
pub fn tidy(value: f64) -> f64 {
    format!("{value:.14e}").parse().unwrap_or(value)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a conversion from float saturates")]
fn saturated(raw: f64, bits: u32) -> u64 {
    let top = 2_f64.powi(bits as i32 - 1);
    let rounded = raw.round().clamp(-top, top);
    let whole = (rounded as i64).min(((1_u64 << (bits - 1)) - 1) as i64);
    whole as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn encoding(format: Format, high_first: bool) -> Encoding {
        Encoding { format, high_first, unit: LITRES, scale: 1.0, wraps_at: None }
    }

    #[test]
    fn published_values_stand_in_their_registers() {
        // IEEE 754 binary32 of 123456.0, as several sources print it: 47F12000.
        assert_eq!(encoding(Format::F32, true).encode(123_456.0).as_slice(), [0x47F1, 0x2000]);
        assert_eq!(encoding(Format::F32, false).encode(123_456.0).as_slice(), [0x2000, 0x47F1]);
        // Arithmetic of two's complement and binary64.
        assert_eq!(encoding(Format::U32, true).encode(1_234_567.0).as_slice(), [0x0012, 0xD687]);
        assert_eq!(encoding(Format::I32, true).encode(-123_456.0).as_slice(), [0xFFFE, 0x1DC0]);
        assert_eq!(encoding(Format::F64, true).encode(1_234_567.891).as_slice(), [0x4132, 0xD687, 0xE418, 0x9375]);
    }

    #[test]
    fn counters_wrap_and_measurements_stop_at_their_end() {
        let counter = Encoding { wraps_at: Some(1000), ..encoding(Format::U32, true) };
        assert_eq!(counter.decode(&counter.encode(2345.9)), 345.0);
        let narrow = encoding(Format::U16, true);
        assert_eq!(narrow.decode(&narrow.encode(65_537.0)), 1.0);
        assert_eq!(narrow.decode(&narrow.encode_nearest(-3.0)), 0.0);
        let signed = encoding(Format::I16, true);
        assert_eq!(signed.decode(&signed.encode(40_000.0)), 32_767.0);
        assert_eq!(signed.decode(&signed.encode(-40_000.0)), -32_768.0);
        // 0.1 has no exact binary fraction: 12.3 is still 123 tenths.
        let tenths = Encoding { scale: 0.1, ..encoding(Format::U32, true) };
        assert_eq!(tidy(tenths.decode(&tenths.encode(12.3))), 12.3);
    }

    proptest! {
        #[test]
        fn what_is_encoded_is_decoded(value in -32_000.0..32_000.0_f64, high_first: bool, unit in 0..7_usize) {
            for format in [Format::I16, Format::I32, Format::I64, Format::F32, Format::F64] {
                let encoding = Encoding { unit: FLOW_UNITS[unit], ..encoding(format, high_first) };
                let shown = encoding.decode(&encoding.encode(value * encoding.unit.base));
                let step = if format.is_float() { value.abs() * 1e-6 + 1e-9 } else { 0.5 + 1e-6 };
                prop_assert!((shown - value).abs() <= step, "{} as {}", value, shown);
            }
        }
    }
}

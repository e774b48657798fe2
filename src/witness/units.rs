//! Quantities that carry their unit in the type, and the units that people write.
//!
//! Inside the program a flow is in litres per second, a volume in litres, a current in milliamperes, a time in
//! milliseconds. A register or a settings file may use any unit of [`Unit`]; it is converted where it enters.

pub mod parse;
mod symbol;

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The bare number, in the unit that the type names.
            #[must_use]
            pub const fn value(self) -> f64 {
                self.0
            }

            /// The magnitude.
            #[must_use]
            pub const fn abs(self) -> Self {
                Self(self.0.abs())
            }
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl std::ops::Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

quantity!(
    /// A volume flow in litres per second.
    LitresPerSecond
);
quantity!(
    /// A volume in litres.
    Litres
);
quantity!(
    /// A loop current in milliamperes.
    Milliamperes
);
quantity!(
    /// A stretch of time in seconds, where a fraction matters and no calendar does.
    Seconds
);

impl std::ops::Mul<Seconds> for LitresPerSecond {
    type Output = Litres;
    fn mul(self, time: Seconds) -> Litres {
        Litres(self.0 * time.0)
    }
}

impl std::ops::Div<Seconds> for Litres {
    type Output = LitresPerSecond;
    fn div(self, time: Seconds) -> LitresPerSecond {
        LitresPerSecond(self.0 / time.0)
    }
}

impl std::ops::Div<LitresPerSecond> for Litres {
    type Output = Seconds;
    fn div(self, flow: LitresPerSecond) -> Seconds {
        Seconds(self.0 / flow.0)
    }
}

/// An instant of civil time: milliseconds since 1970-01-01T00:00:00Z. It may jump when a clock is set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct WallMillis(pub i64);

/// An instant on a time line that never jumps: milliseconds since some fixed beginning. Only differences mean anything.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SteadyMillis(pub i64);

impl SteadyMillis {
    /// The time that passed since `earlier`; negative if `earlier` is later.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a million years fit a double exactly")]
    pub const fn since(self, earlier: Self) -> Seconds {
        Seconds((self.0 - earlier.0) as f64 / 1000.0)
    }
}

/// What kind of quantity a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Dimension {
    /// A bare number, a count, a bit.
    Number,
    /// Volume per time; the base unit is L/s.
    Flow,
    /// The base unit is L.
    Volume,
    /// The base unit is mA.
    Current,
    /// The base unit is mm.
    Length,
    /// The base unit is s.
    Time,
    /// The base unit is m/s.
    Velocity,
    /// The base unit is the fraction 1.
    Fraction,
    /// Something else (a temperature, a conductivity): shown, never converted.
    Other,
}

impl Dimension {
    /// What to call it in a sentence, with its article.
    #[must_use]
    pub const fn noun(self) -> &'static str {
        match self {
            Self::Number => "a bare number",
            Self::Flow => "a flow",
            Self::Volume => "a volume",
            Self::Current => "a current",
            Self::Length => "a length",
            Self::Time => "a time",
            Self::Velocity => "a velocity",
            Self::Fraction => "a share",
            Self::Other => "neither a flow nor a volume",
        }
    }

    /// A quantity of this kind as one writes it.
    #[must_use]
    pub const fn example(self) -> &'static str {
        match self {
            Self::Number | Self::Other => "1",
            Self::Flow => "36 L/s",
            Self::Volume => "25 L",
            Self::Current => "3.8 mA",
            Self::Length => "100 mm",
            Self::Time => "300ms",
            Self::Velocity => "2 m/s",
            Self::Fraction => "0.1 %",
        }
    }

    /// A usual unit of this kind; empty where there is none.
    #[must_use]
    pub const fn example_unit(self) -> &'static str {
        match self {
            Self::Number | Self::Other => "",
            Self::Flow => "L/s",
            Self::Volume => "L",
            Self::Current => "mA",
            Self::Length => "mm",
            Self::Time => "s",
            Self::Velocity => "m/s",
            Self::Fraction => "%",
        }
    }
}

/// A unit as somebody wrote it, and what it is worth in the base unit of its dimension.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Unit {
    /// As written.
    pub symbol: String,
    /// What it measures.
    pub dimension: Dimension,
    /// Base units in one of it.
    pub to_base: f64,
}

impl Unit {
    /// The unit of bare numbers.
    #[must_use]
    pub const fn number() -> Self {
        Self { symbol: String::new(), dimension: Dimension::Number, to_base: 1.0 }
    }

    /// `number` of this unit, in the base unit of its dimension. Where the base unit is a whole multiple of this unit
    /// the number is divided, so that 300 ms are 0.3 s to the last bit.
    #[must_use]
    pub fn value_in_base(&self, number: f64) -> f64 {
        let units_per_base = (1.0 / self.to_base).round();
        if self.to_base < 1.0 && (units_per_base * self.to_base - 1.0).abs() < 1e-14 {
            number / units_per_base
        } else {
            number * self.to_base
        }
    }
}

/// A number for people: rounded to so many significant digits, without an exponent and without zeros that say nothing.
#[must_use]
pub fn figure(number: f64, digits: u8) -> String {
    if number == 0.0 || !number.is_finite() {
        return format!("{number}");
    }
    let before_point = number.abs().log10().floor() + 1.0;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to what can be printed")]
    let decimals = (f64::from(digits) - before_point).clamp(0.0, 12.0) as usize;
    let text = format!("{number:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A number rounded to so many decimals, so that what is nothing then carries no minus.
#[must_use]
pub fn without_signed_zero(number: f64, decimals: i32) -> f64 {
    let unit = 10_f64.powi(decimals);
    (number * unit).round() / unit + 0.0
}

#[cfg(test)]
mod tests {
    use super::{figure, without_signed_zero};

    #[test]
    fn nothing_has_no_sign() {
        assert_eq!(format!("{:+.3}", without_signed_zero(-0.000_4, 3)), "+0.000");
        assert_eq!(format!("{:+.3}", without_signed_zero(-0.000_6, 3)), "-0.001");
    }

    #[test]
    fn figures_say_no_more_than_their_digits() {
        for (number, text) in [
            (16.666_67, "16.7"),
            (36.0, "36"),
            (0.000_123_4, "0.000123"),
            (-2.5, "-2.5"),
            (1234.5, "1234"),
            (99.96, "100"),
            (0.0, "0"),
            (f64::NAN, "NaN"),
        ] {
            assert_eq!(figure(number, 3), text);
        }
    }
}

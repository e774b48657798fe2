//! Quantities that carry their unit in the type, and the units that people write.
//!
//! Inside the program a flow is in litres per second, a volume in litres, a current in milliamperes, a time in
//! milliseconds. A register or a settings file may use any unit of [`Unit`]; it is converted where it enters.

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The symbol of the unit.
            pub const SYMBOL: &'static str = $symbol;

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
    LitresPerSecond,
    "L/s"
);
quantity!(
    /// A volume in litres.
    Litres,
    "L"
);
quantity!(
    /// A loop current in milliamperes.
    Milliamperes,
    "mA"
);
quantity!(
    /// A stretch of time in seconds, where a fraction matters and no calendar does.
    Seconds,
    "s"
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

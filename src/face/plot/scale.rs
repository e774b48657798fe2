//! Axes: where they begin and end, and where their ticks stand.

use jiff::Timestamp;

/// What an axis measures.
#[derive(Clone, Debug, PartialEq)]
pub enum Scale {
    /// Numbers in a unit.
    Number,
    /// Seconds since 1970 in UTC.
    Time,
}

/// An axis and its label.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// The quantity and its unit.
    pub label: String,
    /// Numbers or times.
    pub scale: Scale,
    /// Where it begins and ends; chosen from what is drawn if absent.
    pub fixed: Option<(f64, f64)>,
}

/// The steps of a time axis, in seconds: those at which a clock or calendar is read.
const TIME_STEPS: [f64; 18] = [
    1.0,
    2.0,
    5.0,
    10.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    1_800.0,
    3_600.0,
    7_200.0,
    14_400.0,
    21_600.0,
    43_200.0,
    86_400.0,
    7.0 * 86_400.0,
    28.0 * 86_400.0,
];

impl Axis {
    /// An axis of numbers.
    #[must_use]
    pub fn number(label: impl Into<String>) -> Self {
        Self { label: label.into(), scale: Scale::Number, fixed: None }
    }

    /// An axis of civil time.
    #[must_use]
    pub fn time() -> Self {
        Self { label: "time (UTC)".to_owned(), scale: Scale::Time, fixed: None }
    }

    /// The same axis from here to there, whatever is drawn; what lies outside is drawn on the edge.
    #[must_use]
    pub fn from_to(self, low: f64, high: f64) -> Self {
        Self { fixed: Some((low, high)), ..self }
    }

    /// The range widened so that nothing lies on the frame and a constant has some room.
    pub(super) fn room(&self, low: f64, high: f64) -> (f64, f64) {
        if let Some(fixed) = self.fixed.filter(|(low, high)| low < high) {
            return fixed;
        }
        if !(low.is_finite() && high.is_finite()) {
            return (0.0, 1.0);
        }
        let margin = match self.scale {
            Scale::Time => 0.0,
            Scale::Number => (high - low) * 0.06,
        };
        if high - low <= f64::EPSILON * low.abs().max(high.abs()) {
            let around = if low == 0.0 { 1.0 } else { low.abs() * 0.05 };
            return (low - around, high + around);
        }
        (low - margin, high + margin)
    }

    /// At most about `wanted` ticks inside the range, each with its label.
    pub(super) fn ticks(&self, range: (f64, f64), wanted: u32) -> Vec<(f64, String)> {
        let span = range.1 - range.0;
        let step = match self.scale {
            Scale::Number => round_step(span / f64::from(wanted)),
            Scale::Time => {
                let least = span / f64::from(wanted);
                TIME_STEPS
                    .into_iter()
                    .find(|step| *step >= least)
                    .unwrap_or_else(|| round_step(least / 86_400.0) * 86_400.0)
            }
        };
        let first = (range.0 / step).ceil();
        (0..200)
            .map(|number| (first + f64::from(number)) * step)
            .take_while(|at| *at <= range.1 + step * 1e-9)
            .map(|at| (at, self.tick_label(at, step, span)))
            .collect()
    }

    fn tick_label(&self, at: f64, step: f64, span: f64) -> String {
        match self.scale {
            Scale::Number => {
                // As many digits as the step needs, and no "-0".
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 12 by the clamp")]
                let digits = (-step.log10().floor()).clamp(0.0, 12.0) as usize;
                let at = if at.abs() < step * 1e-6 { 0.0 } else { at };
                format!("{at:.digits$}").replace('-', "\u{2212}")
            }
            Scale::Time => {
                // Over more than a quarter of a day, midnight says which day begins.
                let is_midnight = span > 21_600.0 && at.rem_euclid(86_400.0) < 0.5;
                let format = if step >= 86_400.0 || is_midnight {
                    "%m-%d"
                } else if step >= 60.0 {
                    "%H:%M"
                } else {
                    "%H:%M:%S"
                };
                #[expect(clippy::cast_possible_truncation, reason = "whole seconds of civil time")]
                let second = at.round() as i64;
                Timestamp::from_second(second).map_or_else(|_| String::new(), |time| time.strftime(format).to_string())
            }
        }
    }
}

/// The next of 1, 2, 2.5, 5 times a power of ten.
fn round_step(least: f64) -> f64 {
    if !(least.is_finite() && least > 0.0) {
        return 1.0;
    }
    let decade = 10_f64.powf(least.log10().floor());
    [1.0, 2.0, 2.5, 5.0]
        .into_iter()
        .map(|mantissa| mantissa * decade)
        .find(|step| *step >= least * 0.999_999)
        .unwrap_or(10.0 * decade)
}

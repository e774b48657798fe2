//! Numbers as people set and read them.

/// Steps in which people set a full scale.
pub(super) const FINE_STEPS: [f64; 10] = [1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0];

/// Steps in which meters offer a pulse's volume.
pub(super) const COARSE_STEPS: [f64; 4] = [1.0, 2.0, 2.5, 5.0];

/// The smallest plain number that is at least `least`, which must be positive and finite.
pub(super) fn plain_at_least(least: f64, steps: &[f64]) -> f64 {
    let decade = 10_f64.powi(exponent(least));
    // A hair's breadth below, so that 2.5 is not found too small for 2.5 by a rounding.
    let enough = least * (1.0 - 1e-9);
    steps.iter().map(|step| step * decade).find(|plain| *plain >= enough).unwrap_or(10.0 * decade)
}

/// The largest plain number below `limit`.
pub(super) fn plain_below(limit: f64, steps: &[f64]) -> f64 {
    let decade = 10_f64.powi(exponent(limit));
    let enough = limit * (1.0 - 1e-9);
    let below = steps.iter().map(|step| step * decade).rfind(|plain| *plain < enough);
    below.unwrap_or_else(|| steps[steps.len() - 1] * decade / 10.0)
}

#[expect(clippy::cast_possible_truncation, reason = "the exponent of a double fits")]
fn exponent(number: f64) -> i32 {
    number.log10().floor() as i32
}

/// A number to three significant digits, without zeros that say nothing; below a ten-thousandth with its power of ten.
#[must_use]
pub fn figure(number: f64) -> String {
    if number == 0.0 || !number.is_finite() {
        return format!("{number}");
    }
    if number.abs() < 1e-4 {
        return format!("{number:.1e}");
    }
    let digits_before_point = exponent(number.abs()) + 1;
    let decimals = usize::try_from(3 - digits_before_point).unwrap_or(0).min(9);
    let text = format!("{number:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

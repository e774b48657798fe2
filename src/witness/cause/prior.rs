//! What is more likely before looking: settings are turned by decades, by 2 and 2.5, and by unit factors; small trims
//! near 1 are rarer, but they are what disputes are about.

use super::code::Code;

/// Factors by which a setting differs when somebody took one unit or one preset for another, each with its reciprocal.
const FACTORS: [f64; 26] = [
    10.0,
    100.0,
    1000.0,
    2.0,
    2.5,
    4.0,
    5.0,
    20.0,
    25.0,
    50.0,
    3.6,                // m3/h for L/s
    60.0,               // a minute for a second
    3600.0,             // an hour for a second
    16.666_666_666_667, // m3/h for L/min
    3.785_411_784,      // US gallon for litre
    4.546_09,           // imperial gallon for litre
    1.200_949_925,      // imperial gallon for US gallon
    15.850_323_141,     // US gal/min for L/s
    13.198_154_898,     // imp gal/min for L/s
    4.402_867_539,      // US gal/min for m3/h
    28.316_846_592,     // cubic foot for litre
    35.314_666_721,     // cubic foot for cubic metre
    7.480_519_481,      // US gallon for cubic foot
    11.574_074_074,     // ML/d for L/s
    24.0,
    1.5,
];

/// A named factor close to `ratio`: at most `tolerance` away relative to it.
pub(super) fn named_factor(ratio: f64, tolerance: f64) -> Option<f64> {
    if ratio <= 0.0 {
        return None;
    }
    FACTORS
        .into_iter()
        .flat_map(|factor| [factor, factor.recip()])
        .filter(|factor| (ratio / factor - 1.0).abs() <= tolerance)
        .min_by(|a, b| (ratio / a - 1.0).abs().total_cmp(&(ratio / b - 1.0).abs()))
}

/// Share of the prior on named factors, on small trims, on anything else.
const NAMED: f64 = 0.55;
const TRIMS: f64 = 0.2;
const ANYTHING: f64 = 0.25;
/// Spread of the small trims, in the logarithm of the ratio.
const TRIM_SPREAD: f64 = 0.02;
/// The logarithm of the widest ratio thought of.
const WIDEST: f64 = 9.2;

/// Natural logarithm of the prior mass of one named factor.
pub(super) fn log_named() -> f64 {
    (NAMED / 52.0).ln()
}

/// Natural logarithm of the prior density, per unit of the ratio's logarithm, away from named factors.
pub(super) fn log_density(ratio: f64) -> f64 {
    let distance = ratio.abs().max(1e-12).ln();
    let trims = TRIMS / (2.0 * TRIM_SPREAD) * (-distance.abs() / TRIM_SPREAD).exp();
    let anything = if distance.abs() < WIDEST { ANYTHING / (2.0 * WIDEST) } else { 1e-9 };
    (trims + anything).ln()
}

/// The logarithm of how much likelier it is that a cause is not there than that it is.
pub(super) const fn log_prior(code: Code) -> f64 {
    match code {
        Code::Agreement => 0.0,
        Code::Unexplained => -9.0,
        Code::BusTotalCoarse | Code::LoopLag => -3.5,
        Code::PulseWeight | Code::LoopSpan => -3.7,
        Code::PulseCrossed | Code::LoopCrossed | Code::PulseDirection | Code::LoopDirection => -5.0,
        _ => -4.2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unit_factors_agree_with_the_published_ones() {
        // NIST SP 811 (2008) App. B.8: US gal 3.785412e-3 m3, gal/min 6.309020e-5 m3/s, ft3 2.831685e-2 m3, imperial
        // gal 4.54609e-3 m3.
        assert_eq!(named_factor(3.785_412, 1e-6), Some(3.785_411_784));
        assert!(named_factor(1.0 / (6.309_020e-5 * 1000.0), 1e-6).is_some());
        assert!(named_factor(28.316_85, 1e-6).is_some());
        assert!(named_factor(4.546_09 / 3.785_412, 1e-6).is_some());
        assert!(named_factor(3600.0 * 6.309_020e-5, 1e-6).is_some(), "US gal/min in m3/h is the reciprocal");
        assert_eq!(named_factor(1.0, 1e-3), None);
    }

    #[test]
    fn the_density_is_a_density() {
        let step = 1e-3;
        let mut mass = 0.0;
        let mut at = -10.0;
        while at < 10.0 {
            mass += log_density(f64::exp(at)).exp() * step;
            at += step;
        }
        assert!((mass - TRIMS - ANYTHING).abs() < 0.02, "{mass}");
    }
}

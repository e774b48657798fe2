//! The straight line between flow and current: gain and offset, fitted robustly, limits respected.

use std::f64::consts::PI;

use super::pairs::{Pair, Scale};

/// What is thought of gain and offset before looking: means and standard deviations.
#[derive(Clone, Copy, Debug)]
pub(super) struct LinePrior {
    pub gain: (f64, f64),
    pub offset: (f64, f64),
}

impl LinePrior {
    /// As the input's accuracy and the meter's own output error allow.
    pub fn sound(scale: &Scale) -> Self {
        let half = 0.5 * scale.accuracy;
        Self { gain: (1.0, half), offset: (0.0, 16.0 * half) }
    }

    pub const fn free_gain(mut self) -> Self {
        self.gain.1 = 1e4;
        self
    }

    pub const fn free_offset(mut self) -> Self {
        self.offset.1 = 1e3;
        self
    }
}

/// The best line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LineFit {
    pub gain: f64,
    pub offset: f64,
    pub gain_uncertainty: f64,
    pub offset_uncertainty: f64,
    /// Log likelihood of the pairs at the best line, tempered.
    pub log_likelihood: f64,
    /// Log prior density of gain and offset there.
    pub log_prior: f64,
    /// Half the log determinant of 2 pi covariance.
    pub log_width: f64,
}

impl LineFit {
    /// The likelihood integrated over gain and offset.
    pub fn evidence(&self) -> f64 {
        self.log_likelihood + self.log_prior + self.log_width
    }
}

/// Degrees of freedom of the error's distribution: wide tails, so that a few bad blocks cannot shout the others down.
const TAILS: f64 = 4.0;

/// Log density of a deviation with a variance.
pub(super) fn log_density(deviation: f64, variance: f64) -> f64 {
    let square = deviation * deviation / variance;
    // Student's constant for four degrees of freedom: gamma(5/2) / (gamma(2) sqrt(4 pi)) = 3/8.
    (0.375_f64).ln() - 0.5 * variance.ln() - 0.5 * (TAILS + 1.0) * (square / TAILS).ln_1p()
}

/// Blocks share errors that no block knows of (quantisation, linearity): beyond this many they count for no more.
const INDEPENDENT: f64 = 400.0;

/// How much of its likelihood each of so many blocks brings.
#[expect(clippy::cast_precision_loss, reason = "a few thousand blocks")]
pub(super) fn temper(count: usize) -> f64 {
    (INDEPENDENT / count.max(1) as f64).min(1.0)
}

/// Fits gain and offset by iterated weights. `tempering` is that of the whole set, also when `pairs` is a part of it.
pub(super) fn fit(pairs: &[Pair], scale: &Scale, prior: LinePrior, start: (f64, f64), tempering: f64) -> LineFit {
    let (mut gain, mut offset) = start;
    let mut covariance = (prior.gain.1.powi(2), prior.offset.1.powi(2), 0.0);
    for _ in 0..6 {
        let (gain_precision, offset_precision) = (prior.gain.1.powi(-2), prior.offset.1.powi(-2));
        let mut sxx = gain_precision;
        let mut soo = offset_precision;
        let mut sxo = 0.0;
        let mut sxy = gain_precision * prior.gain.0;
        let mut soy = offset_precision * prior.offset.0;
        for pair in pairs {
            let raw = scale.unlimited(pair.flow, gain) + if scale.shifted_before_limits { offset } else { 0.0 };
            let block = scale.of_block(pair, gain, offset);
            let limited = block.cut > 0.02 || raw > scale.high - 0.02 || raw < scale.low + 0.02;
            if limited && scale.shifted_before_limits {
                continue;
            }
            let deviation = pair.current - block.mean;
            let variance = pair.variance + block.variance;
            let weight = tempering / variance * (TAILS + 1.0) / (TAILS + deviation * deviation / variance);
            let x = if limited { 0.0 } else { scale.slope * pair.flow };
            // At a limit the current tells of the offset alone.
            let y = if limited {
                pair.current - (block.mean - offset)
            } else {
                pair.current - 4.0 + scale.slope * scale.at_4_ma
            };
            sxx += weight * x * x;
            soo += weight;
            sxo += weight * x;
            sxy += weight * x * y;
            soy += weight * y;
        }
        let determinant = sxx * soo - sxo * sxo;
        if determinant <= 0.0 {
            break;
        }
        let next = ((soo * sxy - sxo * soy) / determinant, (sxx * soy - sxo * sxy) / determinant);
        covariance = (soo / determinant, sxx / determinant, -sxo / determinant);
        let settled = (next.0 - gain).abs() < 1e-7 && (next.1 - offset).abs() < 1e-7;
        (gain, offset) = next;
        if settled {
            break;
        }
    }
    let log_likelihood = tempering * pairs.iter().map(|pair| scale.log_density(pair, gain, offset)).sum::<f64>();
    let normal = |value: f64, (mean, deviation): (f64, f64)| {
        -0.5 * ((value - mean) / deviation).powi(2) - (deviation * (2.0 * PI).sqrt()).ln()
    };
    let determinant = (covariance.0 * covariance.1 - covariance.2 * covariance.2).max(1e-300);
    LineFit {
        gain,
        offset,
        gain_uncertainty: covariance.0.sqrt(),
        offset_uncertainty: covariance.1.sqrt(),
        log_likelihood,
        log_prior: normal(gain, prior.gain) + normal(offset, prior.offset),
        log_width: (2.0 * PI).ln() + 0.5 * determinant.ln(),
    }
}

/// A robust first guess of the gain: the median of current against flow where neither is near its end.
pub(super) fn rough_gain(pairs: &[Pair], scale: &Scale) -> f64 {
    let mut ratios: Vec<f64> = pairs
        .iter()
        .filter(|pair| pair.current > 4.4 && pair.current < scale.high - 0.2)
        .filter(|pair| (scale.slope * (pair.flow - scale.at_4_ma)).abs() > 0.02)
        .map(|pair| (pair.current - 4.0 + scale.slope * scale.at_4_ma) / (scale.slope * pair.flow))
        .filter(|ratio| ratio.is_finite() && *ratio > 0.0)
        .collect();
    if ratios.is_empty() {
        return 1.0;
    }
    let middle = ratios.len() / 2;
    let (_, median, _) = ratios.select_nth_unstable_by(middle, f64::total_cmp);
    *median
}

//! A straight line through calibration points by least squares, and how well it is known (JCGM 100:2008 annex H.3).

use serde::{Deserialize, Serialize};

/// y = intercept + slope (x - origin).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// The x at which the intercept is told.
    pub origin: f64,
    /// y at the origin.
    pub intercept: f64,
    /// Rise of y for one x.
    pub slope: f64,
    /// The standard uncertainty of the intercept.
    pub intercept_standard: f64,
    /// The standard uncertainty of the slope.
    pub slope_standard: f64,
    /// The correlation of the two.
    pub correlation: f64,
    /// The standard deviation of the points about the line.
    pub residual: f64,
}

impl Fit {
    /// The line through points of x and y. None through fewer than three: two lie on a line however wrong they are. None
    /// through points of one x.
    #[must_use]
    pub fn through(points: &[(f64, f64)], origin: f64) -> Option<Self> {
        if points.len() < 3 {
            return None;
        }
        let count = points.len() as f64;
        let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / count;
        let (x_mean, y_mean) = (mean(|point| point.0), mean(|point| point.1));
        let spread: f64 = points.iter().map(|(x, _)| (x - x_mean).powi(2)).sum();
        if spread <= 0.0 {
            return None;
        }
        let slope = points.iter().map(|(x, y)| (x - x_mean) * (y - y_mean)).sum::<f64>() / spread;
        let squares: f64 = points.iter().map(|(x, y)| (y - y_mean - slope * (x - x_mean)).powi(2)).sum();
        let variance = squares / (count - 2.0);
        let distance = origin - x_mean;
        let intercept_variance = variance * (1.0 / count + distance * distance / spread);
        let covariance = distance * variance / spread;
        let product = (intercept_variance * variance / spread).sqrt();
        Some(Self {
            origin,
            intercept: y_mean + slope * distance,
            slope,
            intercept_standard: intercept_variance.sqrt(),
            slope_standard: (variance / spread).sqrt(),
            correlation: if product > 0.0 { covariance / product } else { 0.0 },
            residual: variance.sqrt(),
        })
    }

    /// The same with an error that all y share, known to this standard uncertainty: it moves the line as a whole, and no
    /// number of points averages it away.
    #[must_use]
    pub fn with_shared(self, standard: f64) -> Self {
        let covariance = self.correlation * self.intercept_standard * self.slope_standard;
        let intercept_standard = self.intercept_standard.hypot(standard);
        let product = intercept_standard * self.slope_standard;
        let correlation = if product > 0.0 { covariance / product } else { 0.0 };
        Self { intercept_standard, correlation, ..self }
    }

    /// What the line says at an x, and its standard uncertainty.
    #[must_use]
    pub fn at(&self, x: f64) -> (f64, f64) {
        let distance = x - self.origin;
        let covariance = self.correlation * self.intercept_standard * self.slope_standard;
        let variance =
            self.intercept_standard.powi(2) + (distance * self.slope_standard).powi(2) + 2.0 * distance * covariance;
        (self.intercept + self.slope * distance, variance.max(0.0).sqrt())
    }
}

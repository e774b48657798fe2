//! An uncertainty budget: every contribution on a line of its own, and what they come to.

use serde::{Deserialize, Serialize};

/// Standard uncertainties in an expanded one: about 95 % of a normal distribution (JCGM 100:2008 §6.2, §6.3).
pub const COVERAGE: f64 = 2.0;

/// How what is known of an error is spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spread {
    /// Seen as scatter, or stated as a standard uncertainty (JCGM 100:2008 §4.2).
    Normal,
    /// Anywhere between two bounds, one place as likely as another (JCGM 100:2008 §4.3.7).
    Rectangular,
    /// Stated as an expanded uncertainty with coverage factor 2 (JCGM 100:2008 §4.3.3).
    Expanded,
}

impl Spread {
    /// What a stated bound is divided by to give a standard uncertainty.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal => 1.0,
            Self::Rectangular => 3_f64.sqrt(),
            Self::Expanded => COVERAGE,
        }
    }
}

/// One contribution.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What it comes from.
    pub what: String,
    /// Half its width, or its standard or expanded uncertainty, as `spread` says; in `unit`.
    pub bound: f64,
    /// The unit of the bound.
    pub unit: String,
    /// How it is spread.
    pub spread: Spread,
    /// How far the result moves for one of the unit: the sensitivity coefficient (JCGM 100:2008 §5.1.3).
    pub sensitivity: f64,
    /// The standard uncertainty that it gives the result, in the result's unit.
    pub standard: f64,
}

impl Contribution {
    /// A contribution and what it gives to the result.
    #[must_use]
    pub fn new(what: impl Into<String>, bound: f64, unit: &str, spread: Spread, sensitivity: f64) -> Self {
        let standard = (bound / spread.divisor() * sensitivity).abs();
        Self { what: what.into(), bound, unit: unit.to_owned(), spread, sensitivity, standard }
    }
}

/// The contributions to one result, independent of each other.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Line by line.
    pub lines: Vec<Contribution>,
    /// The combined standard uncertainty: the root of the sum of squares (JCGM 100:2008 §5.1.2).
    pub standard: f64,
    /// The expanded one, with [`COVERAGE`].
    pub expanded: f64,
}

impl Budget {
    /// Adds the lines up.
    #[must_use]
    pub fn of(lines: Vec<Contribution>) -> Self {
        let standard = lines.iter().map(|line| line.standard * line.standard).sum::<f64>().sqrt();
        Self { lines, standard, expanded: COVERAGE * standard }
    }
}

//! Plots as SVG text: for the report, which must print and stand alone, and for the page.
//!
//! A plot is a pure function of its series. Colours are left to the style sheet of the page that the plot stands in, by
//! class: `series-0`, `series-1`, ... so that paper, light and dark screens each get their own; series differ by dash
//! pattern and by label as well, so that none depends on colour alone.

mod scale;
mod svg;
mod thin;

pub use scale::{Axis, Scale};

/// How the points of a series are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Joined by straight lines; a NaN breaks the line.
    Line,
    /// Dots.
    Dots,
    /// A horizontal line held until the next point, as counters are.
    Steps,
}

/// One line or cloud of points.
#[derive(Clone, Debug)]
pub struct Series {
    /// What the legend calls it, with its unit if the axis does not say it.
    pub label: String,
    /// How it is drawn.
    pub mark: Mark,
    /// (x, y); a NaN in y is a gap.
    pub points: Vec<(f64, f64)>,
}

/// A shaded stretch of the x axis: a disagreement that stood open, maintenance.
#[derive(Clone, Debug)]
pub struct Stretch {
    /// Where it begins and ends.
    pub x: (f64, f64),
    /// The class that the style sheet knows, and the word in the legend: `disagreement`, `maintenance`.
    pub class: &'static str,
    /// What a reader is told.
    pub label: String,
}

/// A band or line of the y axis: a tolerance.
#[derive(Clone, Debug)]
pub struct Band {
    /// Lower and upper edge.
    pub y: (f64, f64),
    /// What the legend calls it.
    pub label: String,
}

/// One picture.
#[derive(Clone, Debug)]
pub struct Plot {
    /// Its heading, also its accessible name.
    pub title: String,
    /// What it shows, for those who do not see it.
    pub description: String,
    /// The horizontal axis.
    pub x: Axis,
    /// The vertical axis.
    pub y: Axis,
    /// What is drawn.
    pub series: Vec<Series>,
    /// What is shaded.
    pub stretches: Vec<Stretch>,
    /// What is let pass.
    pub bands: Vec<Band>,
}

/// The style sheet of plots and figures: colours for paper, light and dark screens, larger texts where it is narrow.
pub const STYLE: &str = include_str!("plot.css");

impl Plot {
    /// Draws the plot as a `<figure>` with its title and a legend, which belong beside it.
    #[must_use]
    pub fn to_figure(&self) -> String {
        svg::figure(self)
    }
}

#[cfg(test)]
mod tests;

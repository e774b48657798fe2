//! A plot as SVG text, and as a figure of HTML with its title and legend around it.
//!
//! Texts are placed in `em`, so that a style sheet may make them larger where the picture is shown small.

use std::fmt::Write;

use super::thin::thin;
use super::{Mark, Plot, Scale, Series};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 276.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 46.0;
/// The bar over a shaded stretch, so that it is seen without its shade.
const BAR: f64 = 4.0;

struct Frame {
    x: (f64, f64),
    y: (f64, f64),
}

impl Frame {
    fn left(&self, x: f64) -> f64 {
        let inside = ((x - self.x.0) / (self.x.1 - self.x.0)).clamp(0.0, 1.0);
        LEFT + inside * (WIDTH - LEFT - RIGHT)
    }

    fn top(&self, y: f64) -> f64 {
        let inside = ((y - self.y.0) / (self.y.1 - self.y.0)).clamp(0.0, 1.0);
        HEIGHT - BOTTOM - inside * (HEIGHT - TOP - BOTTOM)
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
}

pub(super) fn figure(plot: &Plot) -> String {
    let mut out = String::with_capacity(16_384);
    // Writing to a String cannot fail; the results are joined only to be dropped once.
    let _ = write_figure(&mut out, plot);
    out
}

fn write_figure(out: &mut String, plot: &Plot) -> std::fmt::Result {
    write!(out, r#"<figure class="plot-figure"><figcaption><b>{}</b>"#, escaped(&plot.title))?;
    legend(out, plot)?;
    out.push_str("</figcaption>");
    write_svg(out, plot)?;
    out.push_str("</figure>");
    Ok(())
}

fn write_svg(out: &mut String, plot: &Plot) -> std::fmt::Result {
    let points = || plot.series.iter().flat_map(|series| &series.points);
    let x = range(points().map(|(x, _)| *x));
    let y = range(points().map(|(_, y)| *y).chain(plot.bands.iter().flat_map(|band| [band.y.0, band.y.1])));
    let frame = Frame { x: plot.x.room(x.0, x.1), y: plot.y.room(y.0, y.1) };
    write!(
        out,
        r#"<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img"><title>{}</title><desc>{}</desc>"#,
        escaped(&plot.title),
        escaped(&plot.description)
    )?;
    let is_empty = points().next().is_none();
    if !is_empty {
        backgrounds(out, plot, &frame)?;
    }
    axes(out, plot, &frame, is_empty)?;
    if is_empty {
        let (middle, centre) = (f64::midpoint(LEFT, WIDTH - RIGHT), f64::midpoint(TOP, HEIGHT - BOTTOM));
        write!(out, r#"<text class="empty" x="{middle}" y="{centre}" text-anchor="middle">no readings</text>"#)?;
    }
    for (number, series) in plot.series.iter().enumerate() {
        one_series(out, series, number, &frame)?;
    }
    out.push_str("</svg>");
    Ok(())
}

fn backgrounds(out: &mut String, plot: &Plot, frame: &Frame) -> std::fmt::Result {
    for stretch in plot.stretches.iter().filter(|stretch| stretch.x.1 >= frame.x.0 && stretch.x.0 <= frame.x.1) {
        let (from, to) = (frame.left(stretch.x.0), frame.left(stretch.x.1));
        let wide = (to - from).max(1.0);
        write!(
            out,
            r#"<g class="stretch {}"><title>{}</title><rect class="shade" x="{from:.1}" y="{TOP}" width="{wide:.1}" height="{}"/><path class="bar" d="M{from:.1} {}h{wide:.1}"/></g>"#,
            stretch.class,
            escaped(&stretch.label),
            HEIGHT - TOP - BOTTOM,
            TOP + BAR / 2.0
        )?;
    }
    for band in &plot.bands {
        let (high, low) = (frame.top(band.y.1), frame.top(band.y.0));
        write!(
            out,
            r#"<rect class="band" x="{LEFT}" y="{high:.1}" width="{}" height="{:.1}"><title>{}</title></rect>"#,
            WIDTH - LEFT - RIGHT,
            (low - high).max(0.5),
            escaped(&band.label)
        )?;
    }
    Ok(())
}

fn axes(out: &mut String, plot: &Plot, frame: &Frame, is_empty: bool) -> std::fmt::Result {
    let (floor, edge) = (HEIGHT - BOTTOM, WIDTH - RIGHT);
    // What was never measured has no scale.
    let ticks = |axis: &super::Axis, range, wanted| if is_empty { Vec::new() } else { axis.ticks(range, wanted) };
    for (at, label) in ticks(&plot.y, frame.y, 5) {
        let top = frame.top(at);
        write!(
            out,
            r#"<path class="grid" d="M{LEFT} {top:.1}H{edge}"/><text class="tick" x="{}" y="{top:.1}" dy="0.33em" text-anchor="end">{label}</text>"#,
            LEFT - 6.0,
        )?;
    }
    let wanted = if plot.x.scale == Scale::Time { 6 } else { 7 };
    for (at, label) in ticks(&plot.x, frame.x, wanted) {
        let left = frame.left(at);
        write!(
            out,
            r#"<path class="grid" d="M{left:.1} {TOP}V{floor}"/><text class="tick" x="{left:.1}" y="{}" dy="1em" text-anchor="middle">{label}</text>"#,
            floor + 4.0
        )?;
    }
    write!(
        out,
        r#"<path class="frame" d="M{LEFT} {TOP}V{floor}H{edge}"/><text class="axis" x="{edge}" y="{}" dy="2.3em" text-anchor="end">{}</text><text class="axis" x="4" y="{}" dy="-0.5em">{}</text>"#,
        floor + 4.0,
        escaped(&plot.x.label),
        TOP - 4.0,
        escaped(&plot.y.label)
    )
}

fn one_series(out: &mut String, series: &Series, number: usize, frame: &Frame) -> std::fmt::Result {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the picture's width, a small number")]
    let points = thin(&series.points, frame.x, WIDTH as u32);
    if series.mark == Mark::Dots {
        write!(out, r#"<path class="dots series-{number}" d=""#)?;
        for (x, y) in points.iter().filter(|(_, y)| y.is_finite()) {
            write!(out, "M{:.1} {:.1}h0", frame.left(*x), frame.top(*y))?;
        }
        out.push_str("\"/>");
        return Ok(());
    }
    write!(out, r#"<path class="line series-{number}" d=""#)?;
    let mut drawing = false;
    for (x, y) in points {
        if !y.is_finite() {
            drawing = false;
            continue;
        }
        let (left, top) = (frame.left(x), frame.top(y));
        match (drawing, series.mark) {
            (false, _) => write!(out, "M{left:.1} {top:.1}")?,
            (true, Mark::Steps) => write!(out, "H{left:.1}V{top:.1}")?,
            (true, _) => write!(out, "L{left:.1} {top:.1}")?,
        }
        drawing = true;
    }
    out.push_str("\"/>");
    Ok(())
}

/// A row of samples with their labels, which wraps where the page is narrow.
fn legend(out: &mut String, plot: &Plot) -> std::fmt::Result {
    out.push_str(r#"<span class="legend">"#);
    for (number, series) in plot.series.iter().enumerate() {
        let sample = match series.mark {
            Mark::Dots => format!(r#"<path class="dots series-{number}" d="M6 6h0M14 6h0M22 6h0"/>"#),
            Mark::Line | Mark::Steps => format!(r#"<path class="line series-{number}" d="M0 6h28"/>"#),
        };
        entry(out, &sample, &series.label)?;
    }
    for band in &plot.bands {
        entry(out, r#"<rect class="band" x="0" y="1" width="28" height="10"/>"#, &band.label)?;
    }
    let mut told: Vec<&str> = Vec::new();
    for stretch in plot.stretches.iter().filter(|stretch| !stretch.label.is_empty()) {
        if !told.contains(&stretch.class) {
            told.push(stretch.class);
            let sample = format!(
                r#"<g class="stretch {}"><rect class="shade" x="0" y="0" width="28" height="12"/><path class="bar" d="M0 2h28"/></g>"#,
                stretch.class
            );
            entry(out, &sample, stretch.class)?;
        }
    }
    out.push_str("</span>");
    Ok(())
}

fn entry(out: &mut String, sample: &str, label: &str) -> std::fmt::Result {
    write!(
        out,
        r#" <span class="legend-entry"><svg class="plot-sample" viewBox="0 0 28 12" aria-hidden="true">{sample}</svg> {}</span>"#,
        escaped(label)
    )
}

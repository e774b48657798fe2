//! A plot as SVG text.

use std::fmt::Write;

use super::thin::thin;
use super::{Mark, Plot, Scale, Series};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 280.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 42.0;

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

pub(super) fn draw(plot: &Plot) -> String {
    let points = || plot.series.iter().flat_map(|series| &series.points);
    let x = range(points().map(|(x, _)| *x));
    let y = range(points().map(|(_, y)| *y).chain(plot.bands.iter().flat_map(|band| [band.y.0, band.y.1])));
    let frame = Frame { x: plot.x.room(x.0, x.1), y: plot.y.room(y.0, y.1) };

    let mut out = String::with_capacity(16_384);
    // Writing to a String cannot fail; the results are joined only to be dropped once.
    let _ = write_all(&mut out, plot, &frame);
    out
}

fn write_all(out: &mut String, plot: &Plot, frame: &Frame) -> std::fmt::Result {
    write!(
        out,
        r#"<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" xmlns="http://www.w3.org/2000/svg"><title>{}</title><desc>{}</desc>"#,
        escaped(&plot.title),
        escaped(&plot.description)
    )?;
    backgrounds(out, plot, frame)?;
    axes(out, plot, frame)?;
    if plot.series.iter().all(|series| series.points.is_empty()) {
        let (middle, centre) = (f64::midpoint(LEFT, WIDTH - RIGHT), f64::midpoint(TOP, HEIGHT - BOTTOM));
        write!(out, r#"<text class="empty" x="{middle}" y="{centre}" text-anchor="middle">no readings</text>"#)?;
    }
    for (number, series) in plot.series.iter().enumerate() {
        one_series(out, series, number, frame)?;
    }
    legend(out, plot)?;
    out.push_str("</svg>");
    Ok(())
}

fn backgrounds(out: &mut String, plot: &Plot, frame: &Frame) -> std::fmt::Result {
    for stretch in &plot.stretches {
        let (from, to) = (frame.left(stretch.x.0), frame.left(stretch.x.1));
        write!(
            out,
            r#"<rect class="stretch {}" x="{from:.1}" y="{TOP}" width="{:.1}" height="{}"><title>{}</title></rect>"#,
            stretch.class,
            (to - from).max(1.0),
            HEIGHT - TOP - BOTTOM,
            escaped(&stretch.label)
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

fn axes(out: &mut String, plot: &Plot, frame: &Frame) -> std::fmt::Result {
    let (floor, edge) = (HEIGHT - BOTTOM, WIDTH - RIGHT);
    for (at, label) in plot.y.ticks(frame.y, 5) {
        let top = frame.top(at);
        write!(
            out,
            r#"<path class="grid" d="M{LEFT} {top:.1}H{edge}"/><text class="tick" x="{}" y="{:.1}" text-anchor="end">{label}</text>"#,
            LEFT - 6.0,
            top + 3.5
        )?;
    }
    let wanted = if plot.x.scale == Scale::Time { 8 } else { 7 };
    for (at, label) in plot.x.ticks(frame.x, wanted) {
        let left = frame.left(at);
        write!(
            out,
            r#"<path class="grid" d="M{left:.1} {TOP}V{floor}"/><text class="tick" x="{left:.1}" y="{}" text-anchor="middle">{label}</text>"#,
            floor + 14.0
        )?;
    }
    write!(
        out,
        r#"<path class="frame" d="M{LEFT} {TOP}V{floor}H{edge}"/><text class="axis" x="{edge}" y="{}" text-anchor="end">{}</text><text class="axis" x="14" y="{}" text-anchor="middle" transform="rotate(-90 14 {})">{}</text>"#,
        floor + 32.0,
        escaped(&plot.x.label),
        f64::midpoint(TOP, floor),
        f64::midpoint(TOP, floor),
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

fn legend(out: &mut String, plot: &Plot) -> std::fmt::Result {
    let mut left = LEFT;
    let entries = plot.series.iter().enumerate().map(|(number, series)| match series.mark {
        Mark::Dots => (format!("dots series-{number}"), "h0", &series.label),
        Mark::Line | Mark::Steps => (format!("line series-{number}"), "h20", &series.label),
    });
    for (class, stroke, label) in entries {
        let start = if stroke == "h0" { left + 10.0 } else { left };
        write!(
            out,
            r#"<path class="{class}" d="M{start:.0} 14{stroke}"/><text class="legend" x="{:.0}" y="18">{}</text>"#,
            left + 26.0,
            escaped(label)
        )?;
        left += 40.0 + 6.6 * f64::from(u16::try_from(label.chars().count()).unwrap_or(u16::MAX));
    }
    for band in &plot.bands {
        write!(
            out,
            r#"<rect class="band" x="{left:.0}" y="9" width="20" height="10"/><text class="legend" x="{:.0}" y="18">{}</text>"#,
            left + 26.0,
            escaped(&band.label)
        )?;
        left += 40.0 + 6.6 * f64::from(u16::try_from(band.label.chars().count()).unwrap_or(u16::MAX));
    }
    Ok(())
}

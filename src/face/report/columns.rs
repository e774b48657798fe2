//! A series of any length in bounded memory, with what a picture needs of it.

use tallywell_witness::reading::{Reading, Sample};
use tallywell_witness::units::WallMillis;

/// Columns of a picture: more than a printed page resolves.
const COLUMNS: usize = 1_000;

/// Keeps of each column of a picture its first, lowest, highest and last point.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    from: f64,
    wide: f64,
    /// A silence longer than this breaks the line.
    gap: f64,
    last: Option<f64>,
    columns: Vec<Option<Column>>,
}

#[derive(Clone, Copy, Debug)]
struct Column {
    first: (f64, f64),
    low: (f64, f64),
    high: (f64, f64),
    last: (f64, f64),
    /// Where the line is broken before the first point.
    broken: bool,
}

impl Columns {
    /// For points between `from` and `to` on the x axis; a distance over `gap` breaks the line.
    pub(super) fn new((from, to): (f64, f64), gap: f64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "a small constant")]
        let wide = ((to - from) / COLUMNS as f64).max(1e-3);
        Self { from, wide, gap: gap.max(1.5 * wide), last: None, columns: vec![None; COLUMNS] }
    }

    /// The next point; a clock that was set back puts points among those that are there already.
    pub(super) fn push(&mut self, x: f64, y: f64) {
        if !(x.is_finite() && y.is_finite()) {
            return;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped; a cast saturates")]
        let place = (((x - self.from) / self.wide).floor().max(0.0) as usize).min(COLUMNS - 1);
        let broken = self.last.is_none_or(|last| x - last > self.gap);
        self.last = Some(x);
        let point = (x, y);
        match &mut self.columns[place] {
            Some(column) => {
                if y < column.low.1 {
                    column.low = point;
                }
                if y > column.high.1 {
                    column.high = point;
                }
                column.last = point;
            }
            empty => *empty = Some(Column { first: point, low: point, high: point, last: point, broken }),
        }
    }

    /// Breaks the line here: what comes after has nothing to do with what was before.
    pub(super) const fn break_line(&mut self) {
        self.last = None;
    }

    /// The points in their order; a NaN breaks the line.
    pub(super) fn into_points(self) -> Vec<(f64, f64)> {
        let mut points = Vec::new();
        for column in self.columns.into_iter().flatten() {
            if column.broken && !points.is_empty() {
                points.push((column.first.0, f64::NAN));
            }
            let mut kept = [column.first, column.low, column.high, column.last];
            kept.sort_by(|before, after| before.0.total_cmp(&after.0));
            for point in kept {
                if points.last() != Some(&point) {
                    points.push(point);
                }
            }
        }
        points
    }
}

/// Pairs of values as the cells of a grid in which they lie, coarser where there are too many.
#[derive(Clone, Debug)]
pub(super) struct Cloud {
    cell: (f64, f64),
    cells: std::collections::BTreeSet<(i64, i64)>,
}

/// More dots than this only make a page heavy.
const MOST_CELLS: usize = 3_000;

impl Cloud {
    /// A grid of cells so wide and so high.
    pub(super) const fn new(cell: (f64, f64)) -> Self {
        Self { cell, cells: std::collections::BTreeSet::new() }
    }

    /// The next pair.
    pub(super) fn push(&mut self, x: f64, y: f64) {
        if !(x.is_finite() && y.is_finite()) {
            return;
        }
        #[expect(clippy::cast_possible_truncation, reason = "a cast saturates")]
        let cell = |value: f64, wide: f64| (value / wide).round() as i64;
        self.cells.insert((cell(x, self.cell.0), cell(y, self.cell.1)));
        while self.cells.len() > MOST_CELLS {
            self.cell = (2.0 * self.cell.0, 2.0 * self.cell.1);
            self.cells = self.cells.iter().map(|(x, y)| (x.div_euclid(2), y.div_euclid(2))).collect();
        }
    }

    /// The centres of the cells.
    pub(super) fn into_points(self) -> Vec<(f64, f64)> {
        #[expect(clippy::cast_precision_loss, reason = "numbers of cells of a picture")]
        let at = |number: i64, wide: f64| number as f64 * wide;
        self.cells.iter().map(|(x, y)| (at(*x, self.cell.0), at(*y, self.cell.1))).collect()
    }
}

/// An instant on the x axis of a plot: seconds since 1970.
#[expect(clippy::cast_precision_loss, reason = "milliseconds of a million years fit a double exactly")]
pub(super) const fn seconds(instant: WallMillis) -> f64 {
    instant.0 as f64 / 1000.0
}

/// When a sample was taken, on the x axis of a plot.
pub(super) fn moment(reading: &Reading, sample: Sample) -> f64 {
    seconds(reading.wall) + sample.at.since(reading.at).0
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn extremes_ends_and_bounds_are_kept(ys in prop::collection::vec(-1e6..1e6_f64, 1..20_000)) {
            #[expect(clippy::cast_precision_loss, reason = "a few thousand points")]
            let points: Vec<(f64, f64)> = ys.iter().enumerate().map(|(x, y)| (x as f64, *y)).collect();
            let mut columns = Columns::new((0.0, 20_000.0), 5.0);
            for (x, y) in &points {
                columns.push(*x, *y);
            }
            let kept = columns.into_points();
            let highest = |points: &[(f64, f64)]| points.iter().map(|(_, y)| *y).fold(f64::NEG_INFINITY, f64::max);
            prop_assert_eq!(highest(&kept), highest(&points));
            prop_assert_eq!((kept.first(), kept.last()), (points.first(), points.last()));
            prop_assert!(kept.len() <= 5 * COLUMNS && kept.is_sorted_by(|before, after| before.0 <= after.0));
        }

        #[test]
        fn a_cloud_stays_small_and_near(pairs in prop::collection::vec((-50.0..50.0_f64, 3.0..22.0_f64), 1..6_000)) {
            let mut cloud = Cloud::new((0.01, 0.01));
            for (x, y) in &pairs {
                cloud.push(*x, *y);
            }
            let cell = cloud.cell;
            let dots = cloud.into_points();
            prop_assert!(dots.len() <= MOST_CELLS);
            let (x, y) = pairs[0];
            prop_assert!(dots.iter().any(|dot| (dot.0 - x).abs() <= 2.0 * cell.0 && (dot.1 - y).abs() <= 2.0 * cell.1));
        }
    }

    #[test]
    fn a_silence_breaks_the_line() {
        let mut columns = Columns::new((0.0, 1000.0), 5.0);
        for x in [0.0, 1.0, 2.0, 50.0, 51.0] {
            columns.push(x, x);
        }
        let points = columns.into_points();
        assert_eq!(points.iter().filter(|(_, y)| y.is_nan()).count(), 1);
        assert!(points[3].1.is_nan(), "{points:?}");
    }
}

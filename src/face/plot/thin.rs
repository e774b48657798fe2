//! Thins a series to what a picture can show, without losing a peak.

/// For each column of the picture the first, lowest, highest and last point, in the order in which they came; a gap
/// (NaN) is kept as a gap. `columns` is the picture's width; the result has at most `5 * columns` points.
pub(super) fn thin(points: &[(f64, f64)], range: (f64, f64), columns: u32) -> Vec<(f64, f64)> {
    let wide = f64::from(columns) / (range.1 - range.0);
    let column = |x: f64| ((x - range.0) * wide).floor();
    let mut thinned = Vec::new();
    for run in points.chunk_by(|before, after| column(before.0) == column(after.0)) {
        if run.len() <= 4 {
            thinned.extend_from_slice(run);
            continue;
        }
        let seen = || run.iter().enumerate().filter(|(_, (_, y))| !y.is_nan());
        let lowest = seen().min_by(|a, b| a.1.1.total_cmp(&b.1.1)).map(|(index, _)| index);
        let highest = seen().max_by(|a, b| a.1.1.total_cmp(&b.1.1)).map(|(index, _)| index);
        let gap = run.iter().position(|(_, y)| y.is_nan());
        let mut kept: Vec<usize> = [Some(0), lowest, highest, gap, Some(run.len() - 1)].into_iter().flatten().collect();
        kept.sort_unstable();
        kept.dedup();
        thinned.extend(kept.into_iter().map(|index| run[index]));
    }
    thinned
}

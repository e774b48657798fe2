//! How sure a share or a count is: exact 95 % intervals, so that no figure is read as more than its number of cases makes it.

use statrs::distribution::{Beta, ContinuousCDF, Gamma};

/// Half of what lies outside.
const TAIL: f64 = 0.025;

/// Between which shares the true one lies when `hits` of `cases` were hits (Clopper and Pearson 1934).
pub fn of_share(hits: u64, cases: u64) -> (f64, f64) {
    let quantile = |from: u64, to: u64, share: f64| {
        Beta::new(from as f64, to as f64).expect("both are above nought").inverse_cdf(share)
    };
    let low = if hits == 0 { 0.0 } else { quantile(hits, cases - hits + 1, TAIL) };
    let high = if hits == cases { 1.0 } else { quantile(hits + 1, cases - hits, 1.0 - TAIL) };
    (low, high)
}

/// Between which the number lies that is to be expected when `count` came by chance (Garwood 1936).
pub fn of_count(count: u64) -> (f64, f64) {
    let quantile =
        |shape: u64, share: f64| Gamma::new(shape as f64, 1.0).expect("both are above nought").inverse_cdf(share);
    (if count == 0 { 0.0 } else { quantile(count, TAIL) }, quantile(count + 1, 1.0 - TAIL))
}

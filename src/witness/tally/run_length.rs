//! Exact average run lengths of a one-sided CUSUM of independent standard normal blocks.
//!
//! With `S = max(0, S + z - k)` and an alarm at `S > h`, the average run length from a start at `s` satisfies
//! `L(s) = 1 + L(0) Phi(k - s - mu) + integral_0^h L(t) phi(t + k - s - mu) dt` (Page 1954). The integral is replaced by
//! Gauss-Legendre quadrature and the linear system solved (Nystroem's method), which converges geometrically because the
//! kernel is analytic.

use statrs::function::erf::erfc;

/// Nodes for each unit of the threshold; the kernel is one unit wide.
const NODES_PER_UNIT: f64 = 3.0;
const FEWEST_NODES: usize = 40;
/// More secants than any search takes.
const SECANTS: usize = 60;

/// The average number of blocks until an alarm, from a start at zero, when the blocks have mean `shift` and variance 1.
#[must_use]
pub fn average_run_length(reference: f64, threshold: f64, shift: f64) -> f64 {
    let nodes = node_count(threshold);
    let (points, weights) = gauss_legendre(nodes, threshold);
    // Unknowns: L(0), then L at the nodes.
    let size = nodes + 1;
    let mut matrix = vec![0.0; size * size];
    for row in 0..size {
        let from = if row == 0 { 0.0 } else { points[row - 1] };
        let centre = reference - from - shift;
        matrix[row * size] = -normal_cdf(centre);
        for node in 0..nodes {
            matrix[row * size + node + 1] = -weights[node] * normal_pdf(points[node] + centre);
        }
        matrix[row * size + row] += 1.0;
    }
    solve(&mut matrix, vec![1.0; size])[0]
}

/// The threshold at which a one-sided CUSUM has the wanted average run length in control.
#[must_use]
pub fn threshold_for(reference: f64, in_control: f64) -> f64 {
    // The logarithm of the run length is nearly a straight line in the threshold: secants converge in a few steps.
    let excess = |threshold| average_run_length(reference, threshold, 0.0).ln() - in_control.ln();
    let (mut before, mut now) = (1.0, 2.0);
    let (mut excess_before, mut excess_now) = (excess(before), excess(now));
    for _ in 0..SECANTS {
        if excess_now.abs() < 1e-10 || excess_now == excess_before {
            break;
        }
        let next = (now - excess_now * (now - before) / (excess_now - excess_before)).clamp(0.0, 2.5 * now + 1.0);
        (before, excess_before) = (now, excess_now);
        (now, excess_now) = (next, excess(next));
    }
    now
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "thresholds are some dozens at most")]
fn node_count(threshold: f64) -> usize {
    ((threshold * NODES_PER_UNIT).ceil() as usize).max(FEWEST_NODES)
}

fn normal_pdf(x: f64) -> f64 {
    (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x * std::f64::consts::FRAC_1_SQRT_2)
}

/// Points and weights on `0..length`, by Newton's iteration on the Legendre polynomial.
#[expect(clippy::cast_precision_loss, reason = "a few hundred nodes")]
fn gauss_legendre(nodes: usize, length: f64) -> (Vec<f64>, Vec<f64>) {
    let n = nodes as f64;
    (0..nodes)
        .map(|index| {
            let mut x = (std::f64::consts::PI * (index as f64 + 0.75) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut before, mut value) = (1.0, x);
                for degree in 2..=nodes {
                    let d = degree as f64;
                    (before, value) = (value, ((2.0 * d - 1.0) * x * value - (d - 1.0) * before) / d);
                }
                slope = n * (x * value - before) / (x * x - 1.0);
                let correction = value / slope;
                x -= correction;
                if correction.abs() < 1e-15 {
                    break;
                }
            }
            (0.5 * length * (1.0 + x), length / ((1.0 - x * x) * slope * slope))
        })
        .unzip()
}

/// Gaussian elimination with row pivoting.
fn solve(matrix: &mut [f64], mut right: Vec<f64>) -> Vec<f64> {
    let size = right.len();
    for column in 0..size {
        let pivot = (column..size)
            .max_by(|a, b| matrix[a * size + column].abs().total_cmp(&matrix[b * size + column].abs()))
            .unwrap_or(column);
        if pivot != column {
            for entry in 0..size {
                matrix.swap(pivot * size + entry, column * size + entry);
            }
            right.swap(pivot, column);
        }
        for row in column + 1..size {
            let factor = matrix[row * size + column] / matrix[column * size + column];
            if factor != 0.0 {
                for entry in column..size {
                    matrix[row * size + entry] -= factor * matrix[column * size + entry];
                }
                right[row] -= factor * right[column];
            }
        }
    }
    for row in (0..size).rev() {
        let known: f64 = (row + 1..size).map(|entry| matrix[row * size + entry] * right[entry]).sum();
        right[row] = (right[row] - known) / matrix[row * size + row];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(value: f64, published: f64, digits: f64) {
        assert!((value - published).abs() <= digits, "{value} instead of {published}");
    }

    /// Lucas and Crosier (1982), Technometrics 24(3), Table 1, h = 4; the two-sided chart has half the one-sided run
    /// length in control, and 1/ARL = 1/ARL(+) + 1/ARL(-) elsewhere.
    #[test]
    fn two_sided_run_lengths_of_lucas_and_crosier() {
        for (shift, published, digits) in [
            (0.0, 168.0, 0.5),
            (0.25, 74.2, 0.05),
            (0.5, 26.6, 0.05),
            (0.75, 13.3, 0.05),
            (1.0, 8.38, 0.005),
            (1.5, 4.75, 0.005),
            (2.0, 3.34, 0.005),
            (2.5, 2.62, 0.005),
            (3.0, 2.19, 0.005),
            (4.0, 1.71, 0.005),
            (5.0, 1.31, 0.005),
        ] {
            let upper = average_run_length(0.5, 4.0, shift);
            let lower = average_run_length(0.5, 4.0, -shift);
            close(1.0 / (1.0 / upper + 1.0 / lower), published, digits);
        }
    }

    /// The one-sided chart: twice the two-sided value in control (335, not 168; 931, not 465).
    #[test]
    fn one_sided_run_lengths() {
        close(average_run_length(0.5, 4.0, 0.0), 335.367_578, 1e-5);
        close(average_run_length(0.5, 5.0, 0.0), 930.887_012, 1e-5);
        close(average_run_length(0.5, 4.0, 1.0), 8.383_202, 1e-6);
        close(average_run_length(0.5, 5.0, 0.25), 141.687_745, 1e-5);
        close(average_run_length(0.5, 5.0, 3.0), 2.573_252, 1e-6);
    }

    /// Brook and Evans (1972), Biometrika 59(3): k = 0.5, h = 3: 117.59 and 3.75 at 1.5. Waldmann (1986),
    /// Technometrics 28(1): 1963 and 17.35 at -0.5 and 0.5. Vance (1986), Journal of Quality Technology 18(3): k = 0,
    /// h = 10.
    #[test]
    fn run_lengths_of_other_authors() {
        close(average_run_length(0.5, 3.0, 0.0), 117.59, 0.01);
        close(average_run_length(0.5, 3.0, 1.5), 3.75, 0.001);
        close(average_run_length(0.5, 3.0, -0.5), 1963.0, 1.0);
        close(average_run_length(0.5, 3.0, 0.5), 17.35, 0.005);
        for (shift, published) in [
            (-0.25, 2071.51),
            (-0.125, 400.28),
            (0.0, 124.66),
            (0.125, 59.30),
            (0.25, 36.71),
            (0.5, 20.37),
            (0.75, 14.06),
            (1.0, 10.75),
        ] {
            close(average_run_length(0.0, 10.0, shift), published, 0.005 + 5e-5 * published);
        }
    }

    /// Thresholds that the R package spc computes for k = 0.5.
    #[test]
    fn thresholds_for_a_wanted_run_length() {
        for (in_control, published) in [
            (100.0, 2.849_406),
            (370.398, 4.096_494),
            (1_000.0, 5.070_704),
            (10_000.0, 7.360_786),
            (100_000.0, 9.661_700),
            (1_000_000.0, 11.964_076),
        ] {
            close(threshold_for(0.5, in_control), published, 2e-6);
        }
        close(threshold_for(0.25, 1_000.0), 8.585_058, 2e-6);
    }

    /// Lorden's bound is asymptotic: at a finite run length the CUSUM's delay lies below `ln(ARL0) / I`, and the ratio
    /// rises towards one.
    #[test]
    fn delay_over_lordens_bound_rises_towards_one() {
        let mut before = 0.0;
        for (in_control, published) in [(100.0_f64, 0.663), (1_000.0, 0.761), (10_000.0, 0.819), (1_000_000.0, 0.879)] {
            let delay = average_run_length(0.5, threshold_for(0.5, in_control), 1.0);
            let ratio = delay / (in_control.ln() / 0.5);
            close(ratio, published, 0.0006);
            assert!(ratio > before && ratio < 1.0);
            before = ratio;
        }
    }
}

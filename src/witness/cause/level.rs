//! The local-level model: a level that drifts by known shapes of unknown size, wanders, and is seen with error.
//!
//! `level(i) = level(i-1) + sum_j theta_j x_j(i) + w(i)`, `seen(i) = level(i) + e(i)`, with `w` and `e` normal. The Kalman
//! filter is linear in what it filters, so that running it over each `x_j` beside the data gives the exact profile
//! likelihood of `theta` (generalised least squares) in one pass.

use std::f64::consts::PI;

/// The most shapes of unknown size at once.
pub(super) const SHAPES: usize = 4;

/// One step of the series.
#[derive(Clone, Copy, Debug)]
pub(super) struct LevelStep {
    /// What was seen, less all that is known.
    pub seen: f64,
    /// Variance of the error of seeing it.
    pub error: f64,
    /// Variance of the level's own wandering since the last step; infinite where the level begins anew.
    pub wander: f64,
    /// How much each shape adds since the last step, for a size of one.
    pub shapes: [f64; SHAPES],
}

/// What the filter found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LevelFit {
    /// Natural logarithm of the likelihood at the best sizes.
    pub log_likelihood: f64,
    /// The best size of each shape.
    pub size: [f64; SHAPES],
    /// Its standard uncertainty.
    pub uncertainty: [f64; SHAPES],
    /// Half the logarithm of det(2 pi covariance) of the sizes: the width of the peak, for Laplace's integral.
    pub log_width: f64,
    /// Sum of the squared standardised innovations, and their number.
    pub squares: f64,
    pub count: f64,
}

impl LevelFit {
    /// The likelihood integrated over the sizes by Laplace's method, given the logarithm of their prior density there.
    pub fn evidence(&self, log_prior_density: f64) -> f64 {
        self.log_likelihood + self.log_width + log_prior_density
    }
}

/// Runs the filter; the first `shapes` shapes are fitted.
///
/// A positive entry of `ridge` is the precision of a normal prior about zero on the size of that shape; it is integrated
/// into the width of the peak.
pub(super) fn fit(steps: impl Iterator<Item = LevelStep>, shapes: usize, ridge: [f64; SHAPES]) -> LevelFit {
    let mut started = false;
    let mut variance = 0.0;
    let mut level = 0.0;
    let mut reached = [0.0; SHAPES];
    let mut known = [0.0; SHAPES];
    let mut log_determinants = 0.0;
    let mut squares = 0.0;
    let mut count = 0.0;
    let mut cross = [0.0; SHAPES];
    let mut information = [[0.0; SHAPES]; SHAPES];
    for step in steps {
        for (reached, shape) in reached.iter_mut().zip(step.shapes) {
            *reached += shape;
        }
        if !started || step.wander.is_infinite() {
            started = true;
            variance = step.error;
            level = step.seen;
            known = reached;
            continue;
        }
        variance += step.wander;
        let spread = variance + step.error;
        let gain = variance / spread;
        let innovation = step.seen - level;
        level += gain * innovation;
        variance *= 1.0 - gain;
        log_determinants += (2.0 * PI * spread).ln();
        squares += innovation * innovation / spread;
        count += 1.0;
        let mut surprise = [0.0; SHAPES];
        for j in 0..shapes {
            surprise[j] = reached[j] - known[j];
            known[j] += gain * surprise[j];
        }
        for j in 0..shapes {
            cross[j] += innovation * surprise[j] / spread;
            for k in 0..=j {
                information[j][k] += surprise[j] * surprise[k] / spread;
            }
        }
    }
    let mut log_ridge = 0.0;
    for j in 0..shapes {
        if ridge[j] > 0.0 && information[j][j] > 1e-280 {
            information[j][j] += ridge[j];
            log_ridge += 0.5 * (ridge[j] / (2.0 * PI)).ln();
        }
    }
    let solved = solve(information, cross, shapes);
    let squares = (squares - solved.map_or(0.0, |solved| solved.reduction)).max(0.0);
    // The variances say what is known of the errors; a series that differs more is taken to be noisier by one common
    // factor, so that no single misfit outweighs the rest of the series.
    let scale = (squares / f64::max(count, 1.0)).max(1.0);
    let log_likelihood = -0.5 * (log_determinants + count * scale.ln() + squares / scale);
    solved.map_or(
        LevelFit {
            log_likelihood,
            size: [0.0; SHAPES],
            uncertainty: [f64::INFINITY; SHAPES],
            log_width: 0.0,
            squares,
            count,
        },
        |solved| LevelFit {
            log_likelihood,
            size: solved.size,
            uncertainty: solved.uncertainty.map(|uncertainty| uncertainty * scale.sqrt()),
            log_width: solved.log_width + log_ridge,
            squares,
            count,
        },
    )
}

#[derive(Clone, Copy)]
struct Solved {
    size: [f64; SHAPES],
    uncertainty: [f64; SHAPES],
    reduction: f64,
    log_width: f64,
}

/// Solves the normal equations, leaving out shapes that leave no trace in the data; `None` where none does.
fn solve(information: [[f64; SHAPES]; SHAPES], cross: [f64; SHAPES], shapes: usize) -> Option<Solved> {
    let mut traced = [0; SHAPES];
    let mut count = 0;
    for (j, row) in information.iter().enumerate().take(shapes) {
        if row[j] > 1e-280 {
            traced[count] = j;
            count += 1;
        }
    }
    if count == 0 {
        return None;
    }
    let mut packed = [[0.0; SHAPES]; SHAPES];
    let mut right = [0.0; SHAPES];
    for j in 0..count {
        right[j] = cross[traced[j]];
        for k in 0..=j {
            packed[j][k] = information[traced[j]][traced[k]];
        }
    }
    let packed = solve_traced(packed, right, count)?;
    let mut solved = Solved { size: [0.0; SHAPES], uncertainty: [f64::INFINITY; SHAPES], ..packed };
    for (place, shape) in traced.into_iter().enumerate().take(count) {
        solved.size[shape] = packed.size[place];
        solved.uncertainty[shape] = packed.uncertainty[place];
    }
    Some(solved)
}

/// Solves the normal equations by Cholesky's method; `None` where two shapes cannot be told apart.
fn solve_traced(information: [[f64; SHAPES]; SHAPES], cross: [f64; SHAPES], shapes: usize) -> Option<Solved> {
    let mut lower = [[0.0; SHAPES]; SHAPES];
    let mut log_root_determinant = 0.0;
    for j in 0..shapes {
        for k in 0..=j {
            let known: f64 = (0..k).map(|m| lower[j][m] * lower[k][m]).sum();
            let rest = information[j][k] - known;
            if j == k {
                if rest <= 1e-12 * information[j][j].max(1e-300) {
                    return None;
                }
                lower[j][j] = rest.sqrt();
                log_root_determinant += lower[j][j].ln();
            } else {
                lower[j][k] = rest / lower[k][k];
            }
        }
    }
    let forward = |right: [f64; SHAPES]| {
        let mut out = [0.0; SHAPES];
        for j in 0..shapes {
            let known: f64 = (0..j).map(|m| lower[j][m] * out[m]).sum();
            out[j] = (right[j] - known) / lower[j][j];
        }
        out
    };
    let half = forward(cross);
    let mut size = [0.0; SHAPES];
    for j in (0..shapes).rev() {
        let known: f64 = (j + 1..shapes).map(|m| lower[m][j] * size[m]).sum();
        size[j] = (half[j] - known) / lower[j][j];
    }
    let mut uncertainty = [0.0; SHAPES];
    for (j, uncertainty) in uncertainty.iter_mut().enumerate().take(shapes) {
        let mut unit = [0.0; SHAPES];
        unit[j] = 1.0;
        *uncertainty = forward(unit).iter().map(|value| value * value).sum::<f64>().sqrt();
    }
    #[expect(clippy::cast_precision_loss, reason = "at most four")]
    let log_width = 0.5 * shapes as f64 * (2.0 * PI).ln() - log_root_determinant;
    Some(Solved { size, uncertainty, reduction: half.iter().map(|value| value * value).sum(), log_width })
}

#[cfg(test)]
mod tests {
    use super::super::candidate::best_onset;
    use super::*;

    fn steps<'a>(y: &'a [f64], x: &'a [f64]) -> impl Iterator<Item = LevelStep> + 'a {
        // With a diffuse start and no wandering, the model is a straight-line regression of y on x.
        y.iter().zip(x).scan(0.0, |last, (y, x)| {
            let shape = x - *last;
            *last = *x;
            Some(LevelStep { seen: *y, error: 1.0, wander: 0.0, shapes: [shape, 0.0, 0.0, 0.0] })
        })
    }

    #[test]
    fn without_wandering_it_is_the_line_of_the_norris_data() {
        // NIST StRD, dataset Norris: slope 1.00211681802045, its standard deviation 0.429796848199937E-03 at a residual
        // standard deviation of 0.884796396144373; residual sum of squares 26.6173985294224.
        let pairs = [
            (0.1, 0.2),
            (338.8, 337.4),
            (118.1, 118.2),
            (888.0, 884.6),
            (9.2, 10.1),
            (228.1, 226.5),
            (668.5, 666.3),
            (998.5, 996.3),
            (449.1, 448.6),
            (778.9, 777.0),
            (559.2, 558.2),
            (0.3, 0.4),
            (0.1, 0.6),
            (778.1, 775.5),
            (668.8, 666.9),
            (339.3, 338.0),
            (448.9, 447.5),
            (10.8, 11.6),
            (557.7, 556.0),
            (228.3, 228.1),
            (998.0, 995.8),
            (888.8, 887.6),
            (119.6, 120.2),
            (0.3, 0.3),
            (0.6, 0.3),
            (557.6, 556.8),
            (339.3, 339.1),
            (888.0, 887.2),
            (998.5, 999.0),
            (778.9, 779.0),
            (10.2, 11.1),
            (117.6, 118.3),
            (228.9, 229.2),
            (668.4, 669.1),
            (449.2, 448.9),
            (0.2, 0.5),
        ];
        let (y, x): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
        let fit = fit(steps(&y, &x), 1, [0.0; SHAPES]);
        assert!((fit.size[0] - 1.002_116_818_020_45).abs() < 1e-9, "{}", fit.size[0]);
        assert!((fit.uncertainty[0] * 0.884_796_396_144_373 - 0.429_796_848_199_937E-03).abs() < 1e-9);
        assert!((fit.squares - 26.617_398_529_422_4).abs() < 1e-6, "{}", fit.squares);
    }

    #[test]
    fn a_step_in_the_level_is_found_where_the_nile_has_it() {
        // Annual flow of the Nile at Aswan from 1871 to 1970, 10^8 m^3: a change near 1898 (Cobb 1978, Biometrika 65,
        // 243-251). The best split in the sense of least squares is after 28 years, from a mean of 1097.75 to 849.97, and
        // leaves a sum of squares of 1,597,457.1944 (computed from the series with numpy; found too by its `ruptures`).
        let flows: [u16; 100] = [
            1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
            1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
            1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796,
            1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848,
            890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
        ];
        let from = |onset: usize| {
            let step = move |(year, flow): (usize, &u16)| LevelStep {
                seen: f64::from(*flow),
                error: 1.0,
                wander: 0.0,
                shapes: [f64::from(u8::from(year == onset)), 0.0, 0.0, 0.0],
            };
            let fit = fit(flows.iter().enumerate().map(step), 1, [0.0; SHAPES]);
            fit.size[0].is_finite().then_some((fit.log_likelihood, fit))
        };
        let (_, onset, found) = best_onset(flows.len(), from).expect("some beginning is best");
        assert_eq!(1871 + onset, 1899, "the first year of the lower flow");
        assert!((found.size[0] - (849.972_222 - 1097.75)).abs() < 1e-5, "{}", found.size[0]);
        assert!((found.squares - 1_597_457.194_4).abs() < 1e-3, "{}", found.squares);
    }

    #[test]
    fn a_shape_without_trace_is_left_out() {
        let fit = fit(steps(&[1.0, 2.0, 3.0], &[0.0, 0.0, 0.0]), 1, [0.0; SHAPES]);
        assert_eq!(fit.size[0], 0.0);
        assert!(fit.uncertainty[0].is_infinite());
    }
}

//! A bank of first-order dampings: bus and loop may be damped differently, so that each is seen through several.

/// A first-order damping of a signal that runs straight between its samples.
///
/// For a ramp of slope `s` the output of a first-order lag `tau` approaches `input - tau s`; between two samples the
/// distance to that line decays as `exp(-dt / tau)`. Exact for piecewise linear input, whatever the sampling.
#[derive(Clone, Copy, Debug)]
struct Lag {
    tau: f64,
    output: f64,
    decay: f64,
}

impl Lag {
    const fn new(tau: f64) -> Self {
        Self { tau, output: 0.0, decay: 0.0 }
    }

    fn step(&mut self, before: f64, now: f64, seconds: f64) {
        if self.tau == 0.0 {
            self.output = now;
            return;
        }
        let behind = self.tau * (now - before) / seconds;
        self.output = now - behind + (self.output - before + behind) * self.decay;
    }
}

/// Time constants in seconds that the bus's flow is seen through, to match a slower loop.
pub(super) const FLOW_LAGS: [f64; 13] = [0.0, 0.5, 1.0, 2.0, 3.5, 6.0, 10.0, 16.0, 25.0, 40.0, 65.0, 100.0, 160.0];
/// Time constants in seconds that the current is seen through, to match a slower bus.
pub(super) const CURRENT_LAGS: [f64; 6] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0];

/// One signal through every time constant of a list.
#[derive(Clone, Debug)]
pub(super) struct LagBank<const N: usize> {
    lags: [Lag; N],
    last: Option<(f64, f64)>,
    interval: f64,
}

impl<const N: usize> LagBank<N> {
    pub fn new(taus: [f64; N]) -> Self {
        Self { lags: taus.map(Lag::new), last: None, interval: 0.0 }
    }

    /// The next sample at `at` seconds. After a pause of many time constants the past is forgotten.
    pub fn push(&mut self, at: f64, value: f64) {
        let Some((last_at, last)) = self.last.replace((at, value)) else {
            self.restart(value);
            return;
        };
        let seconds = at - last_at;
        if seconds <= 0.0 {
            return;
        }
        if seconds > 120.0 {
            self.restart(value);
            return;
        }
        if (seconds - self.interval).abs() > 1e-6 {
            self.interval = seconds;
            for lag in &mut self.lags {
                lag.decay = if lag.tau == 0.0 { 0.0 } else { (-seconds / lag.tau).exp() };
            }
        }
        for lag in &mut self.lags {
            lag.step(last, value, seconds);
        }
    }

    fn restart(&mut self, value: f64) {
        for lag in &mut self.lags {
            lag.output = value;
        }
    }

    /// Adds every output to a row of sums.
    pub fn add_to(&self, sums: &mut [f64; N]) {
        for (sum, lag) in sums.iter_mut().zip(&self.lags) {
            *sum += lag.output;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_lags_by_its_time_constant_and_a_step_decays() {
        let mut bank = LagBank::new([0.0, 4.0]);
        bank.push(0.0, 0.0);
        for second in 1..=60 {
            bank.push(f64::from(second), f64::from(second) * 2.0);
        }
        let mut sums = [0.0; 2];
        bank.add_to(&mut sums);
        assert!((sums[0] - 120.0).abs() < 1e-9);
        assert!((sums[1] - (120.0 - 8.0)).abs() < 1e-4);
    }

    #[test]
    fn the_output_does_not_depend_on_how_finely_a_line_is_sampled() {
        let mut coarse = LagBank::new([3.0]);
        let mut fine = LagBank::new([3.0]);
        coarse.push(0.0, 1.0);
        fine.push(0.0, 1.0);
        coarse.push(10.0, 5.0);
        for tenth in 1..=100 {
            let at = f64::from(tenth) / 10.0;
            fine.push(at, 1.0 + 0.4 * at);
        }
        let (mut a, mut b) = ([0.0], [0.0]);
        coarse.add_to(&mut a);
        fine.add_to(&mut b);
        assert!((a[0] - b[0]).abs() < 1e-9);
    }
}

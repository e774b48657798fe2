//! How the true flow in a pipe goes over time.

use crate::random::Stream;

/// The flow that a pipe is given, without the fine structure of turbulence. Flows in litres per second, times in seconds
/// from the start.
#[derive(Clone, Debug, PartialEq)]
pub enum Profile {
    /// Always the same.
    Constant(f64),
    /// Points of time and flow, in order of time; before the first and after the last the flow stands.
    Table {
        /// (time, flow).
        points: Vec<(f64, f64)>,
        /// Straight lines between points; else each flow holds until the next point.
        linear: bool,
        /// The table begins again after this time.
        repeats_after: Option<f64>,
    },
    /// A day's pattern with a morning and an evening peak.
    Diurnal {
        /// The mean flow.
        mean: f64,
        /// The largest departure from the mean, as a fraction of it.
        swing: f64,
        /// The hour of the day at time 0.
        start_hour: f64,
    },
    /// A pump that fills a tank between two levels.
    Pump(Pump),
    /// All of them together.
    Sum(Vec<Self>),
}

/// A pump switched by a tank's level with hysteresis: on when empty, off when full.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pump {
    /// The flow when it runs into an empty tank.
    pub flow: f64,
    /// The fraction of the flow that is lost when the tank is full (more head).
    pub droop: f64,
    /// What is drawn from the tank, on average; it follows a daily pattern.
    pub demand: f64,
    /// The volume between the two levels, in litres.
    pub tank: f64,
    /// The fraction of the tank that is full at time 0.
    pub level: f64,
    /// The time of the ramp up and down.
    pub ramp: f64,
    /// The reverse flow just after a stop, until the check valve has closed.
    pub backflow: f64,
    /// The time that the reverse flow lasts.
    pub backflow_time: f64,
}

impl Profile {
    /// Flows that hold until the next.
    #[must_use]
    pub fn steps(points: &[(f64, f64)]) -> Self {
        Self::Table { points: points.to_vec(), linear: false, repeats_after: None }
    }

    /// A trapezoid for ever: `low` for `hold` seconds, up in `ramp`, `high` for `hold`, down in `ramp`.
    #[must_use]
    pub fn trapezoid(low: f64, high: f64, hold: f64, ramp: f64) -> Self {
        let points =
            vec![(0.0, low), (hold, low), (hold + ramp, high), (2.0 * hold + ramp, high), (2.0 * (hold + ramp), low)];
        Self::Table { points, linear: true, repeats_after: Some(2.0 * (hold + ramp)) }
    }
}

/// The fine structure of the true flow: a first-order autoregression in proportion to the flow.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Turbulence {
    /// Standard deviation as a fraction of the flow.
    pub relative: f64,
    /// Correlation time in seconds; 0 makes it white.
    pub correlation: f64,
}

/// A profile on its way through time.
#[derive(Clone, Debug)]
pub struct Flow {
    profile: Running,
    turbulence: Turbulence,
    departure: f64,
    // Coefficients of the autoregression for the last step size seen.
    step: f64,
    keep: f64,
    fresh: f64,
}

impl Flow {
    /// Begin at time 0.
    #[must_use]
    pub fn new(profile: &Profile, turbulence: Turbulence) -> Self {
        Self { profile: Running::new(profile), turbulence, departure: 0.0, step: 0.0, keep: 0.0, fresh: 0.0 }
    }

    /// The true flow at `time`, `step` after the last one asked for; times must not go back.
    #[inline]
    pub fn at(&mut self, time: f64, step: f64, random: &mut Stream) -> f64 {
        let base = self.profile.at(time);
        if self.turbulence.relative == 0.0 || base == 0.0 {
            return base;
        }
        if step != self.step {
            self.step = step;
            self.keep =
                if self.turbulence.correlation > 0.0 { (-step / self.turbulence.correlation).exp() } else { 0.0 };
            self.fresh = (1.0 - self.keep * self.keep).sqrt();
        }
        self.departure = self.keep * self.departure + self.fresh * random.normal();
        base * (1.0 + self.turbulence.relative * self.departure)
    }

    /// Whether a pump of the profile runs; true if it has none and the flow is not zero.
    #[must_use]
    pub fn running(&self) -> bool {
        self.profile.running()
    }
}

#[derive(Clone, Debug)]
enum Running {
    Constant(f64),
    Table { points: Vec<(f64, f64)>, linear: bool, repeats_after: Option<f64>, next: usize, round: f64 },
    Diurnal { mean: f64, swing: f64, start_hour: f64, until: f64, value: f64 },
    Pump(RunningPump),
    Sum(Vec<Self>),
}

impl Running {
    fn new(profile: &Profile) -> Self {
        match profile {
            Profile::Constant(flow) => Self::Constant(*flow),
            Profile::Table { points, linear, repeats_after } => Self::Table {
                points: if points.is_empty() { vec![(0.0, 0.0)] } else { points.clone() },
                linear: *linear,
                repeats_after: *repeats_after,
                next: 0,
                round: 0.0,
            },
            Profile::Diurnal { mean, swing, start_hour } => Self::Diurnal {
                mean: *mean,
                swing: *swing,
                start_hour: *start_hour,
                until: f64::NEG_INFINITY,
                value: 0.0,
            },
            Profile::Pump(pump) => Self::Pump(RunningPump::new(*pump)),
            Profile::Sum(parts) => Self::Sum(parts.iter().map(Self::new).collect()),
        }
    }

    #[inline]
    fn at(&mut self, time: f64) -> f64 {
        match self {
            Self::Constant(flow) => *flow,
            Self::Table { points, linear, repeats_after, next, round } => {
                if let Some(length) = *repeats_after {
                    while time - *round >= length {
                        *round += length;
                        *next = 0;
                    }
                }
                table_at(points, *linear, next, time - *round)
            }
            Self::Diurnal { mean, swing, start_hour, until, value } => {
                // A day's pattern moves so slowly that every tenth second is soon enough.
                if time >= *until {
                    *until = time + 10.0;
                    *value = *mean * (1.0 + *swing * daily_pattern(*start_hour + time / 3600.0));
                }
                *value
            }
            Self::Pump(pump) => pump.at(time),
            Self::Sum(parts) => parts.iter_mut().map(|part| part.at(time)).sum(),
        }
    }

    fn running(&self) -> bool {
        match self {
            Self::Constant(flow) => *flow != 0.0,
            Self::Table { points, next, .. } => points[next.saturating_sub(1)].1 != 0.0,
            Self::Diurnal { .. } => true,
            Self::Pump(pump) => pump.on,
            Self::Sum(parts) => parts.iter().any(Self::running),
        }
    }
}

/// A daily pattern between about -1 and 1 with peaks at 8 and 19 o'clock and its low in the small hours.
fn daily_pattern(hour: f64) -> f64 {
    let turn = std::f64::consts::TAU * hour / 24.0;
    (-0.62 * (turn - 0.55).cos() - 0.38 * (2.0 * turn - 0.6).cos()).clamp(-1.0, 1.0)
}

fn table_at(points: &[(f64, f64)], linear: bool, next: &mut usize, time: f64) -> f64 {
    while *next < points.len() && points[*next].0 <= time {
        *next += 1;
    }
    let before = points[next.saturating_sub(1)];
    match points.get(*next) {
        Some(after) if linear && *next > 0 => {
            before.1 + (after.1 - before.1) * (time - before.0) / (after.0 - before.0)
        }
        _ => before.1,
    }
}

#[derive(Clone, Debug)]
struct RunningPump {
    pump: Pump,
    level: f64,
    on: bool,
    changed: f64,
    flow_at_change: f64,
    last_time: f64,
    last_flow: f64,
}

impl RunningPump {
    fn new(pump: Pump) -> Self {
        Self {
            pump,
            level: pump.level,
            on: pump.level < 0.5,
            changed: -1.0e9,
            flow_at_change: 0.0,
            last_time: 0.0,
            last_flow: 0.0,
        }
    }

    fn at(&mut self, time: f64) -> f64 {
        let drawn = self.pump.demand * (1.0 + 0.5 * daily_pattern(time / 3600.0));
        self.level += (self.last_flow - drawn) * (time - self.last_time) / self.pump.tank;
        if (self.on && self.level >= 1.0) || (!self.on && self.level <= 0.0) {
            self.on = !self.on;
            self.changed = time;
            self.flow_at_change = self.last_flow;
        }
        let since = time - self.changed;
        let full = self.pump.flow * (1.0 - self.pump.droop * self.level.clamp(0.0, 1.0));
        self.last_time = time;
        self.last_flow = if self.on {
            if since < self.pump.ramp {
                self.flow_at_change + (full - self.flow_at_change) * since / self.pump.ramp
            } else {
                full
            }
        } else if since < self.pump.ramp {
            self.flow_at_change * (1.0 - since / self.pump.ramp)
        } else if since < self.pump.ramp + self.pump.backflow_time {
            // The water column swings back and the check valve slams: a half sine.
            -self.pump.backflow * (std::f64::consts::PI * (since - self.pump.ramp) / self.pump.backflow_time).sin()
        } else {
            0.0
        };
        self.last_flow
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cases::{Network, network};
    use crate::plant::{PointPlan, Shed};

    fn flows(profile: &Profile, turbulence: Turbulence, step: f64, count: u32) -> Vec<f64> {
        let mut flow = Flow::new(profile, turbulence);
        let mut random = Stream::new(3, 0);
        (0..count).map(|k| flow.at(f64::from(k) * step, step, &mut random)).collect()
    }

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    #[test]
    fn a_pump_runs_between_two_levels_and_fills_what_is_drawn() {
        let pump = Pump {
            flow: 30.0,
            droop: 0.1,
            demand: 12.0,
            tank: 20_000.0,
            level: 0.5,
            ramp: 10.0,
            backflow: 3.0,
            backflow_time: 6.0,
        };
        let flows = flows(&Profile::Pump(pump), Turbulence::default(), 1.0, 5 * 86_400);
        // Over days, what is pumped is what is drawn, but for one tank; the day's pattern has its own mean.
        let drawn =
            12.0 * (1.0 + 0.5 * mean(&(0..864).map(|k| daily_pattern(f64::from(k) / 36.0)).collect::<Vec<_>>()));
        assert!((mean(&flows) - drawn).abs() < 20_000.0 / (5.0 * 86_400.0) + 0.02, "{} of {drawn}", mean(&flows));
        let starts = flows.windows(2).filter(|pair| pair[0] <= 0.0 && pair[1] > 0.0).count();
        assert!((20..200).contains(&starts), "{starts} starts");
        let lowest = flows.iter().copied().fold(0.0, f64::min);
        assert!((-3.0..-2.8).contains(&lowest), "{lowest} L/s when the valve slams");
        assert!(flows.iter().copied().fold(0.0, f64::max) <= 30.0);
    }

    #[test]
    fn turbulence_has_the_deviation_and_the_correlation_asked_for() {
        let turbulence = Turbulence { relative: 0.02, correlation: 4.0 };
        let values = flows(&Profile::Constant(10.0), turbulence, 0.5, 400_000);
        let mean = mean(&values);
        let product = |lag: usize| {
            values.iter().zip(&values[lag..]).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / values.len() as f64
        };
        assert!((product(0).sqrt() - 0.2).abs() < 0.004, "{}", product(0).sqrt());
        // After one correlation time, 8 steps, 1/e is left.
        assert!((product(8) / product(0) - (-1.0_f64).exp()).abs() < 0.03, "{}", product(8) / product(0));
    }

    #[test]
    fn a_table_repeats() {
        let values = flows(&Profile::trapezoid(1.0, 5.0, 10.0, 4.0), Turbulence::default(), 1.0, 57);
        assert_eq!(values[5], 1.0);
        assert_eq!(values[12], 3.0);
        assert_eq!(values[20], 5.0);
        assert_eq!(values[..28], values[28..56]);
    }

    #[test]
    fn the_meter_totals_what_a_network_solver_lets_flow() {
        // EPANET's example Net1, pipe 10: largest flow 120.9147 L/s, 5711.802 m3 in a day at steps of 60 s, and rest from
        // minute 757 to 1367.
        let plan = PointPlan::usual(network(Network::Net1Pipe10, 120.9147), 150.0, 1000.0);
        let mut shed = Shed::new(vec![plan], 5);
        shed.advance_to(86_400.0);
        let total = shed.points()[0].meter().forward() / 1000.0;
        assert!((total - 5711.802).abs() < 0.001 * 5711.802, "{total} m3");
    }
}

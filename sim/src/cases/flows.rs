//! Random flow regimes, and what a profile amounts to over a stretch of time.

use crate::profile::{Flow, Profile, Pump, Turbulence};
use crate::random::Stream;

/// What a regime must offer for a trouble to leave marks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wanted {
    /// At least two flows far apart, held for long.
    pub varied: bool,
    /// Times without flow.
    pub rest: bool,
    /// The highest flow as a fraction of full scale.
    pub peak: (f64, f64),
    /// Reverse flow: how large as a fraction of full scale, and for how long after each stop.
    pub reverse: Option<(f64, f64)>,
    /// The pattern of a pipe in a network solver's example, whatever else is wanted.
    pub network: Option<Network>,
}

impl Default for Wanted {
    fn default() -> Self {
        Self { varied: false, rest: false, peak: (0.5, 0.95), reverse: None, network: None }
    }
}

/// A profile that offers what is wanted, for `duration` seconds and a full scale in L/s.
pub(crate) fn regime(wanted: &Wanted, full_scale: f64, duration: f64, random: &mut Stream) -> Profile {
    let peak = full_scale * random.between(wanted.peak.0, wanted.peak.1);
    if let Some(pipe) = wanted.network {
        return network(pipe, peak);
    }
    if let Some((size, time)) = wanted.reverse {
        return pump(peak, size * full_scale, time, duration, random);
    }
    let choice = if wanted.rest {
        random.pick(&[0, 1])
    } else if wanted.varied {
        random.pick(&[0, 1, 2])
    } else {
        random.pick(&[0, 1, 2, 3, 4, 5])
    };
    match choice {
        0 => steps(peak, duration, random),
        1 => pump(peak, 0.0, 0.0, duration, random),
        2 => {
            let hold = random.log_between(300.0, duration / 6.0);
            let ramp = random.log_between(20.0, 0.5 * hold);
            Profile::trapezoid(peak * random.between(0.1, 0.3), peak, hold, ramp)
        }
        3 => Profile::Diurnal { mean: peak * 0.6, swing: 0.6, start_hour: random.between(0.0, 24.0) },
        4 => network(random.pick(&[Network::Net1Pipe10, Network::Net3Pipe60]), peak),
        _ => wandering(peak, duration, random),
    }
}

/// Flows from a network solver, with the pattern of an example network and this highest flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Network {
    /// A pump that fills a tank, a whole morning long, and rests until late.
    Net1Pipe10,
    /// A main that carries two levels of flow, as a pump at its end runs or not.
    Net3Pipe60,
    /// A tank's pipe: flow in both directions.
    Net3Pipe20,
}

/// The flow of a pipe in an example network, scaled so that the largest is `peak` L/s.
#[must_use]
pub fn network(pipe: Network, peak: f64) -> Profile {
    let text = match pipe {
        Network::Net1Pipe10 => include_str!("../../../tests/flows/net1-10.csv"),
        Network::Net3Pipe60 => include_str!("../../../tests/flows/net3-60.csv"),
        Network::Net3Pipe20 => include_str!("../../../tests/flows/net3-20.csv"),
    };
    let points: Vec<(f64, f64)> = text
        .lines()
        .skip(1)
        .filter_map(|line| line.split_once(','))
        .filter_map(|(time, flow)| Some((time.parse().ok()?, flow.parse().ok()?)))
        .collect();
    let highest = points.iter().fold(0.0_f64, |highest, (_, flow)| highest.max(*flow));
    let points = points.into_iter().map(|(time, flow)| (time, flow / highest * peak)).collect();
    Profile::Table { points, linear: true, repeats_after: Some(86_400.0) }
}

/// Levels that jump within a few seconds; a third of the time there is none or little.
fn steps(peak: f64, duration: f64, random: &mut Stream) -> Profile {
    let mut points = vec![(0.0, peak)];
    let mut time = 0.0;
    let mut high = true;
    let mean = (duration / 12.0).min(2400.0);
    while time < duration {
        let flow = if high { peak * random.between(0.7, 1.0) } else { random.pick(&[0.0, 0.0, 0.15, 0.3]) * peak };
        points.push((time + random.between(1.0, 30.0), flow));
        time += random.between(0.5, 1.5) * mean;
        points.push((time, flow));
        high = !high || random.chance(0.3);
    }
    Profile::Table { points, linear: true, repeats_after: None }
}

/// A pump with a tank, switched on at least four times in the stretch.
fn pump(peak: f64, backflow: f64, backflow_time: f64, duration: f64, random: &mut Stream) -> Profile {
    let droop = random.between(0.0, 0.1);
    let demand = peak * random.between(0.35, 0.6);
    let run = random.between(duration / 30.0, duration / 10.0);
    Profile::Pump(Pump {
        flow: peak,
        droop,
        demand,
        tank: (peak * (1.0 - droop) - demand) * run,
        level: random.between(0.0, 0.9),
        ramp: random.log_between(3.0, 40.0),
        backflow,
        backflow_time,
    })
}

fn wandering(peak: f64, duration: f64, random: &mut Stream) -> Profile {
    let mut points = Vec::new();
    let mut time = 0.0;
    while time < duration {
        points.push((time, peak * random.between(0.3, 1.0)));
        time += random.between(600.0, 3600.0);
    }
    Profile::Table { points, linear: true, repeats_after: None }
}

/// What a profile amounts to, without its fine structure.
#[derive(Clone, Debug)]
pub(crate) struct Amounts {
    /// The flow at every [`AMOUNTS_STEP`] seconds.
    flows: Vec<f64>,
    highest: f64,
}

const AMOUNTS_STEP: f64 = 2.0;

impl Amounts {
    /// Of `profile` from 0 to `duration`.
    pub fn of(profile: &Profile, duration: f64) -> Self {
        let mut flow = Flow::new(profile, Turbulence::default());
        let mut random = Stream::new(0, 0);
        let count = (duration / AMOUNTS_STEP) as u32;
        let flows: Vec<f64> =
            (0..count).map(|k| flow.at(f64::from(k) * AMOUNTS_STEP, AMOUNTS_STEP, &mut random)).collect();
        let highest = flows.iter().copied().fold(0.0, f64::max);
        Self { flows, highest }
    }

    /// Litres that flow forward from `begin` seconds on.
    pub fn volume(&self, begin: f64) -> f64 {
        self.after(begin).map(|flow| flow.max(0.0) * AMOUNTS_STEP).sum()
    }

    /// The integral of what `of` makes of each flow, from `begin` seconds on.
    pub fn integral(&self, begin: f64, of: impl Fn(f64) -> f64) -> f64 {
        self.after(begin).map(|flow| of(flow) * AMOUNTS_STEP).sum()
    }

    /// The mean difference between these flows and others times `scale`, whatever its sign, from `begin` seconds on.
    pub fn mean_difference(&self, other: &Self, scale: f64, begin: f64) -> f64 {
        let differences = self.after(begin).zip(other.after(begin)).map(|(one, other)| (one - scale * other).abs());
        let (count, sum) = differences.fold((0.0, 0.0), |(count, sum), difference| (count + 1.0, sum + difference));
        sum / f64::max(count, 1.0)
    }

    /// The seconds with forward flow, from `begin` seconds on.
    pub fn running(&self, begin: f64) -> f64 {
        self.integral(begin, |flow| f64::from(flow > 0.0))
    }

    /// The mean flow while there is any, from `begin` seconds on.
    pub fn mean_running(&self, begin: f64) -> f64 {
        self.volume(begin) / self.running(begin).max(1.0)
    }

    /// The flow that is exceeded a `share` of the time.
    pub fn exceeded(&self, share: f64) -> f64 {
        let mut sorted = self.flows.clone();
        sorted.sort_by(|a, b| b.total_cmp(a));
        sorted[(sorted.len() as f64 * share) as usize]
    }

    /// The least and the largest flow from `begin` seconds on.
    pub fn range(&self, begin: f64) -> (f64, f64) {
        self.after(begin)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), flow| (least.min(flow), most.max(flow)))
    }

    /// The largest flow.
    pub const fn highest(&self) -> f64 {
        self.highest
    }

    /// The first time from `begin` on when there has been flow for `lasting` seconds and will be for as long again.
    pub fn steady_flow(&self, begin: f64, lasting: f64) -> Option<f64> {
        let need = (2.0 * lasting / AMOUNTS_STEP) as usize;
        let first = (begin / AMOUNTS_STEP) as usize;
        let mut run = 0;
        for (k, flow) in self.flows.iter().enumerate().skip(first) {
            run = if *flow > 0.05 * self.highest { run + 1 } else { 0 };
            if run >= need {
                return Some((k + 1) as f64 * AMOUNTS_STEP - lasting);
            }
        }
        None
    }

    fn after(&self, begin: f64) -> impl Iterator<Item = f64> + '_ {
        self.flows.iter().copied().skip((begin / AMOUNTS_STEP) as usize)
    }
}

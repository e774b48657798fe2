//! How much of a line's time plans need, and what to change where it is too much.

use std::time::Duration;

use super::{LinePlan, OnLine, Plan, PlanError};
use crate::declared::Device;

/// What one plan asks of the line in each of its periods.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Demand {
    /// The period; never zero.
    pub every: Duration,
    /// Wire time in each period.
    pub wire_time: Duration,
    /// The longest transaction in it.
    pub longest: Duration,
}

/// The share of a line's time that plans need.
#[derive(Clone, Debug, PartialEq)]
pub struct LineLoad {
    /// Wire time needed for each second, as a fraction of 1: above 1 no schedule can keep the periods.
    pub fraction: f64,
    /// True if some plan takes whatever time is left.
    pub takes_the_rest: bool,
    /// Wire time of one turn of everything, with or without a period.
    pub one_turn: Duration,
    /// The plans with a period.
    pub demands: Vec<Demand>,
}

impl LineLoad {
    /// The load of plans with their periods; a period of zero takes what is left.
    pub fn of<'a>(plans: impl IntoIterator<Item = (&'a Plan, Duration)>) -> Self {
        let mut load = Self { fraction: 0.0, takes_the_rest: false, one_turn: Duration::ZERO, demands: Vec::new() };
        for (plan, every) in plans {
            let wire_time = plan.wire_time();
            load.one_turn += wire_time;
            if every.is_zero() {
                load.takes_the_rest = true;
            } else {
                load.fraction += wire_time.as_secs_f64() / every.as_secs_f64();
                load.demands.push(Demand { every, wire_time, longest: plan.longest_transaction() });
            }
        }
        load
    }

    /// True if earliest deadline first keeps every period.
    ///
    /// The line is one resource and a transaction cannot be interrupted. For every stretch of time L up to the longest
    /// period, what falls due within L and the longest transaction that may just have begun for a longer period fit in L;
    /// beyond, a fraction of at most 1 suffices (Jeffay, Stanat, Martel: On non-preemptive scheduling of periodic and
    /// sporadic tasks, 1991, theorem 4.1; here each transaction is a section that cannot be interrupted).
    #[must_use]
    pub fn fits(&self) -> bool {
        self.fraction <= 1.0 && self.too_short_a_period().is_none()
    }

    /// The shortest stretch in which more falls due than the line can carry, though it may carry the average.
    #[must_use]
    pub fn too_short_a_period(&self) -> Option<Duration> {
        let longest_period = self.demands.iter().map(|demand| demand.every).max()?;
        let mut stretches: Vec<Duration> =
            self.demands.iter().flat_map(|demand| multiples(demand.every, longest_period)).collect();
        stretches.sort_unstable();
        stretches.dedup();
        stretches.into_iter().find(|stretch| self.falls_due_within(*stretch) > *stretch)
    }

    fn falls_due_within(&self, stretch: Duration) -> Duration {
        let due: Duration = self
            .demands
            .iter()
            .map(|demand| {
                let times = stretch.as_nanos() / demand.every.as_nanos();
                demand.wire_time * u32::try_from(times).unwrap_or(u32::MAX)
            })
            .sum();
        let longer = self.demands.iter().filter(|demand| demand.every > stretch);
        due + longer.map(|demand| demand.longest).max().unwrap_or_default()
    }
}

/// Multiples of a period up to a limit; at most a thousand, beyond which the share of short periods has long shown.
fn multiples(every: Duration, limit: Duration) -> impl Iterator<Item = Duration> {
    (1..=1000).map(move |count| every * count).take_while(move |stretch| *stretch <= limit)
}

/// One change that would let a line carry its load.
#[derive(Clone, Debug, PartialEq)]
pub enum Remedy {
    /// A faster line.
    Baud {
        /// The lowest standard rate that fits.
        baud: u32,
        /// The fraction of the line's time needed then.
        fraction: f64,
    },
    /// Longer periods.
    Period {
        /// By how much every period would have to be longer.
        times: f64,
        /// The new common period, where all devices have the same one.
        every: Option<Duration>,
        /// The fraction of the line's time needed then.
        fraction: f64,
    },
    /// Reading over unmapped registers, where the devices allow it.
    GapsReadable {
        /// The devices whose maps forbid it now.
        devices: Vec<String>,
        /// The fraction of the line's time needed then.
        fraction: f64,
    },
}

/// Rates that serial ports and meters commonly offer, in bits a second.
const STANDARD_BAUDS: [u32; 9] = [1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400];

/// The changes that would let a line carry its load, each alone, the gentlest first; none if it fits already. `now` is the
/// line's plan as it is.
///
/// # Errors
///
/// As [`OnLine::plan`].
pub fn what_would_fit(on: &OnLine<'_>, now: &LinePlan) -> Result<Vec<Remedy>, PlanError> {
    if now.load().fits() {
        return Ok(Vec::new());
    }
    let mut remedies = Vec::new();
    remedies.extend(gaps_readable(on, now)?);
    remedies.extend(faster_line(on, now)?);
    remedies.extend(longer_periods(now));
    Ok(remedies)
}

fn gaps_readable(on: &OnLine<'_>, now: &LinePlan) -> Result<Option<Remedy>, PlanError> {
    let mut changed: Vec<Device> = on.devices.iter().map(|device| (*device).clone()).collect();
    let mut devices = Vec::new();
    for device in changed.iter_mut().filter(|device| !device.map.gaps_readable) {
        device.map.gaps_readable = true;
        devices.push(device.name.clone());
    }
    devices.sort();
    let then = OnLine { devices: changed.iter().collect(), ..on.clone() }.plan()?;
    let requests = |plan: &LinePlan, name: &str| -> usize {
        plan.devices.iter().filter(|device| device.device == name).map(|device| device.plan.requests.len()).sum()
    };
    devices.retain(|name| requests(&then, name) < requests(now, name));
    let load = then.load();
    Ok(load.fits().then_some(Remedy::GapsReadable { devices, fraction: load.fraction }))
}

fn faster_line(on: &OnLine<'_>, now: &LinePlan) -> Result<Option<Remedy>, PlanError> {
    let mut line = on.line.clone();
    for baud in STANDARD_BAUDS.into_iter().filter(|baud| *baud > now.timing.framing().baud) {
        line.framing.baud = baud;
        let load = OnLine { line: &line, ..on.clone() }.plan()?.load();
        if load.fits() {
            return Ok(Some(Remedy::Baud { baud, fraction: load.fraction }));
        }
    }
    Ok(None)
}

/// Periods people would write, in milliseconds.
const PLAIN_PERIODS: [u64; 13] = [100, 200, 250, 500, 1000, 1500, 2000, 3000, 5000, 10_000, 15_000, 30_000, 60_000];

/// The gentlest stretching of all periods that fits, found by halving the interval; a common period becomes a plain one.
fn longer_periods(now: &LinePlan) -> Option<Remedy> {
    let stretched = |times: f64| {
        let periods = now.devices.iter().map(|device| (&device.plan, device.every.mul_f64(times)));
        LineLoad::of(periods)
    };
    let most = 10_000.0;
    if !stretched(most).fits() {
        return None;
    }
    let (mut too_little, mut enough) = (1.0, most);
    while enough / too_little > 1.001 {
        let middle = f64::sqrt(too_little * enough);
        if stretched(middle).fits() {
            enough = middle;
        } else {
            too_little = middle;
        }
    }
    let readings = || now.devices.iter().filter(|device| device.every < super::SETTINGS_PERIOD);
    let common = readings().next().map(|device| device.every);
    let common = common.filter(|every| !every.is_zero() && readings().all(|device| device.every == *every));
    let plain = common.and_then(|every| {
        let least = every.mul_f64(enough);
        PLAIN_PERIODS.into_iter().map(Duration::from_millis).find(|period| *period >= least)
    });
    if let (Some(every), Some(plain)) = (common, plain) {
        enough = plain.as_secs_f64() / every.as_secs_f64();
    }
    Some(Remedy::Period { times: enough, every: plain, fraction: stretched(enough).fraction })
}

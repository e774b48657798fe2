//! Points of measurement (a pipe, its meter and what receives its outputs) and a shed of them, moved through time.

use crate::conditions::Conditions;
use crate::meter::{Accumulation, Build, Bus, Counts, Image, Meter, Settings};
use crate::output::{CurrentOutput, Loop, PulseOutput, Waiting};
use crate::profile::{Flow, Profile, Turbulence};
use crate::random::Stream;
use crate::receiver::{CounterInput, CurrentInput, PulseCounter};
use crate::register::{Encoding, LITRES, LITRES_PER_SECOND, Words};
use crate::trouble::{Spell, Trouble};

/// A point of measurement as it is built.
#[derive(Clone, Debug, PartialEq)]
pub struct PointPlan {
    /// The flow in its pipe.
    pub profile: Profile,
    /// Its fine structure.
    pub turbulence: Turbulence,
    /// The meter's nature.
    pub build: Build,
    /// The conditions while nothing is wrong: what the site's people believe.
    pub sound: Conditions,
    /// The counter's reading at time 0.
    pub first_count: u64,
    /// The controller's total at time 0, in litres.
    pub first_receiver_total: f64,
    /// What goes wrong.
    pub troubles: Vec<Spell>,
}

impl PointPlan {
    /// A sound point of measurement with usual settings: float flow in L/s, 32-bit forward total in litres, 0.2 s from
    /// one measurement to the next, pulses of 50 ms, a 32-bit counter, a current input within 0.02 %.
    #[must_use]
    pub fn usual(profile: Profile, full_scale: f64, pulse_volume: f64) -> Self {
        let input = CurrentInput { offset: 0.0, gain: 0.0, noise: 0.002, quantum: 0.001, connected_to: None };
        Self {
            profile,
            turbulence: Turbulence { relative: 0.01, correlation: 2.0 },
            build: Build {
                cycle: 0.2,
                refresh_cycles: 1,
                noise: 0.0,
                totals_damped: false,
                current_from_measurement: false,
                first_total: 0.0,
                first_reverse_total: 0.0,
            },
            sound: Conditions {
                settings: Settings {
                    full_scale,
                    at_4_ma: 0.0,
                    damping: 1.0,
                    loop_damping: 0.0,
                    low_flow_cutoff: 0.005 * full_scale,
                    total_cutoff: 0.0,
                    pulse_volume,
                    pulse_on: 0.05,
                    pulse_off: 0.05,
                    pulse_counts: Counts::Forward,
                    bore_mm: 150.0,
                    sensor_factor: 1.0,
                    zero: 0.0,
                },
                bus: Bus {
                    flow: Encoding::float(LITRES_PER_SECOND),
                    total: Encoding::count32(LITRES, 1.0),
                    total_counts: Counts::Forward,
                    accumulation: Accumulation::Exact,
                    status: 0,
                    frozen: false,
                    torn: 0.0,
                },
                circuit: Loop::default(),
                waiting: Waiting(100),
                input,
                counter: CounterInput::sound(1 << 32),
                controller: None,
            },
            first_count: 0,
            first_receiver_total: 0.0,
            troubles: Vec::new(),
        }
    }

    /// The same with one more trouble.
    #[must_use]
    pub fn with(mut self, trouble: Spell) -> Self {
        self.troubles.push(trouble);
        self
    }
}

/// What somebody let a meter's outputs show, by its keys, instead of the flow.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Simulation {
    /// The current output drives this, in mA.
    pub current: Option<f64>,
    /// The flow makes no pulses.
    pub without_pulses: bool,
}

/// A point of measurement at work.
#[derive(Clone, Debug)]
pub struct Point {
    plan: PointPlan,
    conditions: Conditions,
    flow: Flow,
    meter: Meter,
    current: CurrentOutput,
    pulses: PulseOutput,
    counter: PulseCounter,
    receiver_total: f64,
    cycles: u64,
    true_forward: f64,
    emitted: Vec<f64>,
    flow_random: Stream,
    counter_random: Stream,
    reading_random: Stream,
    simulation: Simulation,
}

impl Point {
    fn new(plan: PointPlan, seed: u64, place: u64) -> Self {
        let mut conditions = plan.sound;
        for spell in plan.troubles.iter().filter(|spell| spell.stands_at(0.0)) {
            spell.trouble.change(&mut conditions);
        }
        let mut flow = Flow::new(&plan.profile, plan.turbulence);
        let mut flow_random = Stream::new(seed, 4 * place);
        let mut counter_random = Stream::new(seed, 4 * place + 1);
        let first = flow.at(0.0, plan.build.cycle, &mut flow_random);
        let meter = Meter::new(plan.build, &conditions.settings, &conditions.bus, first);
        let current = CurrentOutput::new(plan.build.cycle, &conditions.settings, &conditions.circuit, meter.shown());
        let pulses = PulseOutput::new(counter_random.uniform());
        let mut counter = PulseCounter::new(plan.first_count);
        counter.pass(0.0, &conditions.counter, &mut counter_random);
        Self {
            conditions,
            flow,
            meter,
            current,
            pulses,
            counter,
            receiver_total: plan.first_receiver_total,
            cycles: 0,
            true_forward: 0.0,
            emitted: Vec::new(),
            flow_random,
            counter_random,
            reading_random: Stream::new(seed, 4 * place + 2),
            simulation: Simulation::default(),
            plan,
        }
    }

    /// The plan it was built to.
    #[must_use]
    pub const fn plan(&self) -> &PointPlan {
        &self.plan
    }

    /// The conditions now.
    #[must_use]
    pub const fn conditions(&self) -> &Conditions {
        &self.conditions
    }

    /// The meter.
    #[must_use]
    pub const fn meter(&self) -> &Meter {
        &self.meter
    }

    /// All that its counter counted, without wraps.
    #[must_use]
    pub const fn counted(&self) -> u64 {
        self.counter.all()
    }

    /// The true forward volume in litres since time 0.
    #[must_use]
    pub const fn true_forward(&self) -> f64 {
        self.true_forward
    }

    /// Whether the pump runs.
    #[must_use]
    pub fn running(&self) -> bool {
        self.flow.running()
    }

    /// The current in its loop.
    fn current(&self) -> f64 {
        let circuit = &self.conditions.circuit;
        match self.simulation.current {
            Some(_) if circuit.open => 0.0,
            Some(current) => current.min(circuit.highest),
            None => self.current.current(),
        }
    }

    fn run_cycles(&mut self, time: f64) {
        let cycle = self.plan.build.cycle;
        loop {
            let begin = precise(self.cycles) * cycle;
            let end = precise(self.cycles + 1) * cycle;
            if end > time {
                break;
            }
            self.cycles += 1;
            let flow = self.flow.at(end, cycle, &mut self.flow_random);
            self.true_forward += flow.max(0.0) * cycle;
            let Conditions { settings, bus, circuit, waiting, .. } = &self.conditions;
            self.meter.measure(flow, settings, bus, &mut self.flow_random);
            self.current.follow_flow(self.meter.for_current(), settings, circuit);
            let counted = if self.simulation.without_pulses { 0.0 } else { self.meter.counted() };
            self.pulses.follow_flow(counted, begin, cycle, settings, *waiting);
        }
        self.pulses.emitted(time, &mut self.emitted);
    }

    fn count(&mut self, pulses: &[f64], width: f64, time: f64) {
        let before = self.counter.all();
        for begin in pulses {
            self.counter.pulse(*begin, width, &self.conditions.counter, &mut self.counter_random);
        }
        self.counter.pass(time, &self.conditions.counter, &mut self.counter_random);
        if let Some(controller) = &self.conditions.controller {
            self.receiver_total += controller.pulse_volume * precise(self.counter.all() - before);
        }
    }

    /// Let the troubles stand that stand at `time`, and do what happens once at the beginning of those that begin.
    fn change(&mut self, time: f64) {
        let total = self.meter.total(&self.conditions.bus);
        self.conditions = self.plan.sound;
        for spell in &self.plan.troubles {
            if spell.stands_at(time) {
                spell.trouble.change(&mut self.conditions);
            }
            if spell.begins == time {
                match spell.trouble {
                    Trouble::PulseRestart => self.counter.restart(0),
                    Trouble::BusTotalCoarse => self.meter.set_total(total, &self.conditions.bus),
                    Trouble::BusTotalRestart { to } => self.meter.set_total(to, &self.conditions.bus),
                    _ => {}
                }
            }
        }
        self.meter.configure(&self.conditions.settings);
        self.current.configure(&self.conditions.settings);
        // The counter learns from when on it counts what no pulse made.
        self.counter.pass(time, &self.conditions.counter, &mut self.counter_random);
    }

    fn next_change(&self, after: f64) -> f64 {
        self.plan
            .troubles
            .iter()
            .flat_map(|spell| [Some(spell.begins), spell.ends])
            .flatten()
            .filter(|change| *change > after)
            .fold(f64::INFINITY, f64::min)
    }
}

/// Several points of measurement, which may be connected wrongly to each other.
#[derive(Clone, Debug)]
pub struct Shed {
    points: Vec<Point>,
    time: f64,
    next_change: f64,
    pulses: Vec<Vec<f64>>,
}

impl Shed {
    /// A shed at time 0.
    #[must_use]
    pub fn new(plans: Vec<PointPlan>, seed: u64) -> Self {
        let points: Vec<Point> =
            plans.into_iter().zip(0..).map(|(plan, place)| Point::new(plan, seed, place)).collect();
        let pulses = vec![Vec::new(); points.len()];
        let next_change = next_change(&points, 0.0);
        Self { points, time: 0.0, next_change, pulses }
    }

    /// The time in seconds that it has reached.
    #[must_use]
    pub const fn time(&self) -> f64 {
        self.time
    }

    /// The points of measurement.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Move on to `time`; an earlier one changes nothing.
    pub fn advance_to(&mut self, time: f64) {
        while self.next_change <= time {
            let change = self.next_change;
            self.step_to(change);
            for point in &mut self.points {
                point.change(change);
            }
            self.next_change = next_change(&self.points, change);
        }
        self.step_to(time);
    }

    fn step_to(&mut self, time: f64) {
        if time < self.time {
            return;
        }
        self.time = time;
        for (point, pulses) in self.points.iter_mut().zip(&mut self.pulses) {
            point.run_cycles(time);
            std::mem::swap(&mut point.emitted, pulses);
        }
        for place in 0..self.points.len() {
            let source = self.points[place].conditions.counter.connected_to.unwrap_or(place);
            let width = self.points[source].conditions.settings.pulse_on;
            self.points[place].count(&self.pulses[source], width, time);
        }
        for pulses in &mut self.pulses {
            pulses.clear();
        }
    }

    /// Lets a meter's outputs show what was set by its keys, until that is taken back.
    pub fn simulate(&mut self, place: usize, simulation: Simulation) {
        self.points[place].simulation = simulation;
    }

    /// Lets a meter send so many pulses that no flow made.
    pub fn send_pulses(&mut self, place: usize, pulses: u32) {
        let now = self.time;
        let point = &mut self.points[place];
        point.pulses.send_by_hand(pulses, now, &point.conditions.settings);
    }

    /// What a point's registers show now; sometimes torn, where that is its trouble.
    pub fn read_bus(&mut self, place: usize) -> Image {
        let point = &mut self.points[place];
        let mut image = *point.meter.image();
        if point.conditions.bus.torn > 0.0 && point.reading_random.chance(point.conditions.bus.torn) {
            let previous = point.meter.previous_image();
            image.total = previous.total.torn_with(image.total);
            image.flow = previous.flow.torn_with(image.flow);
        }
        image
    }

    /// One reading of the current, in milliamperes, of the loop that is connected to a point's input.
    pub fn read_current(&mut self, place: usize) -> f64 {
        let source = self.points[place].conditions.input.connected_to.unwrap_or(place);
        let current = self.points[source].current();
        let point = &mut self.points[place];
        point.conditions.input.read(current, &mut point.reading_random)
    }

    /// A point's counter now, as its register shows it.
    #[must_use]
    pub fn read_count(&self, place: usize) -> u64 {
        let point = &self.points[place];
        point.counter.count(&point.conditions.counter)
    }

    /// The flow and total registers of a point's controller, if it has one.
    pub fn read_controller(&mut self, place: usize) -> Option<(Words, Words)> {
        let source = self.points[place].conditions.input.connected_to.unwrap_or(place);
        let current = self.points[source].current();
        let point = &mut self.points[place];
        let controller = point.conditions.controller.as_ref()?;
        let flow = controller.read_flow(current, &mut point.reading_random);
        Some((flow, controller.total.encode(point.receiver_total)))
    }
}

fn next_change(points: &[Point], after: f64) -> f64 {
    points.iter().map(|point| point.next_change(after)).fold(f64::INFINITY, f64::min)
}

#[expect(clippy::cast_precision_loss, reason = "counts of cycles and pulses stay far below 2^53")]
pub(crate) const fn precise(count: u64) -> f64 {
    count as f64
}

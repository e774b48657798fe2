//! A meter's outputs: the loop current and the volume pulses.

use std::collections::VecDeque;

use crate::meter::{Counts, Settings};

/// The current output and its loop, and what may be wrong with them. Currents in milliamperes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loop {
    /// The output's own error at 4 mA.
    pub output_offset: f64,
    /// The output's own gain error, as a fraction of the span.
    pub output_gain: f64,
    /// The lowest and the highest current that mean a flow.
    pub saturates: (f64, f64),
    /// The most that supply and load let flow.
    pub highest: f64,
    /// The current that stands for a fault of the meter, while it has one.
    pub fault: Option<f64>,
    /// The output stands still.
    pub held: bool,
    /// Reverse flow is shown as forward.
    pub absolute: bool,
    /// No current flows at all.
    pub open: bool,
}

impl Default for Loop {
    /// A sound output with the limits of NAMUR NE 43.
    fn default() -> Self {
        Self {
            output_offset: 0.0,
            output_gain: 0.0,
            saturates: (3.8, 20.5),
            highest: f64::INFINITY,
            fault: None,
            held: false,
            absolute: false,
            open: false,
        }
    }
}

/// The current output at work.
#[derive(Clone, Debug)]
pub struct CurrentOutput {
    cycle: f64,
    follow: f64,
    damped: f64,
    current: f64,
}

impl CurrentOutput {
    /// An output that has shown `flow` for long; it is renewed every `cycle` seconds.
    #[must_use]
    pub fn new(cycle: f64, settings: &Settings, circuit: &Loop, flow: f64) -> Self {
        let mut output = Self { cycle, follow: 1.0, damped: flow, current: 0.0 };
        output.configure(settings);
        // An output that is held from the start stands where the first flow put it.
        output.follow_flow(flow, settings, &Loop { held: false, ..*circuit });
        output
    }

    /// Take over changed settings.
    pub fn configure(&mut self, settings: &Settings) {
        self.follow = 1.0 - (-self.cycle / settings.loop_damping.max(1e-9)).exp();
    }

    /// One cycle with this flow value.
    #[inline]
    pub fn follow_flow(&mut self, flow: f64, settings: &Settings, circuit: &Loop) {
        self.damped += self.follow * (flow - self.damped);
        if circuit.held {
            return;
        }
        let flow = if circuit.absolute { self.damped.abs() } else { self.damped };
        let share = (flow - settings.at_4_ma) / (settings.full_scale - settings.at_4_ma);
        let meant = 4.0 + circuit.output_offset + 16.0 * share * (1.0 + circuit.output_gain);
        let signalled = circuit.fault.unwrap_or_else(|| meant.clamp(circuit.saturates.0, circuit.saturates.1));
        self.current = if circuit.open { 0.0 } else { signalled.min(circuit.highest) };
    }

    /// The current that flows in the loop.
    #[must_use]
    pub const fn current(&self) -> f64 {
        self.current
    }
}

/// How many pulses may wait for their turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Waiting(pub u32);

/// The pulse output at work: one pulse for each volume, no two nearer than on and off time together.
#[derive(Clone, Debug)]
pub struct PulseOutput {
    remainder: f64,
    next_free: f64,
    lost: u64,
    waiting: VecDeque<f64>,
}

impl PulseOutput {
    /// An output that has `remainder` of a pulse (0..1) collected.
    #[must_use]
    pub fn new(remainder: f64) -> Self {
        Self { remainder, next_free: f64::NEG_INFINITY, lost: 0, waiting: VecDeque::new() }
    }

    /// One cycle that began at `begin` with this flow counted. Its pulses leave one cycle later, when it is known.
    #[inline]
    pub fn follow_flow(&mut self, flow: f64, begin: f64, cycle: f64, settings: &Settings, waiting: Waiting) {
        let counted = match settings.pulse_counts {
            Counts::Forward => flow,
            Counts::Reverse => -flow,
            Counts::Both => flow.abs(),
        };
        if counted <= 0.0 {
            return;
        }
        let before = self.remainder;
        let gained = counted * cycle / settings.pulse_volume;
        self.remainder += gained;
        let mut whole = 1.0;
        while self.remainder >= 1.0 {
            self.remainder -= 1.0;
            let due = begin + cycle + cycle * (whole - before) / gained;
            whole += 1.0;
            self.send(due, settings, waiting);
        }
    }

    fn send(&mut self, due: f64, settings: &Settings, waiting: Waiting) {
        let interval = settings.pulse_on + settings.pulse_off;
        if due < self.next_free && self.next_free - due > interval * f64::from(waiting.0) {
            self.lost += 1;
            return;
        }
        let begin = due.max(self.next_free);
        self.next_free = begin + interval;
        self.waiting.push_back(begin);
    }

    /// Hand over the instants of all pulses that began up to `time`.
    #[inline]
    pub fn emitted(&mut self, time: f64, into: &mut Vec<f64>) {
        while self.waiting.front().is_some_and(|begin| *begin <= time) {
            into.extend(self.waiting.pop_front());
        }
    }

    /// Pulses that had no room to wait.
    #[must_use]
    pub const fn lost(&self) -> u64 {
        self.lost
    }
}

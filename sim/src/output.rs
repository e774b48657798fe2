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

    /// Queue `pulses` from `now` on, as quickly as the output may: what somebody asked for by the meter's keys.
    pub fn send_by_hand(&mut self, pulses: u32, now: f64, settings: &Settings) {
        let interval = settings.pulse_on + settings.pulse_off;
        for _ in 0..pulses {
            let begin = now.max(self.next_free);
            self.next_free = begin + interval;
            self.waiting.push_back(begin);
        }
    }

    /// Pulses that had no room to wait.
    #[must_use]
    pub const fn lost(&self) -> u64 {
        self.lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::PointPlan;
    use crate::profile::Profile;

    fn settings(full_scale: f64) -> Settings {
        PointPlan::usual(Profile::Constant(0.0), full_scale, 1.0).sound.settings
    }

    #[test]
    fn the_current_is_linear_in_the_flow() {
        // Kuphaldt, Lessons in Industrial Instrumentation: 204 gal/min of 0-350 are 13.3 mA.
        let output = |flow| CurrentOutput::new(0.2, &settings(350.0), &Loop::default(), flow).current();
        assert!((output(204.0) - 13.325_714).abs() < 1e-6);
        // NAMUR NE 43: no more than 20.5 and no less than 3.8 mA mean a flow.
        assert_eq!((output(1000.0), output(-1000.0)), (20.5, 3.8));
        assert_eq!((output(0.0), output(350.0)), (4.0, 20.0));
    }

    #[test]
    fn no_two_pulses_are_nearer_than_on_and_off_time() {
        // IEC 62053-31 4.1.3.3: at least 30 ms on and 30 ms off, so at most 16.67 pulses a second.
        let settings = Settings { pulse_on: 0.03, pulse_off: 0.03, pulse_volume: 1.0, ..settings(100.0) };
        let mut output = PulseOutput::new(0.5);
        let mut begun = Vec::new();
        for cycle in 0..50 {
            output.follow_flow(25.0, f64::from(cycle) * 0.2, 0.2, &settings, Waiting(10));
            output.emitted(f64::from(cycle + 1) * 0.2, &mut begun);
        }
        assert!(begun.windows(2).all(|pair| pair[1] - pair[0] > 0.06 - 1e-9));
        let rate = (begun.len() - 1) as f64 / (begun[begun.len() - 1] - begun[0]);
        assert!((rate - 16.6667).abs() < 1e-3, "{rate} a second");
        // 250 L were counted in the 10 s: what is neither out nor waiting is lost.
        let out_or_waiting = begun.len() as u64 + 15;
        assert!((250 - out_or_waiting..=250 - begun.len() as u64).contains(&output.lost()), "{} lost", output.lost());
    }
}

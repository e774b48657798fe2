//! What can be wrong between a meter and its receivers, as changes to a sound point of measurement.

use crate::conditions::Conditions;
use crate::meter::{Accumulation, Counts};
use crate::output::Waiting;

/// One thing that is wrong, with how much.
#[derive(Clone, Copy, Debug, PartialEq, serde::Deserialize)]
#[serde(tag = "code", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Trouble {
    /// The meter makes `ratio` times as many pulses as its receiver expects.
    PulseWeight {
        /// Pulses made / pulses expected.
        ratio: f64,
    },
    /// A share of the pulses is counted twice.
    PulseDouble {
        /// The share, 1 for all.
        share: f64,
    },
    /// A random share of the pulses is too short to be seen.
    PulseNarrow {
        /// The share that is seen.
        seen: f64,
    },
    /// The counter looks at its input at intervals longer than a pulse.
    PulseScan {
        /// Seconds between two looks.
        scan: f64,
        /// Standard deviation of single looks.
        jitter: f64,
    },
    /// The output makes no more than so many pulses a second.
    PulseRateLimit {
        /// The limit in pulses per second.
        hertz: f64,
        /// How many surplus pulses may wait for quieter times.
        waiting: u32,
    },
    /// The counter's filter is deaf for a while after each pulse.
    PulseDeaf {
        /// Seconds.
        dead_time: f64,
    },
    /// The counter is connected to another meter.
    PulseCrossed {
        /// Its place in the shed.
        with: usize,
    },
    /// Counts that no flow made.
    PulseExtra {
        /// Counts per second.
        hertz: f64,
        /// How many come together on average.
        together: f64,
    },
    /// An intermittent connection.
    PulseGaps {
        /// Mean seconds with a connection.
        whole: f64,
        /// Mean seconds without.
        broken: f64,
    },
    /// No pulse arrives.
    PulseSilent,
    /// The counter begins again from 0.
    PulseRestart,
    /// The counter goes back to 0 at a count that nobody declared.
    PulseWrap {
        /// The count.
        at: u64,
    },
    /// Reverse flow makes pulses as if it were forward.
    PulseDirection,
    /// The loop shows `ratio` times the flow.
    LoopSpan {
        /// Loop's flow / true flow.
        ratio: f64,
    },
    /// The current is shifted.
    LoopZero {
        /// By so many milliamperes.
        offset: f64,
    },
    /// The current stops short of full scale.
    LoopClipped {
        /// Where it stops, in milliamperes.
        highest: f64,
    },
    /// The input is connected to another meter's loop.
    LoopCrossed {
        /// Its place in the shed.
        with: usize,
    },
    /// The meter signals a fault.
    LoopFault {
        /// By this current in milliamperes.
        current: f64,
        /// And by these bits of its status.
        status: u16,
    },
    /// No current flows.
    LoopOpen,
    /// The current stands still.
    LoopHeld,
    /// The loop is damped more than the bus.
    LoopLag {
        /// The further time constant in seconds.
        damping: f64,
    },
    /// The loop shows reverse flow as forward.
    LoopDirection,
    /// The flow register shows `ratio` times the flow.
    BusUnit {
        /// Shown / true.
        ratio: f64,
    },
    /// The total register shows `ratio` times the volume.
    BusTotalUnit {
        /// Shown / true.
        ratio: f64,
    },
    /// Halves of register pairs stand in the other order than the map says.
    BusWords {
        /// Those of the flow.
        flow: bool,
        /// Those of the total.
        total: bool,
    },
    /// The registers stand still.
    BusFrozen,
    /// The total is set.
    BusTotalRestart {
        /// To so many litres.
        to: f64,
    },
    /// The total goes back to 0 at a count that nobody declared.
    BusTotalWrap {
        /// The count, in counts of the register.
        at: u64,
    },
    /// The total is added up in a 32-bit float.
    BusTotalCoarse,
    /// Values are read in halves from two instants.
    BusTorn {
        /// The share of readings that is.
        share: f64,
    },
    /// The controller makes `ratio` times the flow of the current.
    ReceiverSpan {
        /// Its flow / the flow meant.
        ratio: f64,
    },
    /// The controller makes `ratio` times the volume of a pulse.
    ReceiverWeight {
        /// Its volume / the volume meant.
        ratio: f64,
    },
    /// Flow is shown but not totalled below a cut-off.
    LowFlowCutoff {
        /// In litres per second.
        cutoff: f64,
    },
}

impl Trouble {
    /// The code of the cause that this is.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::PulseWeight { .. } => "pulse-weight",
            Self::PulseDouble { .. } => "pulse-double",
            Self::PulseNarrow { .. } | Self::PulseScan { .. } => "pulse-narrow",
            Self::PulseRateLimit { .. } | Self::PulseDeaf { .. } => "pulse-rate-limit",
            Self::PulseCrossed { .. } => "pulse-crossed",
            Self::PulseExtra { .. } => "pulse-extra",
            Self::PulseGaps { .. } => "pulse-gaps",
            Self::PulseSilent => "pulse-silent",
            Self::PulseRestart | Self::PulseWrap { .. } => "pulse-restart",
            Self::PulseDirection => "pulse-direction",
            Self::LoopSpan { .. } => "loop-span",
            Self::LoopZero { .. } => "loop-zero",
            Self::LoopClipped { .. } => "loop-clipped",
            Self::LoopCrossed { .. } => "loop-crossed",
            Self::LoopFault { .. } => "loop-fault",
            Self::LoopOpen => "loop-open",
            Self::LoopHeld => "loop-held",
            Self::LoopLag { .. } => "loop-lag",
            Self::LoopDirection => "loop-direction",
            Self::BusUnit { .. } => "bus-unit",
            Self::BusTotalUnit { .. } => "bus-total-unit",
            Self::BusWords { .. } => "bus-words",
            Self::BusFrozen => "bus-frozen",
            Self::BusTotalRestart { .. } | Self::BusTotalWrap { .. } => "bus-total-restart",
            Self::BusTotalCoarse => "bus-total-coarse",
            Self::BusTorn { .. } => "bus-torn",
            Self::ReceiverSpan { .. } => "receiver-span",
            Self::ReceiverWeight { .. } => "receiver-weight",
            Self::LowFlowCutoff { .. } => "low-flow-cutoff",
        }
    }

    /// Change sound conditions into those with this trouble. What happens once, at its beginning, is not here.
    pub fn change(&self, conditions: &mut Conditions) {
        let Conditions { settings, bus, circuit, waiting, input, counter, controller } = conditions;
        match *self {
            Self::PulseWeight { ratio } => settings.pulse_volume /= ratio,
            Self::PulseDouble { share } => counter.doubled = share,
            Self::PulseNarrow { seen } => counter.seen *= seen,
            Self::PulseScan { scan, jitter } => {
                counter.scan = scan;
                counter.scan_jitter = jitter;
            }
            Self::PulseRateLimit { hertz, waiting: may_wait } => {
                settings.pulse_on = 0.5 / hertz;
                settings.pulse_off = 0.5 / hertz;
                *waiting = Waiting(may_wait);
            }
            Self::PulseDeaf { dead_time } => counter.dead_time = dead_time,
            Self::PulseCrossed { with } => counter.connected_to = Some(with),
            Self::PulseExtra { hertz, together } => {
                counter.extra = hertz;
                counter.extra_together = together;
            }
            Self::PulseGaps { whole, broken } => counter.gaps = (whole, broken),
            Self::PulseSilent => counter.silent = true,
            Self::PulseWrap { at } => counter.wraps_at = at,
            Self::PulseDirection => settings.pulse_counts = Counts::Both,
            Self::LoopSpan { ratio } => {
                settings.full_scale = settings.at_4_ma + (settings.full_scale - settings.at_4_ma) / ratio;
            }
            Self::LoopZero { offset } => circuit.output_offset += offset,
            Self::LoopClipped { highest } => circuit.highest = highest,
            Self::LoopCrossed { with } => input.connected_to = Some(with),
            Self::LoopFault { current, status } => {
                circuit.fault = Some(current);
                bus.status |= status;
            }
            Self::LoopOpen => circuit.open = true,
            Self::LoopHeld => circuit.held = true,
            Self::LoopLag { damping } => settings.loop_damping += damping,
            Self::LoopDirection => circuit.absolute = true,
            // A smaller unit makes a larger number.
            Self::BusUnit { ratio } => bus.flow.unit.base /= ratio,
            Self::BusTotalUnit { ratio } => bus.total.unit.base /= ratio,
            Self::BusWords { flow, total } => {
                bus.flow.high_first ^= flow;
                bus.total.high_first ^= total;
            }
            Self::BusFrozen => bus.frozen = true,
            Self::BusTotalWrap { at } => bus.total.wraps_at = Some(at),
            Self::BusTotalCoarse => bus.accumulation = Accumulation::InFloat,
            Self::BusTorn { share } => bus.torn = share,
            Self::ReceiverSpan { ratio } => {
                if let Some(controller) = controller {
                    controller.full_scale = controller.at_4_ma + (controller.full_scale - controller.at_4_ma) * ratio;
                }
            }
            Self::ReceiverWeight { ratio } => {
                if let Some(controller) = controller {
                    controller.pulse_volume *= ratio;
                }
            }
            Self::LowFlowCutoff { cutoff } => settings.total_cutoff = cutoff,
            Self::PulseRestart | Self::BusTotalRestart { .. } => {}
        }
    }
}

/// A trouble and when it is there, in seconds from the start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spell {
    /// What is wrong.
    pub trouble: Trouble,
    /// From when.
    pub begins: f64,
    /// Until when; for ever if absent.
    pub ends: Option<f64>,
}

impl Spell {
    /// A trouble that was always there.
    #[must_use]
    pub const fn always(trouble: Trouble) -> Self {
        Self { trouble, begins: 0.0, ends: None }
    }

    /// A trouble that begins at `begins` and stays.
    #[must_use]
    pub const fn from(trouble: Trouble, begins: f64) -> Self {
        Self { trouble, begins, ends: None }
    }

    /// Whether it is there at `time`.
    #[must_use]
    pub fn stands_at(&self, time: f64) -> bool {
        self.begins <= time && self.ends.is_none_or(|ends| time < ends)
    }
}

#[cfg(test)]
#[path = "trouble_tests.rs"]
mod tests;

//! What measures and counts a meter's outputs: a current input, a pulse counter, a controller with its own opinions.

use crate::random::Stream;
use crate::register::{Encoding, Words};

/// An analogue input and its errors. Currents in milliamperes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentInput {
    /// Error at 4 mA.
    pub offset: f64,
    /// Gain error as a fraction of what is above 4 mA.
    pub gain: f64,
    /// Standard deviation of the noise of one reading.
    pub noise: f64,
    /// The step from one reading to the next larger one.
    pub quantum: f64,
    /// The meter whose loop is connected here, if not this one's.
    pub connected_to: Option<usize>,
}

impl CurrentInput {
    /// One reading of a true current.
    #[inline]
    pub fn read(&self, current: f64, random: &mut Stream) -> f64 {
        let seen = if current <= 0.0 {
            self.noise * random.normal().abs()
        } else {
            4.0 + (current - 4.0) * (1.0 + self.gain) + self.offset + self.noise * random.normal()
        };
        if self.quantum > 0.0 { (seen / self.quantum).round() * self.quantum } else { seen }
    }
}

/// A pulse counter's input and what may be wrong with it. Times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CounterInput {
    /// The counter goes back to 0 at this count.
    pub wraps_at: u64,
    /// The share of pulses that is seen.
    pub seen: f64,
    /// The input is looked at only so often (and for an instant): a shorter pulse may pass unseen. 0: always.
    pub scan: f64,
    /// Departure of single looks from their period.
    pub scan_jitter: f64,
    /// After a counted pulse nothing is counted for this long.
    pub dead_time: f64,
    /// The share of pulses that is counted twice.
    pub doubled: f64,
    /// Counts per second that no pulse made.
    pub extra: f64,
    /// How many such counts come together on average, at least 1.
    pub extra_together: f64,
    /// Mean time with and without connection; no gaps if the second is 0.
    pub gaps: (f64, f64),
    /// Nothing is connected.
    pub silent: bool,
    /// The meter whose pulses are connected here, if not this one's.
    pub connected_to: Option<usize>,
}

impl CounterInput {
    /// A sound counter.
    #[must_use]
    pub const fn sound(wraps_at: u64) -> Self {
        Self {
            wraps_at,
            seen: 1.0,
            scan: 0.0,
            scan_jitter: 0.0,
            dead_time: 0.0,
            doubled: 0.0,
            extra: 0.0,
            extra_together: 1.0,
            gaps: (0.0, 0.0),
            silent: false,
            connected_to: None,
        }
    }
}

/// A pulse counter at work.
#[derive(Clone, Debug)]
pub struct PulseCounter {
    count: u64,
    last_counted: f64,
    next_extra: f64,
    extra_rate: f64,
    broken: bool,
    gap_change: f64,
}

impl PulseCounter {
    /// A counter that stands at `count`.
    #[must_use]
    pub const fn new(count: u64) -> Self {
        Self {
            count,
            last_counted: f64::NEG_INFINITY,
            next_extra: f64::INFINITY,
            extra_rate: 0.0,
            broken: false,
            gap_change: f64::NEG_INFINITY,
        }
    }

    /// The count, as its register shows it.
    #[must_use]
    #[inline]
    pub const fn count(&self, input: &CounterInput) -> u64 {
        self.count % input.wraps_at
    }

    /// All that was counted, without wraps.
    #[must_use]
    pub const fn all(&self) -> u64 {
        self.count
    }

    /// Begin again from `count`.
    pub const fn restart(&mut self, count: u64) {
        self.count = count;
    }

    /// One pulse at `begin`, `width` seconds long.
    #[inline]
    pub fn pulse(&mut self, begin: f64, width: f64, input: &CounterInput, random: &mut Stream) {
        if input.silent || (input.gaps.1 > 0.0 && self.disconnected(begin, input, random)) {
            return;
        }
        if input.seen < 1.0 && !random.chance(input.seen) {
            return;
        }
        if input.scan > 0.0 && !looked_at(begin, width, input, random) {
            return;
        }
        if begin - self.last_counted < input.dead_time {
            return;
        }
        self.last_counted = begin;
        self.count += if random.chance(input.doubled) { 2 } else { 1 };
    }

    /// Let time pass: counts that no pulse made.
    #[inline]
    pub fn pass(&mut self, time: f64, input: &CounterInput, random: &mut Stream) {
        if input.extra != self.extra_rate {
            self.extra_rate = input.extra;
            self.next_extra = if input.extra > 0.0 {
                time + random.exponential(input.extra_together.max(1.0) / input.extra)
            } else {
                f64::INFINITY
            };
        }
        while self.next_extra <= time {
            self.count += 1;
            // A geometric number of counts comes together.
            while input.extra_together > 1.0 && random.chance(1.0 - 1.0 / input.extra_together) {
                self.count += 1;
            }
            self.next_extra += random.exponential(input.extra_together.max(1.0) / input.extra);
        }
    }

    fn disconnected(&mut self, time: f64, input: &CounterInput, random: &mut Stream) -> bool {
        if self.gap_change == f64::NEG_INFINITY {
            self.gap_change = time + random.exponential(input.gaps.0);
        }
        while self.gap_change <= time {
            self.broken = !self.broken;
            self.gap_change += random.exponential(if self.broken { input.gaps.1 } else { input.gaps.0 });
        }
        self.broken
    }
}

/// Whether one of the input's looks falls into the pulse.
fn looked_at(begin: f64, width: f64, input: &CounterInput, random: &mut Stream) -> bool {
    let shift = input.scan_jitter * random.normal();
    let looks_before = |time: f64| ((time + shift) / input.scan).floor();
    looks_before(begin + width) > looks_before(begin)
}

/// A controller or biller that makes its own flow of the current and its own total of the pulses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Controller {
    /// The flow that it takes 20 mA to mean, in L/s.
    pub full_scale: f64,
    /// The flow that it takes 4 mA to mean, in L/s.
    pub at_4_ma: f64,
    /// The volume that it takes one pulse to mean, in litres.
    pub pulse_volume: f64,
    /// Its own current input.
    pub input: CurrentInput,
    /// Its flow register.
    pub flow: Encoding,
    /// Its total register.
    pub total: Encoding,
}

impl Controller {
    /// Its flow register for a true current.
    pub fn read_flow(&self, current: f64, random: &mut Stream) -> Words {
        let share = (self.input.read(current, random) - 4.0) / 16.0;
        self.flow.encode(self.at_4_ma + share * (self.full_scale - self.at_4_ma))
    }
}

//! An electromagnetic flow meter: from the true flow to its flow value, its totals and its registers.

use crate::random::Stream;
use crate::register::{Encoding, Words};

/// Which flow a total or a pulse output counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counts {
    /// Forward flow only.
    Forward,
    /// Reverse flow only.
    Reverse,
    /// Forward less reverse (a total), or either direction as if forward (a pulse output).
    Both,
}

/// What can be set in a meter, by its keys or over its bus. Flows in L/s, volumes in litres, times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// The flow at 20 mA.
    pub full_scale: f64,
    /// The flow at 4 mA.
    pub at_4_ma: f64,
    /// Time constant of the flow value, which the flow register shows and the loop starts from.
    pub damping: f64,
    /// Time constant of the current output alone: beyond the flow value's, or instead of it (see
    /// [`Build::current_from_measurement`]).
    pub loop_damping: f64,
    /// Below this flow nothing is shown and nothing is totalled.
    pub low_flow_cutoff: f64,
    /// Below this flow nothing is totalled, though it is shown.
    pub total_cutoff: f64,
    /// The volume of one pulse.
    pub pulse_volume: f64,
    /// The width of a pulse.
    pub pulse_on: f64,
    /// The shortest pause between pulses.
    pub pulse_off: f64,
    /// Which flow makes pulses.
    pub pulse_counts: Counts,
    /// The pipe's bore in millimetres.
    pub bore_mm: f64,
    /// The sensor's calibration factor; the flow is in proportion to it.
    pub sensor_factor: f64,
    /// The zero trim, added to the measured flow.
    pub zero: f64,
}

/// How the total register is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Accumulation {
    /// Kept wide inside, shown in the register's format.
    Exact,
    /// Added up in a 32-bit float: what is smaller than its last place is lost or rounded up for good.
    InFloat,
}

/// The bus side of a meter and what may be wrong with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bus {
    /// The flow register as it truly is.
    pub flow: Encoding,
    /// The total register as it truly is.
    pub total: Encoding,
    /// Which direction the total counts.
    pub total_counts: Counts,
    /// How the total is kept.
    pub accumulation: Accumulation,
    /// Status bits that stand beside those that the flow sets.
    pub status: u16,
    /// The registers stand still.
    pub frozen: bool,
    /// The share of readings whose total is half from the latest and half from the image before.
    pub torn: f64,
}

/// A meter's fixed nature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Build {
    /// Seconds from one measurement to the next.
    pub cycle: f64,
    /// Measurements from one renewal of the registers to the next.
    pub refresh_cycles: u32,
    /// Standard deviation of the noise of one measurement, in L/s; it is there at rest, too.
    pub noise: f64,
    /// The totaliser adds up the damped flow rather than each single measurement.
    pub totals_damped: bool,
    /// The current output starts from each measurement rather than from the damped flow value.
    pub current_from_measurement: bool,
    /// The total at time 0, in litres.
    pub first_total: f64,
    /// The reverse total at time 0, in litres.
    pub first_reverse_total: f64,
}

impl Build {
    /// The registers' renewal period in seconds.
    #[must_use]
    pub fn refresh(&self) -> f64 {
        self.cycle * f64::from(self.refresh_cycles)
    }
}

/// What the registers show at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Image {
    /// The flow.
    pub flow: Words,
    /// The total.
    pub total: Words,
    /// The reverse volume in litres, not yet in a format.
    pub reverse: f64,
    /// Status bits.
    pub status: u16,
}

/// Bit 1 of the status: the coils are not driven as they should be.
pub const COIL_DRIVE_FAULT: u16 = 1 << 1;
/// Bit 3 of the status: the flow goes backwards.
pub const REVERSE_FLOW: u16 = 1 << 3;
/// The names of the status bits by bit number.
pub const STATUS_NAMES: [(u8, &str); 3] = [(0, "empty pipe"), (1, "coil drive fault"), (3, "reverse flow")];

/// A meter at work.
#[derive(Clone, Debug)]
pub struct Meter {
    build: Build,
    follow: f64,
    cycles_to_refresh: u32,
    damped: f64,
    shown: f64,
    for_current: f64,
    counted: f64,
    forward: f64,
    reverse: f64,
    total_shift: f64,
    float_total: f32,
    image: Image,
    previous: Image,
}

impl Meter {
    /// A meter at time 0 that has seen `flow` for long.
    #[must_use]
    pub fn new(build: Build, settings: &Settings, bus: &Bus, flow: f64) -> Self {
        let mut meter = Self {
            build,
            follow: 1.0,
            cycles_to_refresh: build.refresh_cycles,
            damped: flow,
            shown: flow,
            for_current: flow,
            counted: flow,
            forward: 0.0,
            reverse: 0.0,
            total_shift: build.first_total,
            float_total: float_count(build.first_total / bus.total.step()),
            image: Image::default(),
            previous: Image::default(),
        };
        meter.configure(settings);
        meter.renew(bus);
        meter.previous = meter.image;
        meter
    }

    /// Take over changed settings.
    pub fn configure(&mut self, settings: &Settings) {
        self.follow = 1.0 - (-self.build.cycle / settings.damping.max(1e-9)).exp();
    }

    /// One measurement of `flow`, lasting one cycle.
    #[inline]
    pub fn measure(&mut self, flow: f64, settings: &Settings, bus: &Bus, random: &mut Stream) {
        let mut measured = flow * settings.sensor_factor + settings.zero;
        if self.build.noise > 0.0 {
            measured += self.build.noise * random.normal();
        }
        self.damped += self.follow * (measured - self.damped);
        let size = self.damped.abs();
        self.shown = if size < settings.low_flow_cutoff { 0.0 } else { self.damped };
        self.for_current = if self.build.current_from_measurement && self.shown != 0.0 { measured } else { self.shown };
        self.counted = if size < settings.low_flow_cutoff || size < settings.total_cutoff {
            0.0
        } else if self.build.totals_damped {
            self.damped
        } else {
            measured
        };
        let volume = self.counted * self.build.cycle;
        if volume > 0.0 {
            self.forward += volume;
        } else {
            self.reverse -= volume;
        }
        if bus.accumulation == Accumulation::InFloat {
            let counts = match bus.total_counts {
                Counts::Forward => volume.max(0.0),
                Counts::Reverse => (-volume).max(0.0),
                Counts::Both => volume,
            };
            self.float_total += float_count(counts / bus.total.step());
        }
        self.cycles_to_refresh -= 1;
        if self.cycles_to_refresh == 0 {
            self.cycles_to_refresh = self.build.refresh_cycles;
            if !bus.frozen {
                self.previous = self.image;
                self.renew(bus);
            }
        }
    }

    /// The flow value in L/s, as the flow register shows it.
    #[must_use]
    pub const fn shown(&self) -> f64 {
        self.shown
    }

    /// The flow in L/s that the current output starts from.
    #[must_use]
    pub const fn for_current(&self) -> f64 {
        self.for_current
    }

    /// The flow in L/s that the last measurement added to the totals.
    #[must_use]
    pub const fn counted(&self) -> f64 {
        self.counted
    }

    /// The forward volume in litres since time 0, as the meter totals it.
    #[must_use]
    pub const fn forward(&self) -> f64 {
        self.forward
    }

    /// The reverse volume in litres since time 0, as the meter totals it.
    #[must_use]
    pub const fn reverse(&self) -> f64 {
        self.reverse
    }

    /// What the registers show.
    #[must_use]
    pub const fn image(&self) -> &Image {
        &self.image
    }

    /// What the registers showed before their last renewal.
    #[must_use]
    pub const fn previous_image(&self) -> &Image {
        &self.previous
    }

    /// The total in litres, before it is put into a register.
    #[must_use]
    pub fn total(&self, bus: &Bus) -> f64 {
        match bus.accumulation {
            Accumulation::InFloat => f64::from(self.float_total) * bus.total.step(),
            Accumulation::Exact => {
                self.total_shift
                    + match bus.total_counts {
                        Counts::Forward => self.forward,
                        Counts::Reverse => self.reverse,
                        Counts::Both => self.forward - self.reverse,
                    }
            }
        }
    }

    /// Set the total to `litres` from now on.
    pub fn set_total(&mut self, litres: f64, bus: &Bus) {
        self.total_shift += litres - self.total(bus);
        self.float_total = float_count(litres / bus.total.step());
    }

    fn renew(&mut self, bus: &Bus) {
        self.image = Image {
            flow: bus.flow.encode_nearest(self.shown),
            total: bus.total.encode(self.total(bus)),
            reverse: self.build.first_reverse_total + self.reverse,
            status: bus.status | if self.shown < 0.0 { REVERSE_FLOW } else { 0 },
        };
    }
}

#[expect(clippy::cast_possible_truncation, reason = "the rounding to a 32-bit float is what is simulated")]
const fn float_count(counts: f64) -> f32 {
    counts as f32
}

//! Random meters, receivers and pollers around a flow: every setting differs from case to case.

use crate::conditions::Conditions;
use crate::direct::{Direct, Sampling};
use crate::meter::{Accumulation, Build, Bus, Counts, Settings};
use crate::output::{Loop, Waiting};
use crate::plant::{PointPlan, Shed, precise};
use crate::profile::Turbulence;
use crate::random::Stream;
use crate::receiver::{Controller, CounterInput, CurrentInput};
use crate::register::{Encoding, FLOW_UNITS, Format, LITRES, LITRES_PER_SECOND, VOLUME_UNITS, tidy};
use crate::trouble::{Spell, Trouble};

use super::flows::{Amounts, Wanted, regime};

/// What a case may ask of its surroundings beyond the flow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Asked {
    /// The flow.
    pub flow: Wanted,
    /// At least so many pulses in the stretch.
    pub pulses: f64,
    /// The duration in hours, lowest and highest.
    pub hours: (f64, f64),
    /// Little turbulence and frequent polls, so that a small bias can be seen.
    pub calm: bool,
    /// A controller receives the outputs, too, and is read.
    pub controller: bool,
    /// Fine resolutions and wide formats on the bus, so that a wrong factor still leaves digits.
    pub fine_registers: bool,
}

impl Default for Asked {
    fn default() -> Self {
        Self {
            flow: Wanted::default(),
            pulses: 150.0,
            hours: (2.0, 24.0),
            calm: false,
            controller: false,
            fine_registers: false,
        }
    }
}

/// A case before its troubles.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    /// Chance for what is still to be chosen.
    pub random: Stream,
    /// Seconds.
    pub duration: f64,
    /// The point of measurement.
    pub plan: PointPlan,
    /// How it is polled.
    pub sampling: Sampling,
    /// The CSV says when each witness was sampled, and its registers.
    pub own_times: bool,
    /// The reverse total is declared and read.
    pub reverse_total: bool,
    /// The loop's damping is declared.
    pub declare_damping: bool,
    /// Another meter of the site.
    pub other: Option<PointPlan>,
    /// The least and the most that a trouble on volumes may amount to, in multiples of what is let pass.
    pub shown: (f64, f64),
    /// The figures behind the trouble.
    pub parameters: Vec<(&'static str, f64)>,
}

impl Draft {
    /// Everything that `asked` leaves open is random; different for each label, seed and attempt.
    pub fn new(label: &str, seed: u64, attempt: u64, asked: &Asked) -> Self {
        let mut random = Stream::new(seed ^ label_number(label), attempt);
        let duration = (random.log_between(asked.hours.0, asked.hours.1) * 3600.0).round();
        let full_scale = three_digits(random.log_between(5.0, 500.0));
        let profile = regime(&asked.flow, full_scale, duration, &mut random);
        let amounts = Amounts::of(&profile, duration);
        let mean = (amounts.volume(0.0) / duration).max(1e-6);
        let slowest = (asked.pulses * 1.2 / duration).max(0.05);
        let rate = random.log_between(slowest.min(9.9), 10.0);
        let pulse_volume = pulse_volume(mean / rate, mean, &mut random);
        let poll = random.pick(if asked.calm { &[1.0, 1.0, 2.0] } else { &[1.0, 1.0, 1.0, 2.0, 5.0, 10.0] });
        let reverse = asked.flow.reverse.is_some();
        let mut settings = settings(full_scale, pulse_volume, amounts.highest(), &mut random);
        let mut build = build(full_scale, pulse_volume, asked.calm, &mut random);
        let total_counts = if random.chance(0.25) { Counts::Both } else { Counts::Forward };
        let bus = Bus {
            flow: flow_encoding(amounts.highest(), reverse, asked.fine_registers, &mut random),
            total: total_encoding(pulse_volume, total_counts, asked.fine_registers, &mut random),
            total_counts,
            accumulation: Accumulation::Exact,
            status: 0,
            frozen: false,
            torn: 0.0,
        };
        if !build.current_from_measurement {
            settings.loop_damping = 0.0;
        }
        build.first_total = first_total(&bus.total, pulse_volume, &mut random);
        let wraps_at = random.pick(&[1 << 16, 1 << 32, 1 << 32, 1 << 32, 1_000_000, 10_000_000]);
        let input = current_input(&mut random);
        let controller = asked.controller.then(|| Controller {
            full_scale,
            at_4_ma: settings.at_4_ma,
            pulse_volume,
            input: CurrentInput { quantum: 0.0, ..current_input(&mut random) },
            flow: Encoding::float(LITRES_PER_SECOND),
            total: Encoding { format: Format::F64, ..Encoding::float(LITRES) },
        });
        let plan = PointPlan {
            profile,
            turbulence: turbulence(amounts.highest() / full_scale, asked.calm, &mut random),
            build,
            sound: Conditions {
                settings,
                bus,
                circuit: Loop::default(),
                waiting: Waiting(20),
                input,
                counter: CounterInput::sound(wraps_at),
                controller,
            },
            first_count: random.below(wraps_at.min(1 << 30)),
            first_receiver_total: (random.log_between(1.0, 1e6) * pulse_volume).round(),
            troubles: Vec::new(),
        };
        let own_times = random.chance(0.5);
        let sampling = sampling(poll, own_times, &mut random);
        let reverse_total = total_counts == Counts::Both && (reverse || random.chance(0.5));
        let declare_damping = random.chance(0.5);
        let mut draft = Self {
            random,
            duration,
            plan,
            sampling,
            own_times,
            reverse_total,
            declare_damping,
            other: None,
            shown: (2.5, f64::INFINITY),
            parameters: Vec::new(),
        };
        if draft.random.chance(0.2) {
            draft.other = Some(draft.other_meter());
        }
        draft
    }

    /// What the flow amounts to.
    pub fn amounts(&self) -> Amounts {
        Amounts::of(&self.plan.profile, self.duration)
    }

    /// When the trouble begins, in seconds: more often than not it was always there.
    pub fn onset(&mut self) -> f64 {
        if self.random.chance(0.55) { 0.0 } else { (self.duration * self.random.between(0.15, 0.6)).round() }
    }

    /// An onset late enough that only so many pulses' worth of flow comes after it, and early enough that they do.
    pub fn late_onset(&self, amounts: &Amounts, pulses: f64) -> Option<f64> {
        let volume = pulses * self.plan.sound.settings.pulse_volume;
        let mut begins = self.duration - 120.0;
        while begins > 0.0 {
            if amounts.volume(begins) > volume {
                return Some(begins.round());
            }
            begins -= 60.0;
        }
        None
    }

    /// Let a trouble stand from `begins` to the end.
    pub fn trouble(&mut self, trouble: Trouble, begins: f64) {
        if begins > 0.0 {
            self.parameter("onset_s", begins);
        }
        self.plan.troubles.push(Spell::from(trouble, begins));
    }

    /// Note a figure that an answer should come near.
    pub fn parameter(&mut self, name: &'static str, value: f64) {
        self.parameters.push((name, value));
    }

    /// Set the loop for flow in both directions.
    pub fn span_both_directions(&mut self) {
        let full_scale = self.plan.sound.settings.full_scale;
        self.plan.sound.settings.at_4_ma = -full_scale;
        if let Some(controller) = &mut self.plan.sound.controller {
            controller.at_4_ma = -full_scale;
        }
    }

    /// Another meter of the site, with a flow of its own.
    pub fn other_meter(&mut self) -> PointPlan {
        let random = &mut self.random;
        let mut plan = self.plan.clone();
        plan.troubles.clear();
        let settings = &mut plan.sound.settings;
        settings.full_scale = three_digits(settings.full_scale * random.log_between(0.5, 2.0));
        settings.at_4_ma = 0.0;
        let wanted = Wanted { varied: true, ..Wanted::default() };
        plan.profile = regime(&wanted, settings.full_scale, self.duration, random);
        let amounts = Amounts::of(&plan.profile, self.duration);
        let mean = amounts.volume(0.0) / self.duration;
        settings.pulse_volume = pulse_volume(settings.pulse_volume * random.log_between(0.5, 3.0), mean, random);
        let fastest = 1.3 * amounts.highest() / settings.pulse_volume;
        settings.pulse_on = settings.pulse_on.min(three_digits(0.4 / fastest));
        settings.pulse_off = settings.pulse_on;
        plan.build.first_total = (random.uniform() * plan.build.first_total).round();
        plan.first_count = random.below(plan.sound.counter.wraps_at.min(1 << 30));
        plan.sound.input = current_input(random);
        plan.sound.controller = None;
        plan
    }

    /// The error of output and input together at a flow, as a signed share of the span.
    pub fn analogue_bias(&self, flow: f64) -> f64 {
        let Conditions { input, circuit, settings, .. } = &self.plan.sound;
        let share = (flow - settings.at_4_ma) / (settings.full_scale - settings.at_4_ma);
        (input.offset + circuit.output_offset) / 16.0 + share * (input.gain + circuit.output_gain)
    }

    /// What the controller's input sees more than the module's at a flow, as a signed share of the span.
    pub fn controller_bias(&self, flow: f64) -> Option<f64> {
        let Conditions { input, settings, controller, .. } = &self.plan.sound;
        let own = controller.as_ref()?.input;
        let share = (flow - settings.at_4_ma) / (settings.full_scale - settings.at_4_ma);
        Some((own.offset - input.offset) / 16.0 + share * (own.gain - input.gain))
    }

    /// Whether the troubles with these codes leave marks beyond what is let pass, in the very readings of the case; those
    /// whose marks follow from how they are made are taken at their word.
    pub fn shows(&self, codes: &[&str], seed: u64) -> bool {
        let settings = &self.plan.sound.settings;
        let highest = self.amounts().highest();
        let limited = codes.contains(&"pulse-rate-limit");
        if !limited && 1.2 * highest / settings.pulse_volume * (settings.pulse_on + settings.pulse_off) > 1.0 {
            return false;
        }
        codes.iter().all(|code| match *code {
            "pulse-weight" | "pulse-double" | "pulse-narrow" | "pulse-rate-limit" | "pulse-crossed" | "pulse-extra"
            | "pulse-gaps" | "pulse-silent" | "pulse-direction" => {
                let (sound, troubled) = self.ends(seed);
                let limit = (0.001 * sound.0).max(3.0);
                let effect = (troubled.0 - sound.0).abs();
                effect > self.shown.0 * limit + 2.0 && effect < self.shown.1 * limit + 2.0
            }
            "bus-total-coarse" => {
                let (sound, troubled) = self.ends(seed);
                let limit = (0.001 * sound.0).max(3.0) * settings.pulse_volume;
                let place = 2.0 * 2_f64.powi(-23) * self.plan.build.first_total;
                let effect = (troubled.1 - sound.1).abs();
                effect > self.shown.0 * limit + place && effect < self.shown.1 * limit
            }
            "bus-torn" => self.tears(seed) >= 4,
            _ => true,
        })
    }

    /// Pulses counted and volume totalled at the end, without and with the troubles.
    fn ends(&self, seed: u64) -> ((f64, f64), (f64, f64)) {
        let end = |plan: &PointPlan| {
            let plans = std::iter::once(plan.clone()).chain(self.other.clone()).collect();
            let mut shed = Shed::new(plans, seed);
            shed.advance_to(self.duration);
            let point = &shed.points()[0];
            let pulses = precise(point.counted() - plan.first_count);
            (pulses, point.meter().total(&point.conditions().bus) - plan.build.first_total)
        };
        (end(&PointPlan { troubles: Vec::new(), ..self.plan.clone() }), end(&self.plan))
    }

    /// How many totals are torn by more than the flow could explain.
    fn tears(&self, seed: u64) -> usize {
        let plans = std::iter::once(self.plan.clone()).chain(self.other.clone()).collect();
        let rows = Direct::new(Shed::new(plans, seed), 0, self.sampling, self.duration, seed);
        let step = self.plan.sound.bus.total.scale;
        let totals: Vec<f64> = rows.filter_map(|row| row.total).map(|total| total.value).collect();
        totals.windows(3).filter(|three| ((three[1] - 0.5 * (three[0] + three[2])) / step).abs() > 30_000.0).count()
    }
}

/// Three significant digits, as people set full scales.
pub(crate) fn three_digits(value: f64) -> f64 {
    let place = 10_f64.powf(value.log10().floor() - 2.0);
    tidy((value / place).round() * place)
}

/// The decade at or below a value.
pub(crate) fn decade_below(value: f64) -> f64 {
    tidy(10_f64.powf((value.log10() + 1e-9).floor()))
}

/// A volume that people choose for a pulse, at most `most` litres, or the next one above where it would make more than
/// [`FASTEST_MEAN`] pulses a second of the mean flow in L/s.
fn pulse_volume(most: f64, mean: f64, random: &mut Stream) -> f64 {
    let unit = if random.chance(0.2) { VOLUME_UNITS[2] } else { LITRES };
    let steps: &[f64] = if unit == LITRES { &[1.0, 2.0, 2.5, 5.0, 10.0] } else { &[1.0, 10.0] };
    let decade = decade_below(most / unit.base) * unit.base;
    let below = steps.iter().rev().map(|step| tidy(step * decade)).find(|volume| *volume <= most).unwrap_or(decade);
    let above = steps.iter().map(|step| tidy(step * decade)).find(|volume| *volume > most).unwrap_or(decade);
    if mean / below > FASTEST_MEAN { above } else { below }
}

/// Pulses per second of the mean flow, at most.
const FASTEST_MEAN: f64 = 12.0;

fn settings(full_scale: f64, pulse_volume: f64, highest: f64, random: &mut Stream) -> Settings {
    let fastest = 1.3 * highest / pulse_volume;
    let widths = [0.5, 0.25, 0.1, 0.06, 0.05, 0.03, 0.02, 0.01];
    let fitting = widths.iter().filter(|width| 0.5 / **width > 1.2 * fastest).count();
    let width = if fitting == 0 { 0.005 } else { widths[widths.len() - 1 - random.below(fitting as u64) as usize] };
    let damping = if random.chance(0.15) { 0.0 } else { three_digits(random.log_between(0.3, 10.0)) };
    Settings {
        full_scale,
        at_4_ma: 0.0,
        damping,
        loop_damping: damping,
        low_flow_cutoff: tidy(full_scale * random.pick(&[0.0, 0.005, 0.01])),
        total_cutoff: 0.0,
        pulse_volume,
        pulse_on: width,
        pulse_off: width,
        pulse_counts: Counts::Forward,
        bore_mm: 200.0,
        sensor_factor: 1.0,
        zero: 0.0,
    }
}

fn build(full_scale: f64, pulse_volume: f64, calm: bool, random: &mut Stream) -> Build {
    let (cycle, refresh_cycles) =
        random.pick(&[(0.1, 2), (0.2, 1), (0.2, 5), (0.25, 2), (0.25, 4), (0.5, 1), (0.5, 2)]);
    Build {
        cycle,
        refresh_cycles,
        noise: if random.chance(0.3) {
            0.0
        } else {
            full_scale * random.log_between(1e-4, if calm { 1e-3 } else { 4e-3 })
        },
        totals_damped: random.chance(0.5),
        current_from_measurement: random.chance(0.5),
        first_total: 0.0,
        first_reverse_total: (random.log_between(1.0, 1e4) * pulse_volume).round(),
    }
}

/// So much that the current of a flow within the span is hardly ever at its end; `peak` is the largest flow's share.
fn turbulence(peak: f64, calm: bool, random: &mut Stream) -> Turbulence {
    let most = if peak < 1.0 { 0.4 * (1.02 / peak - 1.0) } else { 0.05 };
    if calm {
        Turbulence { relative: random.log_between(0.001, 0.01).min(most), correlation: random.log_between(0.3, 3.0) }
    } else {
        Turbulence { relative: random.log_between(0.002, 0.05).min(most), correlation: random.log_between(0.3, 10.0) }
    }
}

/// A number for a label: the bytes, mixed by the multiplication of FNV-1a.
fn label_number(label: &str) -> u64 {
    label.bytes().fold(0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3))
}

fn current_input(random: &mut Stream) -> CurrentInput {
    // Within 0.1 % of the span everywhere: 0.016 mA, offset and gain together.
    let offset = (0.004 * random.normal()).clamp(-0.009, 0.009);
    let gain = (0.0002 * random.normal()).clamp(-0.0004, 0.0004);
    CurrentInput {
        offset,
        gain,
        noise: random.log_between(0.0005, 0.01),
        quantum: random.pick(&[0.0, 0.0005, 0.001, 0.005]),
        connected_to: None,
    }
}

fn flow_encoding(highest: f64, reverse: bool, fine: bool, random: &mut Stream) -> Encoding {
    let unit = random.pick(&FLOW_UNITS);
    let high_first = random.chance(0.6);
    let formats: &[Format] = match (fine, reverse) {
        (true, _) => &[Format::F32, Format::F32, Format::F64],
        (false, true) => &[Format::F32, Format::F32, Format::F64, Format::I16, Format::I32],
        (false, false) => &[Format::F32, Format::F32, Format::F32, Format::F64, Format::I16, Format::I32, Format::U16],
    };
    let format = random.pick(formats);
    let most = 1.5 * highest / unit.base;
    let scale = match format {
        Format::I16 => 10.0 * decade_below(most / 32_000.0),
        Format::U16 => 10.0 * decade_below(most / 65_000.0),
        Format::I32 => decade_below(most / 1e6),
        _ => 1.0,
    };
    Encoding { format, high_first, unit, scale: tidy(scale), wraps_at: None }
}

fn total_encoding(pulse_volume: f64, counts: Counts, fine: bool, random: &mut Stream) -> Encoding {
    let unit = random.pick(&VOLUME_UNITS);
    let high_first = random.chance(0.6);
    let formats: &[Format] = match counts {
        Counts::Both => &[Format::I32, Format::I32, Format::F32, Format::F64, Format::I64],
        _ => &[Format::U32, Format::U32, Format::U32, Format::F32, Format::F64, Format::I32, Format::U64],
    };
    let format = random.pick(formats);
    let share = if fine { random.pick(&[0.001, 0.01]) } else { random.pick(&[0.01, 0.1, 0.1, 1.0]) };
    let scale = if format.is_float() { 1.0 } else { decade_below(pulse_volume * share / unit.base) };
    Encoding { format, high_first, unit, scale, wraps_at: None }
}

/// A total that still has room, and in a float still resolves a quarter of a pulse.
fn first_total(encoding: &Encoding, pulse_volume: f64, random: &mut Stream) -> f64 {
    let most = if encoding.format == Format::F32 {
        0.25 * pulse_volume * 2_f64.powi(23)
    } else {
        (1e9 * encoding.step()).min(1e6 * pulse_volume)
    };
    (random.log_between(1e-5, 0.5) * most).round()
}

fn sampling(poll: f64, own_times: bool, random: &mut Stream) -> Sampling {
    let skew = if own_times { poll.min(1.0) * 0.3 } else { 0.06 };
    let bus = random.between(0.0, skew * 0.3);
    Sampling {
        poll,
        jitter: random.pick(&[0.0, 0.005, 0.02, 0.1]),
        skew: [bus, bus, random.between(0.0, skew), random.between(0.0, skew)],
        skew_jitter: if own_times { random.pick(&[0.0, 0.01, 0.05]) } else { 0.01 },
        missed: random.pick(&[0.0, 0.0, 0.002, 0.02]),
        gaps: if random.chance(0.2) { (7200.0, random.log_between(20.0, 600.0)) } else { (0.0, 0.0) },
        clock_jitter: random.pick(&[0.0, 0.0, 0.01, 0.05]),
        ..Sampling::default()
    }
}

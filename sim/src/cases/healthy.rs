//! Cases in which nothing is wrong, of every kind that looks as if something were.

use crate::meter::Counts;
use crate::profile::{Profile, Turbulence};
use crate::register::{Encoding, Format};

use super::flows::{Network, Wanted, network};
use super::surroundings::{Asked, Draft, decade_below, three_digits};

/// What makes a sound meter look odd.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HealthyKind {
    /// Nothing in particular.
    Plain,
    /// A flow that fluctuates by a tenth.
    HeavyTurbulence,
    /// Ramps of a few seconds over the whole span.
    FastRamps,
    /// Hours without flow.
    LongRest,
    /// A handful of pulses in the whole stretch.
    FewPulses,
    /// A twentieth of the readings is missed, and polling stops now and then.
    PollingGaps,
    /// A loop damped as declared, more than the bus.
    DeclaredDamping,
    /// Water swings back when the pump stops.
    ReverseAtStop,
    /// Noise about nought, which a forward-only counter rectifies and a net total does not.
    Creep,
    /// A total with a coarse last place, kept exactly inside.
    CoarseTotal,
    /// Pulses wait for their turn and come after the flow has stopped.
    QueueAfterStop,
    /// A 16-bit counter, and a total that passes its width.
    Wraps,
    /// Analogue errors at the very edge of 0.1 % of the span.
    AnalogueEdge,
    /// Flows from a network solver.
    NetworkFlows,
}

/// All of them.
pub const HEALTHY_KINDS: [HealthyKind; 14] = [
    HealthyKind::Plain,
    HealthyKind::HeavyTurbulence,
    HealthyKind::FastRamps,
    HealthyKind::LongRest,
    HealthyKind::FewPulses,
    HealthyKind::PollingGaps,
    HealthyKind::DeclaredDamping,
    HealthyKind::ReverseAtStop,
    HealthyKind::Creep,
    HealthyKind::CoarseTotal,
    HealthyKind::QueueAfterStop,
    HealthyKind::Wraps,
    HealthyKind::AnalogueEdge,
    HealthyKind::NetworkFlows,
];

/// A draft of this kind.
pub(super) fn draft(kind: HealthyKind, seed: u64) -> Draft {
    let mut asked = Asked::default();
    match kind {
        HealthyKind::LongRest | HealthyKind::Creep => asked.flow.rest = true,
        // Short of the limits of the loop, whose current would stand at its lowest end otherwise.
        HealthyKind::ReverseAtStop => asked.flow = Wanted { reverse: Some((0.01, 6.0)), ..Wanted::default() },
        HealthyKind::FewPulses => asked.pulses = 5.0,
        HealthyKind::HeavyTurbulence => asked.flow.peak = (0.4, 0.72),
        _ => {}
    }
    let mut draft = Draft::new(&format!("{kind:?}"), seed, 0, &asked);
    let full_scale = draft.plan.sound.settings.full_scale;
    let pulse_volume = draft.plan.sound.settings.pulse_volume;
    match kind {
        HealthyKind::HeavyTurbulence => {
            let relative = draft.random.between(0.06, 0.12);
            draft.plan.turbulence = Turbulence { relative, correlation: draft.random.log_between(0.5, 20.0) };
        }
        HealthyKind::FastRamps => {
            let peak = draft.amounts().highest();
            let hold = draft.random.log_between(30.0, 600.0);
            let ramp = draft.random.between(1.0, 8.0);
            draft.plan.profile = Profile::trapezoid(0.05 * peak, peak, hold, ramp);
        }
        HealthyKind::LongRest => {
            let running = draft.amounts().highest();
            let begin = draft.random.between(0.02, 0.3) * draft.duration;
            let end = begin + draft.random.between(600.0, 2400.0);
            draft.plan.profile = Profile::Table {
                points: vec![(0.0, 0.0), (begin, 0.0), (begin + 10.0, running), (end, running), (end + 10.0, 0.0)],
                linear: true,
                repeats_after: None,
            };
        }
        HealthyKind::FewPulses => {
            let pulses = draft.random.between(3.0, 40.0);
            let volume = draft.amounts().volume(0.0) / pulses;
            draft.plan.sound.settings.pulse_volume = three_digits(volume);
        }
        HealthyKind::PollingGaps => {
            draft.sampling.missed = draft.random.between(0.02, 0.1);
            draft.sampling.gaps = (draft.random.log_between(600.0, 3600.0), draft.random.log_between(20.0, 900.0));
        }
        HealthyKind::DeclaredDamping => {
            draft.plan.build.current_from_measurement = true;
            draft.plan.sound.settings.damping = draft.random.pick(&[0.0, 0.5, 2.0]);
            draft.plan.sound.settings.loop_damping = three_digits(draft.random.log_between(1.0, 15.0));
            draft.declare_damping = true;
        }
        HealthyKind::Creep => {
            draft.plan.sound.settings.low_flow_cutoff = 0.0;
            draft.plan.build.noise = full_scale * draft.random.log_between(3e-4, 3e-3);
            draft.plan.sound.bus.total_counts = Counts::Both;
            let total = &mut draft.plan.sound.bus.total;
            let scale = decade_below(pulse_volume * 0.1 / total.unit.base);
            *total = Encoding { format: Format::I32, scale, ..*total };
            draft.plan.build.first_total = (1e6 * total.step()).round();
            draft.plan.sound.bus.flow.format = Format::F32;
            draft.plan.sound.bus.flow.scale = 1.0;
        }
        HealthyKind::CoarseTotal => {
            let total = &mut draft.plan.sound.bus.total;
            *total = Encoding { format: Format::F32, scale: 1.0, ..*total };
            let places = draft.random.log_between(0.3, 4.0) * pulse_volume / total.unit.base;
            let counts = 2_f64.powf(places.log2().floor()) * 2_f64.powi(23);
            draft.plan.build.first_total =
                counts * draft.random.between(1.05, 1.9) * draft.plan.sound.bus.total.unit.base;
        }
        HealthyKind::QueueAfterStop => queue(&mut draft),
        HealthyKind::Wraps => {
            draft.plan.sound.counter.wraps_at = 1 << 16;
            draft.plan.first_count = 65_500;
            draft.plan.sound.bus.total_counts = Counts::Forward;
            let total = &mut draft.plan.sound.bus.total;
            let scale = decade_below(pulse_volume * 0.1 / total.unit.base);
            *total = Encoding { format: Format::U32, scale, ..*total };
            let most = 4_294_967_296.0 * total.step();
            draft.plan.build.first_total = most - 0.5 * draft.amounts().volume(0.0).min(most);
            draft.reverse_total = false;
        }
        HealthyKind::AnalogueEdge => {
            let sign = draft.random.sign();
            draft.plan.sound.input.offset = sign * 0.008;
            draft.plan.sound.input.gain = sign * 0.0004;
        }
        HealthyKind::NetworkFlows => {
            let pipe = draft.random.pick(&[Network::Net1Pipe10, Network::Net3Pipe60]);
            draft.plan.profile = network(pipe, draft.amounts().highest());
        }
        HealthyKind::Plain | HealthyKind::ReverseAtStop => {}
    }
    draft
}

/// A surge at each start that the pulse output cannot follow for a few seconds: some pulses wait, none is lost.
fn queue(draft: &mut Draft) {
    let settings = &mut draft.plan.sound.settings;
    let running = 0.7 * settings.full_scale;
    let rate = running / settings.pulse_volume;
    // The output does 5 % more than the running flow asks for; the surge asks for 15 % more, and makes two pulses wait.
    settings.pulse_on = 0.5 / (1.05 * rate);
    settings.pulse_off = settings.pulse_on;
    let surge = 2.0 / (0.10 * rate);
    let run = surge.max(30.0);
    let rest = run.max(120.0);
    draft.plan.turbulence.relative = draft.plan.turbulence.relative.min(0.01);
    // The register was made for the flow that was drafted before: it has to hold this one.
    let flow = &mut draft.plan.sound.bus.flow;
    let most = match flow.format {
        Format::U16 => 65_535.0,
        Format::I16 => 32_767.0,
        _ => f64::INFINITY,
    };
    while most * flow.step() < 1.5 * running {
        flow.scale *= 10.0;
    }
    draft.plan.profile = Profile::Table {
        points: vec![
            (0.0, 0.0),
            (rest, 0.0),
            (rest + 2.0, running),
            (rest + run, running),
            (rest + run + 1.0, 1.15 * running),
            (rest + run + surge, 1.15 * running),
            (rest + run + surge + 1.0, 0.0),
        ],
        linear: true,
        repeats_after: Some(rest + run + surge + 2.0),
    };
}

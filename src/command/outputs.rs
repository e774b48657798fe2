//! `outputs`: how to set 20 mA, litres per pulse and on-time for a pipe and its flows, and what each choice costs.

mod safety;
#[cfg(test)]
mod tests;
mod text;

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use serde_json::json;
use tallywell_witness::declared::{Framing, Parity};
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::sizing::{
    self, Advice, AnalogueInput, BusCycle, Cable, Caution, Flows, LoopCircuit, LoopWire, Present, PullUp,
    PulseReceiver, PulseWire, Question,
};
use tallywell_witness::units::parse::{self, QuantityError};
use tallywell_witness::units::{Dimension, Litres, LitresPerSecond};

use super::{CommandResult, Format, FormatArgument, Outcome};
use crate::site;

/// The heading of what is asked about the pipe.
const PIPE: &str = "The pipe and its flows";

/// Choose the flow at 20 mA, litres per pulse and on-time for a pipe
///
/// Weighs each choice against the flows that are expected and what receives the signals, says what the alternatives cost,
/// and warns of settings that cannot carry the flow. Nothing is sent and no port is opened.
#[derive(Debug, Args)]
#[command(override_usage = "tallywell outputs [OPTIONS] --bore <LENGTH> --smallest <FLOW>\n         \
    --usual <FLOW> --largest <FLOW>")]
#[command(after_help = "Examples:\n  \
    tallywell outputs --bore '100 mm' \\\n    \
    --smallest '3 L/s' --usual '12 L/s' --largest '28 L/s'\n  \
    tallywell outputs --bore '100 mm' \\\n    \
    --smallest '10 m3/h' --usual '43 m3/h' --largest '100 m3/h' \\\n    \
    --pulse-volume '1 L' --on-time 60ms --supply 24 --burden 500")]
pub struct Arguments {
    /// The meter's real inner diameter, '100 mm'
    #[arg(long, value_name = "LENGTH", value_parser = bore, help_heading = PIPE)]
    bore: f64,
    /// The smallest flow that matters, '3 L/s'
    #[arg(long, value_name = "FLOW", value_parser = flow, help_heading = PIPE)]
    smallest: LitresPerSecond,
    /// The usual flow
    #[arg(long, value_name = "FLOW", value_parser = flow, help_heading = PIPE)]
    usual: LitresPerSecond,
    /// The largest flow
    #[arg(long, value_name = "FLOW", value_parser = flow, help_heading = PIPE)]
    largest: LitresPerSecond,
    /// The resolution wanted, of the usual flow, '1 %'
    #[arg(long, value_name = "SHARE", value_parser = share, help_heading = PIPE)]
    resolution: Option<f64>,
    #[command(flatten)]
    receivers: Receivers,
    #[command(flatten)]
    present: PresentArguments,
    #[command(flatten)]
    wiring: Wiring,
    #[command(flatten)]
    bus: Bus,
    #[command(flatten)]
    format: FormatArgument,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "What receives the signals")]
struct Receivers {
    /// The shortest pulse, and pause, that the receiver is sure to see
    #[arg(long, value_name = "TIME", default_value = "20ms", value_parser = time)]
    shortest_pulse: Duration,
    /// The highest rate that it is sure to count, in pulses a second
    #[arg(long, value_name = "HZ", value_parser = positive)]
    highest_rate: Option<f64>,
    /// The bits of the input that measures the current (steps of 20 mA / 2^bits)
    #[arg(long, value_name = "BITS", default_value_t = 16, value_parser = clap::value_parser!(u32).range(8..=32))]
    bits: u32,
    /// Its accuracy, of the 16 mA span
    #[arg(long, value_name = "SHARE", default_value = "0.1 %", value_parser = share)]
    accuracy: f64,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "What is set now, to be judged beside the choices")]
struct PresentArguments {
    /// The flow at 20 mA
    #[arg(long, value_name = "FLOW", value_parser = flow)]
    full_scale: Option<LitresPerSecond>,
    /// The volume of one pulse, '25 L'
    #[arg(long, value_name = "VOLUME", value_parser = volume)]
    pulse_volume: Option<Litres>,
    /// The pulse's width, '60ms'
    #[arg(long, value_name = "TIME", value_parser = time, requires = "pulse_volume")]
    on_time: Option<Duration>,
    /// A site file that says what is set now, with --meter
    #[arg(long, value_name = "SITE.toml", requires = "meter")]
    config: Option<PathBuf>,
    /// The meter in the site file
    #[arg(long, value_name = "NAME", requires = "config")]
    meter: Option<String>,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Wiring")]
struct Wiring {
    /// The loop supply's lowest voltage
    #[arg(long, value_name = "VOLTS", requires = "burden", value_parser = positive)]
    supply: Option<f64>,
    /// What the meter's output needs across itself, in volts
    #[arg(long, value_name = "VOLTS", default_value_t = 12.0, value_parser = not_negative)]
    drop: f64,
    /// All receivers in series, in ohms
    #[arg(long, value_name = "OHMS", requires = "supply", value_parser = positive)]
    burden: Option<f64>,
    /// The cable from end to end, '200 m'
    #[arg(long, value_name = "LENGTH", value_parser = metres)]
    cable: Option<f64>,
    /// The section of one wire, in square millimetres
    #[arg(long, value_name = "MM2", default_value_t = 0.5, value_parser = positive)]
    section: f64,
    /// The resistor from a passive pulse output to its supply, in ohms
    #[arg(long, value_name = "OHMS", value_parser = positive)]
    pull_up: Option<f64>,
    /// The supply of the pulse circuit, in volts
    #[arg(long, value_name = "VOLTS", default_value_t = 24.0, value_parser = positive)]
    pulse_supply: f64,
}

#[derive(Debug, Args)]
#[command(next_help_heading = "Bus")]
struct Bus {
    /// Devices on the line
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=247))]
    devices: Option<u32>,
    /// Registers read of each in one request
    #[arg(long, value_name = "COUNT", default_value_t = 10, value_parser = clap::value_parser!(u16).range(1..=125))]
    registers: u16,
    /// The line's rate, in bits a second
    #[arg(long, default_value_t = 19_200, value_parser = clap::value_parser!(u32).range(300..=4_000_000))]
    baud: u32,
}

/// Everything that is answered.
struct Answer {
    question: Question,
    advice: Advice,
    current_loop: Option<LoopWire>,
    pulse_wire: Option<PulseWire>,
    devices: Option<u32>,
    baud: u32,
    cycles: Vec<BusCycle>,
}

impl Answer {
    fn cautions(&self) -> impl Iterator<Item = &Caution> {
        let current_loop = self.current_loop.iter().flat_map(|wire| &wire.cautions);
        let pulse_wire = self.pulse_wire.iter().flat_map(|wire| &wire.cautions);
        self.advice.cautions.iter().chain(current_loop).chain(pulse_wire)
    }
}

/// Weighs the choices and prints them.
///
/// # Errors
/// Flows out of order, or a site file that cannot be used.
pub fn run(arguments: &Arguments) -> CommandResult {
    let answer = answer(arguments)?;
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", as_json(&answer))?,
        Format::Text => out.write_all(text::of(&answer).as_bytes())?,
    }
    Ok(Outcome::Good)
}

fn answer(arguments: &Arguments) -> anyhow::Result<Answer> {
    let facts = declared(&arguments.present)?;
    let question = question(arguments, facts.as_ref())?;
    let mut advice = sizing::advise(&question);
    for caution in facts.iter().flat_map(sizing::cautions) {
        if advice.cautions.iter().all(|known| known.concern != caution.concern) {
            advice.cautions.push(caution);
        }
    }
    let wiring = &arguments.wiring;
    let cable = wiring.cable.map(|length_m| Cable { length_m, section_mm2: wiring.section });
    let current_loop = wiring.supply.zip(wiring.burden).map(|(supply_v, burden_ohm)| {
        sizing::current_loop(&LoopCircuit { supply_v, drop_v: wiring.drop, burden_ohm, cable })
    });
    let pulse_wire = wiring.pull_up.map(|ohm| {
        let on_time = question.present.on_time.unwrap_or_else(|| recommended_width(&advice));
        let cable_m = wiring.cable.unwrap_or_default();
        sizing::pulse_wire(&PullUp { supply_v: wiring.pulse_supply, ohm, cable_m, on_time })
    });
    let bus = &arguments.bus;
    let framing = Framing { baud: bus.baud, parity: Parity::Even, stop_bits: 1 };
    let cycles = bus.devices.map(|devices| sizing::bus_cycles(devices, bus.registers, framing)).unwrap_or_default();
    Ok(Answer { question, advice, current_loop, pulse_wire, devices: bus.devices, baud: bus.baud, cycles })
}

fn declared(present: &PresentArguments) -> anyhow::Result<Option<MeterFacts>> {
    let (Some(path), Some(name)) = (&present.config, &present.meter) else { return Ok(None) };
    let loaded = site::load(path)?;
    Ok(Some(site::meter_facts(&loaded.site, name)?))
}

/// What is asked: the arguments, and beside them what the site file says is set now.
fn question(arguments: &Arguments, facts: Option<&MeterFacts>) -> anyhow::Result<Question> {
    let (smallest, usual, largest) = (arguments.smallest, arguments.usual, arguments.largest);
    if smallest > usual || usual > largest {
        bail!(
            "the flows are out of order: smallest {} L/s, usual {} L/s, largest {} L/s; \
             give --smallest, --usual and --largest so that each is at least the one before",
            sizing::figure(smallest.0),
            sizing::figure(usual.0),
            sizing::figure(largest.0)
        );
    }
    let fastest_m_s = largest.0 / (std::f64::consts::PI * (arguments.bore / 1000.0).powi(2) / 4.0) / 1000.0;
    if fastest_m_s > FASTEST_M_S {
        bail!(
            "{} L/s through {} mm would be {} m/s: one of the two is in another unit than it was meant in",
            sizing::figure(largest.0),
            sizing::figure(arguments.bore),
            sizing::figure(fastest_m_s)
        );
    }
    let present = &arguments.present;
    let current_loop = facts.and_then(|facts| facts.meter.current_loop.as_ref());
    let pulse = facts.and_then(|facts| facts.meter.pulse.as_ref());
    Ok(Question {
        flows: Flows { bore_mm: arguments.bore, smallest, usual, largest },
        pulse_receiver: PulseReceiver {
            shortest_pulse: arguments.receivers.shortest_pulse,
            highest_rate_hz: arguments.receivers.highest_rate,
        },
        analogue_input: AnalogueInput { bits: arguments.receivers.bits, accuracy: arguments.receivers.accuracy },
        wanted_resolution: arguments.resolution,
        present: Present {
            full_scale: present.full_scale.or_else(|| current_loop.map(|current_loop| current_loop.full_scale)),
            pulse_volume: present.pulse_volume.or_else(|| pulse.map(|pulse| pulse.volume)),
            on_time: present.on_time.or_else(|| pulse.map(|pulse| pulse.on_time)),
        },
    })
}

/// No water flows so fast through a pipe that is to be measured; some ten metres a second destroy it.
const FASTEST_M_S: f64 = 100.0;
/// Pipes of this world, in millimetres.
const BORES_MM: std::ops::RangeInclusive<f64> = 1.0..=20_000.0;
/// Flows of this world, in litres a second: from a drop in a quarter of an hour to the largest river.
const FLOWS_L_S: std::ops::RangeInclusive<f64> = 1e-7..=1e9;

fn recommended_width(advice: &Advice) -> Duration {
    let recommended = advice.pulses.iter().find(|choice| choice.role == sizing::Role::Recommended);
    let milliseconds = recommended.and_then(|choice| choice.on_time_ms).unwrap_or(30.0);
    Duration::from_secs_f64(milliseconds / 1000.0)
}

fn as_json(answer: &Answer) -> serde_json::Value {
    let flows = &answer.question.flows;
    json!({
        "bore_mm": flows.bore_mm,
        "smallest_l_s": flows.smallest,
        "usual_l_s": flows.usual,
        "largest_l_s": flows.largest,
        "velocities": answer.advice.velocities,
        "full_scales": answer.advice.full_scales,
        "pulses": answer.advice.pulses,
        "loop": answer.current_loop,
        "pulse_circuit": answer.pulse_wire,
        "bus": answer.cycles,
        "cautions": answer.cautions().collect::<Vec<_>>(),
        "wiring": safety::wiring(answer.devices),
        "safety": safety::SAFETY,
    })
}

fn flow(text: &str) -> anyhow::Result<LitresPerSecond> {
    let flow = above_zero(text, parse::flow(text).map_err(explained)?.0)?;
    if FLOWS_L_S.contains(&flow) { Ok(LitresPerSecond(flow)) } else { bail!("`{text}` is no flow of any pipe") }
}

fn volume(text: &str) -> anyhow::Result<Litres> {
    Ok(Litres(above_zero(text, parse::volume(text).map_err(explained)?.0)?))
}

fn millimetres(text: &str) -> anyhow::Result<f64> {
    above_zero(text, parse::quantity(text, Dimension::Length).map_err(explained)?.in_base())
}

fn bore(text: &str) -> anyhow::Result<f64> {
    let bore = millimetres(text)?;
    if BORES_MM.contains(&bore) { Ok(bore) } else { bail!("`{text}` is no pipe's inner diameter: write 1 mm to 20 m") }
}

fn metres(text: &str) -> anyhow::Result<f64> {
    Ok(millimetres(text)? / 1000.0)
}

fn share(text: &str) -> anyhow::Result<f64> {
    above_zero(text, parse::fraction(text).map_err(explained)?)
}

fn time(text: &str) -> anyhow::Result<Duration> {
    let time = parse::duration(text).map_err(explained)?;
    above_zero(text, time.as_secs_f64())?;
    Ok(time)
}

fn positive(text: &str) -> anyhow::Result<f64> {
    above_zero(text, text.parse().with_context(|| format!("`{text}` is not a number"))?)
}

fn not_negative(text: &str) -> anyhow::Result<f64> {
    if text.parse() == Ok(0.0) { Ok(0.0) } else { positive(text) }
}

fn above_zero(text: &str, number: f64) -> anyhow::Result<f64> {
    if number > 0.0 && number.is_finite() { Ok(number) } else { bail!("`{text}` must be above zero") }
}

fn explained(error: QuantityError) -> anyhow::Error {
    anyhow::anyhow!("{error}: {}", error.instead())
}

//! `scan`: which addresses answer on a port, and with which settings.

mod followed;
mod json;
mod progress;
mod site_file;
mod text;

use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context;
use clap::{Args, ValueEnum};
use tallywell_witness::declared::{Framing, Parity, Port};
use tallywell_witness::probing::{RATES, Until};

use super::{CommandResult, Format, FormatArgument, Outcome};
use crate::line::scan::following::follow;
use crate::line::scan::{ASKED_REGISTER, ScanPlan, scan};

/// Find which addresses answer on a port, over baud rates and parities; reads only
#[derive(Debug, Args)]
#[command(after_help = "It listens first: where another master polls, nothing is sent. A second master\n\
                        disturbs a line that is polled, so stop the first one before you scan. Wiring is\n\
                        for those licensed to do it.\n\
                        Exit status: 0 something answered; 1 nothing did, or another master polls;\n\
                        2 could not be done.\n\
                        Examples: tallywell scan --port /dev/ttyUSB0\n\
                        \x20         tallywell scan --port /dev/ttyUSB0 --baud 9600 --addresses 1-20,40,41\n\
                        \x20         tallywell scan --port /dev/ttyUSB0 --write shed.toml\n\
                        \x20         tallywell scan --port /dev/ttyUSB0 --listen-only 60 --write shed.toml")]
pub struct Arguments {
    /// A serial port, tcp://HOST:PORT or rtu+tcp://HOST:PORT
    #[arg(long, value_name = "PORT")]
    port: String,
    /// The rates to try, in bits a second [default: 19200, 9600, then others from 1200 to 115200]
    #[arg(long, value_name = "RATE,..", value_delimiter = ',', value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    baud: Vec<u32>,
    /// The parities to try [default: all]
    #[arg(long, value_name = "even,none,odd", value_delimiter = ',', value_enum, hide_possible_values = true)]
    parity: Vec<ParityChoice>,
    /// The stop bits to try [default: 1, and 2 without parity]
    #[arg(long, value_name = "1,2", value_delimiter = ',', value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: Vec<u8>,
    /// The addresses to try, single ones and ranges
    #[arg(long, value_name = "LIST", default_value = "1-247")]
    addresses: String,
    /// How long to listen before anything is sent, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0, value_parser = seconds)]
    listen: f64,
    /// How long to wait for each reply; later replies are noticed, too
    #[arg(long, value_name = "MILLISECONDS", default_value_t = 100, value_parser = clap::value_parser!(u64).range(5..=10_000))]
    wait: u64,
    /// The holding register (the protocol's address) that each address is asked for; whoever refuses it is found, too
    #[arg(long, value_name = "ADDRESS", default_value_t = ASKED_REGISTER)]
    register: u16,
    /// Send nothing at all: draw up what another master reads, for so many seconds
    #[arg(long, value_name = "SECONDS", num_args = 0..=1, default_missing_value = "30", value_parser = seconds)]
    listen_only: Option<f64>,
    /// Try everything, even after something answered at one setting
    #[arg(long)]
    all: bool,
    /// Write a first site file for what was found, and a map for each device beside it; nothing is overwritten
    #[arg(long, value_name = "SITE.toml")]
    write: Option<PathBuf>,
    #[command(flatten)]
    format: FormatArgument,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ParityChoice {
    Even,
    None,
    Odd,
}

/// Scans.
///
/// # Errors
/// The arguments are wrong, the port cannot be used, or a file cannot be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    let addresses = addresses(&arguments.addresses)?;
    if let Some(path) = &arguments.write {
        site_file::refuse_to_overwrite(path)?;
    }
    let port = crate::site::port(&arguments.port)?;
    let settings = match &port {
        Port::Serial(_) => settings(arguments),
        // A gateway keeps its own settings; these stand for them.
        Port::Tcp(_) | Port::RtuOverTcp(_) => vec![Framing { baud: 19_200, parity: Parity::Even, stop_bits: 1 }],
    };
    if let Some(length) = arguments.listen_only {
        return follow_only(arguments, &port, &settings, Duration::from_secs_f64(length));
    }
    let plan = ScanPlan {
        port,
        settings,
        addresses,
        listen: Duration::from_secs_f64(arguments.listen),
        patience: Duration::from_millis(arguments.wait),
        register: arguments.register,
        until: if arguments.all { Until::AllIsTried } else { Until::OneSettingIsComplete },
    };
    let mut progress = progress::Shown::new(plan.addresses.len());
    let outcome = scan(&plan, &mut |step| progress.show(step));
    progress.end();
    let found = outcome?;
    let mut notes = Vec::new();
    if let Some(path) = &arguments.write {
        if found.anything_answered() {
            notes = site_file::write(path, &arguments.port, &plan, &found)?;
        } else {
            notes.push(format!("{} is not written: nothing answered.", path.display()));
        }
    }
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", json::of(&arguments.port, &plan, &found))?,
        Format::Text => write!(out, "{}", text::of(&arguments.port, &plan, &found, &notes))?,
    }
    Ok(if found.anything_answered() && !found.other_master() { Outcome::Good } else { Outcome::Bad })
}

/// Draws up what another master reads, and sends nothing.
fn follow_only(arguments: &Arguments, port: &Port, settings: &[Framing], length: Duration) -> CommandResult {
    anyhow::ensure!(
        !matches!(port, Port::Tcp(_)),
        "a gateway that speaks Modbus TCP lets nobody listen to its line; listen on a serial port at the line itself"
    );
    let mut progress = progress::Shown::new(0);
    let outcome = follow(port, settings, length, &mut |step| progress.show(step));
    progress.end();
    let heard = outcome?;
    let mut notes = Vec::new();
    if let Some(path) = &arguments.write {
        if heard.observations.is_empty() {
            notes.push(format!("{} is not written: no values were heard.", path.display()));
        } else {
            notes = followed::write(path, &arguments.port, &heard)?;
        }
    }
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", followed::json(&arguments.port, &heard))?,
        Format::Text => write!(out, "{}", followed::text(&arguments.port, &heard, &notes))?,
    }
    Ok(if heard.observations.is_empty() { Outcome::Bad } else { Outcome::Good })
}

/// Every combination that is asked for, each once.
fn settings(arguments: &Arguments) -> Vec<Framing> {
    let rates = if arguments.baud.is_empty() { &RATES[..] } else { &arguments.baud };
    let parities = if arguments.parity.is_empty() {
        &[ParityChoice::Even, ParityChoice::None, ParityChoice::Odd][..]
    } else {
        &arguments.parity
    };
    let mut settings = Vec::new();
    for &baud in rates {
        for &parity in parities {
            // The standard asks for two stop bits where there is no parity (MODBUS over Serial Line V1.02, section 2.5.1).
            let usual: &[u8] = if parity == ParityChoice::None { &[1, 2] } else { &[1] };
            let stop_bits = if arguments.stop_bits.is_empty() { usual } else { &arguments.stop_bits };
            let parity = match parity {
                ParityChoice::Even => Parity::Even,
                ParityChoice::None => Parity::None,
                ParityChoice::Odd => Parity::Odd,
            };
            settings.extend(stop_bits.iter().map(|&stop_bits| Framing { baud, parity, stop_bits }));
        }
    }
    let mut once = Vec::new();
    for framing in settings {
        if !once.contains(&framing) {
            once.push(framing);
        }
    }
    once
}

fn seconds(text: &str) -> Result<f64, String> {
    let wrong = || format!("{text:?} is not a number of seconds from 0 to 3600");
    let seconds: f64 = text.parse().map_err(|_| wrong())?;
    if (0.0..=3600.0).contains(&seconds) { Ok(seconds) } else { Err(wrong()) }
}

/// `1-20,40,41` as addresses in rising order, each once.
fn addresses(text: &str) -> Result<Vec<u8>, anyhow::Error> {
    let wrong = || format!("--addresses: {text:?} is no list of addresses from 1 to 247, like 1-20,40,41");
    let mut all = std::collections::BTreeSet::new();
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let first: u8 = first.trim().parse().with_context(wrong)?;
        let last: u8 = last.trim().parse().with_context(wrong)?;
        anyhow::ensure!(first >= 1 && last <= 247 && first <= last, wrong());
        all.extend(first..=last);
    }
    Ok(all.into_iter().collect())
}

/// `9600 baud, no parity, 1 stop bit`.
fn spoken(framing: Framing) -> String {
    let Framing { baud, stop_bits, .. } = framing;
    let parity = match framing.parity {
        Parity::Even => "even",
        Parity::Odd => "odd",
        Parity::None => "no",
    };
    format!("{baud} baud, {parity} parity, {stop_bits} stop bit{}", if stop_bits == 1 { "" } else { "s" })
}

/// A parity's word in site files.
const fn parity_word(parity: Parity) -> &'static str {
    match parity {
        Parity::Even => "even",
        Parity::Odd => "odd",
        Parity::None => "none",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_of_addresses() {
        assert_eq!(addresses("1-3,40, 2").ok(), Some(vec![1, 2, 3, 40]));
        for wrong in ["", "0", "248", "5-3", "1-", "a", "1,,2"] {
            assert!(addresses(wrong).is_err(), "{wrong:?} was taken");
        }
    }
}

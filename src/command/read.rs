//! `read`: one device, now: its registers as they come, and what they mean.

mod first_map;
mod shown;
mod watched;
mod way;

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::{Args, ValueEnum};
use tallywell_witness::declared::{Device, EarlyReplies, Framing, Line, LineMode, Parity, Port, Site, Table};
use tallywell_witness::plan::Request;
use tallywell_witness::units::parse;

use super::{CommandResult, Format, FormatArgument, Outcome};
use crate::daemon::socket;
use crate::line::once::RequestRead;
use crate::line::request::ReadRequest;
use crate::site;
use first_map::Keep;
use shown::{Shown, Subject};
use watched::Watched;
use way::Way;

/// So many registers are looked at where nothing is known of the device.
const FIRST_LOOK: u16 = 10;

/// Read one device now: raw registers, and what they mean
#[derive(Debug, Args)]
#[command(override_usage = "tallywell read [OPTIONS] --config <SITE.toml> --device <NAME>\n       \
                        tallywell read [OPTIONS] --port <PORT> --address <N>")]
#[command(after_help = "Exit status: 0 read; 1 something was not answered; 2 could not be done.\n\
                        Examples: tallywell read --config kestrel-creek.toml --device bore-1\n\
                        \x20         tallywell read --port /dev/ttyUSB0 --address 11 --raw holding 0 4\n\
                        \x20         tallywell read --port /dev/ttyUSB0 --address 11 --raw holding 0 30 \\\n\
                        \x20           --write map.toml")]
pub struct Arguments {
    /// The site file
    #[arg(long, value_name = "SITE.toml", requires = "device", conflicts_with = "port")]
    config: Option<PathBuf>,
    /// A device of the site file
    #[arg(long, value_name = "NAME", requires = "config", required_unless_present = "port")]
    device: Option<String>,
    /// A serial port, tcp://HOST:PORT or rtu+tcp://HOST:PORT, without a site file
    #[arg(long, value_name = "PORT", requires = "address")]
    port: Option<String>,
    /// The device's address on that port
    #[arg(long, value_name = "N", requires = "port", value_parser = clap::value_parser!(u8).range(1..=247))]
    address: Option<u8>,
    /// Bits a second on that port
    #[arg(long, value_name = "RATE", requires = "port", default_value_t = 19_200, value_parser = clap::value_parser!(u32).range(50..))]
    baud: u32,
    /// The parity on that port
    #[arg(long, requires = "port", value_enum, default_value_t = ParityChoice::Even)]
    parity: ParityChoice,
    /// The stop bits on that port
    #[arg(long, value_name = "1|2", requires = "port", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: u8,
    /// Exactly these registers or bits, with every plausible decoding: a table (coil, discrete, input, holding), the
    /// protocol's address (from 0) and how many
    #[arg(long, num_args = 3, value_names = ["TABLE", "ADDRESS", "COUNT"])]
    raw: Option<Vec<String>>,
    /// Look at these registers for so long, to tell flows, totals and settings
    /// apart; 0s looks once
    #[arg(long = "for", value_name = "TIME", requires = "raw", default_value = "3s", value_parser = lasting)]
    lasting: Duration,
    /// Write a register map of what the registers look like
    #[arg(long, value_name = "MAP.toml", requires = "raw")]
    write: Option<PathBuf>,
    /// Write this entry only, and others so named: "NAME ADDRESS", and what is
    /// known of its type, order and unit, such as "flow 0 f32 low-first L/s"
    #[arg(long, value_name = "ENTRY", requires = "write", value_parser = first_map::keep)]
    keep: Vec<Keep>,
    #[command(flatten)]
    format: FormatArgument,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ParityChoice {
    Even,
    Odd,
    None,
}

/// Reads.
///
/// # Errors
/// The arguments or the site file are wrong, or the port cannot be used.
pub fn run(arguments: &Arguments) -> CommandResult {
    let raw = arguments.raw.as_deref().map(raw_request).transpose()?;
    let (subject, mut way) = match (&arguments.config, &arguments.device, &arguments.port) {
        (Some(config), Some(name), _) => declared(config, name)?,
        (_, _, Some(port)) => unknown(arguments, port)?,
        // The command line requires one or the other.
        _ => anyhow::bail!("give --config and --device, or --port and --address"),
    };
    // A person sees that a device which does not answer is waited for; where nothing can be shown, it is read all the same.
    let mut terminal = Some(std::io::stderr()).filter(IsTerminal::is_terminal);
    let _ = terminal.as_mut().map(|terminal| write!(terminal, "Asking address {} ...", subject.address));
    let looked = look(&mut way, &subject, raw, arguments.lasting);
    let _ = terminal.as_mut().map(|terminal| write!(terminal, "\r\x1b[K"));
    let (reads, watched) = looked?;
    let all_answered = !reads.is_empty() && reads.iter().all(|read| read.words.is_some());
    let shown = Shown { subject, reads, decode_everything: raw.is_some(), watched };
    let notes = match &arguments.write {
        Some(path) => first_map::write(path, &shown.about(), &shown.watched, &arguments.keep)?,
        None => Vec::new(),
    };
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", shown.json())?,
        Format::Text => {
            write!(out, "{}", shown.text())?;
            notes.iter().try_for_each(|note| writeln!(out, "{note}"))?;
        }
    }
    Ok(if all_answered { Outcome::Good } else { Outcome::Bad })
}

/// Reads what was asked for; registers that were named are looked at for a while.
fn look(
    way: &mut Way,
    subject: &Subject,
    raw: Option<Request>,
    lasting: Duration,
) -> anyhow::Result<(Vec<RequestRead>, Vec<Watched>)> {
    Ok(match (raw, &subject.device) {
        (Some(request), _) => {
            let watched = watched::watch(way, request, lasting)?;
            (watched.iter().map(|it| it.read.clone()).collect(), watched)
        }
        (None, Some(_)) => (way.read(None)?, Vec::new()),
        (None, None) => (first_look(way)?, Vec::new()),
    })
}

/// A device of a site file, through its daemon if one runs.
fn declared(config: &Path, name: &str) -> anyhow::Result<(Subject, Way)> {
    let loaded = site::load(config)?;
    let (device, line) = device_and_line(&loaded.site, name)?;
    anyhow::ensure!(
        line.mode == LineMode::Poll,
        "line {} only listens (mode = \"listen\"): nothing may be sent on it",
        line.name
    );
    let subject = Subject { device: Some(device.clone()), address: device.address, line: line.clone() };
    let socket = socket::path_beside(&loaded.site.store.path);
    let way = if socket::is_answered(&socket)? {
        Way::Daemon { socket, device: name.to_owned() }
    } else {
        Way::own(line, device.address, Some(device))?
    };
    Ok((subject, way))
}

fn device_and_line<'site>(site: &'site Site, name: &str) -> Result<(&'site Device, &'site Line), anyhow::Error> {
    let device = site.devices.get(name).with_context(|| {
        let known = || site.devices.keys().map(String::as_str);
        format!("there is no device `{name}` in the site file; {}", site::instead_of(name, known))
    })?;
    let line = site.lines.get(&device.line).with_context(|| format!("no line {:?}", device.line))?;
    Ok((device, line))
}

/// A device of which nothing is known but where it is.
fn unknown(arguments: &Arguments, port: &str) -> anyhow::Result<(Subject, Way)> {
    let address = arguments.address.context("--port needs --address")?;
    let parity = match arguments.parity {
        ParityChoice::Even => Parity::Even,
        ParityChoice::Odd => Parity::Odd,
        ParityChoice::None => Parity::None,
    };
    let line = line_of(site::port(port)?, Framing { baud: arguments.baud, parity, stop_bits: arguments.stop_bits });
    let way = Way::own(&line, address, None)?;
    Ok((Subject { device: None, address, line }, way))
}

/// The first registers of a device of which nothing is known.
fn first_look(way: &mut Way) -> anyhow::Result<Vec<RequestRead>> {
    let mut reads = Vec::new();
    for table in [Table::Holding, Table::Input] {
        let read = way.read(Some(Request { table, start: 0, count: FIRST_LOOK }))?;
        let silent = read.iter().all(|it| it.words.is_none() && it.exception.is_none());
        reads.extend(read);
        if silent {
            // Nobody is there: another wait would tell a person nothing.
            break;
        }
    }
    Ok(reads)
}

/// A line of which only the port is known, with the times that a site file would have by default. Replies may come early,
/// because nothing was asked before and so nothing can be mistaken, and simulated ports take no time for bytes.
fn line_of(port: Port, framing: Framing) -> Line {
    Line {
        name: "line".to_owned(),
        port,
        framing,
        mode: LineMode::Poll,
        reply_timeout: Duration::from_secs(1),
        quiet_gap: None,
        worst_latency: Duration::from_secs(1),
        echo: false,
        early_replies: EarlyReplies::Accept,
    }
}

/// What `--raw` names.
fn raw_request(words: &[String]) -> Result<Request, anyhow::Error> {
    let [table, address, count] = words else { anyhow::bail!("--raw takes TABLE ADDRESS COUNT") };
    let table = match table.as_str() {
        "coil" => Table::Coil,
        "discrete" => Table::Discrete,
        "input" => Table::Input,
        "holding" => Table::Holding,
        other => anyhow::bail!("--raw: {other:?} is no table; write coil, discrete, input or holding"),
    };
    let start = number(address).with_context(|| format!("--raw: the address {address:?} is not 0 to 65535"))?;
    let count = number(count).with_context(|| format!("--raw: the count {count:?} is not a number"))?;
    ReadRequest::table(table, start, count).map_err(|error| anyhow::anyhow!("--raw {}: {error}", words.join(" ")))?;
    Ok(Request { table, start, count })
}

/// How long to look.
fn lasting(text: &str) -> anyhow::Result<Duration> {
    let lasting = parse::duration(text).map_err(|error| anyhow::anyhow!("{error}: {}", error.instead()))?;
    anyhow::ensure!(lasting <= Duration::from_secs(600), "ten minutes tell all that there is");
    Ok(lasting)
}

/// A whole number, or a hexadecimal one after `0x`.
fn number(text: &str) -> Option<u16> {
    match text.strip_prefix("0x") {
        Some(digits) => u16::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

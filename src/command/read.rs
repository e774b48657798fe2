//! `read`: one device, now: its registers as they come, and what they mean.

mod shown;

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::{Args, ValueEnum};
use serde_json::Value;
use tallywell_witness::declared::{Device, EarlyReplies, Framing, Line, LineMode, Parity, Port, Site, Table};
use tallywell_witness::plan::Request;

use super::{CommandResult, Format, FormatArgument, Outcome};
use crate::daemon::socket::{self, SocketError};
use crate::line::once::{OnceError, RequestRead, Wanted, read_directly};
use crate::line::port::PortError;
use crate::line::request::{ReadRequest, UnitAddress};
use crate::line::thread::StartError;
use crate::site;
use shown::{Shown, Subject};

/// So many registers are looked at where nothing is known of the device.
const FIRST_LOOK: u16 = 10;
/// A running daemon answers within its own time-outs and retries.
const DAEMON_PATIENCE: Duration = Duration::from_secs(30);

/// Read one device now: raw registers, and what they mean
#[derive(Debug, Args)]
#[command(override_usage = "tallywell read [OPTIONS] --config <SITE.toml> --device <NAME>\n       \
                        tallywell read [OPTIONS] --port <PORT> --address <N>")]
#[command(after_help = "Exit status: 0 read; 1 something was not answered; 2 could not be done.\n\
                        Examples: tallywell read --config kestrel-creek.toml --device bore-1\n\
                        \x20         tallywell read --port /dev/ttyUSB0 --address 11 --raw holding 0 4")]
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
    let (subject, reads) = match (&arguments.config, &arguments.device, &arguments.port) {
        (Some(config), Some(name), _) => read_declared(config, name, raw)?,
        (_, _, Some(port)) => read_unknown(arguments, port, raw)?,
        // The command line requires one or the other.
        _ => anyhow::bail!("give --config and --device, or --port and --address"),
    };
    let all_answered = !reads.is_empty() && reads.iter().all(|read| read.words.is_some());
    let shown = Shown { subject, reads, decode_everything: raw.is_some() };
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => writeln!(out, "{:#}", shown.json())?,
        Format::Text => write!(out, "{}", shown.text())?,
    }
    Ok(if all_answered { Outcome::Good } else { Outcome::Bad })
}

/// Reads a device of a site file, through its daemon if one runs.
fn read_declared(
    config: &Path,
    name: &str,
    raw: Option<Request>,
) -> Result<(Subject, Vec<RequestRead>), anyhow::Error> {
    let loaded = site::load(config)?;
    let (device, line) = device_and_line(&loaded.site, name)?;
    let unit = UnitAddress::new(device.address).context("an address is 1 to 247")?;
    anyhow::ensure!(
        line.mode == LineMode::Poll,
        "line {} only listens (mode = \"listen\"): nothing may be sent on it",
        line.name
    );
    let subject = Subject { device: Some(device.clone()), address: device.address, line: line.clone() };
    if let Some(reads) = through_daemon(&loaded.site, name, raw)? {
        return Ok((subject, reads));
    }
    let wanted = match raw {
        Some(request) => Wanted::exactly(&[request]),
        None => Wanted::map(&device.map, line)?,
    };
    let reads = watched(line, unit, wanted).map_err(|error| match error {
        OnceError::Start(StartError::Port(port @ PortError::Busy(_))) => {
            anyhow::anyhow!("{port}; if it is this site's daemon under another store, end it first")
        }
        other => other.into(),
    })?;
    Ok((subject, reads))
}

fn device_and_line<'site>(site: &'site Site, name: &str) -> Result<(&'site Device, &'site Line), anyhow::Error> {
    let device = site.devices.get(name).with_context(|| {
        let known = || site.devices.keys().map(String::as_str);
        format!("there is no device `{name}` in the site file; {}", site::instead_of(name, known))
    })?;
    let line = site.lines.get(&device.line).with_context(|| format!("no line {:?}", device.line))?;
    Ok((device, line))
}

/// Asks a running daemon, which holds the port; nothing if none runs.
fn through_daemon(site: &Site, device: &str, raw: Option<Request>) -> Result<Option<Vec<RequestRead>>, anyhow::Error> {
    let raw = raw.map(|Request { table, start, count }| (table, start, count));
    let request = socket::Request::Read { device: device.to_owned(), raw };
    let mut reads = Vec::new();
    let mut take = |value: Value| match serde_json::from_value(value) {
        Ok(read) => {
            reads.push(read);
            true
        }
        Err(_) => false,
    };
    match socket::ask(&socket::path_beside(&site.store.path), &request, Some(DAEMON_PATIENCE), &mut take) {
        Ok(()) => Ok(Some(reads)),
        Err(SocketError::NoDaemon) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Reads a device of which nothing is known but where it is.
fn read_unknown(
    arguments: &Arguments,
    port: &str,
    raw: Option<Request>,
) -> Result<(Subject, Vec<RequestRead>), anyhow::Error> {
    let address = arguments.address.context("--port needs --address")?;
    let unit = UnitAddress::new(address).context("an address is 1 to 247")?;
    let parity = match arguments.parity {
        ParityChoice::Even => Parity::Even,
        ParityChoice::Odd => Parity::Odd,
        ParityChoice::None => Parity::None,
    };
    let line = line_of(site::port(port)?, Framing { baud: arguments.baud, parity, stop_bits: arguments.stop_bits });
    let first_look = |table| Request { table, start: 0, count: FIRST_LOOK };
    let requests = match raw {
        Some(request) => vec![request],
        None => vec![first_look(Table::Holding), first_look(Table::Input)],
    };
    let reads = watched(&line, unit, Wanted::exactly(&requests))?;
    Ok((Subject { device: None, address, line }, reads))
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

/// Reads; a person at a terminal sees meanwhile that a device which does not answer is waited for.
fn watched(line: &Line, unit: UnitAddress, wanted: Wanted) -> Result<Vec<RequestRead>, OnceError> {
    let mut terminal = Some(std::io::stderr()).filter(IsTerminal::is_terminal);
    if let Some(terminal) = &mut terminal {
        // Where nothing can be shown, it is read all the same.
        let _ = write!(terminal, "Asking address {} ...", unit.value());
    }
    let reads = read_directly(line, unit, wanted);
    if let Some(terminal) = &mut terminal {
        let _ = write!(terminal, "\r\x1b[K");
    }
    reads
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

/// A whole number, or a hexadecimal one after `0x`.
fn number(text: &str) -> Option<u16> {
    match text.strip_prefix("0x") {
        Some(digits) => u16::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

//! The parts of the site file that name no registers: lines, the store, the page, the broker, notices.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::ops::Range;
use std::path::Path;
use std::time::Duration;

use tallywell_witness::declared::{Broker, EarlyReplies, Framing, Line, LineMode, Parity, Port, StoreDeclared};
use tallywell_witness::plan::WireTiming;
use tallywell_witness::units::parse;
use toml::Spanned;

use super::meaning::Meaning;
use super::mentioned::{Mention, MentionKind};
use super::written::Fields;

/// Bits a second where none are declared: the standard's default (MODBUS over Serial Line V1.02 §3.2).
const DEFAULT_BAUD: u32 = 19_200;
const DEFAULT_REPLY_TIMEOUT: Duration = Duration::from_millis(300);
const DEFAULT_WORST_LATENCY: Duration = Duration::from_secs(1);
/// One reading in ten seconds shows the course of a flow; a week of three meters takes less than the outbox.
const DEFAULT_READINGS_EVERY: Duration = Duration::from_secs(10);
/// 64 MiB.
const DEFAULT_OUTBOX: u64 = 64 << 20;
/// Bytes: the store's log of what is not in its tables yet may grow to 2 MiB, its tables begin with 0.2 MiB, and what is
/// kept for ever has to go somewhere. With less it would hold no day of readings.
const LEAST_STORE: u64 = 4 << 20;
/// The rates that serial ports commonly offer.
const USUAL_BAUD: [u32; 12] = [300, 600, 1200, 2400, 4800, 9600, 14_400, 19_200, 38_400, 57_600, 76_800, 115_200];

/// Reads the lines.
pub(super) fn lines(site: &Fields<'_>, meaning: &mut Meaning<'_>) -> BTreeMap<String, Line> {
    let mut ports: BTreeMap<Port, Range<usize>> = BTreeMap::new();
    let mut lines = BTreeMap::new();
    for (name, fields) in site.named("line") {
        if let Some(line) = line(name.get_ref(), &fields, meaning, &mut ports) {
            lines.insert(line.name.clone(), line);
        }
    }
    lines
}

fn line(
    name: &str,
    fields: &Fields<'_>,
    meaning: &mut Meaning<'_>,
    ports: &mut BTreeMap<Port, Range<usize>>,
) -> Option<Line> {
    let mode = match fields.choice("mode") {
        Some(mode) if *mode.get_ref() == 1 => LineMode::Listen,
        _ => LineMode::Poll,
    };
    let reply_timeout = meaning.positive(fields.text("reply_timeout"));
    let quiet_gap = match fields.text("quiet_gap") {
        Some(gap) if gap.get_ref().trim() == "auto" => None,
        Some(gap) if gap.get_ref().trim_start().starts_with(char::is_alphabetic) => {
            meaning
                .error(gap.span(), format!("\"{}\" is neither a time nor \"auto\"", gap.get_ref()))
                .write("write `quiet_gap = \"auto\"`, or a time such as \"30ms\"");
            None
        }
        gap => meaning.positive(gap),
    };
    let worst_latency = meaning.positive(fields.text("worst_latency"));
    let baud = baud(fields, meaning);
    let port = port(fields, mode, meaning, ports);
    let timeout = reply_timeout.unwrap_or(DEFAULT_REPLY_TIMEOUT);
    let framing = Framing {
        baud,
        parity: match fields.choice("parity").map(Spanned::into_inner) {
            Some(1) => Parity::Odd,
            Some(2) => Parity::None,
            _ => Parity::Even,
        },
        stop_bits: fields.whole("stop_bits").map_or(1, |bits| if bits.into_inner() == 2 { 2 } else { 1 }),
    };
    let silence = WireTiming::new(framing).t3_5();
    if let Some(written) = fields.text("reply_timeout").filter(|_| timeout <= silence) {
        let milliseconds = silence.as_secs_f64() * 1e3;
        meaning
            .error(written.span(), format!("no reply begins so soon: the silence before it takes {milliseconds:.1} ms"))
            .write("write `reply_timeout = \"300ms\"`, or what the slowest device needs");
    }
    let latency = worst_latency.unwrap_or(DEFAULT_WORST_LATENCY.max(timeout));
    if let Some(written) = fields.text("worst_latency").filter(|_| latency < timeout) {
        meaning
            .error(written.span(), "`worst_latency` is shorter than `reply_timeout`".to_owned())
            .write("a reply may not be impossible while it is still waited for: raise it to `reply_timeout` at least");
    }
    Some(Line {
        name: name.to_owned(),
        port: port?,
        framing,
        mode,
        reply_timeout: timeout,
        quiet_gap,
        worst_latency: latency,
        echo: fields.truth("echo").unwrap_or(false),
        early_replies: match fields.choice("early_replies") {
            Some(choice) if *choice.get_ref() == 1 => EarlyReplies::Accept,
            _ => EarlyReplies::Refuse,
        },
    })
}

fn baud(fields: &Fields<'_>, meaning: &mut Meaning<'_>) -> u32 {
    let Some(written) = fields.whole("baud") else { return DEFAULT_BAUD };
    let baud = u32::try_from(*written.get_ref()).unwrap_or(DEFAULT_BAUD);
    if !USUAL_BAUD.contains(&baud) && baud <= 115_200 {
        let nearest = USUAL_BAUD.into_iter().min_by_key(|usual| usual.abs_diff(baud)).unwrap_or(DEFAULT_BAUD);
        meaning
            .caution(written.span(), format!("{baud} is not a usual rate"))
            .label(format!("did you mean {nearest}?"));
    }
    baud
}

fn port(
    fields: &Fields<'_>,
    mode: LineMode,
    meaning: &mut Meaning<'_>,
    ports: &mut BTreeMap<Port, Range<usize>>,
) -> Option<Port> {
    let written = fields.text("port")?;
    let text = written.get_ref().trim();
    let port = match read_port(text) {
        Ok(port) => port,
        Err(wrong) => {
            meaning.error(written.span(), wrong.what).write(wrong.instead);
            return None;
        }
    };
    if mode == LineMode::Listen && matches!(port, Port::Tcp(_)) {
        meaning
            .error(written.span(), "a gateway that speaks Modbus TCP lets nobody listen to its line".to_owned())
            .write("listen on a serial port at the line itself, or write `mode = \"poll\"`");
    }
    if let Some(first) = ports.get(&port) {
        let file = meaning.file;
        meaning
            .error(written.span(), format!("two lines use the port \"{text}\""))
            .see(file, first.clone(), "the first of them")
            .write("a port belongs to one line: put all of its devices on that line");
    }
    if let Port::Serial(path) = &port {
        meaning.mentions.push(Mention { kind: MentionKind::Port, path: path.clone(), span: written.span() });
    }
    ports.entry(port.clone()).or_insert_with(|| written.span());
    Some(port)
}

/// A text that names no port.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}; {instead}")]
pub struct NoPort {
    what: String,
    instead: String,
}

/// Reads what people write for a port: a path, `tcp://HOST:PORT` or `rtu+tcp://HOST:PORT`.
///
/// # Errors
/// The text is empty, of another scheme, or does not say host and port.
pub fn read_port(text: &str) -> Result<Port, NoPort> {
    let text = text.trim();
    if let Some(address) = text.strip_prefix("rtu+tcp://") {
        host_and_port(address, "rtu+tcp://").map(Port::RtuOverTcp)
    } else if let Some(address) = text.strip_prefix("tcp://") {
        host_and_port(address, "tcp://").map(Port::Tcp)
    } else if let Some((scheme, _)) = text.split_once("://") {
        let what = format!("`{scheme}://` is no kind of port");
        let instead = "write a path such as /dev/ttyUSB0, or tcp://HOST:PORT or rtu+tcp://HOST:PORT".to_owned();
        Err(NoPort { what, instead })
    } else if text.is_empty() {
        Err(NoPort { what: "the port has no name".to_owned(), instead: "write a path such as /dev/ttyUSB0".to_owned() })
    } else {
        // Not relative to the site file: ports have names of the machine's.
        Ok(Port::Serial(text.into()))
    }
}

fn host_and_port(address: &str, scheme: &str) -> Result<String, NoPort> {
    if is_host_and_port(address) {
        return Ok(address.to_owned());
    }
    let (user, host) = address.rsplit_once('@').map_or((None, address), |(user, host)| (Some(user), host));
    let host = host.split(':').next().filter(|host| !host.is_empty()).unwrap_or("192.0.2.10");
    let what = match user {
        // What stands there may be a password: it is not repeated.
        Some(_) => format!("a gateway asks for no user and no password: they do not belong behind {scheme}"),
        None => format!("\"{scheme}{address}\" does not say host and port"),
    };
    Err(NoPort { what, instead: format!("write it as in {scheme}{host}:502") })
}

/// `HOST:PORT` with a port from 1 to 65535.
fn is_host_and_port(address: &str) -> bool {
    address.rsplit_once(':').is_some_and(|(host, port)| {
        !host.is_empty()
            && !host.contains(['/', '@', ' '])
            && (!host.contains(':') || host.starts_with('[') && host.ends_with(']'))
            && port.parse::<u16>().is_ok_and(|port| port > 0)
    })
}

/// Reads where readings are kept; beside the site file under its name where nothing is declared.
pub(super) fn store(site: &Fields<'_>, site_path: &Path, meaning: &mut Meaning<'_>) -> StoreDeclared {
    let fields = site.table("store");
    let path = fields.and_then(|fields| fields.text("path"));
    if let Some(path) = path.as_ref().filter(|path| path.get_ref().trim().is_empty()) {
        meaning.error(path.span(), "the store has no name".to_owned()).write("write `path = \"readings.db\"`");
    }
    StoreDeclared {
        path: meaning.path(path, MentionKind::Made).unwrap_or_else(|| site_path.with_extension("db")),
        keep_readings: meaning.positive(fields.and_then(|fields| fields.text("keep_readings"))),
        largest: largest(fields.and_then(|fields| fields.text("largest")), meaning),
    }
}

/// The disk that the store may take, where it is bounded.
fn largest(written: Option<Spanned<&str>>, meaning: &mut Meaning<'_>) -> Option<u64> {
    let (span, text) = written.as_ref().map(|written| (written.span(), *written.get_ref()))?;
    let largest = meaning.quantity(written, parse::bytes)?;
    if largest < LEAST_STORE {
        let least = LEAST_STORE >> 20;
        meaning.error(span, format!("a store of {} has no room for readings", text.trim())).write(format!(
            "write `largest = \"{least} MiB\"` or more; a meter that is read each second takes about 1 MB a day"
        ));
        return None;
    }
    Some(largest)
}

/// Reads the program that is told of events.
pub(super) fn notice(site: &Fields<'_>, meaning: &mut Meaning<'_>) -> Option<Vec<String>> {
    let run = site.table("notice")?.texts("run")?;
    let words: Vec<String> = run.get_ref().iter().map(|word| (*word.get_ref()).to_owned()).collect();
    if words.first().is_none_or(|program| program.trim().is_empty()) {
        meaning
            .error(run.span(), "`run` names no program".to_owned())
            .write("write as in `run = [\"/usr/local/bin/tell-me\"]`");
        return None;
    }
    if let (Some(program), Some(place)) = (words.first(), run.get_ref().first()) {
        let mention = Mention { kind: MentionKind::Program, path: program.into(), span: place.span() };
        meaning.mentions.push(mention);
    }
    Some(words)
}

/// Reads where the page listens.
pub(super) fn page(site: &Fields<'_>, meaning: &mut Meaning<'_>) -> Option<String> {
    let listen = site.table("page")?.text("listen")?;
    let text = listen.get_ref().trim();
    if !is_host_and_port(text) {
        meaning
            .error(listen.span(), format!("\"{text}\" does not say host and port"))
            .write("write as in `listen = \"127.0.0.1:8080\"`");
        return None;
    }
    let here_only =
        text.starts_with("localhost:") || text.parse::<SocketAddr>().is_ok_and(|address| address.ip().is_loopback());
    if !here_only {
        meaning
            .caution(listen.span(), "the page can be reached from other machines, without a password".to_owned())
            .write("it is read-only; \"127.0.0.1:8080\" keeps it to this machine");
    }
    Some(text.to_owned())
}

/// Reads the broker.
pub(super) fn broker(site: &Fields<'_>, meaning: &mut Meaning<'_>) -> Option<Broker> {
    let fields = site.table("broker")?;
    let url = fields.text("url")?;
    let text = url.get_ref().trim();
    let address = text.strip_prefix("mqtt://").or_else(|| text.strip_prefix("mqtts://"));
    if !address.is_some_and(|address| is_host_and_port(address.trim_end_matches('/'))) {
        let message = if text.contains('@') {
            "a password does not belong into the URL: site files are kept as evidence, and shown".to_owned()
        } else {
            format!("\"{text}\" is no broker's URL")
        };
        meaning
            .error(url.span(), message)
            .write("write as in `url = \"mqtt://127.0.0.1:1883\"`, with `user` and `password_file` where needed");
        return None;
    }
    let name = site.text("site").map_or("site", |name| *name.get_ref());
    Some(Broker {
        url: text.to_owned(),
        user: fields.text("user").map(|user| (*user.get_ref()).to_owned()),
        password_file: meaning.path(fields.text("password_file"), MentionKind::Secret),
        ca_file: meaning.path(fields.text("ca_file"), MentionKind::File),
        topic: topic(&fields, meaning).unwrap_or_else(|| format!("tallywell/{}", plain_name(name))),
        readings_every: meaning.positive(fields.text("readings_every")).unwrap_or(DEFAULT_READINGS_EVERY),
        outbox: meaning.quantity(fields.text("outbox"), parse::bytes).unwrap_or(DEFAULT_OUTBOX),
    })
}

/// What every topic begins with, where it is written.
fn topic(broker: &Fields<'_>, meaning: &mut Meaning<'_>) -> Option<String> {
    let written = broker.text("topic")?;
    let topic = written.get_ref().trim_end_matches('/');
    let is_wrong = topic.is_empty() || topic.starts_with(['$', '/']) || topic.contains(['+', '#', '\0']);
    if is_wrong {
        meaning
            .error(written.span(), format!("\"{topic}\" cannot begin a topic"))
            .write("write as in `topic = \"water/kestrel-creek\"`, without `+` and `#`, not beginning with `/` or `$`");
        return None;
    }
    Some(topic.to_owned())
}

/// A name in small letters and digits, with a dash for everything else.
fn plain_name(name: &str) -> String {
    let lower = name.to_lowercase();
    let words = lower.split(|character: char| !character.is_alphanumeric()).filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join("-")
}

//! `timing`: how the devices of each line answered, how quickly, and how much of the line's time that took.

mod master;

use std::collections::BTreeMap;
use std::io::Write;
use std::time::Duration;

use clap::Args;
use tallywell_witness::units::WallMillis;

use super::period::{self, PeriodArguments};
use super::{CommandResult, Format, FormatArgument, Outcome, SiteArgument};
use crate::line::listen::master::MasterTiming;
use crate::line::statistics::{DeviceReport, DeviceTiming, LineReport, LineTiming, TimingReport};
use crate::site;
use crate::store::timing::LineHour;
use crate::store::{Span, StoreReader};

/// Show the timing statistics of the lines
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 done; 2 could not be done.\n\
                        Example: tallywell timing --config kestrel-creek.toml --from 24h")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    #[command(flatten)]
    period: PeriodArguments,
    #[command(flatten)]
    format: FormatArgument,
}

/// Shows.
///
/// # Errors
/// The site file is wrong, or the store cannot be read.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let span = arguments.period.span()?;
    let hours = StoreReader::open(&loaded.site.store.path)?.line_hours(span)?;
    let summed = summed(&hours);
    let mut out = std::io::stdout().lock();
    match arguments.format.format {
        Format::Json => {
            let report = TimingReport { lines: summed.iter().map(Summed::report).collect() };
            writeln!(out, "{:#}", serde_json::to_value(report)?)?;
        }
        Format::Text => out.write_all(in_words(&summed, span).as_bytes())?,
    }
    Ok(Outcome::Good)
}

/// One line over the time asked for.
pub(super) struct Summed {
    pub(super) line: String,
    pub(super) from: WallMillis,
    pub(super) to: WallMillis,
    pub(super) timing: LineTiming,
    addresses: BTreeMap<String, u8>,
}

impl Summed {
    pub(super) fn report(&self) -> LineReport {
        self.timing.report(&self.line, |device| self.addresses.get(device).copied())
    }
}

/// Adds up hours, which come by line and time.
pub(super) fn summed(hours: &[LineHour]) -> Vec<Summed> {
    let mut lines: Vec<Summed> = Vec::new();
    for hour in hours {
        let ended = WallMillis(hour.began.0 + i64::try_from(hour.elapsed_us / 1000).unwrap_or(i64::MAX / 2));
        let mut stretch = LineTiming {
            elapsed: Duration::from_micros(hour.elapsed_us),
            busy: Duration::from_micros(hour.busy_us),
            transactions: hour.transactions,
            foreign_requests: hour.foreign_requests,
            ..LineTiming::default()
        };
        if let Some(kept) = &hour.master {
            stretch.master = MasterTiming::decode(kept);
            if stretch.master.is_none() {
                tracing::warn!(
                    "what was heard of another master at {} cannot be understood",
                    period::short(hour.began)
                );
            }
        }
        for device in &hour.devices {
            match DeviceTiming::decode(&device.timing) {
                Some(timing) => {
                    stretch.devices.insert(device.device.clone(), timing);
                }
                None => tracing::warn!(
                    "the figures of {} at {} cannot be understood",
                    device.device,
                    period::short(hour.began)
                ),
            }
        }
        let place = match lines.last() {
            Some(last) if last.line == hour.line => lines.len() - 1,
            _ => {
                lines.push(Summed {
                    line: hour.line.clone(),
                    from: hour.began,
                    to: ended,
                    timing: LineTiming::default(),
                    addresses: BTreeMap::new(),
                });
                lines.len() - 1
            }
        };
        let line = &mut lines[place];
        line.to = line.to.max(ended);
        line.timing.merge(&stretch);
        line.addresses.extend(hour.devices.iter().map(|device| (device.device.clone(), device.address)));
    }
    lines
}

fn in_words(lines: &[Summed], span: Span) -> String {
    if lines.is_empty() {
        return format!("No timing was recorded{}; `tallywell run` records it.\n", period::in_words(span));
    }
    let mut text = String::new();
    for (place, line) in lines.iter().enumerate() {
        if place > 0 {
            text.push('\n');
        }
        add_line(&mut text, line);
    }
    text
}

fn add_line(text: &mut String, line: &Summed) {
    let report = line.report();
    text.push_str(&format!(
        "Line {}, {} to {}\n{} transactions, {:.1} % of the line's time in use\n\n",
        line.line,
        period::short(line.from),
        period::short(line.to),
        report.transactions,
        report.line_use * 100.0
    ));
    text.push_str("                               ---- reply begins after ----  late start\n");
    text.push_str("device        address  replies      p50     p90     p99     max  p99     max\n");
    for device in &report.devices {
        let reply = &device.reply_ms;
        let address = device.address.map_or_else(|| "-".to_owned(), |address| address.to_string());
        text.push_str(&format!(
            "{:<14}{address:>7}{:>9} {} {} {} {} {} {}\n",
            shortened(&device.device, 13),
            device.replies,
            millis(reply.p50, 8),
            millis(reply.p90, 7),
            millis(reply.p99, 7),
            millis(reply.max, 7),
            millis(device.lateness_ms.p99, 6),
            millis(device.lateness_ms.max, 7),
        ));
    }
    text.push_str("Times are in milliseconds.\n");
    let came_with_its_request = |device: &DeviceReport| device.replies > 0 && device.reply_ms.p50.is_none();
    if report.devices.iter().any(came_with_its_request) {
        text.push_str("Reply begins after -: request and reply came in one lump.\n");
    }
    let mut faulty = report.devices.iter().filter(|device| faults(device).next().is_some()).peekable();
    if faulty.peek().is_none() {
        text.push_str("No bad reply.\n");
    }
    for device in faulty {
        let counts: Vec<String> = faults(device).map(|(name, count)| format!("{count} {name}")).collect();
        text.push_str(&wrapped(&format!("{}: {}", device.device, counts.join(", "))));
    }
    if let Some(hint) = &report.hint {
        text.push_str(&wrapped(&format!("Note: {hint}")));
    }
    if report.foreign_requests > 0 {
        text.push_str(&wrapped(&master::foreign(&report)));
    }
    if let Some(heard) = &report.master {
        master::add(text, heard, report.hint.is_some());
    }
}

/// The kinds of bad replies that there were, in words.
pub(super) fn faults(device: &DeviceReport) -> impl Iterator<Item = (String, u64)> {
    let kinds = device.faults.iter().map(|(name, count)| (name.replace('_', " "), *count));
    kinds.chain([("noise bytes".to_owned(), device.noise_bytes)]).filter(|(_, count)| *count > 0)
}

fn millis(value: Option<f64>, width: usize) -> String {
    match value {
        Some(value) if value >= 1000.0 => format!("{value:>width$.0}"),
        Some(value) => format!("{value:>width$.1}"),
        None => format!("{:>width$}", "-"),
    }
}

/// A name that fits a column.
fn shortened(name: &str, columns: usize) -> String {
    match name.char_indices().nth(columns) {
        Some(_) => format!("{}~", name.chars().take(columns - 1).collect::<String>()),
        None => name.to_owned(),
    }
}

/// A line of words broken at 80 columns.
fn wrapped(words: &str) -> String {
    let mut text = String::new();
    let mut column = 0;
    for word in words.split(' ') {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > 80 {
            text.push_str("\n  ");
            column = 2;
        } else if column > 0 {
            text.push(' ');
            column += 1;
        }
        text.push_str(word);
        column += length;
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::fault::FaultKind;

    #[test]
    fn why_a_reply_has_no_time_is_said_where_one_has_none() {
        let of = |latency: Option<Duration>, faults: bool| {
            let mut timing = DeviceTiming::default();
            if faults {
                timing.count_fault(FaultKind::Timeout);
            } else {
                timing.count_heard_reply(latency, Duration::from_millis(5), Duration::from_millis(5), 8, 1);
            }
            let line = Summed {
                line: "shed".to_owned(),
                from: WallMillis(0),
                to: WallMillis(1),
                timing: LineTiming { devices: [("bore-1".to_owned(), timing)].into(), ..LineTiming::default() },
                addresses: BTreeMap::new(),
            };
            in_words(&[line], Span::default()).contains("request and reply came in one lump")
        };
        assert!(of(None, false));
        assert!(!of(Some(Duration::from_millis(7)), false));
        assert!(!of(None, true), "one that never answered has no times either");
    }
}

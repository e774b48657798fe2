//! Looking at one meter's witnesses, through the running daemon or through ports of one's own.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::Context;
use tallywell_witness::declared::{Entry, LineMode, Setting, Site, Source};
use tallywell_witness::decode::decode;
use tallywell_witness::plan::{ASSUMED_DEVICE_LATENCY, Request, WireTiming, cheapest_plan};
use tallywell_witness::reading::{MeterFacts, WitnessFacts};
use tallywell_witness::trial::record::{DeviceTold, Through};
use tallywell_witness::trial::volumes::{Look, Seen};
use tallywell_witness::units::Seconds;

use crate::command::through_daemon;
use crate::daemon::file_number::Holds;
use crate::daemon::file_source::FileReader;
use crate::daemon::socket::{self, SocketError};
use crate::line::once::{OwnLine, RequestRead, Wanted};
use crate::line::request::UnitAddress;

/// A value of the meter: which part of a look it is, where it comes from, and how it is understood.
struct Part {
    slot: fn(&mut Look) -> &mut Option<Seen>,
    source: Source,
    entry: Entry,
    file: Option<FileReader>,
}

/// What one device is asked.
struct Asked {
    device: String,
    unit: UnitAddress,
    line: String,
    requests: Vec<Request>,
}

/// A meter under trial.
pub(super) struct Looking<'s> {
    site: &'s Site,
    parts: Vec<Part>,
    asked: Vec<Asked>,
    /// Ports of our own, where no daemon holds them.
    own: Option<BTreeMap<String, OwnLine>>,
    begun: Instant,
}

impl<'s> Looking<'s> {
    /// Plans what is read, and finds out whether a daemon runs.
    pub(super) fn new(site: &'s Site, facts: &MeterFacts) -> anyhow::Result<Self> {
        let parts = parts(facts);
        anyhow::ensure!(!parts.is_empty(), "the meter declares nothing that could be read");
        let asked = asked(site, &parts)?;
        let mut looking = Self { site, parts, asked, own: None, begun: Instant::now() };
        if !looking.daemon_runs()? {
            looking.own = Some(own_lines(site, &looking.asked)?);
        }
        Ok(looking)
    }

    pub(super) const fn through(&self) -> Through {
        if self.own.is_some() { Through::Port } else { Through::Daemon }
    }

    fn daemon_runs(&self) -> anyhow::Result<bool> {
        let Some(asked) = self.asked.first() else { return Ok(false) };
        let Some(request) = asked.requests.first() else { return Ok(false) };
        match through_daemon::read(&socket_of(self.site), &asked.device, Some(*request)) {
            Ok(_) => Ok(true),
            Err(SocketError::NoDaemon) => Ok(false),
            Err(error) => Err(error.into()),
        }
    }

    /// Reads all witnesses once. A witness that does not answer is missing; that the port is gone is an error.
    pub(super) fn look(&mut self) -> anyhow::Result<Look> {
        let mut look = Look::default();
        for asked in &self.asked {
            for request in &asked.requests {
                let before = self.begun.elapsed();
                let reads = read(self.site, &mut self.own, asked, *request)?;
                let between = (before, self.begun.elapsed());
                for read in &reads {
                    for part in &self.parts {
                        if let Some(value) = part.value_in(&asked.device, read) {
                            *(part.slot)(&mut look) = Some(seen(value, between));
                        }
                    }
                }
            }
        }
        for part in &mut self.parts {
            if let Some(file) = &mut part.file {
                let before = self.begun.elapsed();
                let value = file.read().ok().map(|number| number * part.entry.scale * part.entry.unit.to_base);
                *(part.slot)(&mut look) = value.map(|value| seen(value, (before, self.begun.elapsed())));
            }
        }
        Ok(look)
    }

    /// What each device says of itself.
    pub(super) fn identities(&mut self) -> anyhow::Result<Vec<DeviceTold>> {
        let mut told = Vec::new();
        for asked in &self.asked {
            let says = match &mut self.own {
                Some(own) => own.get_mut(&asked.line).context("the line is open")?.identify(asked.unit)?.in_words(),
                None => through_daemon::identify(&socket_of(self.site), &asked.device)?,
            };
            told.push(DeviceTold { device: asked.device.clone(), address: asked.unit.value(), says });
        }
        Ok(told)
    }

    /// The meter's own settings, as far as they are declared and answer.
    pub(super) fn settings(&mut self, facts: &MeterFacts) -> anyhow::Result<Vec<(Setting, f64)>> {
        let mut settings = Vec::new();
        for (setting, source) in &facts.meter.settings {
            let Source::Entry { device, entry } = source else { continue };
            let Some(asked) = self.asked.iter().find(|asked| asked.device == *device) else { continue };
            let Some(entry) = self.site.devices.get(device).and_then(|device| device.map.entries.get(entry)) else {
                continue;
            };
            let request = Request { table: entry.table, start: entry.address, count: entry.value_type.width() };
            let reads = read(self.site, &mut self.own, asked, request)?;
            let words = reads.first().and_then(|read| read.words.as_deref());
            let value = words.map(|words| entry.unit.value_in_base(decode(entry, words)));
            settings.extend(value.filter(|value| value.is_finite()).map(|value| (*setting, value)));
        }
        Ok(settings)
    }

    /// Reads until all witnesses answered at once, a few times at most; the last look otherwise.
    pub(super) fn whole_look(&mut self) -> anyhow::Result<Look> {
        let mut look = self.look()?;
        for _ in 0..2 {
            if self.parts.iter().all(|part| (part.slot)(&mut look).is_some()) {
                break;
            }
            look = self.look()?;
        }
        Ok(look)
    }
}

impl Part {
    /// Its value in the base unit, where the read holds it and it is a number.
    fn value_in(&self, of: &str, read: &RequestRead) -> Option<f64> {
        let Source::Entry { device, .. } = &self.source else { return None };
        if device != of || read.table != self.entry.table {
            return None;
        }
        let first = usize::from(self.entry.address.checked_sub(read.address)?);
        let words = read.words.as_deref()?.get(first..first + usize::from(self.entry.value_type.width()))?;
        let value = decode(&self.entry, words) * self.entry.unit.to_base;
        value.is_finite().then_some(value)
    }
}

fn seen(value: f64, (before, after): (Duration, Duration)) -> Seen {
    let half = (after - before).as_secs_f64() / 2.0;
    Seen { value, at: Seconds(before.as_secs_f64() + half), within: Seconds(half) }
}

fn parts(facts: &MeterFacts) -> Vec<Part> {
    let meter = &facts.meter;
    let current_loop = meter.current_loop.as_ref();
    let pulse = meter.pulse.as_ref();
    let mut parts = Vec::new();
    let mut add = |slot: fn(&mut Look) -> &mut Option<Seen>, source: Option<&Source>, facts: Option<&WitnessFacts>| {
        if let (Some(source), Some(facts)) = (source, facts) {
            let file = match source {
                Source::File(path) => Some(FileReader::new(path.clone(), Holds::of(&facts.entry))),
                Source::Entry { .. } => None,
            };
            parts.push(Part { slot, source: source.clone(), entry: facts.entry.clone(), file });
        }
    };
    add(|look| &mut look.flow, meter.flow.as_ref(), facts.flow.as_ref());
    add(|look| &mut look.total, meter.total.as_ref(), facts.total.as_ref());
    add(|look| &mut look.reverse_total, meter.reverse_total.as_ref(), facts.reverse_total.as_ref());
    add(|look| &mut look.current, current_loop.map(|it| &it.current), facts.loop_ma.as_ref());
    add(|look| &mut look.count, pulse.map(|it| &it.count), facts.pulses.as_ref());
    let receiver_flow = current_loop.and_then(|it| it.receiver_flow.as_ref());
    add(|look| &mut look.receiver_flow, receiver_flow, facts.receiver_flow.as_ref());
    let receiver_total = pulse.and_then(|it| it.receiver_total.as_ref());
    add(|look| &mut look.receiver_total, receiver_total, facts.receiver_total.as_ref());
    parts
}

/// The cheapest requests for the parts, device by device.
fn asked(site: &Site, parts: &[Part]) -> anyhow::Result<Vec<Asked>> {
    let mut wanted: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for part in parts {
        if let Source::Entry { device, entry } = &part.source {
            wanted.entry(device).or_default().push(entry);
        }
    }
    let plan = |(name, entries): (&str, Vec<&str>)| {
        let device = site.devices.get(name).with_context(|| format!("no device {name}"))?;
        let line = site.lines.get(&device.line).with_context(|| format!("no line {}", device.line))?;
        anyhow::ensure!(
            line.mode == LineMode::Poll,
            "line {} only listens (mode = \"listen\"): a trial has to ask, and nothing may be sent on it",
            line.name
        );
        let timing = WireTiming::new(line.framing);
        let plan = cheapest_plan(&device.map, entries, timing, timing.t3_5() + ASSUMED_DEVICE_LATENCY)?;
        Ok(Asked {
            device: name.to_owned(),
            unit: UnitAddress::new(device.address).context("an address is 1 to 247")?,
            line: device.line.clone(),
            requests: plan.requests.into_iter().map(|planned| planned.request).collect(),
        })
    };
    wanted.into_iter().map(plan).collect()
}

fn own_lines(site: &Site, asked: &[Asked]) -> anyhow::Result<BTreeMap<String, OwnLine>> {
    let mut own = BTreeMap::new();
    for it in asked {
        if let Some(line) = site.lines.get(&it.line).filter(|_| !own.contains_key(&it.line)) {
            own.insert(it.line.clone(), OwnLine::open(line)?);
        }
    }
    Ok(own)
}

fn read(
    site: &Site,
    own: &mut Option<BTreeMap<String, OwnLine>>,
    asked: &Asked,
    request: Request,
) -> anyhow::Result<Vec<RequestRead>> {
    Ok(match own {
        Some(own) => {
            let line = own.get_mut(&asked.line).context("the line is open")?;
            line.read(asked.unit, Wanted::exactly(&[request]))?
        }
        None => through_daemon::read(&socket_of(site), &asked.device, Some(request))?,
    })
}

fn socket_of(site: &Site) -> PathBuf {
    socket::path_beside(&site.store.path)
}

//! Where a daemon's news comes from: its lines, its files, and people at its socket.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use tallywell_witness::declared::{Entry, Line, Site, Source};
use tallywell_witness::plan::line_plan;
use tallywell_witness::schedule::Task;
use tokio::sync::mpsc;

use super::DaemonError;
use super::file_number::Holds;
use super::file_source::{FileReading, FileSource};
use super::socket::{Asked, Socket, path_beside};
use crate::line::clock::Clock;
use crate::line::event::{EventReceiver, EventSender, FromLine, event_queue};
use crate::line::orders::StartError;
use crate::line::thread::LineThread;
use crate::site::meter_facts;

/// People's requests that may wait.
const REQUESTS_WAITING: usize = 16;
/// File readings that may wait; what does not fit is missed, as if the file had not been read.
const FILES_WAITING: usize = 256;

/// Something that the daemon is told.
#[derive(Debug)]
pub(super) enum Heard {
    /// By a line.
    Line(FromLine),
    /// By a file.
    File(FileReading),
    /// By a person.
    Asked(Asked),
}

/// What a port that cannot be used means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MissingPort {
    /// Nothing is followed: whoever changed the site file watches.
    Refused,
    /// It is tried again and again while another line has its port.
    TriedAgain,
}

/// Everything that tells the daemon something, running.
#[derive(Debug)]
pub(super) struct Sources {
    clock: Clock,
    lines: BTreeMap<String, (Line, LineThread)>,
    line_events: EventReceiver,
    to_line_events: EventSender,
    files: BTreeMap<PathBuf, (HowRead, FileSource)>,
    file_readings: mpsc::Receiver<FileReading>,
    to_file_readings: mpsc::Sender<FileReading>,
    asked: mpsc::Receiver<Asked>,
    _socket: Option<Socket>,
}

impl Sources {
    /// Opens every port and file of a site and begins to read them. A port that cannot be used while another can is tried
    /// again like one that was unplugged.
    ///
    /// # Errors
    /// No port can be used, or the system gives no thread.
    pub(super) fn start(site: &Site, clock: Clock) -> Result<Self, DaemonError> {
        let (to_line_events, line_events) = event_queue();
        let (to_file_readings, file_readings) = mpsc::channel(FILES_WAITING);
        let (to_asked, asked) = mpsc::channel(REQUESTS_WAITING);
        let socket = Socket::listen(path_beside(&site.store.path), to_asked)
            .inspect_err(|error| match std::error::Error::source(error) {
                Some(source) => tracing::warn!("other commands cannot reach this daemon: {error}: {source}"),
                None => tracing::warn!("other commands cannot reach this daemon: {error}"),
            })
            .ok();
        let mut sources = Self {
            clock,
            lines: BTreeMap::new(),
            line_events,
            to_line_events,
            files: BTreeMap::new(),
            file_readings,
            to_file_readings,
            asked,
            _socket: socket,
        };
        sources.follow(site, MissingPort::TriedAgain)?;
        Ok(sources)
    }

    /// Makes what runs what the site declares: lines that changed are opened anew, others only get their new plan.
    ///
    /// # Errors
    /// A port cannot be used, or none, as `missing` has it, or the system gives no thread. What could be started runs.
    pub(super) fn follow(&mut self, site: &Site, missing: MissingPort) -> Result<(), DaemonError> {
        // Ports are let go before any is opened: a line may have been renamed.
        self.lines.retain(|name, (line, _)| site.lines.get(name) == Some(line));
        let mut without_port = Vec::new();
        for (name, line) in &site.lines {
            let tasks = tasks(site, line)?;
            match self.lines.get(name) {
                Some((_, thread)) => thread.replace(tasks),
                None => match LineThread::start(line.clone(), tasks.clone(), self.clock, self.to_line_events.clone()) {
                    Ok(thread) => drop(self.lines.insert(name.clone(), (line.clone(), thread))),
                    Err(why @ StartError::Port(_)) if missing == MissingPort::TriedAgain => {
                        without_port.push((line, tasks, why));
                    }
                    Err(why) => return Err(DaemonError::Line { line: name.clone(), why }),
                },
            }
        }
        for (line, tasks, why) in without_port {
            let name = line.name.clone();
            if self.lines.is_empty() {
                return Err(DaemonError::Line { line: name, why });
            }
            let (clock, to, why) = (self.clock, self.to_line_events.clone(), why.to_string());
            let thread = LineThread::start_without_port(line.clone(), tasks, clock, to, why)
                .map_err(|why| DaemonError::Line { line: name.clone(), why })?;
            self.lines.insert(name, (line.clone(), thread));
        }
        let files = files(site);
        self.files.retain(|path, (how, _)| files.get(path) == Some(how));
        for (path, how) in files {
            if !self.files.contains_key(&path) {
                let to = self.to_file_readings.clone();
                let source =
                    FileSource::start(path.clone(), how.holds, how.every, move |reading| drop(to.try_send(reading)))
                        .map_err(|why| DaemonError::System { what: "a thread", why })?;
                self.files.insert(path, (how, source));
            }
        }
        Ok(())
    }

    /// The next thing told. May be dropped while it waits without losing anything.
    pub(super) async fn next(&mut self) -> Heard {
        tokio::select! {
            Some(event) = self.line_events.next() => Heard::Line(event),
            Some(reading) = self.file_readings.recv() => Heard::File(reading),
            Some(asked) = self.asked.recv() => Heard::Asked(asked),
            // This end keeps a sender of each queue but the last, whose loss leaves the other two.
            else => std::future::pending().await,
        }
    }

    /// A line by its name.
    pub(super) fn line(&self, name: &str) -> Option<&LineThread> {
        self.lines.get(name).map(|(_, thread)| thread)
    }

    /// Every line with its name.
    pub(super) fn lines(&self) -> impl Iterator<Item = (&str, &LineThread)> {
        self.lines.iter().map(|(name, (_, thread))| (name.as_str(), thread))
    }

    /// Ends every line after its transaction under way, and returns what was told until then.
    pub(super) fn stop(mut self) -> Vec<Heard> {
        self.files.clear();
        for (_, (_, line)) in std::mem::take(&mut self.lines) {
            line.stop();
        }
        let mut rest = Vec::new();
        while let Some(event) = self.line_events.try_next() {
            rest.push(Heard::Line(event));
        }
        while let Ok(reading) = self.file_readings.try_recv() {
            rest.push(Heard::File(reading));
        }
        rest
    }
}

/// What a line has to ask, in the order in which the witnesses of one meter stand back to back.
fn tasks(site: &Site, line: &Line) -> Result<Vec<Task>, DaemonError> {
    let plan = line_plan(site, &line.name).map_err(|error| DaemonError::Declared(error.to_string()))?;
    Ok(plan.devices.iter().map(|device| Task::of(device, &plan, line.reply_timeout)).collect())
}

/// What is declared of a source, where it is a register.
pub(super) fn entry_of<'site>(site: &'site Site, source: &Source) -> Option<&'site Entry> {
    let Source::Entry { device, entry } = source else { return None };
    site.devices.get(device)?.map.entries.get(entry)
}

/// How one file is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct HowRead {
    every: Duration,
    holds: Holds,
}

/// The files that the meters name.
fn files(site: &Site) -> BTreeMap<PathBuf, HowRead> {
    let mut files = BTreeMap::new();
    for name in site.meters.keys() {
        let Ok(facts) = meter_facts(site, name) else { continue };
        let meter = &facts.meter;
        let current = meter.current_loop.as_ref().map(|current_loop| &current_loop.current);
        let count = meter.pulse.as_ref().map(|pulse| &pulse.count);
        let witnesses = [
            (meter.flow.as_ref(), &facts.flow),
            (meter.total.as_ref(), &facts.total),
            (meter.reverse_total.as_ref(), &facts.reverse_total),
            (current, &facts.loop_ma),
            (count, &facts.pulses),
            (meter.current_loop.as_ref().and_then(|it| it.receiver_flow.as_ref()), &facts.receiver_flow),
            (meter.pulse.as_ref().and_then(|it| it.receiver_total.as_ref()), &facts.receiver_total),
        ];
        for (source, witness) in witnesses {
            if let (Some(Source::File(path)), Some(witness)) = (source, witness) {
                let (every, holds) = (witness.every, Holds::of(&witness.entry));
                let how: &mut HowRead = files.entry(path.clone()).or_insert(HowRead { every, holds });
                *how = HowRead { every: how.every.min(every), holds: how.holds.max(holds) };
            }
        }
    }
    files
}

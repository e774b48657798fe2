//! What the daemon does with each thing that it is told.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tallywell_witness::declared::{Device, Setting, Site};
use tallywell_witness::plan::Request as PlanRequest;
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::station::{Registers, Stations, Told};
use tallywell_witness::tally::{Change, Disagreement, Moment, VolumeJudged};
use tallywell_witness::units::WallMillis;
use tokio::sync::mpsc;

use super::faces::Faces;
use super::file_source::FileReading;
use super::known_line::KnownLine;
use super::listened::{self, Listened};
use super::memory::Memory;
use super::namer::Namer;
use super::outgoing::OutgoingMessages;
use super::progress::Progress;
use super::settings::Settings;
use super::sources::{Heard, MissingPort, Sources, entry_of};
use super::wall_watch::{ClockSet, WallWatch};
use super::{DaemonError, Options, clock, live, outgoing, supervisor};
use crate::face::notice::Notices;
use crate::face::state::State;
use crate::face::told;
use crate::line::clock::{Clock, steady};
use crate::line::event::{FromLine, LineEvent};
use crate::line::listen::master::MasterTiming;
use crate::line::statistics::LineTiming;
use crate::site::{self, Loaded, meter_facts};
use crate::store::evidence::Run;
use crate::store::timing::{DeviceHour, LineHour};
use crate::store::{self, Span, Writer};
use crate::wall;

mod asked;
mod begun_anew;

/// What the tallies remember is kept so often; what a power cut takes of it is made up from the readings that follow.
const MEMORY_KEPT_EVERY: Duration = Duration::from_secs(10);
/// And for the first time so soon, or a box whose power fails every few seconds would never come to judge anything.
const MEMORY_KEPT_FIRST: Duration = Duration::from_secs(1);
/// The hour of timing that runs is kept so often, so that `timing` can show it.
const TIMING_KEPT_EVERY: Duration = Duration::from_secs(5);
/// How long notices may take at the end.
const LAST_NOTICES: Duration = Duration::from_secs(5);

/// The daemon's one state.
#[derive(Debug)]
pub(super) struct Core {
    config: PathBuf,
    site: Arc<Site>,
    /// The site file and its maps: path and text.
    documents: Vec<(String, String)>,
    clock: Clock,
    wall_watch: WallWatch,
    stations: Stations,
    memory: Memory,
    writer: Writer,
    notices: Option<(Notices, tokio::task::JoinHandle<()>)>,
    observer: Option<mpsc::UnboundedSender<Told>>,
    faces: Faces,
    outgoing: OutgoingMessages,
    progress: Progress,
    settings: Settings,
    namer: Namer,
    lines: BTreeMap<String, KnownLine>,
    listened: Listened,
    failing_files: BTreeSet<PathBuf>,
    timings: mpsc::UnboundedReceiver<(String, WallMillis, LineTiming)>,
    to_timings: mpsc::UnboundedSender<(String, WallMillis, LineTiming)>,
    memory_kept: Instant,
    memory_kept_next: Duration,
    timing_kept: Instant,
    trouble: Option<String>,
    /// How often a new database had been begun when that was looked at last.
    begun_anew: u32,
    changed: bool,
}

impl Core {
    /// Opens the store and takes up what was remembered of each meter.
    ///
    /// # Errors
    /// The store cannot be used.
    pub(super) fn start(options: Options) -> Result<Self, DaemonError> {
        let Options { config, loaded, observer } = options;
        // The time service takes longer to answer than the store to open.
        let synchronised = std::thread::spawn(clock::is_synchronised);
        let path = &loaded.site.store.path;
        let writer = Writer::open(
            path,
            store::Options {
                keep_readings: loaded.site.store.keep_readings,
                largest: loaded.site.store.largest,
                ..outgoing::store_options(&loaded.site)
            },
        )?;
        let reader = writer.reader()?;
        let clock = clock::since_boot();
        let memory = Memory::recall(&reader, &loaded.site, steady(clock.now()), wall::now());
        let wall_watch = WallWatch::since(memory.clocks());
        let (to_timings, timings) = mpsc::unbounded_channel();
        let mut core = Self {
            config,
            stations: Stations::new(Vec::new(), VolumeJudged::LastDay, |_| None),
            memory,
            begun_anew: writer.health().begun_anew,
            writer,
            notices: None,
            observer,
            faces: Faces::new(),
            outgoing: OutgoingMessages::default(),
            progress: Progress::default(),
            settings: Settings::recall(&reader, &loaded.site),
            namer: Namer::new(path.clone()),
            lines: BTreeMap::new(),
            listened: Listened::default(),
            failing_files: BTreeSet::new(),
            timings,
            to_timings,
            memory_kept: Instant::now(),
            memory_kept_next: MEMORY_KEPT_FIRST,
            timing_kept: Instant::now(),
            trouble: None,
            changed: true,
            site: Arc::new(loaded.site.clone()),
            documents: Vec::new(),
            clock,
            wall_watch,
        };
        let mut stood_open = begun_anew::logged_open(&reader)?;
        core.take_up(loaded, || synchronised.join().unwrap_or_default())?;
        for (meter, change) in core.memory.take_caught_up() {
            core.meter_changed(&meter, &change);
            stood_open.follow(&change);
        }
        core.end_what_nobody_holds(stood_open);
        Ok(core)
    }

    pub(super) fn site(&self) -> &Site {
        &self.site
    }

    pub(super) const fn clock(&self) -> Clock {
        self.clock
    }

    /// Puts the meters of a site under watch, each with what was remembered of it, and begins a run in the store.
    fn take_up(&mut self, loaded: Loaded, synchronised: impl FnOnce() -> Option<bool>) -> Result<(), DaemonError> {
        let site = Arc::new(loaded.site);
        let facts: Vec<MeterFacts> = site
            .meters
            .keys()
            .map(|name| meter_facts(&site, name))
            .collect::<Result<_, _>>()
            .map_err(|error| DaemonError::Declared(error.to_string()))?;
        for caution in &loaded.cautions {
            tracing::warn!("{}: {}", caution.path().display(), caution.message());
        }
        self.documents = loaded.sources.into_iter().map(|(path, text)| (path.display().to_string(), text)).collect();
        self.begin_run(synchronised());
        facts.iter().for_each(|facts| self.writer.declare(facts));
        let reader = self.writer.reader()?;
        self.faces.follow(&site, &facts, &reader)?;
        self.outgoing.follow(&site, &facts, &self.writer);
        self.stations = Stations::new(facts, VolumeJudged::LastDay, |source| entry_of(&site, source));
        let restarted = self.memory.take_restarted();
        for name in site.meters.keys() {
            if let Some(tallies) = self.memory.of(name, &site) {
                self.stations.resume(name, tallies, restarted);
            }
            let maintained = reader.maintenance(name, Span { from: Some(wall::now()), to: None })?;
            self.stations.set_maintenance(name, maintained.iter().any(|(_, end)| end.is_none()));
        }
        self.progress.follow(&site, Instant::now());
        self.lines.retain(|name, _| site.lines.contains_key(name));
        for (name, line) in &site.lines {
            self.lines.entry(name.clone()).or_default().declare(line);
        }
        if self.site.notice != site.notice || self.notices.is_none() {
            self.notices = site.notice.clone().map(Notices::start);
        }
        self.namer.follow(Arc::clone(&site));
        self.site = site;
        Ok(())
    }

    /// From here on readings are stored with what is declared now, and with who holds the clock on the wall right.
    fn begin_run(&self, clock_synchronised: Option<bool>) {
        self.writer.begin_run(Run {
            boot: clock::boot(),
            began: wall::now(),
            program: concat!("tallywell ", env!("CARGO_PKG_VERSION")).to_owned(),
            clock_synchronised,
            documents: self.documents.clone(),
        });
    }

    /// Reads the site file again and follows it.
    ///
    /// # Errors
    /// The file is wrong, or a port in it cannot be used: then everything goes on by the old one.
    pub(super) fn reload(&mut self, sources: &mut Sources) -> Result<(), String> {
        let loaded = site::load_again(&self.config).map_err(|problems| format!("\n{}", problems.render(false)))?;
        if loaded.site.store.path != self.site.store.path {
            return Err("another store needs a new start of the daemon".to_owned());
        }
        if let Err(error) = sources.follow(&loaded.site, MissingPort::Refused) {
            // What ran before was good: go back to it, though something was unplugged meanwhile.
            return Err(match sources.follow(&self.site, MissingPort::TriedAgain) {
                Ok(()) => error.to_string(),
                Err(worse) => format!("{error}; and the old one cannot be followed any more either: {worse}"),
            });
        }
        self.memory.remember(&self.stations, &self.site);
        self.keep_running_hours();
        let stood_open = self.held_open();
        self.take_up(loaded, clock::is_synchronised).map_err(|error| error.to_string())?;
        self.end_what_nobody_holds(stood_open);
        self.keep_memory();
        Ok(())
    }

    /// Does what one thing told asks for.
    pub(super) fn hear(&mut self, heard: Heard, sources: &Sources) {
        match heard {
            Heard::Asked(asked) => self.asked(asked, sources),
            heard => self.take(heard),
        }
    }

    /// The same where nobody can be answered any more.
    pub(super) fn take(&mut self, heard: Heard) {
        match heard {
            Heard::Line(told) => self.line_told(told),
            Heard::File(reading) => self.file_told(reading),
            Heard::Asked(asked) => asked.refuse("the daemon is ending"),
        }
    }

    fn line_told(&mut self, FromLine { line, event }: FromLine) {
        self.progress.heard(&line, Instant::now());
        let told = match event {
            LineEvent::Read(read) => self.stations.registers(Registers {
                device: &read.device,
                table: read.request.table,
                start: read.request.start,
                words: &read.words,
                sampled: self.memory.continued(read.steady),
                wall: read.wall,
            }),
            LineEvent::Fault { device, request, fault, .. } => {
                tracing::debug!("line {line}: {device}: {fault}");
                let PlanRequest { table, start, count } = request;
                self.stations.missed(&device, table, start, count)
            }
            LineEvent::Doubtful { device, request: PlanRequest { table, start, count }, doubt } => {
                tracing::debug!("line {line}: {device}: a reply may belong to another request: {doubt}");
                self.stations.missed(&device, table, start, count)
            }
            LineEvent::Timing { from, timing, .. } => {
                self.keep_timing(&line, from, &timing);
                return;
            }
            event => {
                if let Some(known) = self.lines.get_mut(&*line) {
                    known.take(&line, &event);
                    self.changed = true;
                }
                return;
            }
        };
        self.told(told);
    }

    fn file_told(&mut self, reading: FileReading) {
        let told = match reading.value {
            Ok(value) => {
                let (asked, answered) = (self.clock.moment(reading.asked), self.clock.moment(reading.answered));
                let sampled = self.memory.continued(steady(asked.midpoint(answered)));
                if self.failing_files.remove(&reading.path) {
                    tracing::info!("{} can be read again", reading.path.display());
                }
                self.stations.file(&reading.path, value, sampled, wall::now())
            }
            Err(error) => {
                if self.failing_files.insert(reading.path.clone()) {
                    tracing::error!("{error}");
                }
                self.stations.file_missed(&reading.path)
            }
        };
        self.told(told);
    }

    fn told(&mut self, told: Vec<Told>) {
        for it in told {
            match &it {
                Told::Reading { meter, reading, changes } => {
                    self.changed = true;
                    self.writer.append(meter, &self.memory.as_stored(reading));
                    self.faces.reading(meter, reading);
                    self.outgoing.reading(meter, reading, &self.writer);
                    for change in changes {
                        self.meter_changed(meter, change);
                    }
                }
                Told::Changed { meter, changes } => {
                    self.changed = true;
                    for change in changes {
                        self.meter_changed(meter, change);
                    }
                }
                Told::Setting { meter, setting, value, wall } => self.setting_read(meter, *setting, *value, *wall),
            }
            if let Some(observer) = &self.observer {
                // An observer that has gone does not miss it.
                let _ = observer.send(it);
            }
        }
    }

    fn meter_changed(&mut self, meter: &str, change: &Change) {
        self.writer.change(meter, change);
        self.faces.change(meter, change);
        match change {
            Change::Opened(it) => {
                tracing::warn!("{meter}: disagreement: {}", told::disagreement_line(it));
                self.notify("disagreement-opened", &told::disagreement_json(it, None));
                self.namer.wants(it);
            }
            Change::Grew(it) => self.namer.wants(it),
            Change::Closed(it) => {
                tracing::info!("{meter}: the disagreement is over: {}", told::disagreement_line(it));
                self.notify("disagreement-closed", &told::disagreement_json(it, None));
                self.namer.wants(it);
            }
            Change::EventBegan(it) => {
                tracing::info!("{meter}: {}", told::event_words(&it.what));
                self.notify("event-began", &told::event_json(it));
            }
            Change::EventEnded(it) => {
                tracing::info!("{meter}: over: {}", told::event_words(&it.what));
                self.notify("event-ended", &told::event_json(it));
            }
            Change::Step(_) | Change::Hour(_) => {}
        }
    }

    fn setting_read(&mut self, name: &str, setting: Setting, value: f64, wall: WallMillis) {
        let Some(meter) = self.site.meters.get(name) else { return };
        let now = Moment { steady: self.memory.continued(steady(self.clock.now())), wall };
        let (is_new, changes) = self.settings.read(meter, setting, value, now);
        if is_new {
            self.writer.setting(name, setting, wall, value);
        }
        for change in changes {
            self.meter_changed(name, &change);
        }
    }

    fn notify(&self, what: &str, about: &Value) {
        self.outgoing.notice(what, about, &self.writer);
        if let Some((notices, _)) = &self.notices {
            notices.send(&json!({ "notice": what, "site": self.site.name, "about": about }));
        }
    }

    /// What has to be done now and then.
    pub(super) fn tick(&mut self, sources: &Sources) {
        self.ask_for_timing(sources);
        self.look_after_itself();
    }

    fn look_after_itself(&mut self) {
        let now = Moment { steady: self.memory.continued(steady(self.clock.now())), wall: wall::now() };
        if let Some(set) = self.wall_watch.look(steady(self.clock.now()), now.wall) {
            self.clock_set(set, now);
        }
        let expired = self.stations.expire(now);
        self.told(expired);
        while let Ok((line, began, timing)) = self.timings.try_recv() {
            self.keep_timing(&line, began, &timing);
        }
        if let Some((named, code)) = self.namer.tick() {
            self.cause_named(&named, code.as_str());
        }
        if self.memory_kept.elapsed() >= self.memory_kept_next {
            self.keep_memory();
        }
        self.look_after_store();
        let changed = std::mem::take(&mut self.changed);
        let lines = &self.lines;
        if self.progress.feeds(Instant::now(), |line| lines.get(line).is_some_and(|known| known.lost.is_some())) {
            supervisor::alive();
        }
        if self.faces.wants(changed) {
            let state = self.state();
            self.faces.tell(&state);
        }
    }

    /// Said once in the log, and told to those who read the times of any meter.
    fn clock_set(&mut self, set: ClockSet, now: Moment) {
        tracing::warn!("{}", set.in_words());
        if !set.is_recorded {
            return;
        }
        self.begin_run(clock::is_synchronised());
        for meter in self.site.meters.keys() {
            let event = set.event(meter, now);
            self.notify("event-ended", &told::event_json(&event));
            let change = Change::EventEnded(event);
            self.writer.change(meter, &change);
            self.faces.change(meter, &change);
        }
    }

    fn state(&self) -> State {
        live::state(&self.site, &self.stations, &self.lines, &self.writer.health(), &self.faces)
    }

    fn cause_named(&mut self, it: &Disagreement, code: &str) {
        tracing::info!("{}: {} looks like {code}", it.meter, told::between_words(it.between));
        self.faces.cause(it, Some(code.to_owned()));
        self.writer.disagreement(it, Some(code));
        self.notify("cause-named", &told::disagreement_json(it, Some(code)));
    }

    fn keep_memory(&mut self) {
        self.memory_kept = Instant::now();
        self.memory_kept_next = MEMORY_KEPT_EVERY;
        self.memory.remember(&self.stations, &self.site);
        let now = wall::now();
        for (meter, version, body) in self.memory.to_keep(steady(self.clock.now()), now) {
            self.writer.tally_state(meter, version, now, body);
        }
    }

    /// Keeps the hours that run as far as they have come: what is declared may change, or the end has come.
    fn keep_running_hours(&self) {
        for meter in self.stations.meters() {
            if let Some(hour) = meter.tallies.running_hour(meter.facts) {
                self.writer.hour(&hour);
            }
        }
    }

    /// Changes of the store's state are said once. A new database knows of the tallies what was kept last; readings since
    /// went with the old one, so that nobody could make it up from them.
    fn look_after_store(&mut self) {
        let health = self.writer.health();
        if std::mem::replace(&mut self.begun_anew, health.begun_anew) != health.begun_anew {
            self.keep_memory();
            self.changed = true;
        }
        let now = health.trouble.map(|(trouble, _)| trouble);
        if now != self.trouble {
            match &now {
                Some(trouble) => tracing::error!("the store cannot be written; polling goes on: {trouble}"),
                None => tracing::info!("the store is written again"),
            }
            self.trouble = now;
            self.changed = true;
        }
    }

    fn keep_timing(&mut self, line: &str, began: WallMillis, timing: &LineTiming) {
        self.faces.timing(line, began, timing);
        if timing.master.is_some() {
            self.listened.tell(&self.site, line, &self.faces.line(line));
            let on_line = |device: &&Device, unit: u8| device.line == line && device.address == unit;
            let name_of = |unit| self.site.devices.values().find(|device| on_line(device, unit));
            listened::follow_periods(&mut self.stations, timing, |unit| Some(name_of(unit)?.name.clone()));
        }
        let microseconds = |time: Duration| u64::try_from(time.as_micros()).unwrap_or(u64::MAX);
        let devices = timing.devices.iter().map(|(device, timing)| DeviceHour {
            device: device.clone(),
            address: self
                .site
                .devices
                .get(device)
                .map_or_else(|| listened::address_in(device), |device| device.address),
            timing: timing.encode(),
        });
        self.writer.line_hour(LineHour {
            line: line.to_owned(),
            began,
            transactions: timing.transactions,
            foreign_requests: timing.foreign_requests,
            busy_us: microseconds(timing.busy),
            elapsed_us: microseconds(timing.elapsed),
            master: timing.master.as_ref().map(MasterTiming::encode),
            devices: devices.collect(),
        });
    }

    /// Asks the lines for the hour that runs, now and then.
    fn ask_for_timing(&mut self, sources: &Sources) {
        if self.timing_kept.elapsed() < TIMING_KEPT_EVERY {
            return;
        }
        self.timing_kept = Instant::now();
        for (name, line) in sources.lines() {
            let (line, name, to) = (line.handle(), name.to_owned(), self.to_timings.clone());
            tokio::spawn(async move {
                if let Some((began, timing)) = line.timing().await {
                    let _ = to.send((name, began, timing));
                }
            });
        }
    }

    /// Puts everything on the disk and lets the notices that wait be told.
    pub(super) async fn end(mut self) {
        self.look_after_itself();
        self.keep_memory();
        self.keep_running_hours();
        if let Some((notices, task)) = self.notices.take() {
            drop(notices);
            if tokio::time::timeout(LAST_NOTICES, task).await.is_err() {
                tracing::warn!("the notice program did not end in time");
            }
        }
        self.outgoing.end().await;
        let health = self.writer.close();
        if let Some((trouble, _)) = health.trouble {
            tracing::error!(lost = health.waiting, "what waited could not be stored: {trouble}");
        }
    }
}

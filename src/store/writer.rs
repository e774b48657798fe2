//! The one writer: a thread that puts everything that waits into the database, one transaction every few seconds.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rusqlite::Connection;
use tallywell_witness::declared::Setting;
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Change, Disagreement, Event, HourlySummary, Step};
use tallywell_witness::units::WallMillis;

use super::connection::{self, Lock, StoreReader};
use super::error::StoreError;
use super::evidence::Run;
use super::harm;
use super::keep::Keep;
use super::log::{HandedOut, Note};
use super::options::Options;
use super::outbox::Outgoing;
use super::put::{Known, put_batch};
use super::queue::{Batch, Lasting, Queue};
use super::standing::Standing;
use super::stretch::Meanings;
use super::timing::LineHour;
use crate::record::format_instant;
use crate::wall;

/// How the writer is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// Readings on the disk since the start.
    pub readings_stored: u64,
    /// Readings that were dropped, since the disk did not take them.
    pub readings_dropped: u64,
    /// Other things that were dropped.
    pub others_dropped: u64,
    /// Things that wait.
    pub waiting: usize,
    /// What keeps the store from being written, and since when.
    pub trouble: Option<(String, WallMillis)>,
    /// How often since the start a new database was begun in the place of one that was damaged or gone.
    pub begun_anew: u32,
    /// Where a damaged database was put; a new one was begun.
    pub set_aside: Option<PathBuf>,
}

/// Writes to the store. Nothing here waits for the disk but [`Writer::flush`] and [`Writer::close`].
#[derive(Debug)]
pub struct Writer {
    path: PathBuf,
    queue: Arc<Queue>,
    health: Arc<Mutex<Health>>,
    meanings: Arc<Mutex<HashMap<String, Meanings>>>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Opens the store at `path`, makes it if it is not there, and starts the writer's thread. A damaged database is put
    /// aside, and a new one begun: an unattended daemon goes on. So it does where a store that is there cannot be written
    /// for now, since the disk is full or may only be read: what comes waits.
    ///
    /// # Errors
    /// Another process writes to it; it is not a store, or a newer one; there is none, and none can be made.
    pub fn open(path: &Path, options: Options) -> Result<Self, StoreError> {
        let lock = Lock::take(path)?;
        let health = Arc::new(Mutex::new(Health::default()));
        let (connection, standing, trouble) = match open_or_begin_anew(path, &health) {
            Ok((connection, standing)) => (Some(connection), standing, None),
            Err(error @ (StoreError::Full(_) | StoreError::ReadOnly(_))) => match StoreReader::open(path) {
                Ok(reader) => (None, Standing::of(&reader.connection).unwrap_or_default(), Some(error)),
                Err(damage) if harm::is_damaged_and_ours(path, &damage) => (None, Standing::default(), Some(error)),
                Err(_) => return Err(error),
            },
            Err(error) => return Err(error),
        };
        let queue = Arc::new(Queue::new(options.most_readings_waiting, options.most_lasting_waiting));
        let meanings = Arc::new(Mutex::new(HashMap::new()));
        let mut work = Work {
            path: path.to_owned(),
            options,
            queue: Arc::clone(&queue),
            health: Arc::clone(&health),
            meanings: Arc::clone(&meanings),
            connection,
            known: Known::default(),
            runs: Vec::new(),
            standing,
            is_to_be_told: false,
            batch: Batch::default(),
            keep: Keep::default(),
            _lock: lock,
        };
        if let Some(error) = trouble {
            work.note_trouble(&error);
        }
        let thread = std::thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || work.run())
            .map_err(|source| StoreError::File { path: path.to_owned(), source })?;
        Ok(Self { path: path.to_owned(), queue, health, meanings, thread: Some(thread) })
    }

    /// Opens the store to read. Where it is damaged and nothing can be written in its place for now, nothing is in it.
    ///
    /// # Errors
    /// See [`StoreReader::open`].
    pub fn reader(&self) -> Result<StoreReader, StoreError> {
        let opened = StoreReader::open(&self.path);
        if self.health().trouble.is_none() {
            return opened;
        }
        opened.and_then(StoreReader::whole).or_else(|error| {
            tracing::debug!("nothing that was stored can be taken up: {error}");
            StoreReader::of_nothing(&self.path)
        })
    }

    /// Begins a run: readings from here on belong to it. To be called before the first reading, and whenever the
    /// declarations change.
    pub fn begin_run(&self, run: Run) {
        self.queue.put_lasting(Lasting::Run(run));
    }

    /// Says how a meter's registers are to be understood. Readings are kept exactly without it, but take more room.
    pub fn declare(&self, facts: &MeterFacts) {
        locked(&self.meanings).insert(facts.meter.name.clone(), Meanings::of(facts));
    }

    /// Keeps a reading of a meter; false where an older one had to be dropped for it.
    pub fn append(&self, meter: &str, reading: &Reading) -> bool {
        self.queue.put_reading(meter, reading)
    }

    /// Keeps what the tallies of a meter found.
    pub fn change(&self, meter: &str, change: &Change) {
        match change {
            Change::Opened(it) | Change::Grew(it) | Change::Closed(it) => self.disagreement(it, None),
            Change::Step(it) => self.step(meter, *it),
            Change::EventBegan(it) | Change::EventEnded(it) => self.event(it),
            Change::Hour(it) => self.hour(it),
        }
    }

    /// Keeps a disagreement as it is now, in the place of what was kept of it; a cause that is not given stays.
    pub fn disagreement(&self, it: &Disagreement, cause: Option<&str>) {
        self.queue.put_lasting(Lasting::Disagreement(Box::new(it.clone()), cause.map(str::to_owned)));
    }

    /// Keeps an event as it is now.
    pub fn event(&self, it: &Event) {
        self.queue.put_lasting(Lasting::Event(Box::new(it.clone())));
    }

    /// Keeps a step between counts.
    pub fn step(&self, meter: &str, it: Step) {
        self.queue.put_lasting(Lasting::Step(meter.to_owned(), it));
    }

    /// Keeps a note.
    pub fn note(&self, it: Note) {
        self.queue.put_lasting(Lasting::Note(it));
    }

    /// Keeps a setting as it was read, in its base unit. For changes only.
    pub fn setting(&self, meter: &str, setting: Setting, at: WallMillis, value: f64) {
        self.queue.put_lasting(Lasting::Setting { meter: meter.to_owned(), setting, at, value });
    }

    /// Keeps an hourly summary.
    pub fn hour(&self, it: &HourlySummary) {
        self.queue.put_lasting(Lasting::Hour(Box::new(it.clone())));
    }

    /// Keeps what a meter's tallies remember, in the place of what was kept of it.
    pub fn tally_state(&self, meter: &str, version: u32, at: WallMillis, body: Vec<u8>) {
        self.queue.put_lasting(Lasting::TallyState { meter: meter.to_owned(), version, at, body });
    }

    /// Keeps what a line did for at most an hour, in the place of what was kept with the same beginning.
    pub fn line_hour(&self, it: LineHour) {
        self.queue.put_lasting(Lasting::LineHour(it));
    }

    /// Keeps the hash of a file that leaves the store.
    pub fn handed_out(&self, it: HandedOut) {
        self.queue.put_lasting(Lasting::HandedOut(it));
    }

    /// Puts a message into the outbox, from where a broker gets it.
    pub fn outgoing(&self, it: Outgoing) {
        self.queue.put_lasting(Lasting::Outgoing(it));
    }

    /// For whoever takes messages out of the outbox.
    #[must_use]
    pub fn taken(&self) -> Taken {
        Taken { queue: Arc::clone(&self.queue) }
    }

    /// How the writer is.
    #[must_use]
    pub fn health(&self) -> Health {
        let (losses, waiting) = self.queue.losses();
        let mut health = locked(&self.health).clone();
        health.readings_dropped = losses.readings;
        health.others_dropped = losses.lasting;
        health.waiting += waiting;
        health
    }

    /// Puts everything on the disk now; false if it is not there within `patience`.
    pub fn flush(&self, patience: Duration) -> bool {
        self.queue.flush(patience)
    }

    /// For whoever waits for the disk while the writer is used by others.
    #[must_use]
    pub fn flusher(&self) -> Flusher {
        Flusher { queue: Arc::clone(&self.queue) }
    }

    /// Puts everything on the disk and ends. Returns how the writer was at its end.
    #[must_use]
    pub fn close(mut self) -> Health {
        self.end();
        self.health()
    }

    fn end(&mut self) {
        self.queue.end();
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the store's thread ended in a panic; what waited is lost");
        }
    }
}

/// Waits for the disk.
#[derive(Clone, Debug)]
pub struct Flusher {
    queue: Arc<Queue>,
}

impl Flusher {
    /// Puts everything on the disk now; false if it is not there within `patience`.
    #[must_use]
    pub fn flush(&self, patience: Duration) -> bool {
        self.queue.flush(patience)
    }
}

/// Says which messages of the outbox a broker has taken.
#[derive(Clone, Debug)]
pub struct Taken {
    queue: Arc<Queue>,
}

impl Taken {
    /// Everything up to this number. What the store is not told in time is taken twice.
    pub fn through(&self, number: i64) {
        self.queue.put_lasting(Lasting::Taken(number));
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        self.end();
    }
}

/// What the thread owns.
#[derive(Debug)]
struct Work {
    path: PathBuf,
    options: Options,
    queue: Arc<Queue>,
    health: Arc<Mutex<Health>>,
    meanings: Arc<Mutex<HashMap<String, Meanings>>>,
    connection: Option<Connection>,
    known: Known,
    /// Every run since this process began, the first at place 0: a new database may have to be told them again.
    runs: Vec<Run>,
    /// What stands by what was written, for the same reason.
    standing: Standing,
    /// The database is new, and has not been told it yet.
    is_to_be_told: bool,
    /// Taken from the queue and not yet on the disk.
    batch: Batch,
    keep: Keep,
    _lock: Lock,
}

impl Work {
    fn run(&mut self) {
        while self.queue.wait(self.options.commit_every) {
            self.write();
        }
        self.write();
        if let Some(connection) = self.connection.take() {
            let _ = connection.close();
        }
    }

    /// Tries to put everything that waits on the disk: first what could not be written last time, then the rest. While
    /// the disk does not take it, the queue keeps the rest, and drops in its own order.
    fn write(&mut self) {
        if !self.batch.is_empty() && !self.write_batch() {
            return;
        }
        self.queue.take(&mut self.batch);
        let runs = self.batch.lasting.iter().filter_map(|lasting| match lasting {
            Lasting::Run(run) => Some(run.clone()),
            _ => None,
        });
        self.runs.extend(runs);
        if self.write_batch() {
            self.queue.committed();
        }
    }

    /// True where the batch is on the disk, or will never be: either way it is out of the way.
    fn write_batch(&mut self) -> bool {
        let mut written = self.try_write();
        if let Err(error) = &written
            && harm::is_damaged_and_ours(&self.path, error)
        {
            written = self.begin_anew();
        }
        match written {
            Ok(()) => self.note_success(),
            Err(error) => {
                self.known = Known::default();
                self.note_trouble(&error);
                if error.may_pass() {
                    return false;
                }
                self.give_up_batch();
            }
        }
        true
    }

    fn try_write(&mut self) -> Result<(), StoreError> {
        // A file that was moved or deleted under us would swallow everything that follows.
        if self.connection.is_some() && !self.path.exists() {
            tracing::error!(
                "the store {} was moved or deleted while it was written; a new one is begun, and told what stands open",
                self.path.display()
            );
            self.forget_database();
        }
        let mut connection = match self.connection.take() {
            Some(connection) => connection,
            None => {
                let opened = connection::open_to_write(&self.path)?;
                if opened.is_new {
                    self.is_to_be_told = true;
                    locked(&self.health).begun_anew += 1;
                }
                opened.connection
            }
        };
        let standing = self.is_to_be_told.then_some(&self.standing);
        match put_batch(&mut connection, &self.batch, standing, &self.runs, &mut self.known) {
            Ok(()) => self.is_to_be_told = false,
            Err(source) => {
                let error = StoreError::of(&self.path, source);
                if matches!(error, StoreError::Full(_) | StoreError::Busy(_)) {
                    self.connection = Some(connection);
                }
                return Err(error);
            }
        }
        // The batch is safe now; if sealing or pruning fails, it is tried again after the next one.
        let meanings = locked(&self.meanings).clone();
        if let Err(source) = self.keep.after_commit(&mut connection, &self.options, &meanings) {
            tracing::warn!("old readings could not be put in order: {}", StoreError::of(&self.path, source));
        }
        self.connection = Some(connection);
        Ok(())
    }

    fn forget_database(&mut self) {
        self.connection = None;
        self.known = Known::default();
        self.keep = Keep::default();
    }

    /// The database is damaged: keep it for whoever can mend it, and go on with a new one.
    fn begin_anew(&mut self) -> Result<(), StoreError> {
        self.forget_database();
        let aside = harm::begin_anew(&self.path)?;
        tracing::error!("the store was found damaged; it was put aside as {}, a new one is begun", aside.display());
        let mut health = locked(&self.health);
        health.set_aside = Some(aside);
        health.begun_anew += 1;
        drop(health);
        self.is_to_be_told = true;
        self.try_write()
    }

    /// An error that no waiting mends: the batch must not stand in the way of what follows.
    fn give_up_batch(&mut self) {
        let lasting = self.batch.lasting.iter().filter(|lasting| !matches!(lasting, Lasting::Run(_))).count();
        tracing::error!("{} readings and {lasting} other entries could not be stored", self.batch.readings.len());
        self.queue.lost(self.batch.readings.len() as u64, lasting as u64);
        // It stands all the same.
        self.batch_is_done();
    }

    /// Remembers of the batch what stands now. Returns how many readings were in it.
    fn batch_is_done(&mut self) -> usize {
        let batch = std::mem::take(&mut self.batch);
        for lasting in batch.lasting {
            self.standing.take(lasting);
        }
        batch.readings.len()
    }

    fn note_success(&mut self) {
        let was_empty = self.batch.is_empty();
        let readings = self.batch_is_done();
        let mut health = locked(&self.health);
        health.readings_stored += readings as u64;
        health.waiting = 0;
        if was_empty {
            return;
        }
        if let Some((_, since)) = health.trouble.take() {
            let dropped = self.queue.losses().0.readings;
            tracing::info!(
                "the store is written again, after trouble since {}; {dropped} readings were dropped since the start",
                format_instant(since)
            );
        }
    }

    fn note_trouble(&self, error: &StoreError) {
        let text = match std::error::Error::source(error) {
            Some(source) => format!("{error}: {source}"),
            None => error.to_string(),
        };
        let mut health = locked(&self.health);
        health.waiting = self.batch.lasting.len() + self.batch.readings.len();
        if health.trouble.as_ref().is_none_or(|(known, _)| *known != text) {
            tracing::error!("{text}; polling goes on, and readings wait in memory");
        }
        let since = health.trouble.take().map_or_else(wall::now, |(_, since)| since);
        health.trouble = Some((text, since));
    }
}

/// Opens the database, reads what stands by it, and proves that it can be written; one that is damaged is put aside first.
fn open_or_begin_anew(path: &Path, health: &Mutex<Health>) -> Result<(Connection, Standing), StoreError> {
    let error = match open_proven(path) {
        Err(error) if harm::is_damaged_and_ours(path, &error) => error,
        opened => return opened,
    };
    let aside = harm::begin_anew(path).inspect_err(|why| {
        tracing::error!("the store is damaged ({error}), and cannot be put aside for a new one yet: {why}");
    })?;
    tracing::error!("the store is damaged; it was put aside as {} and a new one begun", aside.display());
    locked(health).set_aside = Some(aside);
    open_proven(path)
}

fn open_proven(path: &Path) -> Result<(Connection, Standing), StoreError> {
    let of = |source| StoreError::of(path, source);
    let connection = connection::open_to_write(path)?.connection;
    let standing = Standing::of(&connection).map_err(of)?;
    connection::prove_writable(&connection).map_err(of)?;
    Ok((connection, standing))
}

/// A panic elsewhere leaves whole values behind: each is changed in one step.
fn locked<T>(shared: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

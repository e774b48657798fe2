//! The daemon: wires lines, tallies, store and faces together.
//!
//! One task owns everything but the threads of the lines, the files and the store, and does one thing at a time: it takes
//! what they tell, leads it through the pure [`Stations`](tallywell_witness::station::Stations), and hands on what came
//! of it. Nothing in it waits for a disk, a person or a program.

mod catch_up;
pub mod clock;
mod core;
mod faces;
pub mod file_number;
pub mod file_source;
mod known_line;
mod listened;
mod live;
mod memory;
mod minute;
mod namer;
pub mod naming;
mod outgoing;
mod progress;
mod settings;
pub mod socket;
mod sources;
mod supervisor;
mod wall_watch;

use std::path::PathBuf;
use std::time::Duration;

use tallywell_witness::station::Told;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use crate::line::orders::StartError;
use crate::site::Loaded;
use crate::store::StoreError;
use core::Core;
use sources::Sources;

/// How often the daemon looks whether readings wait in vain, and tells watchers how things stand.
const TICK: Duration = Duration::from_millis(250);

/// Why the daemon cannot start.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The store cannot be used.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A line cannot be used.
    #[error("line {line}: {why}")]
    Line {
        /// Its name.
        line: String,
        /// Why. Not the error's source: it is said already.
        why: StartError,
    },
    /// What was declared does not fit together; its check should have said so.
    #[error("{0}")]
    Declared(String),
    /// The system denies something that a daemon needs.
    #[error("the system denies {what}: {why}")]
    System {
        /// What.
        what: &'static str,
        /// What it said. Not the error's source: it is said already.
        why: std::io::Error,
    },
}

/// What a daemon is started with.
#[derive(Debug)]
pub struct Options {
    /// The site file, to be read again on SIGHUP.
    pub config: PathBuf,
    /// What it and its maps say.
    pub loaded: Loaded,
    /// Gets everything that the meters tell, as it happens.
    pub observer: Option<mpsc::UnboundedSender<Told>>,
}

/// Runs until SIGTERM, Ctrl-C, or until `ended` comes. Returns after everything that was read is stored.
///
/// # Errors
/// It could not be started. Once started it goes on through every trouble, and says so in the log.
pub async fn run(options: Options, ended: impl Future<Output = ()>) -> Result<(), DaemonError> {
    let handler = |kind| signal(kind).map_err(|why| DaemonError::System { what: "a signal handler", why });
    let mut terminate = handler(SignalKind::terminate())?;
    let mut interrupt = handler(SignalKind::interrupt())?;
    let mut hang_up = handler(SignalKind::hangup())?;

    let mut core = Core::start(options)?;
    let mut sources = Sources::start(core.site(), core.clock())?;
    supervisor::ready();
    let mut tick = tokio::time::interval(TICK);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    tokio::pin!(ended);
    loop {
        tokio::select! {
            biased;
            _ = terminate.recv() => break,
            _ = interrupt.recv() => break,
            () = &mut ended => break,
            _ = hang_up.recv() => reload(&mut core, &mut sources),
            _ = tick.tick() => core.tick(&sources),
            heard = sources.next() => core.hear(heard, &sources),
        }
    }
    supervisor::stopping();
    tracing::info!("ending");
    // The lines first: what they read until their end is stored.
    for heard in sources.stop() {
        core.take(heard);
    }
    core.end().await;
    Ok(())
}

/// Reads the site file again. A file with a mistake is refused, and everything goes on as it was.
fn reload(core: &mut Core, sources: &mut Sources) {
    supervisor::reloading();
    match core.reload(sources) {
        Ok(()) => tracing::info!("the site file was read again"),
        Err(why) => tracing::error!("the site file was not taken, everything goes on as it was: {why}"),
    }
    supervisor::ready();
}

//! A controller that polls a line through a serial port, as the master of a shed does: the same requests again and again.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};

use crate::frame::{frame, sound};
use crate::pty::PortError;

/// How often it looks whether it is to stop.
const LOOK: Duration = Duration::from_millis(20);

/// What a controller asks, and how.
#[derive(Clone, Debug)]
pub struct Polling {
    /// What it asks in each round: an address, and the protocol data of the request.
    pub requests: Vec<(u8, Vec<u8>)>,
    /// From the beginning of one round to the beginning of the next; a round that takes longer is followed at once.
    pub every: Duration,
    /// How long it waits for a reply.
    pub patience: Duration,
    /// How often it asks again for what it did not get.
    pub retries: u32,
    /// The silence that it leaves before each request.
    pub silence: Duration,
}

/// A controller that runs in a thread of its own until it is dropped.
#[derive(Debug)]
pub struct Controller {
    stopping: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Controller {
    /// Begins to poll through the port at `link`.
    ///
    /// # Errors
    /// The port cannot be opened, or the system gives no thread.
    pub fn start(link: &Path, polling: Polling) -> Result<Self, PortError> {
        let not_waiting = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).unwrap_or_default();
        let no_link = |source| PortError::NoLink { path: PathBuf::from(link), source };
        let port = OpenOptions::new().read(true).write(true).custom_flags(not_waiting).open(link).map_err(no_link)?;
        let stopping = Arc::new(AtomicBool::new(false));
        let thread = Builder::new().name("controller".to_owned()).spawn({
            let stopping = Arc::clone(&stopping);
            move || {
                if let Err(error) = run(port, &polling, &stopping) {
                    tracing::debug!("the simulated controller stopped: {error}");
                }
            }
        });
        Ok(Self { stopping, thread: Some(thread.map_err(PortError::NoTerminal)?) })
    }
}

impl Drop for Controller {
    fn drop(&mut self) {
        self.stopping.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has said so already.
            let _ = thread.join();
        }
    }
}

fn run(mut port: File, polling: &Polling, stopping: &AtomicBool) -> std::io::Result<()> {
    let goes_on = || !stopping.load(Ordering::Acquire);
    let mut round = Instant::now();
    while goes_on() {
        for (address, protocol_data) in &polling.requests {
            let request = frame(*address, protocol_data);
            for _ in 0..=polling.retries {
                if !goes_on() || ask(&mut port, polling, &request)? {
                    break;
                }
            }
        }
        round += polling.every;
        while goes_on() && Instant::now() < round {
            std::thread::sleep((round - Instant::now()).min(LOOK));
        }
        round = round.max(Instant::now() - polling.every);
    }
    Ok(())
}

/// Asks once; says whether a sound reply of the right address came. Nobody answers what is for everybody.
fn ask(port: &mut File, polling: &Polling, request: &[u8]) -> std::io::Result<bool> {
    std::thread::sleep(polling.silence);
    // What came too late for the request before is of no use.
    while !read(port)?.is_empty() {}
    port.write_all(request)?;
    let until = Instant::now() + polling.patience;
    let mut heard = Vec::new();
    while Instant::now() < until {
        let left = until - Instant::now();
        let timeout = Timespec::try_from(left).map_err(std::io::Error::other)?;
        match poll(&mut [PollFd::new(port, PollFlags::IN)], Some(&timeout)) {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        heard.extend(read(port)?);
        if sound(&heard).is_some_and(|(unit, _)| unit == request[0]) {
            return Ok(true);
        }
    }
    Ok(request[0] == 0)
}

fn read(port: &mut File) -> std::io::Result<Vec<u8>> {
    let mut buffer = [0; 256];
    match port.read(&mut buffer) {
        Ok(count) => Ok(buffer[..count].to_vec()),
        Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => Ok(Vec::new()),
        Err(error) => Err(error),
    }
}

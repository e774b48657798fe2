//! A wire in real time, behind a serial port that programs can open.

use std::io;
use std::num::NonZeroU64;
use std::ops::Range;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};

use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy, set_thread_priority_and_policy,
    thread_native_id,
};

use crate::fault::Injected;
use crate::pty::{Port, PortError};
use crate::scenario::Scenario;
use crate::wire::{Delivery, Ears, Wire, Witnessed};

/// The thread wakes so long before an instant that matters, and spins for the rest: timers overshoot by up to this.
const SPIN: Duration = Duration::from_micros(150);

/// It looks at least so often whether the port is to be pulled or put back.
const LONGEST_SLEEP: Duration = Duration::from_millis(100);

/// A wire that runs in a thread of its own until it is dropped.
pub struct Rig {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
    link: PathBuf,
    injected: Injected,
}

struct Shared {
    wire: Mutex<Wire>,
    started: Instant,
    stopping: AtomicBool,
    unplugged: AtomicBool,
    wake: OwnedFd,
    /// When the port is pulled out and put back.
    absences: Vec<Range<Duration>>,
}

impl Rig {
    /// Runs a scenario behind a serial port at `link`.
    ///
    /// # Errors
    /// No pseudo-terminal, or no link.
    pub fn start(scenario: Scenario, link: &Path) -> Result<Self, PortError> {
        Self::begin(scenario.wire, scenario.absences, scenario.injected, link, None)
    }

    /// Runs `wire` behind a serial port at `link`.
    ///
    /// # Errors
    /// No pseudo-terminal, or no link.
    pub fn run(wire: Wire, link: &Path) -> Result<Self, PortError> {
        Self::begin(wire, Vec::new(), Injected::default(), link, None)
    }

    /// Runs `wire` behind a serial port for a master at `link`, and one at `listener` that hears as `ears` say.
    ///
    /// # Errors
    /// No pseudo-terminal, or no link.
    pub fn run_overheard(mut wire: Wire, link: &Path, ears: Ears, listener: &Path) -> Result<Self, PortError> {
        wire.listen(ears);
        Self::begin(wire, Vec::new(), Injected::default(), link, Some(listener))
    }

    /// Runs a scenario behind a port for a master at `link`, and one at `listener` that hears as `ears` say.
    ///
    /// # Errors
    /// No pseudo-terminal, or no link.
    pub fn start_overheard(
        mut scenario: Scenario,
        link: &Path,
        ears: Ears,
        listener: &Path,
    ) -> Result<Self, PortError> {
        scenario.wire.listen(ears);
        Self::begin(scenario.wire, scenario.absences, scenario.injected, link, Some(listener))
    }

    fn begin(
        wire: Wire,
        absences: Vec<Range<Duration>>,
        injected: Injected,
        link: &Path,
        listener: Option<&Path>,
    ) -> Result<Self, PortError> {
        let port = Port::open(link)?;
        let listener = listener.map(Port::open).transpose()?;
        let wake = eventfd(0, EventfdFlags::CLOEXEC | EventfdFlags::NONBLOCK)
            .map_err(|error| PortError::NoTerminal(error.into()))?;
        let shared = Arc::new(Shared {
            wire: Mutex::new(wire),
            started: Instant::now(),
            stopping: AtomicBool::new(false),
            unplugged: AtomicBool::new(false),
            wake,
            absences,
        });
        let thread = Builder::new().name("wire".to_owned()).spawn({
            let shared = Arc::clone(&shared);
            let link = link.to_owned();
            move || shared.run(port, listener.as_ref(), &link)
        });
        let thread = thread.map_err(PortError::NoTerminal)?;
        Ok(Self { shared, thread: Some(thread), link: link.to_owned(), injected })
    }

    /// The path that programs open.
    #[must_use]
    pub fn link(&self) -> &Path {
        &self.link
    }

    /// The instant from which the wire counts its times.
    #[must_use]
    pub fn started(&self) -> Instant {
        self.shared.started
    }

    /// What the scenario's faults did so far.
    #[must_use]
    pub const fn injected(&self) -> &Injected {
        &self.injected
    }

    /// What the wire saw so far. The wire stands still while `look` runs.
    pub fn witnessed<T>(&self, look: impl FnOnce(&Witnessed) -> T) -> T {
        look(self.shared.wire().witnessed())
    }

    /// Pulls the port out: the link goes, and whoever has it open gets errors.
    pub fn unplug(&self) {
        self.shared.unplugged.store(true, Ordering::Release);
        self.shared.wake();
    }

    /// Puts the port back under the same link.
    pub fn replug(&self) {
        self.shared.unplugged.store(false, Ordering::Release);
        self.shared.wake();
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        self.shared.stopping.store(true, Ordering::Release);
        self.shared.wake();
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has said so already.
            let _ = thread.join();
        }
    }
}

impl Shared {
    fn wire(&self) -> MutexGuard<'_, Wire> {
        self.wire.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wake(&self) {
        // Fails only when the counter is full, and then the thread is awake anyway.
        let _ = rustix::io::write(&self.wake, &1_u64.to_ne_bytes());
    }

    fn run(&self, port: Port, listener: Option<&Port>, link: &Path) {
        // Without this the kernel adds 50 us to every sleep; where it is refused the spin covers most of that.
        let _ = rustix::thread::set_current_timer_slack(NonZeroU64::new(1));
        hurry();
        let mut plugged = Some(port);
        let mut refused = false;
        while !self.stopping.load(Ordering::Acquire) {
            if self.is_absent() {
                plugged = None;
            } else if plugged.is_none() {
                plugged = match Port::open(link) {
                    Ok(port) => Some(port),
                    Err(error) => {
                        if !refused {
                            tracing::warn!("the simulated port cannot be put back yet: {error}");
                        }
                        None
                    }
                };
                refused = plugged.is_none();
            }
            if let Err(error) = self.step(plugged.as_ref(), listener) {
                tracing::warn!("the simulated port failed, and is made anew: {error}");
                plugged = None;
            }
        }
    }

    fn is_absent(&self) -> bool {
        let now = self.started.elapsed();
        self.unplugged.load(Ordering::Acquire) || self.absences.iter().any(|absence| absence.contains(&now))
    }

    /// Does what is due, then waits for what comes first: the program's bytes or the wire's next instant.
    fn step(&self, port: Option<&Port>, listener: Option<&Port>) -> io::Result<()> {
        let (deliveries, next) = {
            let mut wire = self.wire();
            (wire.advance(self.started.elapsed()), wire.next())
        };
        self.deliver(port, deliveries)?;
        // Before the wait: on a line that is quiet now it would come a tenth of a second late.
        self.overhear(listener)?;
        let now = self.started.elapsed();
        let wait = match next {
            Some((at, true)) => at.saturating_sub(now + SPIN),
            Some((at, false)) => at.saturating_sub(now),
            None => LONGEST_SLEEP,
        };
        if !wait.is_zero() {
            self.sleep(port, wait.min(LONGEST_SLEEP))?;
        }
        self.receive(port)?;
        let Some((at, true)) = next else { return Ok(()) };
        while self.started.elapsed() < at && at.saturating_sub(self.started.elapsed()) <= SPIN {
            if self.receive(port)? {
                break;
            }
            std::hint::spin_loop();
        }
        Ok(())
    }

    /// Gives the listening port what it heard, and notes what it should not have sent.
    fn overhear(&self, listener: Option<&Port>) -> io::Result<()> {
        let Some(listener) = listener else { return Ok(()) };
        let deliveries = self.wire().overheard();
        for delivery in deliveries {
            listener.write(&delivery.bytes)?;
        }
        let mut buffer = [0; 64];
        let sent = listener.read(&mut buffer)?;
        if !sent.is_empty() {
            self.wire().listener_sends(sent);
        }
        listener.unlock_if_closed();
        Ok(())
    }

    fn sleep(&self, port: Option<&Port>, wait: Duration) -> io::Result<()> {
        let timeout = Timespec::try_from(wait).map_err(io::Error::other)?;
        let mut awaited = vec![PollFd::new(&self.wake, PollFlags::IN)];
        if let Some(port) = port {
            awaited.push(PollFd::new(port, PollFlags::IN));
            awaited.extend(port.closings().map(|closings| PollFd::from_borrowed_fd(closings, PollFlags::IN)));
        }
        let woken = poll(&mut awaited, Some(&timeout));
        match woken {
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        // Empty or not, it is only there to wake.
        let _ = rustix::io::read(&self.wake, &mut [0_u8; 8]);
        if let Some(port) = port {
            port.unlock_if_closed();
        }
        Ok(())
    }

    /// Takes what the program sent; says whether there was anything.
    fn receive(&self, port: Option<&Port>) -> io::Result<bool> {
        let Some(port) = port else { return Ok(false) };
        let mut buffer = [0; 1024];
        let bytes = port.read(&mut buffer)?;
        if bytes.is_empty() {
            return Ok(false);
        }
        let at = self.started.elapsed();
        let deliveries = {
            let mut wire = self.wire();
            let before = wire.advance(at);
            match wire.characters() {
                None => wire.master_sends(bytes, at),
                Some(slaves) => {
                    let understood = slaves.receive(bytes, port.characters()?);
                    wire.master_sends(&understood, at);
                }
            }
            before
        };
        self.deliver(Some(port), deliveries)?;
        Ok(true)
    }

    fn deliver(&self, port: Option<&Port>, deliveries: Vec<Delivery>) -> io::Result<()> {
        let slaves = if deliveries.is_empty() { None } else { self.wire().characters() };
        for delivery in deliveries {
            if let Some(port) = port {
                match slaves {
                    None => port.write(&delivery.bytes)?,
                    Some(slaves) => port.write(&port.characters()?.receive(&delivery.bytes, slaves))?,
                }
            }
            let late = self.started.elapsed().saturating_sub(delivery.due);
            self.wire().delivered(late);
        }
        Ok(())
    }
}

/// Lets this thread go before all ordinary ones, where that is allowed: a wire does not wait for other programs. Where it is
/// refused the wire runs late under load, and its record of lateness says so.
fn hurry() {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    let outcome = set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Min, policy);
    if let Err(error) = outcome {
        tracing::debug!("the simulated wire runs at ordinary priority: {error}");
    }
}

//! The line's clock, and waiting to within a few microseconds of an instant.
//!
//! The runtime's own timer ticks in milliseconds, which is far too coarse for the silence between two frames. A kernel
//! timer wakes some 40 us late on an idle machine; waking a little early and spinning for the rest is exact.

use std::io;
use std::os::fd::OwnedFd;
use std::time::{Duration, Instant};

use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tallywell_witness::units::SteadyMillis;
use tokio::io::unix::AsyncFd;

use super::moment::Moment;

/// Kernel timers overshoot by up to this, median 40 us; it is spun away. Longer costs processor time for nothing.
const SPIN: Duration = Duration::from_micros(150);

/// A clock that never jumps, shared by everything that compares instants.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    origin: Instant,
}

impl Clock {
    /// A clock that counts from `origin`.
    #[must_use]
    pub const fn since(origin: Instant) -> Self {
        Self { origin }
    }

    /// The instant now.
    #[must_use]
    pub fn now(&self) -> Moment {
        self.moment(Instant::now())
    }

    /// An instant of the operating system as one of this clock's.
    #[must_use]
    pub fn moment(&self, at: Instant) -> Moment {
        Moment(i64::try_from(at.saturating_duration_since(self.origin).as_micros()).unwrap_or(i64::MAX))
    }
}

/// An instant as readings carry it, to the nearest millisecond.
#[must_use]
pub const fn steady(at: Moment) -> SteadyMillis {
    SteadyMillis(at.0.saturating_add(500).div_euclid(1000))
}

/// A kernel timer that wakes one waiting task.
#[derive(Debug)]
pub struct PreciseTimer {
    clock: Clock,
    timer: AsyncFd<OwnedFd>,
}

impl PreciseTimer {
    /// A timer of the current runtime.
    ///
    /// # Errors
    /// When the system gives no timer.
    pub fn new(clock: Clock) -> io::Result<Self> {
        let timer = timerfd_create(TimerfdClockId::Monotonic, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
        #[expect(
            deprecated,
            reason = "an owned descriptor is always the same open one, which is all that the new call asks"
        )]
        let timer = AsyncFd::new(timer)?;
        Ok(Self { clock, timer })
    }

    /// Waits until `at`, give or take the system's overshoot.
    pub async fn until(&mut self, at: Moment) -> io::Result<()> {
        let wait = at.since(self.clock.now());
        if wait.is_zero() { Ok(()) } else { self.sleep(wait).await }
    }

    /// Waits until shortly before `at`; [`PreciseTimer::spin_until`] has to follow.
    pub async fn until_just_before(&mut self, at: Moment) -> io::Result<()> {
        let wait = at.since(self.clock.now());
        if wait > SPIN { self.sleep(wait - SPIN).await } else { Ok(()) }
    }

    /// Waits for the rest of the time to `at` without giving up the processor.
    pub fn spin_until(&self, at: Moment) {
        while self.clock.now() < at {
            std::hint::spin_loop();
        }
    }

    async fn sleep(&mut self, wait: Duration) -> io::Result<()> {
        let setting = Itimerspec {
            it_interval: Timespec { tv_sec: 0, tv_nsec: 0 },
            it_value: Timespec::try_from(wait).map_err(io::Error::other)?,
        };
        // Setting it anew also takes back an expiry that a dropped wait left behind.
        timerfd_settime(self.timer.get_ref(), TimerfdTimerFlags::empty(), &setting)?;
        loop {
            let mut ready = self.timer.readable().await?;
            let mut expiries = [0_u8; 8];
            match ready.try_io(|timer| Ok(rustix::io::read(timer.get_ref(), &mut expiries)?)) {
                Ok(outcome) => return outcome.map(drop),
                Err(_not_yet) => {}
            }
        }
    }
}

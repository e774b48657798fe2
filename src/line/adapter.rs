//! What the adapter between machine and wire can do for the line: turn its direction, and not hold bytes back.
//!
//! Both are best effort. A port that knows nothing of RS-485 turns its direction by itself or needs no turning, and the
//! statistics show an adapter that holds bytes back.

use std::fmt;
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};

use rustix::process::{PidfdFlags, PidfdGetfdFlags, getpid, pidfd_getfd, pidfd_open};
use serial2::SerialPort;
use serial2::rs4xx::{Rs485Config, TransceiverMode};
use tokio_serial::SerialStream;

/// An adapter that holds bytes for longer than this is worth a word.
const WORTH_A_WORD_MS: u32 = 2;

/// Something about an adapter that a person may want to know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AdapterNote {
    /// The kernel turns the direction of the RS-485 pair.
    DirectionByKernel,
    /// The port's driver cannot turn the direction: the adapter has to do it by itself.
    DirectionByAdapter,
    /// The adapter now passes bytes on at once.
    LowLatency,
    /// The adapter holds bytes back, and this user may not change that.
    HoldsBytes {
        /// For how long, in milliseconds.
        milliseconds: u32,
        /// The file that holds this figure.
        setting: PathBuf,
    },
}

impl fmt::Display for AdapterNote {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::DirectionByKernel => out.write_str("the kernel turns the direction of the RS-485 pair"),
            Self::DirectionByAdapter => out.write_str(
                "this port's driver does not turn the direction of an RS-485 pair: the adapter has to do it by itself, as \
                 USB adapters do",
            ),
            Self::LowLatency => out.write_str("the adapter passes bytes on at once"),
            Self::HoldsBytes { milliseconds, setting } => write!(
                out,
                "the adapter holds bytes back for up to {milliseconds} ms, which every reply pays; \
                 `echo 1 | sudo tee {}` ends that until it is plugged in again",
                setting.display()
            ),
        }
    }
}

/// Sets the adapter up as well as it allows, and says what came of it.
#[must_use]
pub fn prepare(path: &Path, port: &SerialStream) -> Vec<AdapterNote> {
    [direction_by_kernel(port), low_latency(path)].into_iter().flatten().collect()
}

/// Has the kernel turn the direction, where the port's driver can. Settings that are there already are left alone.
fn direction_by_kernel(port: &SerialStream) -> Option<AdapterNote> {
    let port = second_handle(port)?;
    let turns = match port.get_rs4xx_mode() {
        Ok(TransceiverMode::Default) => port.set_rs4xx_mode(TransceiverMode::Rs485(Rs485Config::new())).is_ok(),
        Ok(_) => true,
        Err(_) => false,
    };
    Some(if turns { AdapterNote::DirectionByKernel } else { AdapterNote::DirectionByAdapter })
}

/// The same open port once more, for calls that its crate does not have. The port is open exclusively, so it cannot be
/// opened a second time; the kernel duplicates the descriptor of this very process instead.
fn second_handle(port: &SerialStream) -> Option<SerialPort> {
    let own_process = pidfd_open(getpid(), PidfdFlags::empty()).ok()?;
    let duplicate = pidfd_getfd(own_process, port.as_raw_fd(), PidfdGetfdFlags::empty()).ok()?;
    Some(SerialPort::from(duplicate))
}

/// Asks a USB adapter to pass bytes on at once, where its driver has a setting for that and this user may change it.
fn low_latency(path: &Path) -> Option<AdapterNote> {
    let name = path.canonicalize().ok()?.file_name()?.to_owned();
    let setting = Path::new("/sys/bus/usb-serial/devices").join(name).join("latency_timer");
    let milliseconds: u32 = std::fs::read_to_string(&setting).ok()?.trim().parse().ok()?;
    if milliseconds < WORTH_A_WORD_MS {
        return None;
    }
    Some(match std::fs::write(&setting, "1") {
        Ok(()) => AdapterNote::LowLatency,
        Err(_) => AdapterNote::HoldsBytes { milliseconds, setting },
    })
}

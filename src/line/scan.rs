//! Who answers on a line of which nothing is known, and with which settings.
//!
//! First it is only listened: where another master polls, nothing is sent. Then addresses are asked, in the order of
//! [`tallywell_witness::probing`], for one holding register each: any sound reply of the right unit, a refusal included,
//! proves a device. Who was found is asked what it is. Nothing but reading requests leaves, because
//! [`ReadRequest`](super::request::ReadRequest) has no others.

pub mod identity;
mod listening;
pub mod overheard;
mod scanner;

use std::collections::BTreeSet;
use std::time::Duration;

use tallywell_witness::declared::{Framing, Port};
use tallywell_witness::probing::{Left, Probe, Tried, Until};

use self::identity::Identity;
pub use self::scanner::scan;

/// What to look for, and where.
#[derive(Clone, Debug)]
pub struct ScanPlan {
    /// The port.
    pub port: Port,
    /// The settings to try; a gateway keeps its own, and any one stands for them.
    pub settings: Vec<Framing>,
    /// The addresses to try.
    pub addresses: Vec<u8>,
    /// How long to listen before anything is sent.
    pub listen: Duration,
    /// How long a device may take to begin its reply. A later reply is noticed too, while the next addresses are asked.
    pub patience: Duration,
    /// When to stop.
    pub until: Until,
}

/// Why a port could not be scanned.
#[derive(Debug, thiserror::Error)]
pub enum ScanError {
    /// It cannot be used.
    #[error(transparent)]
    Port(#[from] super::port::PortError),
    /// It went away.
    #[error(transparent)]
    Lost(#[from] super::bus::PortLost),
    /// The system gives no timer.
    #[error("the system gives no timer")]
    System(#[source] std::io::Error),
    /// Nothing to try.
    #[error("no settings or no addresses are left to try")]
    Nothing,
}

/// What a scan is doing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Progress {
    /// It listens at these settings.
    Listening(Framing),
    /// It asks an address.
    Asking {
        /// The address, and the settings.
        probe: Probe,
        /// How many devices were found so far.
        found: usize,
        /// What is left at the most.
        left: Left,
    },
    /// It asks a device what it is.
    Identifying(u8),
}

/// What came of a scan.
#[derive(Clone, Debug)]
pub struct Scan {
    /// How long it was listened before anything was sent.
    pub listened: Duration,
    /// Why it ended.
    pub ended: Ended,
    /// The settings at which something answered first.
    pub settled: Option<Settled>,
    /// Who answered, by address.
    pub devices: Vec<Found>,
    /// Where bytes came after a probe, more than once, that were no sound reply.
    pub garbled: Vec<Probe>,
    /// How far each setting was tried.
    pub tried: Vec<Tried>,
    /// Settings at which the port does not run.
    pub refused: Vec<Framing>,
    /// Bytes that belong to no reply.
    pub noise_bytes: usize,
    /// Noise was on the line before anything was sent.
    pub noisy: bool,
    /// The adapter returns what it sends.
    pub echo: bool,
}

/// Why a scan ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ended {
    /// It tried what it was to try.
    Done,
    /// Another master polls.
    AnotherMaster {
        /// The settings at which its frames could be read, if they could.
        framing: Option<Framing>,
        /// The units that its frames name.
        units: BTreeSet<u8>,
        /// It was heard before anything was sent.
        nothing_sent: bool,
    },
    /// Bytes never stopped coming.
    NeverQuiet,
}

/// The settings of the line, and how they were told from others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settled {
    /// The settings.
    pub framing: Framing,
    /// Other settings at which a device answered all the same.
    pub also: Vec<Framing>,
    /// How many other settings were compared.
    pub compared: usize,
}

impl Settled {
    /// Whether rate and parity are beyond doubt: with others nothing answered. (A receiver looks at the first stop bit
    /// only, so one or two can hardly be told.)
    #[must_use]
    pub fn is_sure(&self) -> bool {
        let same = |other: &Framing| other.baud == self.framing.baud && other.parity == self.framing.parity;
        self.compared > 0 && self.also.iter().all(same)
    }
}

/// One address at which something is.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Its address.
    pub address: u8,
    /// The settings at which it was found.
    pub framing: Framing,
    /// What it answered to the first question; nothing if no reply of it was ever sound.
    pub answer: Option<FirstAnswer>,
    /// From the end of the request to the beginning of its reply, where that was measured.
    pub reply: Option<Duration>,
    /// It answers later than the scan waits.
    pub slow: bool,
    /// What it says of itself.
    pub identity: Identity,
    /// Replies that came from this address, sound or not.
    pub replies: u32,
    /// How many of them were broken.
    pub broken: u32,
}

/// The answer to the question for holding register 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FirstAnswer {
    /// The register's content.
    Register(u16),
    /// The refusal's code.
    Refused(u8),
}

impl Scan {
    /// Whether another master was heard.
    #[must_use]
    pub const fn other_master(&self) -> bool {
        matches!(self.ended, Ended::AnotherMaster { .. })
    }

    /// Whether anything answered soundly.
    #[must_use]
    pub fn anything_answered(&self) -> bool {
        self.devices.iter().any(|device| device.answer.is_some())
    }

    /// Why the device is not to be taken as it seems, for people.
    #[must_use]
    pub fn doubt(&self, device: &Found) -> Option<String> {
        if device.broken == 0 {
            return None;
        }
        let Found { broken, replies, .. } = device;
        let others_sound = self.devices.iter().any(|other| other.address != device.address && other.broken == 0);
        let reason = if others_sound && !self.noisy {
            "others answer soundly: two devices have this address"
        } else {
            "two devices have this address, or the line disturbs them"
        };
        Some(format!("{broken} of {replies} replies came broken; {reason}"))
    }
}

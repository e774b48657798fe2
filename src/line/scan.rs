//! Who answers on a line of which nothing is known, and with which settings.
//!
//! First it is only listened: where another master polls, nothing is sent. Then addresses are asked, in the order of
//! [`tallywell_witness::probing`], for one holding register each: any sound reply of the right unit, a refusal included,
//! proves a device. Who was found is asked what it is. Nothing but reading requests leaves, because
//! [`ReadRequest`](super::request::ReadRequest) has no others.

pub mod following;
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

/// The holding register that addresses are asked for. A device that reads along takes a question for somebody else, and then
/// the next question for the reply to it; some such devices know the end of a frame by its length alone. In a reply the high
/// byte of this address stands for a count of three bytes, so that this question is as long as the reply that it is taken for,
/// and nobody loses step. Whoever does not have this register refuses, and is found all the same.
pub const ASKED_REGISTER: u16 = 0x0300;

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
    /// The holding register to ask for, [`ASKED_REGISTER`] unless a device says nothing when it is asked for that.
    pub register: u16,
    /// When to stop.
    pub until: Until,
}

/// The exception of a device that could not do what it was asked (MODBUS Application Protocol V1.1b3, section 7). Servers on
/// computers answer so for addresses that they do not serve.
const DEVICE_FAILURE: u8 = 0x04;
/// So many devices seldom fail at once.
const MANY_ALIKE: usize = 3;

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
    /// What it answered when asked for a holding register: the first one, if it answered to that; nothing if no reply of it was ever sound.
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

/// The answer to the question for one holding register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FirstAnswer {
    /// The protocol's address of the register.
    pub register: u16,
    /// Its content, or the refusal's code.
    pub content: Result<u16, u8>,
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
            let fails = |device: &Found| device.answer.is_some_and(|answer| answer.content == Err(DEVICE_FAILURE));
            let alike = self.devices.iter().filter(|other| fails(other)).count();
            return (fails(device) && alike >= MANY_ALIKE).then(|| {
                format!(
                    "it fails like {} others: one program or gateway may answer for addresses that nobody has",
                    alike - 1
                )
            });
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

//! What the user declared, as it is meant: plain data without files, spans or defaults left open.
//!
//! The site room parses and checks the written files into these types; everything else only reads them. Durations are
//! [`std::time::Duration`], quantities are in the units of [`crate::units`].

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use serde::{Deserialize, Serialize};

pub use crate::units::{Dimension, Unit};
use crate::units::{Litres, LitresPerSecond, Milliamperes};

/// One site: everything that one site file and its register maps say.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// The name by which people know the site.
    pub name: String,
    /// Where readings are kept.
    pub store: StoreDeclared,
    /// The serial lines and gateways by name.
    pub lines: BTreeMap<String, Line>,
    /// The devices by name.
    pub devices: BTreeMap<String, Device>,
    /// The meters by name.
    pub meters: BTreeMap<String, Meter>,
    /// The program that is told of events and disagreements, with its arguments.
    pub notice: Option<Vec<String>>,
    /// Where the read-only page listens, `host:port`.
    pub page: Option<String>,
    /// The message broker.
    pub broker: Option<Broker>,
}

/// Where readings are kept and for how long.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreDeclared {
    /// The database, already resolved against the site file's folder.
    pub path: PathBuf,
    /// How long single readings are kept; for ever if absent.
    pub keep_readings: Option<Duration>,
    /// The bytes of disk that the store may take; unlimited if absent.
    pub largest: Option<u64>,
}

/// An MQTT 5 broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broker {
    /// `mqtt://host:port` or `mqtts://host:port`.
    pub url: String,
    /// The user name, if the broker asks for one.
    pub user: Option<String>,
    /// The file that holds the password.
    pub password_file: Option<PathBuf>,
    /// A file of certificate authorities, for `mqtts`; the machine's own if absent.
    pub ca_file: Option<PathBuf>,
    /// What every topic begins with.
    pub topic: String,
    /// One reading of each meter in this time is sent.
    pub readings_every: Duration,
    /// The bytes that messages may take in the store while the broker does not take them.
    pub outbox: u64,
}

/// Where a line's bytes come from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Port {
    /// A serial port of this machine.
    Serial(PathBuf),
    /// A gateway that speaks Modbus TCP (`tcp://host:port`).
    Tcp(String),
    /// A gateway that passes RTU frames through a TCP stream (`rtu+tcp://host:port`).
    RtuOverTcp(String),
}

/// The parity bit of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// Even parity, the standard's default.
    Even,
    /// Odd parity.
    Odd,
    /// No parity bit.
    None,
}

/// How a character is sent: rate, parity, stop bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Framing {
    /// Bits a second.
    pub baud: u32,
    /// The parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Framing {
    /// Bits of one character: start, eight data bits, parity if any, stop bits.
    #[must_use]
    pub const fn bits_per_character(self) -> u32 {
        let parity = match self.parity {
            Parity::None => 0,
            Parity::Even | Parity::Odd => 1,
        };
        1 + 8 + parity + self.stop_bits as u32
    }
}

/// Whether the line asks or only listens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineMode {
    /// This program is the line's master.
    Poll,
    /// Another master polls; nothing is ever sent.
    Listen,
}

/// What to do with a reply that begins before the wire could have carried its request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EarlyReplies {
    /// It is nobody's answer.
    Refuse,
    /// Bytes take less time here than on a wire: take it.
    Accept,
}

/// One RS-485 pair with one serial port, or one gateway.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its name in the site file.
    pub name: String,
    /// Where its bytes come from.
    pub port: Port,
    /// Rate, parity, stop bits.
    pub framing: Framing,
    /// Poll or listen.
    pub mode: LineMode,
    /// How long to wait for the first byte of a reply.
    pub reply_timeout: Duration,
    /// How long a silence ends a broken reply; `None` is chosen from the rate and from what the adapter shows.
    pub quiet_gap: Option<Duration>,
    /// A reply later than this is taken to be impossible.
    pub worst_latency: Duration,
    /// The adapter returns what it sends.
    pub echo: bool,
    /// Replies that begin too soon.
    pub early_replies: EarlyReplies,
}

/// Anything that answers at an address on a line.
#[derive(Clone, Debug, PartialEq)]
pub struct Device {
    /// Its name in the site file.
    pub name: String,
    /// The line it hangs on.
    pub line: String,
    /// 1 to 247.
    pub address: u8,
    /// The file that its map was read from.
    pub map_path: PathBuf,
    /// Its registers.
    pub map: RegisterMap,
    /// How often it is read; zero is as fast as the line allows.
    pub every: Duration,
}

/// A device's registers.
#[derive(Clone, Debug, PartialEq)]
pub struct RegisterMap {
    /// What the device is.
    pub about: Option<String>,
    /// The most registers one request may ask for.
    pub max_registers: u16,
    /// Whether unmapped registers between entries may be read.
    pub gaps_readable: bool,
    /// The named registers.
    pub entries: BTreeMap<String, Entry>,
}

/// The four tables of the data model.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Table {
    /// Read by function 01.
    Coil,
    /// Read by function 02.
    Discrete,
    /// Read by function 04.
    Input,
    /// Read by function 03.
    Holding,
}

impl Table {
    /// True for the tables of single bits.
    #[must_use]
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coil | Self::Discrete)
    }
}

/// How a register or a group of registers is to be understood.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ValueType {
    /// One coil or discrete input.
    Bit,
    /// Unsigned, one register.
    U16,
    /// Two's complement, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Two's complement, two registers.
    I32,
    /// Unsigned, four registers.
    U64,
    /// Two's complement, four registers.
    I64,
    /// IEEE 754 binary32, two registers.
    F32,
    /// IEEE 754 binary64, four registers.
    F64,
}

impl ValueType {
    /// Registers (or bits, for [`ValueType::Bit`]) that one value takes.
    #[must_use]
    pub const fn width(self) -> u16 {
        match self {
            Self::Bit | Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// True for the floating-point types.
    #[must_use]
    pub const fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }
}

/// Which register of a group holds the most significant part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WordOrder {
    /// The lowest address.
    HighFirst,
    /// The highest address.
    LowFirst,
}

/// The order of the two bytes inside each register.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ByteOrder {
    /// As the standard says.
    Big,
    /// Swapped.
    Little,
}

/// One named register or group of registers: `value = raw * scale + offset`.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its name in the map.
    pub name: String,
    /// The table it lies in.
    pub table: Table,
    /// The protocol's address of its first register, from 0.
    pub address: u16,
    /// How it is to be understood.
    pub value_type: ValueType,
    /// Which register comes first.
    pub word_order: WordOrder,
    /// Which byte comes first.
    pub byte_order: ByteOrder,
    /// The unit of the value after scaling.
    pub unit: Unit,
    /// Value per count.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// The raw count at which it goes back to 0, where that is before its type is full.
    pub wraps_at: Option<u64>,
    /// Names of bits, by bit number (0 is the least significant).
    pub bits: BTreeMap<u8, String>,
}

/// An entry of a device, or a file of this machine that holds one number.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// `DEVICE.ENTRY`.
    Entry {
        /// The device's name.
        device: String,
        /// The entry's name in the device's map.
        entry: String,
    },
    /// `file:PATH`.
    File(PathBuf),
}

/// Which direction a total or a counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TotalCounts {
    /// Forward flow only.
    Forward,
    /// Reverse flow only.
    Reverse,
    /// Forward less reverse.
    Net,
}

/// Which flow makes pulses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PulseCounts {
    /// Forward flow only.
    Forward,
    /// Reverse flow only.
    Reverse,
    /// Flow in either direction.
    Both,
}

impl PulseCounts {
    /// How often forward and reverse volume make pulses.
    #[must_use]
    pub const fn weights(self) -> (f64, f64) {
        match self {
            Self::Forward => (1.0, 0.0),
            Self::Reverse => (0.0, 1.0),
            Self::Both => (1.0, 1.0),
        }
    }
}

/// One flow to be watched.
#[derive(Clone, Debug, PartialEq)]
pub struct Meter {
    /// Its name in the site file.
    pub name: String,
    /// The flow register.
    pub flow: Option<Source>,
    /// The total register.
    pub total: Option<Source>,
    /// Which direction the total counts.
    pub total_counts: TotalCounts,
    /// The reverse total, where a net total is to be held against forward pulses.
    pub reverse_total: Option<Source>,
    /// How often the meter renews its registers.
    pub refresh: Duration,
    /// A bit that says that the pump runs.
    pub running: Option<Source>,
    /// The status entry whose bits are the meter's own alarms (any entry of the flow's device that names bits).
    pub status: Vec<Source>,
    /// The current loop.
    pub current_loop: Option<CurrentLoop>,
    /// The pulse output.
    pub pulse: Option<Pulse>,
    /// The meter's own settings, by what they set.
    pub settings: BTreeMap<Setting, Source>,
    /// What is let pass.
    pub tolerance: Tolerance,
    /// Limits that become events.
    pub limits: Limits,
}

/// A setting inside the meter that its map lets us read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Setting {
    /// The flow at 20 mA.
    FullScale,
    /// Volume per pulse.
    PulseVolume,
    /// The pulse's width.
    PulseOnTime,
    /// The pipe's bore.
    Bore,
    /// The sensor's calibration factor.
    SensorFactor,
    /// The zero trim.
    Zero,
    /// Below this flow nothing is counted.
    LowFlowCutoff,
    /// The output's time constant.
    Damping,
}

impl Setting {
    /// The symbol of its base unit; `None` where meters set it in quantities of several kinds.
    #[must_use]
    pub const fn base_unit(self) -> Option<&'static str> {
        match self {
            Self::FullScale => Some("L/s"),
            Self::PulseVolume => Some("L"),
            Self::PulseOnTime | Self::Damping => Some("s"),
            Self::Bore => Some("mm"),
            Self::SensorFactor | Self::Zero | Self::LowFlowCutoff => None,
        }
    }
}

/// The 4-20 mA loop as its receiver takes it.
#[derive(Clone, Debug, PartialEq)]
pub struct CurrentLoop {
    /// What measures the current.
    pub current: Source,
    /// What the receiver takes 20 mA to mean.
    pub full_scale: LitresPerSecond,
    /// What the receiver takes 4 mA to mean.
    pub at_4_ma: LitresPerSecond,
    /// The output's time constant, where known.
    pub damping: Option<Duration>,
    /// The measuring input's accuracy as a fraction of the 16 mA span (0.001 for 0.1 %).
    pub accuracy: f64,
    /// Lowest and highest current that still mean a flow.
    pub saturates: (Milliamperes, Milliamperes),
    /// At or below the first, and at or above the second, the current signals a fault.
    pub fault: (Milliamperes, Milliamperes),
    /// What the controller makes of the same current.
    pub receiver_flow: Option<Source>,
}

impl CurrentLoop {
    /// The flow that a current means to the receiver: linear, 4 mA to `at_4_ma`, 20 mA to `full_scale`.
    #[must_use]
    pub fn flow_of(&self, current: Milliamperes) -> LitresPerSecond {
        LitresPerSecond(self.at_4_ma.0 + (current.0 - 4.0) / 16.0 * (self.full_scale.0 - self.at_4_ma.0))
    }

    /// The current that a flow ought to make, before any saturation.
    #[must_use]
    pub fn current_of(&self, flow: LitresPerSecond) -> Milliamperes {
        Milliamperes(4.0 + 16.0 * (flow.0 - self.at_4_ma.0) / (self.full_scale.0 - self.at_4_ma.0))
    }

    /// The flow span between 4 and 20 mA.
    #[must_use]
    pub fn span(&self) -> LitresPerSecond {
        LitresPerSecond(self.full_scale.0 - self.at_4_ma.0)
    }
}

/// The pulse output as its receiver takes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Pulse {
    /// What counts the pulses.
    pub count: Source,
    /// What the receiver takes one pulse to mean.
    pub volume: Litres,
    /// The pulse's width.
    pub on_time: Duration,
    /// The shortest pause between pulses.
    pub off_time: Duration,
    /// Which flow makes pulses.
    pub counts: PulseCounts,
    /// The count at which it goes back to 0, where it is a file that somebody knows this of; a register's map says it itself.
    pub wraps_at: Option<u64>,
    /// What the controller or biller makes of the same pulses.
    pub receiver_total: Option<Source>,
}

/// The bias between flow and loop that is let pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FlowTolerance {
    /// A fraction of the loop's span (0.0025 for 0.25 %).
    OfSpan(f64),
    /// A fraction of the reading.
    OfReading(f64),
}

/// What is let pass before a tally is a disagreement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// Between flows.
    pub flow: FlowTolerance,
    /// Between volumes, as a fraction of the volume judged (0.001 for 0.1 %).
    pub volume: f64,
}

impl Default for Tolerance {
    fn default() -> Self {
        Self { flow: FlowTolerance::OfSpan(0.0025), volume: 0.001 }
    }
}

/// Limits that become events.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Flow above this.
    pub high: Option<LitresPerSecond>,
    /// Flow below this.
    pub low: Option<LitresPerSecond>,
    /// Flow backwards.
    pub reverse: bool,
}

#[cfg(test)]
mod tests;

//! What may be asked: reading requests, and nothing else.
//!
//! A [`ReadRequest`] cannot hold a function that writes, so no part of the program can send one. The functions and
//! limits are those of the MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4, 6.8, 6.13 and 6.21.

use std::borrow::Cow;

use tallywell_witness::declared::Table;
use tokio_modbus::Request;
use tokio_modbus::prelude::ReadCode;

/// The address of one device on a line: 1 to 247 (MODBUS over Serial Line V1.02, section 2.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UnitAddress(u8);

impl UnitAddress {
    /// The address, if it may belong to one device.
    #[must_use]
    pub const fn new(address: u8) -> Option<Self> {
        if address >= 1 && address <= 247 { Some(Self(address)) } else { None }
    }

    /// The bare number.
    #[must_use]
    pub const fn value(self) -> u8 {
        self.0
    }
}

/// Why a request cannot be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RequestError {
    /// Nothing, or more than one reply can carry.
    #[error("{count} asked for in one request; 1 to {most} are possible")]
    Quantity {
        /// What was asked for.
        count: u16,
        /// The most that one reply carries.
        most: u16,
    },
    /// Beyond the last address.
    #[error("{count} from address {start} run past the last address, 65535")]
    PastTheEnd {
        /// The first address.
        start: u16,
        /// How many.
        count: u16,
    },
}

/// A device's own diagnostic figures that can be read without changing anything (function 08).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Diagnostic {
    /// Sub-function 00: the data come back as they were sent.
    Echo(u16),
    /// Sub-function 02: the diagnostic register.
    Register,
    /// Sub-function 0B: messages seen on the line.
    BusMessages,
    /// Sub-function 0C: messages with a bad checksum.
    BusErrors,
    /// Sub-function 0D: exceptions answered.
    Exceptions,
    /// Sub-function 0E: messages for this device.
    ServerMessages,
    /// Sub-function 0F: messages that it did not answer.
    NoResponses,
    /// Sub-function 12: characters lost.
    Overruns,
}

impl Diagnostic {
    /// The sub-function's code.
    #[must_use]
    pub const fn code(self) -> u16 {
        match self {
            Self::Echo(_) => 0x00,
            Self::Register => 0x02,
            Self::BusMessages => 0x0B,
            Self::BusErrors => 0x0C,
            Self::Exceptions => 0x0D,
            Self::ServerMessages => 0x0E,
            Self::NoResponses => 0x0F,
            Self::Overruns => 0x12,
        }
    }

    const fn data(self) -> u16 {
        match self {
            Self::Echo(data) => data,
            _ => 0,
        }
    }
}

/// One request that only reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ReadRequest(Kind);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Kind {
    Table { table: Table, start: u16, count: u16 },
    Diagnostic(Diagnostic),
    ServerId,
    Identification { object: u8 },
}

impl ReadRequest {
    /// `count` registers or bits of `table` from the protocol's address `start`.
    ///
    /// # Errors
    /// The quantity is outside what one reply carries (125 registers, 2000 bits), or runs past address 65535.
    pub fn table(table: Table, start: u16, count: u16) -> Result<Self, RequestError> {
        let most = if table.is_bits() { 2000 } else { 125 };
        if count == 0 || count > most {
            return Err(RequestError::Quantity { count, most });
        }
        if u32::from(start) + u32::from(count) > 0x1_0000 {
            return Err(RequestError::PastTheEnd { start, count });
        }
        Ok(Self(Kind::Table { table, start, count }))
    }

    /// One of the device's diagnostic figures.
    #[must_use]
    pub const fn diagnostic(diagnostic: Diagnostic) -> Self {
        Self(Kind::Diagnostic(diagnostic))
    }

    /// What the device says it is, in its own format (function 11h).
    #[must_use]
    pub const fn server_id() -> Self {
        Self(Kind::ServerId)
    }

    /// The basic identification texts, beginning with `object` (function 2B, type 0E, code 01).
    #[must_use]
    pub const fn identification(object: u8) -> Self {
        Self(Kind::Identification { object })
    }

    /// The function code that goes over the wire.
    #[must_use]
    pub const fn function(&self) -> u8 {
        match self.0 {
            Kind::Table { table: Table::Coil, .. } => 0x01,
            Kind::Table { table: Table::Discrete, .. } => 0x02,
            Kind::Table { table: Table::Holding, .. } => 0x03,
            Kind::Table { table: Table::Input, .. } => 0x04,
            Kind::Diagnostic(_) => 0x08,
            Kind::ServerId => 0x11,
            Kind::Identification { .. } => 0x2B,
        }
    }

    /// How many registers or bits are asked for; zero for the functions that read no table.
    #[must_use]
    pub const fn count(&self) -> u16 {
        match self.0 {
            Kind::Table { count, .. } => count,
            _ => 0,
        }
    }

    /// What a right reply looks like.
    #[must_use]
    pub fn reply_shape(&self) -> ReplyShape {
        match self.0 {
            Kind::Table { table, count, .. } if table.is_bits() => ReplyShape::Data(count.div_ceil(8)),
            Kind::Table { count, .. } => ReplyShape::Data(2 * count),
            Kind::Diagnostic(diagnostic) => ReplyShape::Diagnostic(diagnostic),
            Kind::ServerId => ReplyShape::Counted,
            Kind::Identification { .. } => ReplyShape::Identification,
        }
    }

    /// The request as the protocol crate knows it.
    pub(super) fn to_protocol(self) -> Request<'static> {
        match self.0 {
            Kind::Table { table: Table::Coil, start, count } => Request::ReadCoils(start, count),
            Kind::Table { table: Table::Discrete, start, count } => Request::ReadDiscreteInputs(start, count),
            Kind::Table { table: Table::Holding, start, count } => Request::ReadHoldingRegisters(start, count),
            Kind::Table { table: Table::Input, start, count } => Request::ReadInputRegisters(start, count),
            Kind::Diagnostic(diagnostic) => {
                let [sub_high, sub_low] = diagnostic.code().to_be_bytes();
                let [high, low] = diagnostic.data().to_be_bytes();
                Request::Custom(0x08, Cow::Owned(vec![sub_high, sub_low, high, low]))
            }
            Kind::ServerId => Request::ReportServerId,
            Kind::Identification { object } => Request::ReadDeviceIdentification(ReadCode::Basic, object),
        }
    }
}

/// What follows unit and function in a right reply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReplyShape {
    /// A byte count, which must be this one, and as many bytes.
    Data(u16),
    /// A sub-function and one word.
    Diagnostic(Diagnostic),
    /// A byte count of the device's choice, and as many bytes.
    Counted,
    /// The identification's header and its objects, each with a length of its own.
    Identification,
}

/// Unit, function and the two bytes of the checksum.
const ENVELOPE: usize = 4;

impl ReplyShape {
    /// The length of the whole frame, checksum included, as far as the bytes that came so far tell it.
    #[must_use]
    pub fn whole_length(self, frame: &[u8]) -> Option<usize> {
        match self {
            Self::Data(bytes) => Some(ENVELOPE + 1 + usize::from(bytes)),
            Self::Diagnostic(_) => Some(ENVELOPE + 4),
            Self::Counted => frame.get(2).map(|&count| ENVELOPE + 1 + usize::from(count)),
            Self::Identification => {
                let mut at = 8;
                for _ in 0..*frame.get(7)? {
                    at += 2 + usize::from(*frame.get(at + 1)?);
                }
                Some(at + 2)
            }
        }
    }

    /// Whether the body of a frame of the right length is what was asked for. `body` is what lies between function and
    /// checksum.
    #[must_use]
    pub fn fits(self, body: &[u8]) -> bool {
        match self {
            Self::Data(bytes) => body.first().is_some_and(|&count| u16::from(count) == bytes),
            Self::Diagnostic(diagnostic) => {
                body.get(..2) == Some(diagnostic.code().to_be_bytes().as_slice())
                    && match diagnostic {
                        Diagnostic::Echo(data) => body.get(2..) == Some(data.to_be_bytes().as_slice()),
                        _ => true,
                    }
            }
            Self::Counted => true,
            Self::Identification => body.first() == Some(&0x0E),
        }
    }
}

/// What a right reply said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Registers, lowest address first.
    Registers(Vec<u16>),
    /// Bits, lowest address first.
    Bits(Vec<bool>),
    /// The word of a diagnostic sub-function.
    Diagnostic(u16),
    /// The bytes of a server identification, as the device chose them.
    ServerId(Vec<u8>),
    /// The identification's objects by number, and the next object where more follow.
    Identification {
        /// Objects in the order in which they came.
        objects: Vec<(u8, Vec<u8>)>,
        /// Where to go on.
        next: Option<u8>,
    },
}

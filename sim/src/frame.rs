//! Frames as the simulated slaves read and write them: the RTU check sum, requests, replies and exceptions.
//!
//! Limits and the order in which a request is judged follow MODBUS Application Protocol V1.1b3 §6 and its figures 11 to 14:
//! the function first (exception 01), then the quantity (03), then the addresses (02).

use crc::{CRC_16_MODBUS, Crc};

const CHECK_SUM: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// The most bytes in one frame (MODBUS over Serial Line V1.02 §2.5.1: address, 253 bytes of protocol, check sum).
pub const LONGEST_FRAME: usize = 256;

/// The check sum of these bytes; on the wire its low byte goes first.
#[must_use]
pub fn check_sum(bytes: &[u8]) -> u16 {
    CHECK_SUM.checksum(bytes)
}

/// The frame of this protocol data unit from or to `address`.
#[must_use]
pub fn frame(address: u8, protocol_data: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(protocol_data.len() + 3);
    bytes.push(address);
    bytes.extend_from_slice(protocol_data);
    let sum = check_sum(&bytes);
    bytes.extend_from_slice(&sum.to_le_bytes());
    bytes
}

/// The same frame with its check sum made right for its contents; what is too short to have one stays as it is.
#[must_use]
pub fn with_right_check_sum(mut bytes: Vec<u8>) -> Vec<u8> {
    if let Some(body) = bytes.len().checked_sub(2) {
        let sum = check_sum(&bytes[..body]);
        bytes[body..].copy_from_slice(&sum.to_le_bytes());
    }
    bytes
}

/// Address and protocol data of a whole frame whose check sum is right, or nothing.
#[must_use]
pub fn sound(bytes: &[u8]) -> Option<(u8, &[u8])> {
    if bytes.len() < 4 || bytes.len() > LONGEST_FRAME {
        return None;
    }
    let (body, sum) = bytes.split_at(bytes.len() - 2);
    (check_sum(body).to_le_bytes() == [sum[0], sum[1]]).then(|| (body[0], &body[1..]))
}

/// How long the request at the beginning of `bytes` should be, by its function code, as far as that says.
///
/// Needed only where no silence ends a frame: on a wire without pace.
#[must_use]
pub fn request_length(bytes: &[u8]) -> Option<usize> {
    Some(match *bytes.get(1)? {
        0x01..=0x06 | 0x08 => 8,
        0x07 | 0x0B | 0x0C | 0x11 => 4,
        0x0F | 0x10 => 9 + usize::from(*bytes.get(6)?),
        0x16 => 10,
        0x17 => 13 + usize::from(*bytes.get(10)?),
        0x18 => 6,
        0x2B => 7,
        _ => return None,
    })
}

/// The four tables of the data model.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Table {
    /// Single bits that can be set (function 01 reads them).
    Coil,
    /// Single bits that can only be read (02).
    Discrete,
    /// Registers that can only be read (04).
    Input,
    /// Registers that can be set (03 reads them).
    Holding,
}

impl Table {
    /// Whether it holds bits rather than registers.
    #[must_use]
    pub const fn holds_bits(self) -> bool {
        matches!(self, Self::Coil | Self::Discrete)
    }

    /// The function code that reads it.
    #[must_use]
    pub const fn function(self) -> u8 {
        match self {
            Self::Coil => 0x01,
            Self::Discrete => 0x02,
            Self::Holding => 0x03,
            Self::Input => 0x04,
        }
    }

    /// The most elements that one request may ask for (§6.1 to 6.4).
    #[must_use]
    pub const fn most(self) -> u16 {
        if self.holds_bits() { 2000 } else { 125 }
    }
}

/// Why a request is refused (§7).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Exception(pub u8);

impl Exception {
    /// The function, or its sub-function, is not supported.
    pub const ILLEGAL_FUNCTION: Self = Self(0x01);
    /// An address asked for does not exist.
    pub const ILLEGAL_ADDRESS: Self = Self(0x02);
    /// A quantity or another field is out of range.
    pub const ILLEGAL_VALUE: Self = Self(0x03);

    /// The protocol data of this refusal of `function`.
    #[must_use]
    pub const fn reply(self, function: u8) -> [u8; 2] {
        [function | 0x80, self.0]
    }
}

/// A request that a simulated slave understands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// Functions 01 to 04.
    Read {
        /// The table asked for.
        table: Table,
        /// The first address, from 0.
        start: u16,
        /// How many bits or registers.
        quantity: u16,
    },
    /// Function 08, sub-function 0: send the same back.
    Echo(Vec<u8>),
    /// Function 08, sub-functions 0B to 12: one of the communication counters.
    Counter(u16),
    /// Function 11h: report server identification.
    ServerIdentification,
    /// Function 2B/0E: read device identification.
    DeviceIdentification {
        /// 1 basic, 2 regular, 3 extended, 4 one object.
        access: u8,
        /// The object to begin with, or the one asked for.
        object: u8,
    },
}

impl Request {
    /// Reads a protocol data unit; addresses are left to the device, which alone knows what it has.
    ///
    /// # Errors
    /// The exception with which a device refuses it.
    pub fn parse(protocol_data: &[u8]) -> Result<Self, Exception> {
        let (&function, data) = protocol_data.split_first().ok_or(Exception::ILLEGAL_FUNCTION)?;
        match function {
            0x01 => Self::parse_read(Table::Coil, data),
            0x02 => Self::parse_read(Table::Discrete, data),
            0x03 => Self::parse_read(Table::Holding, data),
            0x04 => Self::parse_read(Table::Input, data),
            0x08 => Self::parse_diagnostic(data),
            0x11 if data.is_empty() => Ok(Self::ServerIdentification),
            0x11 => Err(Exception::ILLEGAL_VALUE),
            0x2B => match *data {
                [0x0E, access @ 1..=4, object] => Ok(Self::DeviceIdentification { access, object }),
                [0x0E, ..] => Err(Exception::ILLEGAL_VALUE),
                _ => Err(Exception::ILLEGAL_FUNCTION),
            },
            _ => Err(Exception::ILLEGAL_FUNCTION),
        }
    }

    fn parse_read(table: Table, data: &[u8]) -> Result<Self, Exception> {
        let &[start_high, start_low, quantity_high, quantity_low] = data else {
            return Err(Exception::ILLEGAL_VALUE);
        };
        let quantity = u16::from_be_bytes([quantity_high, quantity_low]);
        if quantity == 0 || quantity > table.most() {
            return Err(Exception::ILLEGAL_VALUE);
        }
        let start = u16::from_be_bytes([start_high, start_low]);
        Ok(Self::Read { table, start, quantity })
    }

    fn parse_diagnostic(data: &[u8]) -> Result<Self, Exception> {
        match *data {
            [0x00, 0x00, _, _, ..] if data.len().is_multiple_of(2) => Ok(Self::Echo(data[2..].to_vec())),
            [0x00, 0x00, ..] => Err(Exception::ILLEGAL_VALUE),
            [0x00, counter @ 0x0B..=0x12, 0x00, 0x00] => Ok(Self::Counter(u16::from(counter))),
            [0x00, 0x0B..=0x12, ..] => Err(Exception::ILLEGAL_VALUE),
            _ => Err(Exception::ILLEGAL_FUNCTION),
        }
    }
}

/// The protocol data of a reply to [`Request::Read`] of registers.
#[must_use]
pub fn registers_reply(table: Table, registers: &[u16]) -> Vec<u8> {
    let mut reply = vec![table.function(), byte_count(registers.len() * 2)];
    reply.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
    reply
}

/// The protocol data of a reply to [`Request::Read`] of bits: the first bit is the lowest of the first byte, and what fills
/// the last byte is zero (§6.1).
#[must_use]
pub fn bits_reply(table: Table, bits: &[bool]) -> Vec<u8> {
    let mut reply = vec![table.function(), byte_count(bits.len().div_ceil(8))];
    reply.extend(
        bits.chunks(8)
            .map(|eight| eight.iter().enumerate().fold(0_u8, |byte, (place, &bit)| byte | (u8::from(bit) << place))),
    );
    reply
}

fn byte_count(bytes: usize) -> u8 {
    u8::try_from(bytes).expect("a request asks for no more than 250 bytes: its quantity is checked when it is parsed")
}

#[cfg(test)]
#[path = "frame_tests.rs"]
mod tests;

//! What can be wrong with a reply, each under the name by which it is counted.

use std::fmt;

/// The names under which bad replies are counted, in the order in which they are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultKind {
    /// Nothing came.
    Timeout,
    /// It began before the request could have ended.
    Early,
    /// It came after its turn.
    Late,
    /// The line fell quiet before it was whole.
    Short,
    /// More came than it should hold.
    Long,
    /// The checksum is wrong.
    Crc,
    /// Another unit's address.
    WrongUnit,
    /// Another function.
    WrongFunction,
    /// The device refused.
    Exception,
}

impl FaultKind {
    /// Every kind, in the order in which they are judged.
    pub const ALL: [Self; 9] = [
        Self::Timeout,
        Self::Early,
        Self::Late,
        Self::Short,
        Self::Long,
        Self::Crc,
        Self::WrongUnit,
        Self::WrongFunction,
        Self::Exception,
    ];

    /// The counter's name.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Timeout => "timeouts",
            Self::Early => "early_replies",
            Self::Late => "late_replies",
            Self::Short => "short_replies",
            Self::Long => "long_replies",
            Self::Crc => "crc_errors",
            Self::WrongUnit => "wrong_unit",
            Self::WrongFunction => "wrong_function",
            Self::Exception => "exceptions",
        }
    }
}

/// Why a request got no value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing came before the time-out.
    Timeout,
    /// A reply began before the wire could have carried the request.
    Early {
        /// It begins as the request itself did: the adapter returns what it sends.
        echo: bool,
    },
    /// The line fell quiet before the reply was whole, or its byte count was too small.
    Short {
        /// Bytes that came.
        received: usize,
        /// Bytes of a whole reply.
        expected: usize,
    },
    /// More came than the reply should hold, or its byte count was too large.
    Long {
        /// Bytes that came.
        received: usize,
        /// Bytes of a whole reply.
        expected: usize,
    },
    /// As long as it should be, and the checksum is wrong.
    Crc,
    /// A sound reply with another address.
    WrongUnit {
        /// The address in the reply.
        answered: u8,
    },
    /// A sound reply with another function.
    WrongFunction {
        /// The function in the reply.
        answered: u8,
    },
    /// The device refused, with the standard's code.
    Exception(u8),
}

impl Fault {
    /// The name under which it is counted.
    #[must_use]
    pub const fn kind(&self) -> FaultKind {
        match self {
            Self::Timeout => FaultKind::Timeout,
            Self::Early { .. } => FaultKind::Early,
            Self::Short { .. } => FaultKind::Short,
            Self::Long { .. } => FaultKind::Long,
            Self::Crc => FaultKind::Crc,
            Self::WrongUnit { .. } => FaultKind::WrongUnit,
            Self::WrongFunction { .. } => FaultKind::WrongFunction,
            Self::Exception(_) => FaultKind::Exception,
        }
    }

    /// True where the asked unit's own answer may still be under way, so that the unit must rest before it is asked
    /// again. A broken or refused reply is over: the unit has spoken.
    #[must_use]
    pub const fn answer_may_follow(&self) -> bool {
        matches!(self, Self::Timeout | Self::Early { .. } | Self::WrongUnit { .. } | Self::WrongFunction { .. })
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Timeout => out.write_str("no reply"),
            Self::Early { echo: false } => out.write_str("a reply began before the request could have ended"),
            Self::Early { echo: true } => {
                out.write_str("the request itself came back: set `echo = true` if the adapter returns what it sends")
            }
            Self::Short { received, expected } => {
                write!(out, "the reply stopped after {received} of {expected} bytes")
            }
            Self::Long { received, expected } => {
                write!(out, "{received} bytes came where {expected} are a whole reply")
            }
            Self::Crc => out.write_str("the reply's checksum is wrong"),
            Self::WrongUnit { answered } => write!(out, "address {answered} answered"),
            Self::WrongFunction { answered } => write!(out, "function {answered:02X}h was answered"),
            Self::Exception(code) => write!(out, "the device refused: {} ({code:02X}h)", exception_name(*code)),
        }
    }
}

/// What an exception code says (MODBUS Application Protocol V1.1b3, section 7).
#[must_use]
pub const fn exception_name(code: u8) -> &'static str {
    match code {
        0x01 => "it does not know this function",
        0x02 => "no such register, or not so many",
        0x03 => "not in this quantity",
        0x04 => "it failed while reading",
        0x05 => "accepted, but it needs more time",
        0x06 => "it is busy",
        0x08 => "its memory has a parity error",
        0x0A => "the gateway has no path to it",
        0x0B => "the gateway got no answer from it",
        _ => "for a reason outside the standard",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_counter_has_its_own_name() {
        let names: std::collections::BTreeSet<_> = FaultKind::ALL.iter().map(|kind| kind.code()).collect();
        assert_eq!(names.len(), FaultKind::ALL.len());
    }

    #[test]
    fn faults_speak_to_people() {
        let said: Vec<String> = [
            Fault::Timeout,
            Fault::Early { echo: true },
            Fault::Short { received: 7, expected: 25 },
            Fault::Long { received: 50, expected: 25 },
            Fault::Crc,
            Fault::WrongUnit { answered: 12 },
            Fault::WrongFunction { answered: 4 },
            Fault::Exception(2),
        ]
        .iter()
        .map(ToString::to_string)
        .collect();
        insta::assert_snapshot!(said.join("\n"), @r"
        no reply
        the request itself came back: set `echo = true` if the adapter returns what it sends
        the reply stopped after 7 of 25 bytes
        50 bytes came where 25 are a whole reply
        the reply's checksum is wrong
        address 12 answered
        function 04h was answered
        the device refused: no such register, or not so many (02h)
        ");
    }
}

//! How long things take on the wire.

use std::time::Duration;

use super::Request;
use crate::declared::Framing;

/// How long characters and silences take on a line (MODBUS over Serial Line V1.02 §2.5.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WireTiming {
    framing: Framing,
}

/// Above this rate the standard recommends fixed silences (MODBUS over Serial Line V1.02 §2.5.1.1).
const FASTEST_WITH_SILENCES_IN_CHARACTERS: u32 = 19_200;

/// Address, function, first register, quantity, two bytes of CRC.
const REQUEST_CHARACTERS: u64 = 8;

/// Address, function, byte count, two bytes of CRC, around the data of a reply.
const REPLY_FRAME_CHARACTERS: u64 = 5;

impl WireTiming {
    /// The timing of a line with these characters.
    #[must_use]
    pub const fn new(framing: Framing) -> Self {
        Self { framing }
    }

    /// The characters it was made for.
    #[must_use]
    pub const fn framing(self) -> Framing {
        self.framing
    }

    /// The time of one character.
    #[must_use]
    pub const fn character(self) -> Duration {
        self.characters(1)
    }

    /// The time of so many characters without a pause, to the nearest nanosecond.
    #[must_use]
    pub const fn characters(self, count: u64) -> Duration {
        self.half_characters(2 * count)
    }

    /// The shortest silence between frames: 3.5 characters, or 1.750 ms above 19200 bit/s.
    #[must_use]
    pub const fn t3_5(self) -> Duration {
        if self.framing.baud > FASTEST_WITH_SILENCES_IN_CHARACTERS {
            Duration::from_micros(1750)
        } else {
            self.half_characters(7)
        }
    }

    /// The time that a reading request occupies the wire: it has 8 characters whatever it asks for.
    #[must_use]
    pub const fn request(self) -> Duration {
        self.characters(REQUEST_CHARACTERS)
    }

    /// The time that the sound reply to a request occupies the wire.
    #[must_use]
    pub const fn reply(self, request: Request) -> Duration {
        self.characters(REPLY_FRAME_CHARACTERS + request.reply_bytes() as u64)
    }

    /// One transaction: the request, the delay until the reply begins (from the end of the request; it holds the device's
    /// own silence of 3.5 characters), the reply, and the silence after it.
    #[must_use]
    pub fn transaction(self, request: Request, reply_delay: Duration) -> Duration {
        self.request() + reply_delay + self.reply(request) + self.t3_5()
    }

    const fn half_characters(self, count: u64) -> Duration {
        let half_bits_in_nanoseconds = count * self.framing.bits_per_character() as u64 * 1_000_000_000;
        let baud = self.framing.baud as u64;
        Duration::from_nanos((half_bits_in_nanoseconds + baud) / (2 * baud))
    }
}

//! How long a character and a silence take.

use std::time::Duration;

/// The pace of a line: its speed, and what one character takes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// Bits in a second.
    pub baud: u32,
    /// Bits on the wire for one byte: 11 by the standard, 10 without parity and with one stop bit.
    pub bits_per_character: u32,
}

impl Pace {
    /// The time that `count` characters take.
    #[must_use]
    pub fn characters(self, count: usize) -> Duration {
        let bits = u64::try_from(count).unwrap_or(u64::MAX).saturating_mul(u64::from(self.bits_per_character));
        Duration::from_nanos(bits.saturating_mul(1_000_000_000) / u64::from(self.baud.max(1)))
    }

    /// The silence that parts two frames: 3.5 characters, and 1.75 ms above 19,200 Bd (MODBUS over Serial Line V1.02
    /// §2.5.1.1).
    #[must_use]
    pub fn silence_between_frames(self) -> Duration {
        if self.baud > 19_200 { Duration::from_micros(1750) } else { self.characters(7) / 2 }
    }

    /// The longest silence inside a frame: 1.5 characters, and 0.75 ms above 19,200 Bd (same source).
    #[must_use]
    pub fn silence_inside_frame(self) -> Duration {
        if self.baud > 19_200 { Duration::from_micros(750) } else { self.characters(3) / 2 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silences_are_those_of_the_serial_line_standard() {
        let silence = |baud| {
            let pace = Pace { baud, bits_per_character: 11 };
            (pace.silence_inside_frame().as_nanos(), pace.silence_between_frames().as_nanos())
        };
        assert_eq!(silence(9_600), (1_718_750, 4_010_416));
        assert_eq!(silence(19_200), (859_375, 2_005_208));
        assert_eq!(silence(38_400), (750_000, 1_750_000));
    }
}

//! How bytes are sent as bits, and what a receiver makes of bits that were sent another way.
//!
//! A character is a start bit (0), eight data bits, lowest first, a parity bit if there is one, and one or two stop bits (1);
//! the idle line is 1 (MODBUS over Serial Line V1.02 §2.5.1). A receiver waits for a falling edge and looks at the middle of
//! each bit that it expects; of stop bits it looks at the first.

use super::pace::Pace;

/// The parity bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParityBit {
    /// None is sent.
    Absent,
    /// It makes the number of ones even.
    Even,
    /// It makes the number of ones odd.
    Odd,
}

/// How a port or a slave sends and receives bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Characters {
    /// Bits in a second.
    pub baud: u32,
    /// The parity bit.
    pub parity: ParityBit,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Characters {
    /// The pace of a line whose talkers send so.
    #[must_use]
    pub fn pace(self) -> Pace {
        let parity_bit = u32::from(self.parity != ParityBit::Absent);
        Pace { baud: self.baud, bits_per_character: 9 + parity_bit + u32::from(self.stop_bits) }
    }

    /// What a receiver with these settings makes of `bytes` that were sent back to back with `sent` ones. A byte with a wrong
    /// parity bit or no stop bit becomes 0 where parity is on, and is dropped where it is off, as serial ports do by default.
    #[must_use]
    pub fn receive(self, bytes: &[u8], sent: Self) -> Vec<u8> {
        let levels: Vec<bool> = bytes.iter().flat_map(|&byte| sent.bits(byte)).collect();
        let bits_in = |time: f64| time * f64::from(sent.baud);
        // An index below the end of the levels; beyond it the line is idle.
        let level = |time: f64| levels.get(bits_in(time) as usize).copied().unwrap_or(true);
        let bit = 1.0 / f64::from(self.baud.max(1));
        let end = levels.len() as f64 / f64::from(sent.baud.max(1));
        // Edges fall between the sender's bits; a receiver looks far more often than they come.
        let look = bit.min(1.0 / f64::from(sent.baud.max(1))) / 16.0;
        let mut heard = Vec::new();
        let mut at = 0.0;
        while at < end {
            if level(at) {
                at += look;
                continue;
            }
            let sample = |place: u32| level(at + (f64::from(place) + 0.5) * bit);
            if sample(0) {
                // Too short for a start bit.
                at += look;
                continue;
            }
            let byte = (0..8).fold(0, |byte, place| byte | u8::from(sample(1 + place)) << place);
            let (parity_right, stop) = match self.parity {
                ParityBit::Absent => (true, 9),
                parity => (sample(9) == parity_of(byte, parity), 10),
            };
            let stopped = sample(stop);
            if parity_right && stopped {
                heard.push(byte);
            } else if self.parity != ParityBit::Absent {
                heard.push(0);
            }
            at += (f64::from(stop) + 0.5) * bit;
            // Without a stop bit the receiver waits for the line to come to rest before it takes an edge for a start.
            while !stopped && at < end && !level(at) {
                at += look;
            }
        }
        heard
    }

    fn bits(self, byte: u8) -> Vec<bool> {
        let mut bits = vec![false];
        bits.extend((0..8).map(|place| byte >> place & 1 == 1));
        if self.parity != ParityBit::Absent {
            bits.push(parity_of(byte, self.parity));
        }
        bits.extend((0..self.stop_bits).map(|_| true));
        bits
    }
}

fn parity_of(byte: u8, parity: ParityBit) -> bool {
    let odd_ones = byte.count_ones() % 2 == 1;
    if parity == ParityBit::Odd { !odd_ones } else { odd_ones }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn characters(baud: u32, parity: ParityBit, stop_bits: u8) -> Characters {
        Characters { baud, parity, stop_bits }
    }

    const ALL: [u8; 8] = [0x00, 0xFF, 0x55, 0xAA, 0x11, 0x03, 0x76, 0x87];

    /// MODBUS over Serial Line V1.02 §2.6.1: of 1100 0101 the even parity bit is 0, the odd one 1.
    #[test]
    fn the_published_parity_bits() {
        assert!(!parity_of(0b1100_0101, ParityBit::Even));
        assert!(parity_of(0b1100_0101, ParityBit::Odd));
    }

    #[test]
    fn equal_settings_understand_each_other_and_stop_bits_do_not_matter() {
        for parity in [ParityBit::Absent, ParityBit::Even, ParityBit::Odd] {
            for (sent, read) in [(1, 1), (2, 1), (1, 2), (2, 2)] {
                let (sent, read) = (characters(9_600, parity, sent), characters(9_600, parity, read));
                assert_eq!(read.receive(&ALL, sent), ALL, "{sent:?} read as {read:?}");
            }
        }
        let (sent, read) = (characters(9_600, ParityBit::Even, 1), characters(9_504, ParityBit::Even, 1));
        assert_eq!(read.receive(&ALL, sent), ALL, "one per cent off is borne");
    }

    #[test]
    fn other_parities_and_rates_make_junk() {
        let sent = characters(9_600, ParityBit::Even, 1);
        let zeros = characters(9_600, ParityBit::Odd, 1).receive(&ALL, sent);
        assert_eq!(zeros, [0; 8], "every parity bit is wrong");
        let halves = characters(9_600, ParityBit::Absent, 1).receive(&[0x01, 0x03], sent);
        assert_eq!(halves, [0x01], "the parity bit of 03 stands where a stop bit should be, and is 0");
        let faster = characters(19_200, ParityBit::Absent, 1).receive(&[0x55], sent);
        assert!(!faster.is_empty() && faster != [0x55], "{faster:?}");
        let slower = characters(1_200, ParityBit::Absent, 1).receive(&ALL, sent);
        assert!(slower.len() <= 2, "{slower:?}");
    }
}

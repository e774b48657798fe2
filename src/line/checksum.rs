//! The checksum that ends every RTU frame.

const CRC: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_MODBUS);

/// Unit, function and checksum: nothing shorter is a frame.
const SHORTEST_FRAME: usize = 4;

/// True if the last two bytes are the checksum of the rest, low byte first (MODBUS over Serial Line V1.02, 2.5.1.2).
#[must_use]
pub fn is_sound(frame: &[u8]) -> bool {
    frame.len() >= SHORTEST_FRAME
        && frame.split_last_chunk::<2>().is_some_and(|(body, end)| CRC.checksum(body).to_le_bytes() == *end)
}

/// `body` with its checksum at the end.
#[must_use]
pub fn sealed(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend_from_slice(&CRC.checksum(body).to_le_bytes());
    frame
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MODBUS over Serial Line V1.02, appendix B: 02 07 is followed by 41 12.
    #[test]
    fn the_published_example() {
        assert_eq!(sealed(&[0x02, 0x07]), [0x02, 0x07, 0x41, 0x12]);
    }

    /// A whole reply of MODBUS Application Protocol V1.1b3, section 6.3, at address 11h, with each bit turned in turn.
    #[test]
    fn no_turned_bit_passes() {
        let frame = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];
        assert!(is_sound(&frame));
        for first in 0..frame.len() * 8 {
            for second in 0..=first {
                let mut broken = frame;
                broken[first / 8] ^= 1 << (first % 8);
                if second != first {
                    broken[second / 8] ^= 1 << (second % 8);
                }
                assert!(!is_sound(&broken), "bits {first} and {second} turned, and still sound");
            }
        }
    }
}

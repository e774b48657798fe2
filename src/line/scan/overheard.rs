//! What is to be heard on a line on which nothing was sent: silence, noise, or another master at work.

use std::collections::BTreeSet;
use std::time::Duration;

use super::super::checksum::is_sound;

/// Shortest and longest frame (MODBUS over Serial Line V1.02, section 2.5.1).
const LENGTHS: std::ops::RangeInclusive<usize> = 4..=256;
/// A burst of fewer bytes may be a glitch as somebody plugs something in.
const TELLING_BURST: usize = 3;
/// Noise takes less of the line's time; something that takes more does not let anybody speak.
const MOST_BY_NOISE: f64 = 0.1;

/// Bytes with no pause between them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Burst(pub Vec<u8>);

/// What listening says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Nothing at all.
    Silence,
    /// So many bytes that are no frames, and that nobody repeats.
    Noise(usize),
    /// Frames of the protocol, with the units that they name: a master polls.
    Frames(BTreeSet<u8>),
    /// No frames at the settings listened with, but the same bytes again and again, or bytes without end: somebody speaks
    /// another way.
    Traffic,
}

/// Judges what was heard at one setting. `character` is the time of one byte there.
#[must_use]
pub fn judge(bursts: &[Burst], character: Duration, listened: Duration) -> Heard {
    let bytes: usize = bursts.iter().map(|burst| burst.0.len()).sum();
    if bytes == 0 {
        return Heard::Silence;
    }
    let units: BTreeSet<u8> = bursts.iter().flat_map(|burst| frames(&burst.0)).map(|frame| frame[0]).collect();
    if !units.is_empty() {
        return Heard::Frames(units);
    }
    let telling: Vec<&Burst> = bursts.iter().filter(|burst| burst.0.len() >= TELLING_BURST).collect();
    let repeated = telling.iter().enumerate().any(|(index, burst)| telling[index + 1..].contains(burst));
    let share = character.as_secs_f64() * bytes as f64 / listened.as_secs_f64().max(1e-3);
    if repeated || share > MOST_BY_NOISE { Heard::Traffic } else { Heard::Noise(bytes) }
}

/// The sound frames in these bytes, wherever they begin: whole requests and replies of the functions that masters use.
///
/// A frame needs a right checksum, an address, a known function and the length that belongs to it, so that random bytes
/// become one only about once in a hundred million places.
#[must_use]
pub fn frames(bytes: &[u8]) -> Vec<&[u8]> {
    let mut found = Vec::new();
    let mut at = 0;
    while at + LENGTHS.start() <= bytes.len() {
        let rest = &bytes[at..];
        let frame =
            lengths(rest).into_iter().flatten().filter_map(|length| rest.get(..length)).find(|frame| is_sound(frame));
        match frame {
            Some(frame) => {
                found.push(frame);
                at += frame.len();
            }
            None => at += 1,
        }
    }
    found
}

/// The lengths that a frame which begins so may have: as a request, and as a reply.
fn lengths(bytes: &[u8]) -> [Option<usize>; 2] {
    let (unit, function) = (bytes[0], bytes[1]);
    if unit > 247 {
        return [None; 2];
    }
    let counted = |at: usize, before: usize| bytes.get(at).map(|&count| before + usize::from(count) + 2);
    let lengths = match function {
        0x01..=0x04 => [Some(8), counted(2, 3)],
        0x05 | 0x06 | 0x08 => [Some(8), None],
        0x0F | 0x10 => [counted(6, 7), Some(8)],
        0x11 => [Some(4), counted(2, 3)],
        0x16 => [Some(10), None],
        0x17 => [counted(10, 11), counted(2, 3)],
        0x2B => [Some(7), None],
        0x81..=0xAB => [None, Some(5)],
        _ => [None; 2],
    };
    lengths.map(|length| length.filter(|length| LENGTHS.contains(length)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::super::checksum::sealed;
    use super::*;

    const CHARACTER: Duration = Duration::from_micros(573);
    const LISTENED: Duration = Duration::from_secs(2);

    fn heard(bursts: &[&[u8]]) -> Heard {
        let bursts: Vec<Burst> = bursts.iter().map(|bytes| Burst(bytes.to_vec())).collect();
        judge(&bursts, CHARACTER, LISTENED)
    }

    /// MODBUS Application Protocol V1.1b3, section 6.3, at address 11h.
    const REQUEST: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
    const REPLY: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];

    #[test]
    fn a_master_is_known_by_one_frame() {
        assert_eq!(heard(&[]), Heard::Silence);
        assert_eq!(heard(&[&REQUEST]), Heard::Frames(BTreeSet::from([0x11])));
        let joined = [&[0x00][..], &REQUEST, &REPLY].concat();
        assert_eq!(frames(&joined), [&REQUEST[..], &REPLY]);
        assert_eq!(heard(&[&joined]), Heard::Frames(BTreeSet::from([0x11])));
        let writing = sealed(&[3, 0x10, 0, 1, 0, 2, 4, 0, 10, 1, 2]);
        assert_eq!(frames(&writing), [writing.as_slice()]);
    }

    #[test]
    fn another_way_of_speaking_repeats_itself_and_noise_does_not() {
        assert_eq!(heard(&[&[0xF8, 0x1C, 0x00], &[0x7F], &[0xF8, 0x1C, 0x00]]), Heard::Traffic);
        assert_eq!(heard(&[&[0xF8, 0x1C, 0x00, 7], &[0x7F], &[0x7F]]), Heard::Noise(6));
        let endless: Vec<u8> = (0..=255).cycle().take(400).collect();
        assert_eq!(heard(&[&endless]), Heard::Traffic);
    }

    proptest! {
        /// A frame is found whatever stands before it, unless the bytes before it happen to begin one.
        #[test]
        fn frames_are_found_behind_noise(noise in proptest::collection::vec(0xF8..=0xFF_u8, 0..20)) {
            let bytes = [noise.as_slice(), &REPLY].concat();
            prop_assert_eq!(frames(&bytes), [&REPLY[..]]);
        }
    }
}

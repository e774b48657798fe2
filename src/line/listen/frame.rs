//! What the first bytes of a frame say of its length, and what a whole frame asks for or answers.
//!
//! A frame does not say whether it is a request or a reply, so both lengths are told where both may be. What cannot be
//! (a count of zero, a byte count that does not fit its quantity) rules a length out, so that garbage is seldom taken for
//! the beginning of something. Lengths are those of the MODBUS Application Protocol V1.1b3, section 6.

use tallywell_witness::declared::Table;
use tallywell_witness::plan::Request;

/// The longest frame (MODBUS over Serial Line V1.02, section 2.5.1).
pub(super) const LONGEST: usize = 256;
/// The largest address of a device; 0 is everybody (MODBUS over Serial Line V1.02, section 2.2).
const LAST_UNIT: u8 = 247;
/// The function code of an exception is the request's with this bit set.
pub(super) const EXCEPTION_BIT: u8 = 0x80;
/// An exception's whole frame.
const EXCEPTION_LENGTH: usize = 5;
/// The kind of encapsulated interface that reads a device's identification.
const READ_IDENTIFICATION: u8 = 0x0E;

/// What the bytes so far say of a frame's length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Length {
    /// It has so many bytes, checksum included.
    Exactly(usize),
    /// More bytes are needed to say.
    NotYet,
    /// No frame of this kind begins so.
    Never,
}

impl Length {
    fn at_most_longest(self) -> Self {
        match self {
            Self::Exactly(length) if length > LONGEST => Self::Never,
            other => other,
        }
    }

    /// The same, unless what is known of the content rules it out.
    fn if_sensible(self, senseless: bool) -> Self {
        if senseless { Self::Never } else { self }
    }
}

/// What a request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// Registers or bits.
    Read(Request),
    /// Something is written, by this function.
    Write(u8),
    /// Something else, by this function.
    Other(u8),
}

/// The length of the request that begins so.
pub(super) fn request_length(bytes: &[u8]) -> Length {
    let (Some(&unit), Some(&function)) = (bytes.first(), bytes.get(1)) else { return first_byte(bytes) };
    if unit > LAST_UNIT {
        return Length::Never;
    }
    let length = match function {
        0x01..=0x04 => Length::Exactly(8).if_sensible(unit == 0 || is_no_stretch(bytes, function)),
        0x05 => Length::Exactly(8).if_sensible(word(bytes, 4).is_some_and(|value| value != 0 && value != 0xFF00)),
        0x06 | 0x08 => Length::Exactly(8),
        0x07 | 0x0B | 0x0C | 0x11 => Length::Exactly(4),
        0x0F => counted(bytes, 6, 9).if_sensible(
            word(bytes, 4).zip(bytes.get(6)).is_some_and(|(bits, &count)| u16::from(count) != bits.div_ceil(8)),
        ),
        0x10 => counted(bytes, 6, 9).if_sensible(
            word(bytes, 4).zip(bytes.get(6)).is_some_and(|(words, &count)| u32::from(count) != 2 * u32::from(words)),
        ),
        0x14 | 0x15 => counted(bytes, 2, 5),
        0x16 => Length::Exactly(10),
        0x17 => counted(bytes, 10, 13).if_sensible(
            word(bytes, 8).zip(bytes.get(10)).is_some_and(|(words, &count)| u32::from(count) != 2 * u32::from(words)),
        ),
        0x18 => Length::Exactly(6),
        0x2B => Length::Exactly(7).if_sensible(bytes.get(2).is_some_and(|&kind| kind != READ_IDENTIFICATION)),
        _ => Length::Never,
    };
    length.at_most_longest()
}

/// The length of the reply that begins so.
pub(super) fn reply_length(bytes: &[u8]) -> Length {
    let (Some(&unit), Some(&function)) = (bytes.first(), bytes.get(1)) else { return first_byte(bytes) };
    if unit == 0 || unit > LAST_UNIT {
        return Length::Never;
    }
    let count = bytes.get(2).copied();
    let length = match function {
        0x01 | 0x02 => counted(bytes, 2, 5).if_sensible(count.is_some_and(|count| count == 0 || count > 250)),
        0x03 | 0x04 | 0x17 => {
            counted(bytes, 2, 5).if_sensible(count.is_some_and(|count| count == 0 || count > 250 || count % 2 == 1))
        }
        0x05 | 0x06 | 0x08 | 0x0B | 0x0F | 0x10 => Length::Exactly(8),
        0x07 => Length::Exactly(5),
        0x0C | 0x11 | 0x14 | 0x15 => counted(bytes, 2, 5),
        0x16 => Length::Exactly(10),
        0x18 => word(bytes, 2).map_or(Length::NotYet, |count| Length::Exactly(6 + usize::from(count))),
        0x2B => identification_length(bytes),
        0x81..=0xFF => Length::Exactly(EXCEPTION_LENGTH).if_sensible(count == Some(0)),
        _ => Length::Never,
    };
    length.at_most_longest()
}

/// What a sound request asks for.
pub(super) fn asked(frame: &[u8]) -> Asked {
    match frame[1] {
        function @ 0x01..=0x04 => match (table_of(function), word(frame, 2), word(frame, 4)) {
            (Some(table), Some(start), Some(count)) => Asked::Read(Request { table, start, count }),
            _ => Asked::Other(function),
        },
        function @ (0x05 | 0x06 | 0x0F | 0x10 | 0x15 | 0x16 | 0x17) => Asked::Write(function),
        function => Asked::Other(function),
    }
}

/// The registers of a sound reply that carries a stretch of a table, or its bits as one word each.
pub(super) fn words(frame: &[u8], request: Request) -> Option<Vec<u16>> {
    let data = frame.get(3..frame.len().checked_sub(2)?)?;
    if data.len() != usize::from(request.reply_bytes()) {
        return None;
    }
    if request.table.is_bits() {
        let bit = |place: u16| u16::from(data[usize::from(place / 8)] >> (place % 8) & 1);
        return Some((0..request.count).map(bit).collect());
    }
    Some(data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect())
}

/// The function that reads a table.
pub(super) const fn function_of(table: Table) -> u8 {
    match table {
        Table::Coil => 0x01,
        Table::Discrete => 0x02,
        Table::Holding => 0x03,
        Table::Input => 0x04,
    }
}

/// The table that a function reads.
pub(super) const fn table_of(function: u8) -> Option<Table> {
    match function {
        0x01 => Some(Table::Coil),
        0x02 => Some(Table::Discrete),
        0x03 => Some(Table::Holding),
        0x04 => Some(Table::Input),
        _ => None,
    }
}

fn first_byte(bytes: &[u8]) -> Length {
    Length::NotYet.if_sensible(bytes.first().is_some_and(|&unit| unit > LAST_UNIT))
}

fn word(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]))
}

/// A length that a byte of the frame says, beside the bytes around what it counts.
fn counted(bytes: &[u8], at: usize, around: usize) -> Length {
    bytes.get(at).map_or(Length::NotYet, |&count| Length::Exactly(around + usize::from(count)))
}

/// Whether the address and quantity of a reading request are known, and no such stretch exists.
fn is_no_stretch(bytes: &[u8], function: u8) -> bool {
    let most = if function <= 0x02 { 2000 } else { 125 };
    word(bytes, 2)
        .zip(word(bytes, 4))
        .is_some_and(|(start, count)| count == 0 || count > most || u32::from(start) + u32::from(count) > 0x1_0000)
}

/// The length of an identification, object by object (section 6.21).
fn identification_length(bytes: &[u8]) -> Length {
    if bytes.get(2).is_some_and(|&kind| kind != READ_IDENTIFICATION) {
        return Length::Never;
    }
    let Some(&objects) = bytes.get(7) else { return Length::NotYet };
    let mut end = 8;
    for _ in 0..objects {
        let Some(&length) = bytes.get(end + 1) else { return Length::NotYet };
        end += 2 + usize::from(length);
        if end > LONGEST {
            return Length::Never;
        }
    }
    Length::Exactly(end + 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked examples of the MODBUS Application Protocol V1.1b3, sections 6.1 to 6.21, after an address: what is asked, and
    /// the bytes of request and reply without their checksums.
    const EXAMPLES: [(&[u8], &[u8]); 13] = [
        (&[0x01, 0x00, 0x13, 0x00, 0x13], &[0x01, 0x03, 0xCD, 0x6B, 0x05]),
        (&[0x02, 0x00, 0xC4, 0x00, 0x16], &[0x02, 0x03, 0xAC, 0xDB, 0x35]),
        (&[0x03, 0x00, 0x6B, 0x00, 0x03], &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]),
        (&[0x04, 0x00, 0x08, 0x00, 0x01], &[0x04, 0x02, 0x00, 0x0A]),
        (&[0x05, 0x00, 0xAC, 0xFF, 0x00], &[0x05, 0x00, 0xAC, 0xFF, 0x00]),
        (&[0x06, 0x00, 0x01, 0x00, 0x03], &[0x06, 0x00, 0x01, 0x00, 0x03]),
        (&[0x07], &[0x07, 0x6D]),
        (&[0x0B], &[0x0B, 0xFF, 0xFF, 0x01, 0x08]),
        (&[0x0F, 0x00, 0x13, 0x00, 0x0A, 0x02, 0xCD, 0x01], &[0x0F, 0x00, 0x13, 0x00, 0x0A]),
        (&[0x10, 0x00, 0x01, 0x00, 0x02, 0x04, 0x00, 0x0A, 0x01, 0x02], &[0x10, 0x00, 0x01, 0x00, 0x02]),
        (&[0x16, 0x00, 0x04, 0x00, 0xF2, 0x00, 0x25], &[0x16, 0x00, 0x04, 0x00, 0xF2, 0x00, 0x25]),
        (
            &[0x17, 0x00, 0x03, 0x00, 0x06, 0x00, 0x0E, 0x00, 0x03, 0x06, 0x00, 0xFF, 0x00, 0xFF, 0x00, 0xFF],
            &[0x17, 0x0C, 0x00, 0xFE, 0x0A, 0xCD, 0x00, 0x01, 0x00, 0x03, 0x00, 0x0D, 0x00, 0xFF],
        ),
        (&[0x18, 0x04, 0xDE], &[0x18, 0x00, 0x06, 0x00, 0x02, 0x01, 0xB8, 0x12, 0x84]),
    ];

    /// At every prefix the length is either not known yet or right.
    fn is_told(length: fn(&[u8]) -> Length, data: &[u8]) {
        let frame = super::super::super::checksum::sealed(&[&[0x11][..], data].concat());
        for so_far in 1..=frame.len() {
            let told = length(&frame[..so_far]);
            assert!(
                told == Length::NotYet || told == Length::Exactly(frame.len()),
                "{so_far} of {frame:02X?}: {told:?}"
            );
        }
        assert_eq!(length(&frame), Length::Exactly(frame.len()), "{frame:02X?}");
    }

    #[test]
    fn the_published_examples_have_their_lengths() {
        for (request, reply) in EXAMPLES {
            is_told(request_length, request);
            is_told(reply_length, reply);
        }
        is_told(reply_length, &[0x83, 0x02]);
        is_told(reply_length, &[&[0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 3][..], b"abc", &[1, 2], b"de"].concat());
    }

    #[test]
    fn what_cannot_be_is_ruled_out_early() {
        for request in [
            &[248][..],
            &[0, 3],
            &[5, 3, 0, 0, 0, 0],
            &[5, 3, 0, 0, 0, 126],
            &[5, 4, 0xFF, 0xFF, 0, 2],
            &[5, 0x10, 0, 0, 0, 2, 3],
        ] {
            assert_eq!(request_length(request), Length::Never, "{request:?}");
        }
        for reply in [&[0][..], &[5, 3, 3], &[5, 3, 0], &[5, 4, 252], &[5, 0x64], &[5, 0x83, 0]] {
            let told = reply_length(reply);
            assert!(told == Length::Never || reply.len() == 1 && told == Length::NotYet, "{reply:?}: {told:?}");
        }
    }

    #[test]
    fn bits_and_registers_are_taken_from_the_published_replies() {
        let reply = |data: &[u8]| super::super::super::checksum::sealed(&[&[0x11][..], data].concat());
        let coils = Request { table: Table::Coil, start: 19, count: 19 };
        let bits = [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1];
        assert_eq!(words(&reply(EXAMPLES[0].1), coils), Some(bits.to_vec()));
        let registers = Request { table: Table::Holding, start: 107, count: 3 };
        assert_eq!(words(&reply(EXAMPLES[2].1), registers), Some(vec![0x022B, 0, 0x0064]));
        assert_eq!(words(&reply(EXAMPLES[2].1), Request { count: 2, ..registers }), None);
    }
}

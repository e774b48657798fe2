//! Requests that were not heard well.

use super::super::checksum::is_sound;
use super::frame::{Asked, Length, asked, request_length};
use super::master::PollKey;

/// A request to read has so many bytes, whatever it asks for.
const REQUEST_LENGTH: usize = 8;

/// The requests from which these differ in one byte: the master asked, and was not heard well. Mostly there is one or none.
pub(super) fn nearly_requests(bytes: &[u8]) -> Vec<PollKey> {
    if bytes.len() != REQUEST_LENGTH {
        return Vec::new();
    }
    let mut mended = bytes.to_vec();
    let mut found = Vec::new();
    for place in 0..bytes.len() {
        for byte in 0..=u8::MAX {
            mended[place] = byte;
            if is_sound(&mended)
                && request_length(&mended) == Length::Exactly(REQUEST_LENGTH)
                && let Asked::Read(request) = asked(&mended)
            {
                found.push(PollKey::new(mended[0], request));
            }
        }
        mended[place] = bytes[place];
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use tallywell_witness::declared::Table;
    use tallywell_witness::plan::Request;

    use super::*;

    proptest! {
        #[test]
        fn one_wrong_byte_is_mended(place in 0..8_usize, turned in 1..=255_u8) {
            // MODBUS Application Protocol V1.1b3, section 6.3, at address 11h.
            let mut heard = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
            heard[place] ^= turned;
            let asked = PollKey::new(0x11, Request { table: Table::Holding, start: 0x6B, count: 3 });
            prop_assert!(nearly_requests(&heard).contains(&asked));
        }
    }
}

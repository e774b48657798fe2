//! Requests that were not heard well.

use super::super::checksum::is_sound;
use super::frame::{Asked, Length, asked, request_length};
use super::master::PollKey;

/// A request to read has so many bytes, whatever it asks for.
pub(super) const REQUEST_LENGTH: usize = 8;

/// The requests from which these bytes differ in one byte: the master asked, and was not heard well. Mostly there is one or
/// none. Where a reply that was not heard well either stands before it or after it, only what the master is `known` to ask is
/// believed.
pub(super) fn nearly_requests(bytes: &[u8], known: impl Fn(&PollKey) -> bool) -> Vec<PollKey> {
    if bytes.len() == REQUEST_LENGTH {
        return mended(bytes);
    }
    let ends = [bytes.last_chunk::<REQUEST_LENGTH>(), bytes.first_chunk::<REQUEST_LENGTH>()];
    ends.into_iter().flatten().flat_map(|end| mended(end)).filter(known).collect()
}

fn mended(bytes: &[u8]) -> Vec<PollKey> {
    let mut mended = bytes.to_vec();
    let mut found = Vec::new();
    for place in 0..bytes.len() {
        for byte in 0..=u8::MAX {
            mended[place] = byte;
            if request_length(&mended) == Length::Exactly(REQUEST_LENGTH)
                && is_sound(&mended)
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
        fn one_wrong_byte_is_mended(
            place in 0..8_usize, turned in 1..=255_u8,
            beside in proptest::collection::vec(any::<u8>(), 1..20),
        ) {
            // MODBUS Application Protocol V1.1b3, section 6.3, at address 11h.
            let mut heard = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
            heard[place] ^= turned;
            let asked = PollKey::new(0x11, Request { table: Table::Holding, start: 0x6B, count: 3 });
            prop_assert!(nearly_requests(&heard, |_| false).contains(&asked));
            for heard in [[&beside[..], &heard].concat(), [&heard[..], &beside].concat()] {
                prop_assert!(nearly_requests(&heard, |key| *key == asked).contains(&asked));
            }
        }
    }
}

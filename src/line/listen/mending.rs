//! Requests that were not heard well.

use super::super::checksum::is_sound;
use super::frame::{Asked, Length, asked, request_length};
use super::master::PollKey;

/// A request to read has so many bytes, whatever it asks for.
pub(super) const REQUEST_LENGTH: usize = 8;

/// A request that was not heard well.
pub(super) struct Lost {
    /// What may have been asked: mostly one request or none.
    pub(super) perhaps: Vec<PollKey>,
    /// Nothing stood before it.
    pub(super) is_first: bool,
}

/// The requests from which these bytes differ in one byte: the master asked, and was not heard well. Where a reply that was not heard well either stands before it or after it, only what the master is `known` to ask is
/// believed.
pub(super) fn nearly_requests(bytes: &[u8], known: impl Fn(&PollKey) -> bool) -> Lost {
    if bytes.len() == REQUEST_LENGTH {
        return Lost { perhaps: mended(bytes), is_first: true };
    }
    let of = |end: Option<&[u8; REQUEST_LENGTH]>| -> Vec<PollKey> {
        end.into_iter().flat_map(|end| mended(end)).filter(&known).collect()
    };
    let (first, last) = (of(bytes.first_chunk()), of(bytes.last_chunk()));
    Lost { is_first: !first.is_empty(), perhaps: [last, first].concat() }
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

/// Whether bytes that should begin so are a sound frame then, but for one bit at the most behind that.
pub(super) fn nearly_sound(beginning: &[u8], bytes: &[u8]) -> bool {
    let Some(rest) = bytes.get(beginning.len()..) else { return false };
    let mut mended = [beginning, rest].concat();
    is_sound(&mended)
        || (beginning.len()..mended.len()).any(|place| {
            (0..u8::BITS).any(|bit| {
                mended[place] ^= 1 << bit;
                let sound = is_sound(&mended);
                mended[place] ^= 1 << bit;
                sound
            })
        })
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
            prop_assert!(nearly_requests(&heard, |_| false).perhaps.contains(&asked));
            for heard in [[&beside[..], &heard].concat(), [&heard[..], &beside].concat()] {
                prop_assert!(nearly_requests(&heard, |key| *key == asked).perhaps.contains(&asked));
            }
        }
    }
}

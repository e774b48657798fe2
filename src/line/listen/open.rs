//! The request that may be answered next, and what the bytes that came instead of a sound reply say.

use super::cutter::Frame;
use super::frame::Asked;
use super::mending::nearly_sound;

/// Address, function, byte count and checksum around the data of a reply.
pub(super) const AROUND_DATA: usize = 5;

/// The request that may be answered next.
#[derive(Clone, Debug)]
pub(super) struct Open {
    pub(super) frame: Frame,
    pub(super) asked: Asked,
    /// The same was asked just before, and got no good reply.
    pub(super) is_repetition: bool,
    pub(super) noise: usize,
    pub(super) noise_begins_as_reply: bool,
    pub(super) noise_is_its_reply: bool,
    /// A unit that has answered late if more than this noise comes before the master goes on.
    pub(super) late_if_more: Option<u8>,
}

impl Open {
    pub(super) const fn new(frame: Frame, asked: Asked, is_repetition: bool) -> Self {
        Self {
            frame,
            asked,
            is_repetition,
            noise: 0,
            noise_begins_as_reply: false,
            noise_is_its_reply: false,
            late_if_more: None,
        }
    }

    /// Whether so many bytes are no more than the reply that is called for.
    pub(super) fn calls_for(&self, length: usize) -> bool {
        matches!(self.asked, Asked::Read(request) if length <= AROUND_DATA + usize::from(request.reply_bytes()))
    }

    /// Whether a broken frame is the reply: it has the address, or begins as the reply does but for an address at which nobody
    /// is `known`, or is the reply but for what is known of it and for a bit.
    pub(super) fn is_answered_by(&self, broken: &[u8], known: impl Fn(u8) -> bool) -> bool {
        let (Asked::Read(request), &[unit, ..]) = (self.asked, broken) else { return false };
        let Ok(count) = u8::try_from(request.reply_bytes()) else { return false };
        let [asked, function] = [self.frame.unit(), self.frame.bytes[1]];
        let begins_so = broken.get(1..3) == Some(&[function, count]) && !known(unit);
        // More may stand behind it that was not heard well either.
        let whole = broken.get(..AROUND_DATA + usize::from(count));
        let is_nearly_sound = whole.is_some_and(|whole| nearly_sound(&[asked, function, count], whole));
        unit == asked || begins_so || is_nearly_sound
    }
}

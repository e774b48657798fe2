//! What the slaves hear: bytes, gathered into frames.

use super::witnessed::Talker;
use crate::frame::{LONGEST_FRAME, request_length, sound};

/// The frame that is on the wire now.
#[derive(Debug, Default)]
pub(super) struct Listening {
    bytes: Vec<u8>,
    from: Option<Talker>,
}

/// A frame that has ended.
#[derive(Debug)]
pub(super) struct Closed {
    pub(super) bytes: Vec<u8>,
    pub(super) from: Talker,
}

impl Listening {
    /// Who began the frame on the wire, if there is one.
    pub(super) fn from(&self) -> Option<Talker> {
        self.from
    }

    pub(super) fn hear(&mut self, from: Talker, bytes: &[u8]) {
        self.from.get_or_insert(from);
        // One byte beyond the longest frame is enough to know that it is none.
        let room = (LONGEST_FRAME + 1).saturating_sub(self.bytes.len());
        self.bytes.extend_from_slice(&bytes[..bytes.len().min(room)]);
    }

    /// Ends the frame.
    pub(super) fn close(&mut self) -> Option<Closed> {
        let from = self.from.take()?;
        Some(Closed { bytes: std::mem::take(&mut self.bytes), from })
    }

    /// Ends the frame where no silence does: at the length that its function code says, or when it is given up.
    pub(super) fn close_request(&mut self, abandoned: bool) -> Option<Closed> {
        let from = self.from?;
        let said = request_length(&self.bytes).filter(|&length| {
            from == Talker::Master && self.bytes.get(..length).is_some_and(|frame| sound(frame).is_some())
        });
        let length = match said {
            Some(length) => length,
            None if abandoned || from != Talker::Master || sound(&self.bytes).is_some() => return self.close(),
            None => return None,
        };
        let rest = self.bytes.split_off(length);
        let bytes = std::mem::replace(&mut self.bytes, rest);
        if self.bytes.is_empty() {
            self.from = None;
        }
        Some(Closed { bytes, from })
    }
}

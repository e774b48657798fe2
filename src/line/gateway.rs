//! The frames of a gateway that speaks Modbus TCP, turned into and out of the frames of a serial line.
//!
//! A TCP frame has a header of seven bytes (transaction number, protocol 0, length, unit) in place of the checksum
//! (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3). Here each whole frame with the right number is
//! sealed with a checksum, and judged like any other reply; one with an older number is late, whatever it looks like.

use super::checksum::sealed;

/// Transaction number, protocol, length.
const HEADER: usize = 6;
/// The longest unit and data that a frame carries.
const LONGEST_BODY: usize = 254;

/// Both directions of one TCP connection to a gateway.
#[derive(Debug, Default)]
pub struct GatewayFrames {
    number: u16,
    received: Vec<u8>,
}

/// What came through a gateway.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unwrapped {
    /// Frames with the current number, sealed, one after the other.
    pub frames: Vec<u8>,
    /// Sealed frames with an older number: replies that came after their turn.
    pub late: Vec<Vec<u8>>,
}

/// The bytes are no frames of this protocol; the connection has to be made anew, because their borders are lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the gateway sends something else than Modbus TCP; `rtu+tcp://` is for gateways that pass serial frames on")]
pub struct NotModbusTcp;

impl GatewayFrames {
    /// Turns a serial request into one for the gateway, under a new number.
    pub fn wrap(&mut self, serial_frame: &[u8]) -> Vec<u8> {
        self.number = self.number.wrapping_add(1);
        let body = &serial_frame[..serial_frame.len().saturating_sub(2)];
        let length = u16::try_from(body.len()).unwrap_or(u16::MAX);
        [&self.number.to_be_bytes(), &[0, 0], &length.to_be_bytes(), body].concat()
    }

    /// Takes bytes from the gateway, and gives the frames that are whole.
    ///
    /// # Errors
    /// The bytes are not of this protocol.
    pub fn unwrap(&mut self, bytes: &[u8]) -> Result<Unwrapped, NotModbusTcp> {
        self.received.extend_from_slice(bytes);
        let mut unwrapped = Unwrapped::default();
        while let Some((header, rest)) = self.received.split_first_chunk::<HEADER>() {
            let [number_high, number_low, protocol_high, protocol_low, length_high, length_low] = *header;
            let length = usize::from(u16::from_be_bytes([length_high, length_low]));
            if (protocol_high, protocol_low) != (0, 0) || !(2..=LONGEST_BODY).contains(&length) {
                return Err(NotModbusTcp);
            }
            let Some(body) = rest.get(..length) else { break };
            let frame = sealed(body);
            if u16::from_be_bytes([number_high, number_low]) == self.number {
                unwrapped.frames.extend_from_slice(&frame);
            } else {
                unwrapped.late.push(frame);
            }
            self.received.drain(..HEADER + length);
        }
        Ok(unwrapped)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Three holding registers from 6Bh of unit 11h: MODBUS Application Protocol V1.1b3, section 6.3.
    const REQUEST: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
    const REPLY: [u8; 9] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64];

    fn gateway_frame(number: u16, body: &[u8]) -> Vec<u8> {
        let length = u16::try_from(body.len()).expect("test frames are short");
        [&number.to_be_bytes()[..], &[0, 0], &length.to_be_bytes(), body].concat()
    }

    #[test]
    fn a_request_has_a_number_and_no_checksum() {
        let mut frames = GatewayFrames::default();
        assert_eq!(frames.wrap(&REQUEST), [0, 1, 0, 0, 0, 6, 0x11, 0x03, 0x00, 0x6B, 0x00, 0x03]);
        assert_eq!(frames.wrap(&REQUEST)[..2], [0, 2]);
    }

    #[test]
    fn something_else_is_noticed() {
        assert_eq!(GatewayFrames::default().unwrap(b"SSH-2.0-something"), Err(NotModbusTcp));
    }

    proptest! {
        /// However the bytes are cut, frames of the current number come out whole and in order, others as late.
        #[test]
        fn frames_are_found_in_any_pieces(numbers in proptest::collection::vec(0..3_u16, 1..8), piece in 1..40_usize) {
            let mut frames = GatewayFrames::default();
            frames.wrap(&REQUEST);
            let stream: Vec<u8> = numbers.iter().flat_map(|&number| gateway_frame(number, &REPLY)).collect();
            let mut all = Unwrapped::default();
            for bytes in stream.chunks(piece) {
                let some = frames.unwrap(bytes).expect("the stream is of this protocol");
                all.frames.extend(some.frames);
                all.late.extend(some.late);
            }
            let current = numbers.iter().filter(|&&number| number == 1).count();
            prop_assert_eq!(all.frames, sealed(&REPLY).repeat(current));
            prop_assert_eq!(all.late.len(), numbers.len() - current);
        }
    }
}

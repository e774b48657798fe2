//! The protocol crate, attached to bytes in memory.
//!
//! The crate encodes the request and decodes the reply, but it never sees the port: it writes into a *tap* and reads from
//! it, and the tap holds a reply only when a [`Transaction`](super::transaction::Transaction) has found it whole and
//! sound. So no stale byte, no broken frame and no dropped call can reach it; after a fault it is attached anew.

use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, Waker};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_modbus::client::{Client, Context as Attached, rtu};
use tokio_modbus::{Response, Slave};

use super::request::{Answer, ReadRequest, UnitAddress};

/// A reply that was whole and sound, and that the protocol crate could not make sense of all the same.
#[derive(Debug, thiserror::Error)]
#[error("the reply's content is malformed: {0}")]
pub struct Malformed(String);

/// Turns requests into frames and sound frames into answers.
pub struct Codec {
    attached: Attached,
    tap: Tap,
}

impl Default for Codec {
    /// With the protocol crate freshly attached.
    fn default() -> Self {
        let tap = Tap::default();
        Self { attached: rtu::attach(tap.clone()), tap }
    }
}

impl Codec {
    /// Encodes a request, has `perform` carry its frame to the device and bring the sound reply, and decodes that.
    ///
    /// # Errors
    /// The outer error is whatever `perform` returns; the protocol crate is then attached anew. The inner one is a reply
    /// that cannot be decoded.
    pub async fn exchange<Fault>(
        &mut self,
        unit: UnitAddress,
        request: ReadRequest,
        perform: impl AsyncFnOnce(&[u8]) -> Result<Vec<u8>, Fault>,
    ) -> Result<Result<Answer, Malformed>, Fault> {
        use tokio_modbus::slave::SlaveContext as _;
        self.attached.set_slave(Slave(unit.value()));
        let outcome = {
            let mut call = self.attached.call(request.to_protocol());
            // The first poll writes the whole request into the tap, and then finds nothing to read.
            let early = std::future::poll_fn(|context| Poll::Ready(call.as_mut().poll(context))).await;
            match early {
                Poll::Ready(outcome) => Ok(decoded(request, outcome, &[])),
                Poll::Pending => match perform(&self.tap.take_request()).await {
                    Ok(reply) => {
                        self.tap.deliver(&reply);
                        Ok(decoded(request, call.await, &reply))
                    }
                    Err(fault) => Err(fault),
                },
            }
        };
        if !matches!(outcome, Ok(Ok(_))) {
            *self = Self::default();
        }
        outcome
    }
}

impl std::fmt::Debug for Codec {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Codec").field("tap", &self.tap).finish_non_exhaustive()
    }
}

/// The protocol crate's response as an [`Answer`]. `frame` is the whole RTU frame that it was decoded from.
fn decoded(request: ReadRequest, outcome: tokio_modbus::Result<Response>, frame: &[u8]) -> Result<Answer, Malformed> {
    let response = match outcome {
        Ok(Ok(response)) => response,
        Ok(Err(exception)) => return Err(Malformed(format!("an unexpected exception, {exception}"))),
        // A server identification is the device's own format; the crate insists on two run states.
        Err(_) if request.function() == 0x11 && frame.len() > 5 => {
            return Ok(Answer::ServerId(frame[3..frame.len() - 2].to_vec()));
        }
        Err(error) => return Err(Malformed(error.to_string())),
    };
    match response {
        Response::ReadCoils(mut bits) | Response::ReadDiscreteInputs(mut bits) => {
            bits.truncate(usize::from(request.count()));
            Ok(Answer::Bits(bits))
        }
        Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words) => Ok(Answer::Registers(words)),
        Response::ReportServerId(id, running, rest) => {
            Ok(Answer::ServerId([&[id, if running { 0xFF } else { 0 }], rest.as_slice()].concat()))
        }
        Response::ReadDeviceIdentification(found) => Ok(Answer::Identification {
            next: found.more_follows.then_some(found.next_object_id),
            objects: found.device_id_objects.into_iter().map(|object| (object.id, object.value.to_vec())).collect(),
        }),
        Response::Custom(0x08, bytes) if bytes.len() == 4 => {
            Ok(Answer::Diagnostic(u16::from_be_bytes([bytes[2], bytes[3]])))
        }
        other => Err(Malformed(format!("a response of another kind: {other:?}"))),
    }
}

/// The two directions of bytes in memory, shared between the codec and the protocol crate.
#[derive(Clone, Debug, Default)]
struct Tap(Arc<Mutex<Bytes>>);

#[derive(Debug, Default)]
struct Bytes {
    request: Vec<u8>,
    reply: Vec<u8>,
    reader: Option<Waker>,
}

impl Tap {
    fn with<T>(&self, act: impl FnOnce(&mut Bytes) -> T) -> T {
        act(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn take_request(&self) -> Vec<u8> {
        self.with(|bytes| std::mem::take(&mut bytes.request))
    }

    fn deliver(&self, reply: &[u8]) {
        self.with(|bytes| {
            bytes.reply.extend_from_slice(reply);
            if let Some(reader) = bytes.reader.take() {
                reader.wake();
            }
        });
    }
}

impl AsyncRead for Tap {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        self.with(|bytes| {
            if bytes.reply.is_empty() {
                bytes.reader = Some(context.waker().clone());
                return Poll::Pending;
            }
            let count = bytes.reply.len().min(into.remaining());
            into.put_slice(&bytes.reply[..count]);
            bytes.reply.drain(..count);
            Poll::Ready(Ok(()))
        })
    }
}

impl AsyncWrite for Tap {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        self.with(|bytes| bytes.request.extend_from_slice(from));
        Poll::Ready(Ok(from.len()))
    }

    /// Always done: the port's own flush would wait for the wire on the line's thread, and the end of sending is
    /// computed from the bytes and the rate.
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[cfg(test)]
mod tests {
    use tallywell_witness::declared::Table;

    use super::super::checksum::sealed;
    use super::super::request::Diagnostic;
    use super::*;

    fn exchange(codec: &mut Codec, request: ReadRequest, reply: &[u8]) -> (Vec<u8>, Result<Answer, Malformed>) {
        let unit = UnitAddress::new(0x11).expect("11h is a unit's address");
        let mut sent = Vec::new();
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers starts");
        let answer = runtime.block_on(codec.exchange(unit, request, async |frame: &[u8]| {
            sent = frame.to_vec();
            Ok::<_, std::convert::Infallible>(reply.to_vec())
        }));
        (sent, answer.unwrap_or_else(|never| match never {}))
    }

    /// The worked examples of MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4 and 6.8, at address 11h.
    #[test]
    fn published_frames_byte_for_byte() {
        let mut codec = Codec::default();
        let table = |table, start, count| ReadRequest::table(table, start, count).expect("within limits");

        let (sent, answer) = exchange(&mut codec, table(Table::Coil, 0x13, 19), &sealed(&[0x11, 1, 3, 0xCD, 0x6B, 5]));
        assert_eq!(sent, [0x11, 0x01, 0x00, 0x13, 0x00, 0x13, 0x8E, 0x92]);
        let Ok(Answer::Bits(bits)) = answer else { panic!("{answer:?}") };
        let as_text: String = bits.iter().map(|&bit| if bit { '1' } else { '0' }).collect();
        assert_eq!(as_text, "1011001111010110101");

        let reply = [0x11, 0x02, 0x03, 0xAC, 0xDB, 0x35, 0x20, 0x18];
        let (sent, answer) = exchange(&mut codec, table(Table::Discrete, 0xC4, 22), &reply);
        assert_eq!(sent, [0x11, 0x02, 0x00, 0xC4, 0x00, 0x16, 0xBA, 0xA9]);
        let Ok(Answer::Bits(bits)) = answer else { panic!("{answer:?}") };
        assert_eq!(bits.len(), 22);

        let reply = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];
        let (sent, answer) = exchange(&mut codec, table(Table::Holding, 0x6B, 3), &reply);
        assert_eq!(sent, [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]);
        assert_eq!(answer.expect("a right reply"), Answer::Registers(vec![555, 0, 100]));

        let (sent, answer) = exchange(&mut codec, table(Table::Input, 8, 1), &[0x11, 4, 2, 0, 0x0A, 0xF8, 0xF4]);
        assert_eq!(sent, [0x11, 0x04, 0x00, 0x08, 0x00, 0x01, 0xB2, 0x98]);
        assert_eq!(answer.expect("a right reply"), Answer::Registers(vec![10]));

        let echo = [0x11, 0x08, 0x00, 0x00, 0xA5, 0x37, 0xD8, 0x1D];
        let (sent, answer) = exchange(&mut codec, ReadRequest::diagnostic(Diagnostic::Echo(0xA537)), &echo);
        assert_eq!(sent, echo);
        assert_eq!(answer.expect("a right reply"), Answer::Diagnostic(0xA537));
    }

    /// Section 6.21's basic identification, with the lengths that its texts have.
    #[test]
    fn identification_and_server_id() {
        let mut codec = Codec::default();
        let body = [&[0x11, 0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 4], b"Acme".as_slice(), &[2, 5], b"V2.11"].concat();
        let (sent, answer) = exchange(&mut codec, ReadRequest::identification(0), &sealed(&body));
        assert_eq!(sent, [0x11, 0x2B, 0x0E, 0x01, 0x00, 0xB1, 0xB4]);
        let objects = vec![(0, b"Acme".to_vec()), (2, b"V2.11".to_vec())];
        assert_eq!(answer.expect("a right reply"), Answer::Identification { objects, next: None });

        let (sent, answer) = exchange(&mut codec, ReadRequest::server_id(), &sealed(&[0x11, 0x11, 3, 7, 0x55, 9]));
        assert_eq!(sent, [0x11, 0x11, 0xCD, 0xEC]);
        assert_eq!(answer.expect("a run state of the device's own"), Answer::ServerId(vec![7, 0x55, 9]));
    }

    /// Section 6.21 prints lengths that its texts do not have, and three objects where two are listed and one: who takes the
    /// examples at their word gets a reply of a wrong length, which is never decoded. With the right lengths it is sound.
    #[test]
    fn the_misprints_of_the_standard_are_replies_of_a_wrong_length() {
        let company = [&[0, 0x16], b"Company identification".as_slice()].concat();
        let short = |length: u8| [&[1, length], b"Product code XX".as_slice()].concat();
        let long = [&[1, 0x1C], b"Product code XXXXXXXXXXXXXXXX".as_slice()].concat();
        let revision = [&[2, 5], b"V2.11".as_slice()].concat();
        let reply = |head: [u8; 6], objects: &[&[u8]]| sealed(&[&[0x11, 0x2B][..], &head, &objects.concat()].concat());
        let printed = [
            reply([0x0E, 1, 1, 0, 0, 3], &[&company, &short(0x0D), &revision]),
            reply([0x0E, 1, 1, 0xFF, 2, 3], &[&company, &long]),
            reply([0x0E, 1, 1, 0, 0, 3], &[&revision]),
        ];
        let shape = ReadRequest::identification(0).reply_shape();
        for frame in printed {
            assert_ne!(shape.whole_length(&frame), Some(frame.len()), "{frame:02X?}");
        }
        let meant = reply([0x0E, 1, 1, 0, 0, 3], &[&company, &short(0x0F), &revision]);
        assert_eq!(shape.whole_length(&meant), Some(meant.len()));
        let (_, answer) = exchange(&mut Codec::default(), ReadRequest::identification(0), &meant);
        let Ok(Answer::Identification { objects, next: None }) = answer else { panic!("{answer:?}") };
        assert_eq!(objects[1], (1, b"Product code XX".to_vec()));
    }

    #[test]
    fn a_fault_leaves_nothing_behind() {
        let mut codec = Codec::default();
        let unit = UnitAddress::new(0x11).expect("11h is a unit's address");
        let request = ReadRequest::table(Table::Holding, 0x6B, 3).expect("within limits");
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers starts");
        let failed = runtime.block_on(codec.exchange(unit, request, async |_: &[u8]| Err::<Vec<u8>, _>("timeout")));
        assert_eq!(failed.err(), Some("timeout"));
        let reply = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];
        let (sent, answer) = exchange(&mut codec, request, &reply);
        assert_eq!(sent.len(), 8, "only the new request is sent");
        assert_eq!(answer.expect("a right reply"), Answer::Registers(vec![555, 0, 100]));
    }
}

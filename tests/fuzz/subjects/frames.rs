//! What comes over the wire in answer to a request, in any pieces, at any times.

use std::time::Duration;

use tallywell::line::checksum::{is_sound, sealed};
use tallywell::line::moment::{Between, Moment};
use tallywell::line::overdue::Overdue;
use tallywell::line::request::{Diagnostic, ReadRequest, UnitAddress};
use tallywell::line::tap::Codec;
use tallywell::line::transaction::{Action, ReplyTiming, Transaction};
use tallywell_witness::declared::{EarlyReplies, Table};
use tokio::runtime::{Builder, Runtime};

const CHARACTER: Duration = Duration::from_nanos(572_917);

/// Two bytes choose request and line, then come pieces: one byte for the pause before it, one for its length and whether
/// the right checksum follows, and the piece. What is taken for an answer must be one.
pub fn take(input: &[u8]) {
    let Some(([asked, line], mut rest)) = input.split_first_chunk::<2>() else { return };
    let unit = UnitAddress::new(17).expect("17 is an address");
    let request = match asked % 8 {
        0 => ReadRequest::table(Table::Holding, 0x6B, 3),
        1 => ReadRequest::table(Table::Input, 0, 125),
        2 => ReadRequest::table(Table::Coil, 0x13, 19),
        3 => ReadRequest::table(Table::Discrete, 0, 2000),
        4 => Ok(ReadRequest::diagnostic(Diagnostic::Echo(0xA537))),
        5 => Ok(ReadRequest::diagnostic(Diagnostic::BusMessages)),
        6 => Ok(ReadRequest::server_id()),
        _ => Ok(ReadRequest::identification(0)),
    }
    .expect("within the limits");
    let timing = ReplyTiming {
        character: CHARACTER,
        silence: Duration::from_micros(2_005),
        quiet_gap: Duration::from_millis(6),
        reply_timeout: Duration::from_millis(300),
        early_replies: if line & 1 == 0 { EarlyReplies::Refuse } else { EarlyReplies::Accept },
        echo: line & 2 != 0,
    };
    let mut overdue = Overdue::default();
    let far = Moment(1_000_000_000);
    if line & 4 != 0 {
        overdue.expect(UnitAddress::new(18).expect("18 is an address"), request, far, true);
        overdue.expect(unit, request, far, line & 8 != 0);
    }
    let frame = sealed(&[17, request.function(), 0, 0x6B, 0, 3]);
    let mut transaction = Transaction::new(unit, request, &frame, timing, &mut overdue, Between::exactly(Moment(0)));
    let mut now = Moment(0);
    let mut action = transaction.on_time(now);
    while let Action::WaitUntil(until) = action {
        assert!(until > now, "asked to wait for an instant that is not ahead");
        let Some(([pause, length], after)) = rest.split_first_chunk::<2>() else {
            now = until;
            action = transaction.on_time(now);
            continue;
        };
        rest = after;
        let (piece, after) = rest.split_at(usize::from(length >> 1).min(rest.len()));
        rest = after;
        let came = Moment(now.0 + 1 + i64::from(*pause) * 100);
        let piece = if length & 1 == 0 { piece.to_vec() } else { sealed(piece) };
        action = transaction.on_bytes(&piece, Between { earliest: now, latest: came });
        now = came;
    }
    if let Action::Done(reply) = &action {
        assert!(is_sound(&reply.frame), "an answer whose checksum is wrong");
        assert_eq!(reply.frame[..2], [17, request.function()], "an answer of another unit, or to another question");
        assert_eq!(
            request.reply_shape().whole_length(&reply.frame),
            Some(reply.frame.len()),
            "not as long as asked for"
        );
        decode(unit, request, &reply.frame);
    }
    assert!(transaction.unfit().len() <= input.len() * 2, "more came than was sent");
}

/// The protocol crate gets only frames that were found sound, and must bear every one of them.
fn decode(unit: UnitAddress, request: ReadRequest, frame: &[u8]) {
    thread_local! {
        static RUNTIME: Runtime = Builder::new_current_thread().build().expect("a runtime without drivers");
    }
    let mut codec = Codec::default();
    let exchanged = codec.exchange(unit, request, async |_| Ok::<_, ()>(frame.to_vec()));
    let answered = RUNTIME.with(|runtime| runtime.block_on(exchanged));
    assert!(answered.is_ok(), "the exchange itself cannot fail");
}

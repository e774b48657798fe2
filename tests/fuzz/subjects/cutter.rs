//! What passes on a line that is only listened to, in any lumps at any times: cut into frames, and followed.

use std::time::Duration;

use tallywell::line::checksum::{is_sound, sealed};
use tallywell::line::listen::cutter::{Cut, Cutter, Frame, Role};
use tallywell::line::listen::exchange::Exchange;
use tallywell::line::listen::follower::{FollowTiming, Follower};
use tallywell::line::moment::{Between, Moment};
use tallywell_witness::declared::Table;

/// Characters of 9600, 38400 and 115200 bits a second.
const CHARACTERS: [Duration; 3] =
    [Duration::from_nanos(1_145_833), Duration::from_nanos(286_458), Duration::from_nanos(95_486)];
/// The longest frame (MODBUS over Serial Line V1.02, section 2.5.1).
const LONGEST: usize = 256;

/// One byte chooses the line, then come lumps: one byte for the pause before it, one for its length and whether it gets
/// the right checksum, and the bytes. A long pause is a silence. Every byte comes out again once, in its order; what is
/// called a frame is sound; and a value is what a reply held to a request that was heard.
pub fn take(input: &[u8]) {
    let Some((line, mut rest)) = input.split_first() else { return };
    let character = CHARACTERS[usize::from(line % 3)];
    let mut cutter = Cutter::new(character);
    let timing = FollowTiming { character, silence: character * 7 / 2, worst_latency: Duration::from_millis(300) };
    let mut heard = Heard { follower: Follower::new(timing), bytes: Vec::new(), frames: Vec::new(), told: 0 };
    let mut given = Vec::new();
    let mut now = Moment(0);
    while let Some(([pause, length], after)) = rest.split_first_chunk::<2>() {
        let (piece, after) = after.split_at(usize::from(length >> 1).min(after.len()));
        rest = after;
        let piece = if length & 1 == 0 { piece.to_vec() } else { sealed(piece) };
        let silent = *pause >= 0xC0;
        let came = now.after(Duration::from_micros(u64::from(*pause) * 200) + character * piece.len() as u32);
        if silent {
            let cuts = cutter.quiet();
            assert!(!cutter.waits(), "a silence leaves nothing to be judged");
            heard.take(cuts);
            heard.on_time(came);
        }
        given.extend_from_slice(&piece);
        heard.take(cutter.hear(&piece, Between { earliest: now, latest: came }));
        now = came;
    }
    heard.take(cutter.quiet());
    heard.on_time(now.after(Duration::from_secs(1)));
    assert!(!cutter.waits(), "a silence leaves nothing to be judged");
    assert_eq!(heard.bytes, given, "every byte once, in its order");
    let requests = heard.frames.iter().filter(|frame| frame.role == Role::Request).count();
    assert!(heard.told <= requests, "{} answers to {requests} requests", heard.told);
}

struct Heard {
    follower: Follower,
    bytes: Vec<u8>,
    frames: Vec<Frame>,
    told: usize,
}

impl Heard {
    fn take(&mut self, cuts: Vec<Cut>) {
        for cut in cuts {
            match &cut {
                Cut::Frame(frame) => {
                    assert!(is_sound(&frame.bytes) && frame.bytes.len() <= LONGEST, "no frame: {frame:?}");
                    self.bytes.extend_from_slice(&frame.bytes);
                    self.frames.push(frame.clone());
                }
                Cut::Noise { bytes, .. } => {
                    assert!(!bytes.is_empty(), "noise without a byte");
                    self.bytes.extend_from_slice(bytes);
                }
            }
            let told = self.follower.take(cut);
            self.judge(told);
        }
    }

    fn on_time(&mut self, now: Moment) {
        let told = self.follower.on_time(now);
        self.judge(told);
    }

    fn judge(&mut self, told: Vec<Exchange>) {
        self.told += told.len();
        for Exchange { unit, request, outcome } in told {
            let function = match request.table {
                Table::Coil => 1,
                Table::Discrete => 2,
                Table::Holding => 3,
                Table::Input => 4,
            };
            let of_unit = |frame: &&Frame| frame.bytes[..2] == [unit, function];
            let asked = |frame: &Frame| {
                frame.role == Role::Request
                    && frame.bytes[2..6] == [request.start.to_be_bytes(), request.count.to_be_bytes()].concat()
            };
            let of_both = || self.frames.iter().filter(of_unit);
            assert!(of_both().any(asked), "an answer to what nobody asked: {unit} {request:?}");
            let Ok(values) = outcome else { continue };
            assert_eq!(values.words.len(), usize::from(request.count), "not as many as asked for");
            let holds =
                |frame: &Frame| frame.role == Role::Reply && words(frame, request.table).starts_with(&values.words);
            assert!(of_both().any(holds), "values that no reply held: {unit} {request:?} {:?}", values.words);
        }
    }
}

/// The registers of a reply, or its bits, lowest first (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4).
fn words(reply: &Frame, table: Table) -> Vec<u16> {
    let data = &reply.bytes[3..reply.bytes.len() - 2];
    match table {
        Table::Coil | Table::Discrete => {
            data.iter().flat_map(|byte| (0..8).map(move |bit| u16::from(byte >> bit & 1))).collect()
        }
        Table::Holding | Table::Input => data.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect(),
    }
}

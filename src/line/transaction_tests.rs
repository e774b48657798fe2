//! The transaction on a virtual clock: bytes and times in, a verdict out.

use proptest::prelude::*;
use tallywell_witness::declared::Table;

use super::super::checksum::sealed;
use super::*;

/// One character at 19200 bit/s and 11 bits.
const CHARACTER: Duration = Duration::from_nanos(572_917);

fn timing() -> ReplyTiming {
    ReplyTiming {
        character: CHARACTER,
        silence: Duration::from_micros(2005),
        quiet_gap: Duration::from_millis(6),
        reply_timeout: Duration::from_millis(300),
        early_replies: EarlyReplies::Refuse,
        echo: false,
    }
}

fn unit(address: u8) -> UnitAddress {
    UnitAddress::new(address).expect("test addresses are 1 to 247")
}

/// Three holding registers from 6Bh of unit 11h: MODBUS Application Protocol V1.1b3, section 6.3.
fn request() -> ReadRequest {
    ReadRequest::table(Table::Holding, 0x6B, 3).expect("three registers are few enough")
}

const REQUEST: [u8; 8] = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87];
const REPLY: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];

/// What came of bytes that arrived at these microseconds after the request was written, and when that was known.
struct Played {
    action: Action,
    at: i64,
    strays: Strays,
}

fn play_with(timing: ReplyTiming, overdue: &mut Overdue, arrivals: &[(i64, &[u8])]) -> Played {
    let mut transaction =
        Transaction::new(unit(0x11), request(), &REQUEST, timing, overdue, Between::exactly(Moment(0)));
    let mut arrivals = arrivals.iter();
    let mut next = arrivals.next();
    let mut now = Moment(0);
    let mut action = transaction.on_time(now);
    while let Action::WaitUntil(until) = action {
        assert!(until > now, "asked to wait for an instant that is not ahead");
        match next {
            Some(&(at, bytes)) if Moment(at) <= until => {
                now = Moment(at);
                action = transaction.on_bytes(bytes, Between { earliest: Moment(at - 100), latest: now });
                next = arrivals.next();
            }
            _ => {
                now = until;
                action = transaction.on_time(now);
            }
        }
    }
    Played { action, at: now.0, strays: transaction.strays().clone() }
}

fn play(arrivals: &[(i64, &[u8])]) -> Played {
    play_with(timing(), &mut Overdue::default(), arrivals)
}

fn fault(arrivals: &[(i64, &[u8])]) -> Fault {
    match play(arrivals).action {
        Action::Fault(fault) => fault,
        other => panic!("expected a fault, got {other:?}"),
    }
}

#[test]
fn a_whole_reply_is_done_after_one_silence_and_not_before() {
    let played = play(&[(20_000, &REPLY[..5]), (25_000, &REPLY[5..])]);
    let Action::Done(reply) = played.action else { panic!("{:?}", played.action) };
    assert_eq!(reply.frame, REPLY);
    assert!(reply.proven);
    assert_eq!(played.at, 25_000 + 2005);
    // The request takes 8 characters; the first chunk of five ended at 20.000 ms.
    assert_eq!(reply.times.request_ended, Moment(4_583));
    assert_eq!(reply.times.reply_began, Moment(20_000 - 2_865));
    assert_eq!(reply.times.sampled_at(), Moment((4_583 + 17_135) / 2));
    assert_eq!(reply.times.pieces, 2);
    // Five milliseconds from chunk to chunk, of which six characters were on the wire.
    assert_eq!(reply.times.largest_gap, Duration::from_millis(5) - CHARACTER * 6);
}

#[test]
fn each_fault_is_named_in_the_order_of_judgement() {
    assert_eq!(fault(&[]), Fault::Timeout);
    // A tenth of a character after the request could have ended, no byte can be whole.
    assert_eq!(fault(&[(4_640, &REPLY)]), Fault::Early { echo: false });
    assert_eq!(fault(&[(300, &REQUEST)]), Fault::Early { echo: true });
    assert_eq!(fault(&[(20_000, &REPLY[..6])]), Fault::Short { received: 6, expected: 11 });
    assert_eq!(fault(&[(20_000, &REPLY[..1])]), Fault::Short { received: 1, expected: 11 });
    let doubled = [REPLY, REPLY].concat();
    assert_eq!(fault(&[(20_000, &doubled)]), Fault::Long { received: 22, expected: 11 });
    let mut corrupted = REPLY;
    corrupted[0] ^= 0x08;
    assert_eq!(fault(&[(20_000, &corrupted)]), Fault::Crc, "a corrupted address byte is a checksum error");
    let mut count_raised = REPLY;
    count_raised[2] = 0xF6;
    assert_eq!(fault(&[(20_000, &count_raised)]), Fault::Crc);
    let other_unit = sealed(&[&[0x12], &REPLY[1..9]].concat());
    assert_eq!(fault(&[(20_000, &other_unit)]), Fault::WrongUnit { answered: 0x12 });
    let other_function = sealed(&[&[0x11, 0x04], &REPLY[2..9]].concat());
    assert_eq!(fault(&[(20_000, &other_function)]), Fault::WrongFunction { answered: 4 });
    let fewer = sealed(&[0x11, 0x03, 0x02, 0x00, 0x64]);
    assert_eq!(fault(&[(20_000, &fewer)]), Fault::Short { received: 7, expected: 11 });
    let more = sealed(&[0x11, 0x03, 0x08, 1, 2, 3, 4, 5, 6, 7, 8]);
    assert_eq!(fault(&[(20_000, &more)]), Fault::Long { received: 13, expected: 11 });
    let lying = sealed(&[&[0x11, 0x03, 0x04], &REPLY[3..9]].concat());
    assert_eq!(fault(&[(20_000, &lying)]), Fault::Short { received: 11, expected: 11 });
    assert_eq!(fault(&[(20_000, &sealed(&[0x11, 0x83, 0x02]))]), Fault::Exception(2));
    let mut corrupted_into_an_exception = REPLY;
    corrupted_into_an_exception[1] |= 0x80;
    assert_eq!(fault(&[(20_000, &corrupted_into_an_exception)]), Fault::Crc);
    let mut broken_exception = sealed(&[0x11, 0x83, 0x02]);
    broken_exception[0] = 0x51;
    assert_eq!(fault(&[(20_000, &broken_exception)]), Fault::Crc);
}

#[test]
fn a_broken_reply_ends_with_the_quiet_and_silence_with_the_time_out() {
    assert_eq!(play(&[(20_000, &REPLY[..6])]).at, 20_000 + 6_000);
    assert_eq!(play(&[]).at, 4_583 + 300_000);
}

#[test]
fn noise_and_glitches_are_counted_and_the_answer_still_taken() {
    for arrivals in [
        // A glitch as the line turns round, in one burst with the reply.
        vec![(20_000, [&[0x00], &REPLY[..]].concat())],
        // Noise while the request was going out, then a silence, then the reply.
        vec![(1_000, vec![0xA5]), (20_000, REPLY.to_vec())],
        // Noise after the request, with a silence that ends a burst.
        vec![(6_000, vec![0xA5]), (30_000, REPLY.to_vec())],
    ] {
        let borrowed: Vec<(i64, &[u8])> = arrivals.iter().map(|(at, bytes)| (*at, bytes.as_slice())).collect();
        let played = play(&borrowed);
        assert!(matches!(played.action, Action::Done(_)), "{:?}", played.action);
        assert_eq!(played.strays, Strays { noise: 1, ..Strays::default() });
    }
}

#[test]
fn another_units_late_reply_is_counted_as_its_own_and_waiting_goes_on() {
    let late = sealed(&[&[0x12], &REPLY[1..9]].concat());
    for arrivals in [
        vec![(2_000, late.clone()), (20_000, REPLY.to_vec())],
        vec![(20_000, late.clone()), (40_000, REPLY.to_vec())],
        vec![(20_000, [late.as_slice(), REPLY.as_slice()].concat())],
        vec![(20_000, [REPLY.as_slice(), late.as_slice()].concat())],
        vec![(20_000, REPLY[..4].to_vec()), (24_000, late.clone()), (28_000, REPLY[4..].to_vec())],
    ] {
        let mut overdue = Overdue::default();
        overdue.expect(unit(0x12), request(), Moment(1_000_000), true);
        let borrowed: Vec<(i64, &[u8])> = arrivals.iter().map(|(at, bytes)| (*at, bytes.as_slice())).collect();
        let played = play_with(timing(), &mut overdue, &borrowed);
        assert!(matches!(played.action, Action::Done(_)), "{:?}", played.action);
        assert_eq!(played.strays, Strays { late: vec![unit(0x12)], ..Strays::default() });
    }
}

#[test]
fn a_repeated_reply_of_another_unit_is_not_taken_for_a_wrong_unit() {
    let repeated = sealed(&[&[0x12], &REPLY[1..9]].concat());
    let mut overdue = Overdue::default();
    overdue.remember_reply(&repeated, Moment(1_000_000));
    let played = play_with(timing(), &mut overdue, &[(8_000, &repeated), (40_000, &REPLY)]);
    assert!(matches!(played.action, Action::Done(_)), "{:?}", played.action);
    assert_eq!(played.strays.late, [unit(0x12)]);
}

#[test]
fn an_adapter_that_echoes_is_understood_when_it_is_declared() {
    let echoing = ReplyTiming { echo: true, ..timing() };
    for arrivals in [
        vec![(4_700, REQUEST.to_vec()), (20_000, REPLY.to_vec())],
        vec![(2_000, REQUEST[..3].to_vec()), (4_700, REQUEST[3..].to_vec()), (20_000, REPLY.to_vec())],
        vec![(20_000, [REQUEST.as_slice(), REPLY.as_slice()].concat())],
        // The echo is declared, but this adapter is quiet.
        vec![(20_000, REPLY.to_vec())],
    ] {
        let borrowed: Vec<(i64, &[u8])> = arrivals.iter().map(|(at, bytes)| (*at, bytes.as_slice())).collect();
        let played = play_with(echoing, &mut Overdue::default(), &borrowed);
        assert!(matches!(played.action, Action::Done(_)), "{:?}", played.action);
        assert_eq!(played.strays, Strays::default());
    }
}

#[test]
fn a_reply_that_may_have_lain_there_all_along_is_not_proven() {
    let mut overdue = Overdue::default();
    let mut transaction =
        Transaction::new(unit(0x11), request(), &REQUEST, timing(), &mut overdue, Between::exactly(Moment(0)));
    // The machine slept from the sending on; everything is there when it wakes.
    let arrived = Between { earliest: Moment(10), latest: Moment(40_000) };
    let Action::WaitUntil(quiet) = transaction.on_bytes(&REPLY, arrived) else { panic!("a silence has to follow") };
    let Action::Done(reply) = transaction.on_time(quiet) else { panic!("the reply is whole") };
    assert!(!reply.proven);
}

#[test]
fn no_byte_comes_sooner_than_the_one_before_allows() {
    // The first byte comes when it may, the others at once with it.
    let Action::Fault(fault) = play(&[(6_000, &REPLY)]).action else { panic!("too soon") };
    assert_eq!(fault, Fault::Early { echo: false });
}

#[test]
fn early_replies_are_taken_where_bytes_take_no_time() {
    let accepting = ReplyTiming { early_replies: EarlyReplies::Accept, ..timing() };
    let played = play_with(accepting, &mut Overdue::default(), &[(200, &REPLY)]);
    let Action::Done(reply) = played.action else { panic!("{:?}", played.action) };
    assert_eq!(reply.times.request_ended, Moment(0), "the request was over when it was written");
    assert!(reply.times.latency() <= Duration::from_micros(200));
}

proptest! {
    /// However a right reply is cut into chunks, it is taken whole, and never before it is whole.
    #[test]
    fn chunks_do_not_matter(
        mut cuts in proptest::collection::vec(1..REPLY.len(), 0..6),
        pauses in proptest::collection::vec(100..5_900_i64, 7),
        begin in 11_000..200_000_i64,
    ) {
        cuts.sort_unstable();
        cuts.dedup();
        let bounds: Vec<usize> = std::iter::once(0).chain(cuts).chain(std::iter::once(REPLY.len())).collect();
        let mut at = begin;
        let mut arrivals = Vec::new();
        for (pair, pause) in bounds.windows(2).zip(&pauses) {
            arrivals.push((at, &REPLY[pair[0]..pair[1]]));
            at += pause;
        }
        let ended = arrivals.last().map_or(0, |(at, _)| *at);
        let played = play(&arrivals);
        let Action::Done(reply) = played.action else { panic!("{:?}", played.action) };
        prop_assert_eq!(reply.frame, REPLY);
        prop_assert_eq!(played.at, ended + 2005);
    }

    /// One burst of up to sixteen wrong bits anywhere in the reply: never a value.
    #[test]
    fn no_error_burst_passes(first in 0..REPLY.len() * 8, pattern in 1..=u16::MAX, at in 11_000..200_000_i64) {
        let mut broken = REPLY;
        for bit in 0..16 {
            let position = first + bit;
            if pattern >> bit & 1 == 1 && position < REPLY.len() * 8 {
                broken[position / 8] ^= 0x80 >> (position % 8);
            }
        }
        prop_assume!(broken != REPLY);
        let played = play(&[(at, &broken)]);
        prop_assert!(matches!(played.action, Action::Fault(_)), "{:?}", played.action);
    }

    /// Any bytes at any times end in a verdict; whatever is taken is a sound frame of this unit and function, and all
    /// other bytes are accounted for or part of a counted fault.
    #[test]
    fn any_bytes_end_in_a_verdict(
        bursts in proptest::collection::vec(
            (100..40_000_i64, proptest::collection::vec(any::<u8>(), 0..40)), 0..12),
    ) {
        let mut at = 0;
        let arrivals: Vec<(i64, &[u8])> = bursts.iter().map(|(pause, bytes)| { at += pause; (at, bytes.as_slice()) }).collect();
        let played = play(&arrivals);
        match played.action {
            Action::Done(reply) => prop_assert!(is_sound(&reply.frame) && reply.frame[..3] == REPLY[..3]),
            Action::Fault(_) => {}
            Action::WaitUntil(_) => prop_assert!(false, "no verdict"),
        }
        prop_assert!(played.at <= 4_583 + 300_000 + 12 * 46_000);
    }
}

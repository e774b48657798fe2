use proptest::prelude::*;

use super::super::super::checksum::sealed;
use super::*;

const CHARACTER: Duration = Duration::from_micros(573);

/// Hands bytes over in lumps of these sizes, again and again, without a silence; then there is one.
fn cut(bytes: &[u8], lumps: &[usize]) -> Vec<Cut> {
    let mut cutter = Cutter::new(CHARACTER);
    let mut cuts = Vec::new();
    let (mut at, mut lump) = (0, 0);
    while at < bytes.len() {
        let end = (at + lumps[lump % lumps.len()]).min(bytes.len());
        let latest = Moment(573 * i64::try_from(end).expect("few bytes"));
        let earliest = Moment(573 * i64::try_from(at).expect("few bytes"));
        cuts.extend(cutter.hear(&bytes[at..end], Between { earliest, latest }));
        (at, lump) = (end, lump + 1);
    }
    cuts.extend(cutter.quiet());
    assert!(!cutter.waits());
    cuts
}

fn bytes_of(cuts: &[Cut]) -> Vec<u8> {
    let of = |cut: &Cut| match cut {
        Cut::Frame(frame) => frame.bytes.clone(),
        Cut::Noise { bytes, .. } => bytes.clone(),
    };
    cuts.iter().flat_map(of).collect()
}

fn frames(cuts: &[Cut]) -> Vec<(Role, Vec<u8>)> {
    let of = |cut: &Cut| match cut {
        Cut::Frame(frame) => Some((frame.role, frame.bytes.clone())),
        Cut::Noise { .. } => None,
    };
    cuts.iter().filter_map(of).collect()
}

fn request(unit: u8, function: u8, start: u16, count: u16) -> Vec<u8> {
    sealed(&[&[unit, function][..], &start.to_be_bytes(), &count.to_be_bytes()].concat())
}

fn reply(unit: u8, function: u8, data: &[u8]) -> Vec<u8> {
    sealed(&[&[unit, function, u8::try_from(data.len()).expect("short data")][..], data].concat())
}

/// Requests and their replies, as a master and its devices exchange them.
fn exchange() -> impl Strategy<Value = [Vec<u8>; 2]> {
    let read = (1..=247_u8, 3..=4_u8, any::<u16>(), 1..=60_u16, proptest::collection::vec(any::<u8>(), 120));
    let bits = (1..=247_u8, 1..=2_u8, any::<u16>(), 1..=200_u16, proptest::collection::vec(any::<u8>(), 120));
    prop_oneof![
        6 => read.prop_map(|(unit, function, start, count, data)| {
            let start = start.min(u16::MAX - count);
            [request(unit, function, start, count), reply(unit, function, &data[..2 * usize::from(count)])]
        }),
        2 => bits.prop_map(|(unit, function, start, count, data)| {
            let start = start.min(u16::MAX - count);
            [request(unit, function, start, count), reply(unit, function, &data[..usize::from(count).div_ceil(8)])]
        }),
        1 => (1..=247_u8, any::<u16>(), any::<u16>()).prop_map(|(unit, register, value)| {
            let frame = sealed(&[&[unit, 6][..], &register.to_be_bytes(), &value.to_be_bytes()].concat());
            [frame.clone(), frame]
        }),
        1 => (1..=247_u8, any::<u16>()).prop_map(|(unit, start)| {
            let data = [&[unit, 0x10][..], &start.to_be_bytes(), &[0, 2, 4, 0, 10, 1, 2]].concat();
            [sealed(&data), sealed(&data[..6])]
        }),
        1 => (1..=247_u8, 1..=11_u8).prop_map(|(unit, code)| [request(unit, 3, 9, 2), sealed(&[unit, 0x83, code])]),
    ]
}

/// Not a whole sound frame, nor one with something around it.
fn garbage() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        proptest::collection::vec(any::<u8>(), 1..80),
        // Beginnings of frames that never come: they promise up to 250 bytes.
        (1..=247_u8, 1..=4_u8, 1..=250_u8).prop_map(|(unit, function, count)| vec![unit, function, count]),
        (1..=247_u8, 1..=20_u8).prop_map(|(unit, cut)| {
            let whole = reply(unit, 3, &[7; 30]);
            whole[..usize::from(cut)].to_vec()
        }),
        (1..=247_u8, 0..35_usize, 1..=255_u8).prop_map(|(unit, place, spoiled)| {
            let mut whole = reply(unit, 4, &[0x03; 30]);
            whole[place] ^= spoiled;
            whole
        }),
    ]
}

fn lumps() -> impl Strategy<Value = Vec<usize>> {
    proptest::collection::vec(1..=64_usize, 1..6)
}

/// Whether bytes hold, anywhere, what passes for a frame: once in 65,536 places random ones do.
fn holds_a_frame_by_chance(bytes: &[u8]) -> bool {
    (0..bytes.len()).any(|at| Cutter { bytes: bytes[at..].to_vec(), ..Cutter::new(CHARACTER) }.sound_at(0).is_some())
}

proptest! {
    /// Every frame is found, in any lumps, with nothing between them and no silence to part them.
    #[test]
    fn frames_are_cut_whatever_the_lumps(
        exchanges in proptest::collection::vec(exchange(), 1..12),
        lumps in lumps(),
    ) {
        let sent: Vec<(Role, Vec<u8>)> = exchanges
            .iter()
            .flat_map(|[request, reply]| [(Role::Request, request.clone()), (Role::Reply, reply.clone())])
            .collect();
        let bytes: Vec<u8> = sent.iter().flat_map(|(_, frame)| frame.clone()).collect();
        prop_assert_eq!(frames(&cut(&bytes, &lumps)), sent);
    }

    /// No byte is lost or made up, whatever comes.
    #[test]
    fn every_byte_is_told_once_and_in_order(bytes in proptest::collection::vec(any::<u8>(), 0..700), lumps in lumps()) {
        prop_assert_eq!(bytes_of(&cut(&bytes, &lumps)), bytes);
    }

    /// After any garbage at most one good frame is lost, and the third that follows is given before the fourth has come.
    #[test]
    fn it_is_in_step_again_within_two_good_frames(
        garbage in garbage(),
        exchanges in proptest::collection::vec(exchange(), 3..6),
        lump in 1..=64_usize,
    ) {
        let good: Vec<Vec<u8>> = exchanges.iter().flatten().cloned().collect();
        let bytes = [garbage.clone(), good.concat()].concat();
        // What the garbage and the frames after it make by chance is not the cutter's fault.
        let tail = &bytes[..(garbage.len() + good[0].len()).saturating_sub(1)];
        prop_assume!(!holds_a_frame_by_chance(&tail[..garbage.len()]));
        let mut cutter = Cutter::new(CHARACTER);
        let mut given = 0;
        let mut heard = 0;
        let (mut found, mut behind) = (Vec::new(), 0);
        let ends: Vec<usize> = good.iter().scan(garbage.len(), |end, frame| { *end += frame.len(); Some(*end) }).collect();
        for piece in bytes.chunks(lump) {
            heard += piece.len();
            let cuts = cutter.hear(piece, Between::exactly(Moment(i64::try_from(heard).expect("few bytes") * 573)));
            given += bytes_of(&cuts).len();
            found.extend(frames(&cuts));
            // So many good frames have come whole, and so many of them are not given yet.
            let whole = ends.iter().filter(|&&end| end + SEARCH_EVERY <= heard).count();
            behind = behind.max(ends[..whole].iter().filter(|&&end| end > given).count());
        }
        prop_assert!(behind <= 2, "{} good frames waited", behind);
        found.extend(frames(&cutter.quiet()));
        let kept = good.iter().filter(|frame| found.iter().any(|(_, found)| found == *frame)).count();
        prop_assert!(kept + 1 >= good.len(), "{} of {} good frames were found", kept, good.len());
    }

    /// Nothing is taken for a frame whose checksum is wrong.
    #[test]
    fn frames_are_never_invented(bytes in proptest::collection::vec(any::<u8>(), 0..400), lumps in lumps()) {
        for (_, frame) in frames(&cut(&bytes, &lumps)) {
            prop_assert!(is_sound(&frame));
        }
    }
}

#[test]
fn an_unknown_function_and_its_reply_are_frames_and_broadcasts_have_no_reply() {
    let unknown = [sealed(&[9, 0x64, 1, 2, 3]), sealed(&[9, 0x64, 7])];
    let broadcast = sealed(&[0, 6, 0, 1, 0, 3]);
    let known = [request(9, 3, 0, 2), reply(9, 3, &[1, 2, 3, 4])];
    let bytes = [&unknown[0][..], &unknown[1], &broadcast, &known[0], &known[1]].concat();
    let expected = [
        (Role::Unknown, unknown[0].clone()),
        (Role::Unknown, unknown[1].clone()),
        (Role::Request, broadcast),
        (Role::Request, known[0].clone()),
        (Role::Reply, known[1].clone()),
    ];
    for lump in [1, 7, 64] {
        assert_eq!(frames(&cut(&bytes, &[lump])), expected, "lumps of {lump}");
    }
}

/// A reply of three bytes of bits to a request for bits, and the request for the bits from 768 on, begin alike and are
/// equally long.
#[test]
fn a_request_once_more_is_told_from_a_reply_of_the_same_length() {
    let asked = request(5, 1, 0x0300, 24);
    let twice = [&asked[..], &asked, &reply(5, 1, &[1, 2, 3])].concat();
    let roles: Vec<Role> = frames(&cut(&twice, &[64])).into_iter().map(|(role, _)| role).collect();
    assert_eq!(roles, [Role::Request, Role::Request, Role::Reply]);
}

#[test]
fn a_silence_ends_the_wait_for_a_reply_that_broke_off() {
    let mut cutter = Cutter::new(CHARACTER);
    let whole = [request(5, 3, 0, 100), reply(5, 3, &[0x11; 200])[..90].to_vec()].concat();
    let cuts = cutter.hear(&whole, Between::exactly(Moment(60_000)));
    assert_eq!(frames(&cuts).len(), 1);
    assert!(cutter.waits());
    let rest = cutter.quiet();
    assert!(matches!(&rest[..], [Cut::Noise { bytes, .. }] if bytes.len() == 90), "{rest:?}");
}

/// Times of MODBUS over Serial Line V1.02, section 2.5.1: a character takes its bits, and one lump may hold many.
#[test]
fn bytes_of_a_lump_are_dated_back_by_their_characters() {
    let mut cutter = Cutter::new(CHARACTER);
    let asked = request(5, 3, 0, 1);
    let first = Between { earliest: Moment(0), latest: Moment(10_000) };
    let second = Between { earliest: Moment(10_000), latest: Moment(11_719) };
    let cuts = [cutter.hear(&asked[..5], first), cutter.hear(&asked[5..], second)].concat();
    let [Cut::Frame(Frame { times, .. })] = &cuts[..] else { panic!("{cuts:?}") };
    assert_eq!(times.began, Moment(10_000 - 5 * 573));
    assert_eq!(times.ended, Moment(11_719));
    assert_eq!(times.largest_gap, Duration::ZERO);
}

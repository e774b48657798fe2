use super::*;
use crate::frame::sound;
use crate::image::Encoded;
use crate::slave::Slave;
use crate::wire::{Adapter, Delivery, Disturbance, Pace, Stranger, Wire};

const MS: Duration = Duration::from_millis(1);
const NORMAL: Pace = Pace { baud: 19_200, bits_per_character: 11 };

fn request() -> Vec<u8> {
    frame(7, &[3, 0, 0, 0, 4])
}

fn faulty(faults: Vec<Fault>) -> (Faulty<Slave>, Injected) {
    let injected = Injected::default();
    let slave = Slave::new(7, Encoded { unit: 7, addresses: 0..50 });
    (Faulty::new(slave, faults, 1, &injected), injected)
}

/// A thousand replies with this fault, each beside the healthy one.
fn thousand(kind: FaultKind) -> Vec<(Vec<u8>, Vec<Answer>)> {
    let name = kind.name();
    let (mut station, injected) = faulty(vec![Fault::always(kind, 1.0)]);
    let mut healthy = Slave::new(7, Encoded { unit: 7, addresses: 0..50 });
    let pairs = (0..1000)
        .map(|number| {
            let at = MS * number;
            (healthy.answer(&request(), at).remove(0).bytes, station.answer(&request(), at))
        })
        .collect();
    assert_eq!(injected.times(name), 1000);
    pairs
}

fn wrong_bits(healthy: &[u8], sent: &[u8]) -> u32 {
    healthy.iter().zip(sent).map(|(healthy, sent)| (healthy ^ sent).count_ones()).sum()
}

#[test]
fn corrupted_replies_keep_their_length_and_fail_their_check_sum() {
    for kind in [
        FaultKind::FlippedBits(1),
        FaultKind::FlippedBits(2),
        FaultKind::Burst,
        FaultKind::AddressByte,
        FaultKind::ByteCountUp(CheckSum::Stale),
        FaultKind::ByteCountDown(CheckSum::Stale),
    ] {
        for (healthy, answers) in thousand(kind.clone()) {
            let sent = &answers[0].bytes;
            assert_eq!((answers.len(), sent.len()), (1, healthy.len()));
            assert!(sound(sent).is_none(), "{kind:?}: {sent:?}");
            match kind {
                FaultKind::FlippedBits(bits) => assert_eq!(wrong_bits(&healthy, sent), u32::from(bits)),
                FaultKind::Burst => assert!((1..=16).contains(&wrong_bits(&healthy, sent))),
                FaultKind::ByteCountUp(_) => assert!(sent[2] > healthy[2]),
                FaultKind::ByteCountDown(_) => assert!(sent[2] < healthy[2]),
                _ => assert_ne!(sent[0], healthy[0]),
            }
        }
    }
}

#[test]
fn wrong_replies_have_sound_check_sums() {
    for kind in [
        FaultKind::WrongUnit,
        FaultKind::WrongFunction,
        FaultKind::Exception(6),
        FaultKind::ByteCountUp(CheckSum::Right),
        FaultKind::ByteCountDown(CheckSum::Right),
    ] {
        for (_, answers) in thousand(kind.clone()) {
            let (unit, data) = sound(&answers[0].bytes).expect("the device means what it says");
            let as_meant = match kind {
                FaultKind::WrongUnit => unit != 7 && (1..=247).contains(&unit) && data[..2] == [3, 8],
                FaultKind::WrongFunction => unit == 7 && [1, 2, 4].contains(&data[0]) && data[1] == 8,
                FaultKind::Exception(_) => unit == 7 && data == [0x83, 6],
                FaultKind::ByteCountUp(_) => unit == 7 && data[1] > 8,
                _ => unit == 7 && data[1] < 8,
            };
            assert!(as_meant, "{kind:?}: {answers:?}");
        }
    }
}

#[test]
fn replies_are_cut_lengthened_doubled_and_delayed() {
    for (healthy, answers) in thousand(FaultKind::Short) {
        let sent = &answers[0].bytes;
        assert!(!sent.is_empty() && sent.len() < healthy.len() && healthy.starts_with(sent));
    }
    for (healthy, answers) in thousand(FaultKind::Long(4)) {
        let extra = answers[0].bytes.strip_prefix(&healthy[..]).unwrap();
        assert!((1..=4).contains(&extra.len()));
    }
    for (healthy, answers) in thousand(FaultKind::Doubled(MS * 3)) {
        assert_eq!(answers[1], Answer { bytes: healthy.clone(), begins: Begins::Following(MS * 3) });
        assert_eq!(answers[0].bytes, healthy);
    }
    for (healthy, answers) in thousand(FaultKind::Late(MS * 300..MS * 400)) {
        assert_eq!(answers[0].bytes, healthy);
        assert!(matches!(answers[0].begins, Begins::After(by) if by >= MS * 300 && by < MS * 400));
    }
    assert!(thousand(FaultKind::Lost).iter().all(|(_, answers)| answers.is_empty()));
}

#[test]
fn faults_strike_at_their_rates_while_they_stand() {
    let (mut station, injected) = faulty(vec![
        Fault { ends: Some(MS * 5000), ..Fault::always(FaultKind::Lost, 0.2) },
        Fault { begins: MS * 5000, ..Fault::always(FaultKind::Short, 0.05) },
        Fault::always(FaultKind::Burst, 0.1),
    ]);
    for number in 0..10_000 {
        station.answer(&request(), MS * number);
    }
    // Five standard deviations of a binomial on either side.
    for (name, mean, deviation) in [("lost", 1000.0, 28.3), ("short", 250.0, 15.4), ("burst", 1000.0, 30.0_f64)] {
        let times = injected.times(name) as f64;
        assert!((times - mean).abs() < 5.0 * deviation, "{name}: {times}");
    }
}

/// What the master hears of one transaction, patiently waited for.
fn ask(wire: &mut Wire, at: Duration) -> Vec<Delivery> {
    let mut heard = wire.advance(at);
    wire.master_sends(&request(), at);
    heard.extend(wire.advance(at + MS * 250));
    heard
}

fn on_wire(pace: Option<Pace>, kind: FaultKind) -> (Wire, Injected) {
    let (station, injected) = faulty(vec![Fault { ends: Some(MS * 300), ..Fault::always(kind, 1.0) }]);
    let mut wire = Wire::new(pace, Adapter::default());
    wire.attach(station);
    (wire, injected)
}

fn bytes(heard: &[Delivery]) -> Vec<u8> {
    heard.iter().flat_map(|delivery| delivery.bytes.clone()).collect()
}

#[test]
fn a_late_reply_comes_before_the_true_one_or_even_before_it_could() {
    let (mut wire, _) = on_wire(Some(NORMAL), FaultKind::LateAfterNextRequest(MS * 3));
    assert_eq!(ask(&mut wire, MS * 50), []);
    let heard = ask(&mut wire, MS * 400);
    let all = bytes(&heard);
    // Two whole replies: that of the first request, sampled long ago, then the true one.
    assert_eq!(all.len(), 26);
    let (stale, true_one) = all.split_at(13);
    assert!(sound(stale).is_some() && sound(true_one).is_some());
    let sampled = |reply: &[u8]| u16::from_be_bytes([reply[5], reply[6]]);
    assert!(sampled(stale) < 60 && sampled(true_one) > 400);
    let request_ends = MS * 400 + NORMAL.characters(8);
    assert_eq!(heard[0].due, request_ends + MS * 3 + NORMAL.characters(1));

    let (mut wire, _) = on_wire(Some(NORMAL), FaultKind::HeldInAdapter);
    assert_eq!(ask(&mut wire, MS * 50), []);
    let heard = ask(&mut wire, MS * 400);
    assert_eq!((heard[0].due, heard[0].bytes.len()), (MS * 400, 13));
}

#[test]
fn two_talkers_spoil_each_other_on_a_paced_wire() {
    let (mut wire, injected) = on_wire(Some(NORMAL), FaultKind::TwoTalkers(MS));
    assert!(sound(&bytes(&ask(&mut wire, MS * 50))).is_none());
    assert!(sound(&bytes(&ask(&mut wire, MS * 400))).is_some());
    assert_eq!(injected.times("two-talkers"), 1);
}

#[test]
fn a_pause_and_noise_stand_where_they_should() {
    let (mut wire, _) = on_wire(Some(NORMAL), FaultKind::Pause(MS * 20));
    let heard = ask(&mut wire, MS * 50);
    assert!(sound(&bytes(&heard)).is_some());
    let gaps = heard.windows(2).filter(|pair| pair[1].due - pair[0].due > MS * 20).count();
    assert_eq!(gaps, 1);

    let (mut wire, injected) = on_wire(Some(NORMAL), FaultKind::Noise(5, MS * 10));
    let heard = ask(&mut wire, MS * 50);
    assert!(sound(&bytes(&heard[..13])).is_some());
    assert!(heard[13].due - heard[12].due >= MS * 10);
    let extra = u64::try_from(heard.len() - 13).unwrap();
    assert_eq!(injected.counts()[&(7, "noise")], Struck { times: 1, extra_bytes: extra });
}

#[test]
fn strangers_are_heard_and_answered() {
    let injected = Injected::default();
    let mut wire = Wire::new(Some(NORMAL), Adapter::default());
    wire.attach(Slave::new(7, Encoded { unit: 7, addresses: 0..50 }));
    let second_master =
        Disturbance { stranger: Stranger::Master(request()), every: MS * 200, begins: MS * 100, ends: Some(MS * 2000) };
    wire.disturb(second_master, &injected);
    let heard = wire.advance(MS * 5000);
    let times = injected.times("second-master");
    assert!((6..=19).contains(&times), "{times}");
    // Each of its requests, and the reply to it.
    assert_eq!(bytes(&heard).len(), usize::try_from(times).unwrap() * (8 + 13));
    assert_eq!(wire.witnessed().requests, 0);
}

/// Over thousands of transactions the master misses exactly as many replies as the faults took or spoiled, and what it takes
/// for a reply is always the right one.
#[test]
fn every_missing_reply_is_accounted_for() {
    let kinds = [
        FaultKind::Lost,
        FaultKind::Dead,
        FaultKind::Short,
        FaultKind::Long(3),
        FaultKind::Burst,
        FaultKind::ByteCountUp(CheckSum::Stale),
        FaultKind::ByteCountDown(CheckSum::Right),
        FaultKind::WrongUnit,
        FaultKind::WrongFunction,
        FaultKind::Exception(4),
        FaultKind::Doubled(Duration::ZERO),
        FaultKind::Glitch(0xFF),
        FaultKind::TwoTalkers(MS),
    ];
    let (station, injected) = faulty(kinds.into_iter().map(|kind| Fault::always(kind, 0.2 / 13.0)).collect());
    let mut wire = Wire::new(Some(NORMAL), Adapter { chunk: 3, ..Adapter::default() });
    wire.attach(station);
    let asked = 5000;
    let mut answered = 0;
    for number in 1..=asked {
        let at = MS * 300 * number;
        let heard = bytes(&ask(&mut wire, at));
        let Some((7, data @ [3, 8, ..])) = sound(&heard) else { continue };
        assert_eq!(data.len(), 10);
        let sampled = u32::from(u16::from_be_bytes([data[4], data[5]]));
        let begun = u32::try_from(at.as_millis()).unwrap() % 65_536;
        assert!(sampled.wrapping_sub(begun) % 65_536 < 20, "sampled at {sampled}, asked at {begun}");
        answered += 1;
    }
    let struck: u64 = injected.counts().values().map(|struck| struck.times).sum();
    assert_eq!(answered + struck, u64::from(asked));
    assert!((700..1300).contains(&struck), "{struck}");
}

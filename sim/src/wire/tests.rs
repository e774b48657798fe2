use super::*;
use crate::frame::frame;
use crate::image::Encoded;
use crate::slave::{Latency, Slave};

const NORMAL: Pace = Pace { baud: 19_200, bits_per_character: 11 };

fn ask(unit: u8, start: u8, quantity: u8) -> Vec<u8> {
    frame(unit, &[3, 0, start, 0, quantity])
}

fn slave(unit: u8) -> Slave {
    Slave::new(unit, Encoded { unit, addresses: 0..100 })
}

fn two_slaves(pace: Option<Pace>, adapter: Adapter) -> Wire {
    let mut wire = Wire::new(pace, adapter);
    let latency = Latency { fixed: Duration::from_millis(2), jitter: Duration::ZERO };
    wire.attach(slave(1).with_latency(latency));
    wire.attach(slave(2).with_latency(latency));
    wire
}

/// Sends at `at`, and gives all that the master hears until `until`.
fn exchange(wire: &mut Wire, request: &[u8], at: Duration, until: Duration) -> Vec<Delivery> {
    let mut heard = wire.advance(at);
    wire.master_sends(request, at);
    heard.extend(wire.advance(until));
    heard
}

fn speak(wire: &mut Wire, at: Duration, bytes: Vec<u8>) {
    wire.plan(at, Event::Speak { from: Talker::Stranger, bytes });
}

fn together(deliveries: &[Delivery]) -> Vec<u8> {
    deliveries.iter().flat_map(|delivery| delivery.bytes.clone()).collect()
}

const fn ms(milliseconds: u64) -> Duration {
    Duration::from_millis(milliseconds)
}

/// MODBUS over Serial Line V1.02: at 19,200 Bd a character takes 0.572917 ms, so 8 of them 4.5833 ms, the silence 2.005208 ms,
/// and a reply with ten registers 14.3229 ms.
#[test]
fn a_reply_takes_its_time_on_the_wire() {
    let mut wire = two_slaves(Some(NORMAL), Adapter::default());
    let heard = exchange(&mut wire, &ask(1, 0, 10), ms(10), ms(100));
    let begun = 10.0 + 4.583_333 + 2.005_208 + 2.0;
    assert_eq!(heard.len(), 25);
    for (place, delivery) in heard.iter().enumerate() {
        let expected = begun + 0.572_916_7 * (place + 1) as f64;
        let due = delivery.due.as_secs_f64() * 1e3;
        assert!((due - expected).abs() < 1e-4, "byte {place}: {due} ms where {expected} ms was due");
    }
    let sampled = (10.0 + 4.583_333 + 2.005_208 + 2.0_f64).floor();
    let reply = together(&heard);
    assert_eq!(u64::from(u16::from_be_bytes([reply[5], reply[6]])), sampled as u64);
    assert!(sound(&reply).is_some());
    let witnessed = wire.witnessed();
    assert_eq!((witnessed.requests, witnessed.short_silences, witnessed.bytes_from_master), (1, 0, 8));
    assert_eq!(witnessed.functions.get(&3), Some(&1));
    let needed = witnessed.needed.as_secs_f64() * 1e3;
    assert!((needed - (4.583_333 + 2.0 * 2.005_208 + 2.0 + 14.322_917)).abs() < 1e-3, "{needed}");
}

#[test]
fn a_chunked_adapter_gives_whole_chunks_and_what_is_left() {
    let mut wire = two_slaves(Some(NORMAL), Adapter { chunk: 8, ..Adapter::default() });
    let heard = exchange(&mut wire, &ask(2, 0, 10), ms(0), ms(100));
    let sizes: Vec<_> = heard.iter().map(|delivery| delivery.bytes.len()).collect();
    assert_eq!(sizes, [8, 8, 8, 1]);
    assert_eq!(heard[1].due - heard[0].due, NORMAL.characters(8));
    assert!(sound(&together(&heard)).is_some());
}

#[test]
fn an_echoing_adapter_returns_the_request_first() {
    let mut wire = two_slaves(Some(NORMAL), Adapter { echo: true, ..Adapter::default() });
    let request = ask(2, 0, 1);
    let heard = together(&exchange(&mut wire, &request, ms(0), ms(100)));
    assert_eq!(heard[..8], request);
    assert!(sound(&heard[8..]).is_some());
}

#[test]
fn the_master_is_checked_for_its_silences() {
    let mut wire = two_slaves(Some(NORMAL), Adapter::default());
    let first = exchange(&mut wire, &ask(1, 0, 1), ms(0), ms(15));
    let end = first.last().unwrap().due;
    // 2.0 ms are a little less than the 3.5 characters of 2.005 ms; the slave forgives it, the wire does not.
    let second = exchange(&mut wire, &ask(2, 0, 1), end + ms(2), ms(40));
    assert!(sound(&together(&second)).is_some());
    assert_eq!((wire.witnessed().short_silences, wire.witnessed().shortest_silence), (1, Some(ms(2))));
    let end = second.last().unwrap().due;
    let third = exchange(&mut wire, &ask(1, 0, 1), end + Duration::from_micros(2006), ms(42));
    assert_eq!(third.len(), 7);
    let end = third.last().unwrap().due;
    let fourth = exchange(&mut wire, &ask(1, 0, 1), end + Duration::from_micros(200), ms(120));
    assert!(sound(&together(&fourth)).is_some());
    assert_eq!((wire.witnessed().short_silences, wire.witnessed().bad_requests), (2, 0));
}

#[test]
fn a_pause_inside_a_request_breaks_it() {
    let mut wire = two_slaves(Some(NORMAL), Adapter::default());
    let request = ask(1, 0, 1);
    exchange(&mut wire, &request[..4], ms(0), ms(1));
    let heard = exchange(&mut wire, &request[4..], ms(4), ms(50));
    assert_eq!(heard, []);
    let witnessed = wire.witnessed();
    assert_eq!((witnessed.broken_requests, witnessed.short_silences, witnessed.requests), (1, 0, 0));
    // Bytes that come while the adapter still sends follow without a pause.
    exchange(&mut wire, &request[..4], ms(60), ms(61));
    let heard = exchange(&mut wire, &request[4..], ms(61), ms(100));
    assert!(sound(&together(&heard)).is_some());
}

#[test]
fn two_that_talk_at_once_spoil_each_other() {
    let mut wire = two_slaves(Some(NORMAL), Adapter::default());
    speak(&mut wire, ms(12), frame(9, &[3, 2, 1, 2]));
    let heard = together(&exchange(&mut wire, &ask(1, 0, 10), ms(0), ms(100)));
    assert!(sound(&heard).is_none());
    assert_eq!(heard.len(), 25);
    assert!(wire.witnessed().collided_bytes >= 14, "{}", wire.witnessed().collided_bytes);
    // While it sends, the master hears nothing.
    speak(&mut wire, ms(201), frame(9, &[3, 2, 1, 2]));
    let heard = exchange(&mut wire, &ask(1, 0, 10), ms(200), ms(300));
    assert!(together(&heard).len() < 7);
    // It could not know of a byte that had not reached it; of one that had, it could.
    speak(&mut wire, ms(400), frame(9, &[3, 2, 1, 2]));
    exchange(&mut wire, &ask(1, 0, 10), ms(400) + Duration::from_micros(500), ms(500));
    assert_eq!(wire.witnessed().short_silences, 0);
    speak(&mut wire, ms(600), frame(9, &[3, 2, 1, 2]));
    exchange(&mut wire, &ask(1, 0, 10), ms(600) + Duration::from_micros(700), ms(700));
    assert_eq!((wire.witnessed().short_silences, wire.witnessed().shortest_silence), (1, Some(Duration::ZERO)));
}

#[test]
fn without_pace_replies_come_whole_and_at_once() {
    let mut wire = Wire::new(None, Adapter::default());
    wire.attach(slave(1));
    wire.attach(slave(2));
    let both = [ask(1, 0, 2), ask(2, 4, 2)].concat();
    let heard = exchange(&mut wire, &both, ms(5), ms(5));
    assert_eq!(heard.len(), 2);
    assert!(heard.iter().all(|delivery| delivery.due == ms(5) && sound(&delivery.bytes).is_some()));
    // Half a request is forgotten after a while, and does not spoil the next.
    assert_eq!(exchange(&mut wire, &both[..5], ms(10), ms(20)), []);
    assert_eq!(exchange(&mut wire, &both, ms(30), ms(30)).len(), 2);
    assert_eq!(wire.witnessed().bad_requests, 1);
}

proptest::proptest! {
    /// Whatever a master sends and when, the wire goes on, and answers it properly once it keeps quiet before asking.
    #[test]
    fn no_bytes_disturb_the_wire_for_good(
        paced in proptest::bool::ANY,
        echo in proptest::bool::ANY,
        chunk in 1_usize..20,
        sendings in proptest::collection::vec(
            (proptest::collection::vec(proptest::num::u8::ANY, 1..40), 0_u64..20_000), 0..30),
    ) {
        let mut wire = two_slaves(paced.then_some(NORMAL), Adapter { chunk, echo, ..Adapter::default() });
        let mut at = Duration::ZERO;
        for (bytes, pause) in sendings {
            at += Duration::from_micros(pause);
            exchange(&mut wire, &bytes, at, at);
        }
        let quiet = at + ms(2_000);
        wire.advance(quiet);
        let heard = together(&exchange(&mut wire, &ask(1, 0, 10), quiet, quiet + ms(100)));
        let reply = &heard[if echo { 8 } else { 0 }..];
        proptest::prop_assert!(sound(reply).is_some());
        proptest::prop_assert_eq!(wire.next(), None);
        // Nobody answers before a request has ended, the silence has passed and the slave is ready.
        let passages = &wire.witnessed().passages;
        let rest = ms(2) + if paced { NORMAL.silence_between_frames() } else { Duration::ZERO };
        for reply in passages.iter().filter(|passage| matches!(passage.from, Talker::Unit(_))) {
            let asked = passages.iter().any(|other| {
                other.from == Talker::Master && other.bytes.len() >= 4 && other.ended + rest <= reply.begun
            });
            proptest::prop_assert!(asked);
        }
    }
}

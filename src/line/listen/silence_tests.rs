//! What is said of the silences before a master's requests, against the silences that there were.

use proptest::prelude::*;

use super::super::super::checksum::sealed;
use super::super::arrival::Arrivals;
use super::super::cutter::Cutter;
use super::*;

/// 9600 baud, 11 bits a character.
const CHARACTER: i64 = 1146;
const SILENCE: i64 = 4010;

/// Bytes with the instants at which they ended on the wire, and what the wire knows of the silences before requests.
struct Wire {
    now: i64,
    bytes: Vec<(u8, i64)>,
    short: u64,
    shortest: i64,
    never_waited: u64,
}

impl Wire {
    /// Requests, each after a silence, and the replies to those that the master waits for.
    fn polled(polls: &[(i64, Option<i64>)]) -> Self {
        let mut wire = Self { now: 1_000_000, bytes: Vec::new(), short: 0, shortest: i64::MAX, never_waited: 0 };
        for (silence, latency) in polls {
            if !wire.bytes.is_empty() {
                wire.short += u64::from(*silence < SILENCE);
                wire.shortest = wire.shortest.min(*silence);
            }
            wire.say(*silence, &sealed(&[5, 3, 0, 0, 0, 4]));
            match latency {
                Some(latency) => wire.say(*latency, &sealed(&[5, 3, 8, 1, 2, 3, 4, 5, 6, 7, 8])),
                None => wire.never_waited += 1,
            }
        }
        wire
    }

    fn say(&mut self, silence: i64, bytes: &[u8]) {
        self.now += silence;
        for byte in bytes {
            self.now += CHARACTER;
            self.bytes.push((*byte, self.now));
        }
    }

    /// What a listener makes of them whose adapter gives each byte at the instant that `given` has for it, and that looks after
    /// the pauses of `reader`, over and over.
    fn heard(&self, given: &[i64], held: i64, reader: &[i64]) -> MasterTiming {
        let timing = FollowTiming {
            character: micros(CHARACTER),
            silence: micros(SILENCE),
            worst_latency: Duration::from_secs(1),
        };
        let mut follower = Follower::new(timing);
        let (mut cutter, mut arrivals) = (Cutter::new(micros(CHARACTER)), Arrivals::default());
        let (mut now, mut read) = (0, 0);
        for pause in reader.iter().cycle() {
            let asked = now;
            now += pause;
            let count = given[read..].iter().take_while(|&&at| at <= now).count();
            if count == 0 {
                arrivals.nothing(Moment(asked));
            } else {
                let bytes: Vec<u8> = self.bytes[read..read + count].iter().map(|&(byte, _)| byte).collect();
                let arrived = arrivals.read(Moment(asked), Moment(now), true, micros(held));
                let cuts = arrived.map(|arrived| cutter.hear(&bytes, arrived)).unwrap_or_default();
                cuts.into_iter().for_each(|cut| drop(follower.take(cut)));
                read += count;
            }
            if read == given.len() {
                break;
            }
        }
        follower.take_counted().master
    }
}

fn micros(of: i64) -> Duration {
    Duration::from_micros(u64::try_from(of).expect("no time is negative here"))
}

/// A byte is held for up to `held`, and none is given before the one in front of it; where lumps are kept for later, so is
/// what follows.
fn given(wire: &Wire, held: i64, shares: &[f64]) -> Vec<i64> {
    let mut before = 0;
    let hold = |(&(_, at), share): (&(u8, i64), &f64)| {
        before = before.max(at + (share * held as f64) as i64);
        before
    };
    wire.bytes.iter().zip(shares.iter().cycle()).map(hold).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    /// Whatever an adapter does within the time for which it may hold bytes, and however long the listener is kept waiting: it
    /// says no more than is true of a line whose silences are all long enough, or hardly long enough, or anything.
    #[test]
    fn none_is_said_to_be_shorter_than_it_may_have_been(
        shortest in prop_oneof![2 => Just(SILENCE), 1 => Just(0_i64)],
        polls in proptest::collection::vec((0..10_000_i64, proptest::option::weighted(0.95, 0..30_000_i64)), 2..30),
        held in 0..20_000_i64,
        shares in proptest::collection::vec(prop_oneof![Just(0.0), Just(1.0), 0.0..=1.0_f64], 1..40),
        reader in proptest::collection::vec(prop_oneof![9 => 1..12_000_i64, 1 => 0..300_000_i64], 1..40),
    ) {
        let polls: Vec<_> = polls.into_iter().map(|(silence, latency)| (shortest + silence, latency)).collect();
        let wire = Wire::polled(&polls);
        let heard = wire.heard(&given(&wire, held, &shares), held, &reader);
        let (short, too_soon) = (heard.counted(Passed::ShortSilence), heard.counted(Passed::Interruption));
        prop_assert!(short <= wire.short, "{short} of {}", wire.short);
        prop_assert!(too_soon <= wire.never_waited, "{too_soon} of {}", wire.never_waited);
        let shortest = heard.shortest_silence.unwrap_or(Duration::MAX);
        prop_assert!(shortest >= micros(wire.shortest), "{shortest:?} of {} us", wire.shortest);
    }

    /// An adapter that keeps nothing for long, and a listener that is not kept waiting: what is clearly short is found, each.
    #[test]
    fn short_ones_are_found_where_little_is_held(
        polls in proptest::collection::vec((prop_oneof![0..1_000_i64, 8_000..20_000_i64], Just(Some(5_000))), 2..30),
        held in 0..800_i64,
        shares in proptest::collection::vec(0.0..=1.0_f64, 1..40),
        reader in proptest::collection::vec(1..300_i64, 1..40),
    ) {
        let wire = Wire::polled(&polls);
        let heard = wire.heard(&given(&wire, held, &shares), held, &reader);
        prop_assert_eq!(heard.counted(Passed::ShortSilence), wire.short);
    }

    /// And so is a second master, where replies take much longer than the adapter holds anything.
    #[test]
    fn who_does_not_wait_is_found_where_little_is_held(
        polls in proptest::collection::vec((5_000..20_000_i64, Just(None)), 2..30),
        held in 0..800_i64,
        reader in proptest::collection::vec(1..300_i64, 1..40),
    ) {
        let wire = Wire::polled(&polls);
        let heard = wire.heard(&given(&wire, held, &[1.0]), held, &reader);
        let too_soon = polls[1..].iter().filter(|(silence, _)| *silence < 13 * CHARACTER).count() as u64;
        let found = heard.counted(Passed::Interruption);
        prop_assert!(found >= too_soon, "{found} of {too_soon}");
    }
}

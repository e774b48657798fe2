use tallywell_witness::declared::Table;

use super::super::super::checksum::sealed;
use super::super::super::moment::Between;
use super::super::cutter::Cutter;
use super::*;

/// 19200 baud, 11 bits a character.
const CHARACTER: Duration = Duration::from_micros(573);
const TIMING: FollowTiming =
    FollowTiming { character: CHARACTER, silence: Duration::from_micros(2005), worst_latency: Duration::from_secs(1) };

/// A line in simulated time: what is said on it reaches the follower byte by byte.
struct Bench {
    cutter: Cutter,
    follower: Follower,
    now: i64,
    told: Vec<Exchange>,
}

impl Bench {
    fn new() -> Self {
        Self { cutter: Cutter::new(CHARACTER), follower: Follower::new(TIMING), now: 0, told: Vec::new() }
    }

    /// Bytes after a silence.
    fn say(&mut self, silence_ms: i64, bytes: &[u8]) -> &mut Self {
        if silence_ms > 10 {
            let cuts = self.cutter.quiet();
            self.told.extend(cuts.into_iter().flat_map(|cut| self.follower.take(cut)));
            self.told.extend(self.follower.on_time(Moment(self.now + 1000 * silence_ms)));
        }
        self.now += 1000 * silence_ms;
        for byte in bytes {
            let earliest = Moment(self.now);
            self.now += 573;
            let cuts = self.cutter.hear(&[*byte], Between { earliest, latest: Moment(self.now) });
            self.told.extend(cuts.into_iter().flat_map(|cut| self.follower.take(cut)));
        }
        self
    }

    fn told(&mut self) -> Vec<(u8, u16, Result<Vec<u16>, Unused>)> {
        let of =
            |exchange: Exchange| (exchange.unit, exchange.request.start, exchange.outcome.map(|values| values.words));
        std::mem::take(&mut self.told).into_iter().map(of).collect()
    }

    fn passed(&self, passed: Passed) -> u64 {
        self.follower.counted().master.counted(passed)
    }
}

fn ask(unit: u8, start: u16) -> Vec<u8> {
    sealed(&[&[unit, 3][..], &start.to_be_bytes(), &[0, 1]].concat())
}

fn answer(unit: u8, word: u16) -> Vec<u8> {
    sealed(&[&[unit, 3, 2][..], &word.to_be_bytes()].concat())
}

#[test]
fn a_reply_is_dated_between_its_request_and_its_beginning() {
    let mut bench = Bench::new();
    bench.say(0, &ask(5, 7)).say(20, &answer(5, 99)).say(200, &[]);
    let Exchange { unit: 5, request, outcome: Ok(values) } = &bench.told[0] else { panic!("{:?}", bench.told) };
    assert_eq!(*request, Request { table: Table::Holding, start: 7, count: 1 });
    assert_eq!(values.words, [99]);
    let asked = 8 * 573;
    assert!((values.sampled_at.0 - (asked + 10_000)).abs() < 1000, "{values:?}");
    assert!(values.uncertainty >= Duration::from_millis(9), "{values:?}");
    let latency = bench.follower.counted().units[&5].reply.quantile(0.5);
    assert!(latency.is_some_and(|latency| latency.as_micros().abs_diff(20_000) < 700), "{latency:?}");
}

/// A unit that usually answers slowly answers a question after the master has given up and asked again: from then on every
/// reply stands in the next one's place, and each looks quick. The last one comes when another unit was asked.
#[test]
fn a_master_that_is_one_reply_behind_gives_no_wrong_value() {
    let mut bench = Bench::new();
    for round in 0..25 {
        bench.say(20, &ask(5, 1)).say(60, &answer(5, round));
    }
    bench.say(20, &ask(5, 1)).told();
    bench.say(100, &ask(5, 1)).say(10, &answer(5, 101));
    bench.say(12, &ask(5, 2)).say(12, &answer(5, 101));
    bench.say(12, &ask(5, 3)).say(12, &answer(5, 102));
    bench.say(12, &ask(6, 1)).say(12, &answer(5, 103)).say(12, &answer(6, 201));
    bench.say(12, &ask(6, 1)).say(12, &answer(6, 202)).say(3_000, &ask(6, 1));
    let used: Vec<_> = bench.told().into_iter().filter_map(|(unit, start, it)| Some((unit, start, it.ok()?))).collect();
    assert!(used.iter().all(|(unit, start, words)| *unit == 6 || words[0] == 100 + start), "{used:?}");
    assert!(used.iter().any(|(unit, _, words)| (*unit, words[0]) == (6, 202)), "{used:?}");
}

#[test]
fn each_fault_has_its_name() {
    let mut bench = Bench::new();
    let mut spoiled = answer(5, 99);
    spoiled[3] ^= 1;
    bench
        .say(0, &ask(5, 1))
        .say(400, &ask(5, 1))
        .say(5, &spoiled)
        .say(30, &ask(5, 1))
        .say(5, &answer(5, 99)[..4])
        .say(30, &ask(5, 1))
        .say(5, &sealed(&[5, 0x83, 2]))
        .say(30, &ask(5, 1))
        .say(5, &answer(6, 1))
        .say(30, &ask(5, 1))
        .say(5, &sealed(&[5, 4, 2, 0, 1]))
        .say(30, &ask(5, 1))
        .say(5, &answer(5, 98))
        .say(30, &ask(5, 1));
    let outcomes: Vec<_> = bench.told().into_iter().map(|(_, _, outcome)| outcome).collect();
    let fault = |fault| Err(Unused::Fault(fault));
    let expected = [
        fault(Fault::Timeout),
        fault(Fault::Crc),
        fault(Fault::Short { received: 4, expected: 7 }),
        fault(Fault::Exception(2)),
        fault(Fault::WrongUnit { answered: 6 }),
        fault(Fault::WrongFunction { answered: 4 }),
        Ok(vec![98]),
    ];
    assert_eq!(outcomes, expected);
    assert_eq!(bench.passed(Passed::Retry), 6, "the last one follows a good reply");
    assert_eq!(bench.passed(Passed::Interruption), 0);
    let gave_up = bench.follower.counted().master.gives_up.quantile(1.0);
    assert!(gave_up.is_some_and(|after| after.as_millis().abs_diff(400) < 8), "{gave_up:?}");
}

#[test]
fn a_reply_after_a_lost_request_is_not_the_answer_to_the_one_before() {
    let mut bench = Bench::new();
    let mut lost = ask(5, 2);
    lost[7] ^= 0x10;
    // Register 1 is not answered; the request for register 2 does not reach us whole, its reply does.
    bench.say(0, &ask(5, 1)).say(400, &lost).say(5, &answer(5, 222));
    let told = bench.told();
    assert!(told.iter().all(|(_, _, outcome)| outcome.is_err()), "{told:?}");
}

#[test]
fn a_late_reply_is_not_taken_for_the_next_one() {
    let mut bench = Bench::new();
    for round in 0..40 {
        bench.say(30, &ask(5, round % 4)).say(5, &answer(5, 100 + round % 4));
    }
    assert!(bench.say(200, &[]).told().iter().all(|(_, start, outcome)| *outcome == Ok(vec![100 + start])));
    // The answer to register 0 comes after register 1 was asked, and the one to 1 after it.
    bench
        .say(30, &ask(5, 0))
        .say(300, &ask(5, 1))
        .say(200, &answer(5, 100))
        .say(30, &ask(5, 2))
        .say(5, &answer(5, 102));
    bench.say(900, &ask(6, 0)).say(5, &answer(6, 0));
    let told = bench.told();
    assert!(told.iter().all(|(_, start, outcome)| outcome.is_err() || *start == 2 || *start == 0), "{told:?}");
    let of_one: Vec<_> = told.iter().filter(|(unit, start, _)| (*unit, *start) == (5, 1)).collect();
    assert!(matches!(of_one[..], [(_, _, Err(Unused::Doubtful(_)))]), "{told:?}");
    // What came quickly after it is beyond doubt once nothing more can come.
    bench.say(300, &ask(6, 0)).say(5, &answer(6, 0));
    assert!(bench.told().contains(&(5, 2, Ok(vec![102]))));
    // But a unit that gives one reply too many is not believed so any more.
    bench.say(30, &ask(5, 0)).say(300, &ask(6, 0)).say(5, &answer(6, 0)).say(30, &answer(5, 100));
    bench.say(30, &ask(5, 1)).say(300, &ask(5, 2)).say(5, &answer(5, 102)).say(3_000, &ask(6, 0));
    assert!(bench.told().contains(&(5, 2, Err(Unused::Doubtful(Doubt::UnitWasLate)))));
}

#[test]
fn a_broken_reply_to_a_request_that_was_heard_wrong_makes_no_unit_late() {
    let mut bench = Bench::new();
    for round in 0..40 {
        bench.say(30, &ask(5, round % 4)).say(5, &answer(5, 100 + round % 4));
    }
    let (mut request, mut reply) = (ask(5, 0), answer(5, 100));
    request[5] ^= 0x10;
    reply[4] ^= 0x10;
    bench.say(30, &request).say(5, &reply).say(300, &ask(5, 1)).say(5, &answer(5, 101));
    bench.say(300, &ask(6, 0)).say(5, &answer(6, 0)).say(1_000, &ask(6, 0));
    assert!(bench.told().ends_with(&[(6, 0, Ok(vec![0])), (5, 1, Ok(vec![101]))]));
}

/// Register 0 of unit 5 is not answered, and register 1 is: that waits until no reply to the first can come any more.
fn one_waits() -> Bench {
    let mut bench = Bench::new();
    for round in 0..40 {
        bench.say(30, &ask(5, round % 4)).say(5, &answer(5, 100 + round % 4));
        bench.say(30, &ask(6, 0)).say(5, &answer(6, 0));
    }
    bench.say(30, &ask(5, 0)).say(300, &ask(5, 1)).say(5, &answer(5, 101));
    bench.told();
    bench
}

#[test]
fn a_reply_with_anothers_address_that_is_heard_wrong_makes_that_one_late_only_if_the_right_one_follows() {
    for (turned, follows) in [(&[][..], false), (&[3], false), (&[3, 4], false), (&[3, 4], true)] {
        let mut bench = one_waits();
        let mut reply = answer(6, 0);
        reply[0] = 5;
        turned.iter().for_each(|&place: &usize| reply[place] ^= 0x30);
        bench.say(30, &ask(6, 0)).say(5, &reply);
        if follows {
            bench.say(14, &answer(6, 0));
        }
        bench.say(300, &ask(6, 0)).say(5, &answer(6, 0)).say(1_000, &ask(6, 0));
        let told = bench.told();
        let waited = told.iter().find(|(unit, ..)| *unit == 5).map(|(_, _, outcome)| outcome.clone());
        let expected = if follows { Err(Unused::Doubtful(Doubt::LateMeanwhile)) } else { Ok(vec![101]) };
        assert_eq!(waited, Some(expected), "{turned:?} {follows}: {told:?}");
    }
}

#[test]
fn a_second_reply_to_one_request_shows_that_the_unit_is_behind_even_if_it_is_broken() {
    let mut bench = one_waits();
    let mut second = answer(5, 101);
    second[4] ^= 0x30;
    bench.say(30, &ask(5, 2)).say(5, &answer(5, 101)).say(8, &second);
    bench.say(300, &ask(6, 0)).say(5, &answer(6, 0)).say(1_000, &ask(6, 0));
    let told = bench.told();
    assert!(told.iter().all(|(unit, _, outcome)| *unit == 6 || outcome.is_err()), "{told:?}");
}

/// The unit was silent for so long that nothing is feared any more when it gives the reply to an older request and the right one.
#[test]
fn of_two_replies_to_one_request_the_first_is_not_used() {
    let mut bench = one_waits();
    bench.say(3_000, &[]).told();
    bench.say(30, &ask(5, 2)).say(5, &answer(5, 100)).say(3, &answer(5, 102)).say(30, &ask(6, 0)).say(200, &[]);
    assert_eq!(bench.told(), [(5, 2, Err(Unused::Doubtful(Doubt::NotWentOn)))]);
    assert_eq!(bench.passed(Passed::Orphan), 1);
}

#[test]
fn the_next_request_shows_that_the_reply_before_was_right_even_if_neither_it_nor_its_reply_is_heard_well() {
    let mut bench = one_waits();
    let (mut request, mut reply) = (ask(5, 2), answer(5, 102));
    request[3] ^= 0x40;
    reply[4] ^= 0x10;
    bench.say(5, &[request, reply].concat()).say(30, &ask(6, 0)).say(5, &answer(6, 0)).say(1_200, &ask(6, 0));
    assert!(bench.told().contains(&(5, 1, Ok(vec![101]))));
}

#[test]
fn two_masters_are_noticed_because_one_does_not_wait_for_the_others_replies() {
    let mut bench = Bench::new();
    for round in 0..10 {
        bench.say(60, &ask(5, 1));
        if round % 2 == 0 {
            // Another one speaks while the device thinks.
            bench.say(3, &ask(6, 1)).say(6, &answer(6, 3));
        } else {
            bench.say(6, &answer(5, 2));
        }
    }
    assert_eq!(bench.passed(Passed::Interruption), 5);
    assert!(bench.follower.counted().master.are_two());
}

#[test]
fn writes_broadcasts_and_unknown_functions_are_counted_and_passed_over() {
    let mut bench = Bench::new();
    let write = sealed(&[5, 6, 0, 1, 0, 3]);
    bench
        .say(0, &write)
        .say(5, &write)
        .say(5, &sealed(&[0, 0x10, 0, 1, 0, 1, 2, 0, 9]))
        .say(30, &sealed(&[5, 0x64, 1, 2, 3]))
        .say(30, &sealed(&[5, 0x64, 3]))
        .say(30, &ask(5, 1))
        .say(5, &answer(5, 7))
        .say(200, &[]);
    assert_eq!(bench.told(), [(5, 1, Ok(vec![7]))]);
    let counts = [Passed::Write, Passed::Broadcast, Passed::Unknown, Passed::Read, Passed::Orphan];
    assert_eq!(counts.map(|passed| bench.passed(passed)), [1, 1, 2, 1, 0]);
}

#[test]
fn periods_and_their_jitter_leave_repetitions_out() {
    let mut bench = Bench::new();
    for round in 0..50_i64 {
        let start = bench.now;
        bench.say(0, &ask(5, 1));
        if round % 10 == 0 {
            bench.say(100, &ask(5, 1));
        }
        bench.say(5, &answer(5, 7));
        let passed = (bench.now - start) / 1000;
        bench.say(500 + round % 3 - passed, &[]);
    }
    let polls = &bench.follower.counted().master.polls;
    let poll = &polls[&PollKey::new(5, Request { table: Table::Holding, start: 1, count: 1 })];
    assert_eq!((poll.requests, poll.answered), (55, 50));
    let median = poll.period.quantile(0.5);
    assert!(median.is_some_and(|median| median.as_millis().abs_diff(501) <= 5), "{median:?}");
    assert!(poll.jitter().is_some_and(|jitter| jitter.as_millis() <= 12), "{:?}", poll.jitter());
}

/// Data may look like a frame, and what stands in a broken reply did not come too soon after its beginning.
#[test]
fn a_request_found_in_a_broken_reply_accuses_nobody() {
    let mut bench = Bench::new();
    let broken = [&[5, 3, 20, 1, 2, 3][..], &ask(4, 0x3188), &[4, 5, 6]].concat();
    bench.say(20, &ask(5, 1)).say(5, &answer(5, 99)).say(20, &ask(5, 1)).say(5, &broken).say(40, &ask(5, 1));
    assert_eq!(bench.passed(Passed::Read), 4, "three that were asked, and one by chance");
    assert_eq!(bench.passed(Passed::ShortSilence), 0);
}

//! The same in simulated time: days of polling in seconds, and every seed another line.
//!
//! The short form runs with the other tests. The long one is
//! `LISTEN_LINES=2000 cargo test --release --test listen any_line_in_simulated_time -- --nocapture`.

use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tallywell::line::listen::cutter::{Cut, Cutter};
use tallywell::line::listen::follower::{Exchange, FollowTiming, Follower, Values};
use tallywell::line::moment::{Between, Moment};
use tallywell_sim::fault::{CheckSum, Fault, FaultKind, Faulty, Injected};
use tallywell_sim::frame::{frame, sound};
use tallywell_sim::image::Encoded;
use tallywell_sim::slave::{Latency, Slave};
use tallywell_sim::wire::{Adapter, Ears, Pace, Wire};

use crate::rig::{DEVICES, REGISTERS, good_replies, value_is_wrong};

/// Transactions of one line.
const ROUNDS: usize = 60;

/// Simulated registers hold whole milliseconds, and so are times compared.
const ROUNDED: Duration = Duration::from_millis(2);

/// A line drawn from a seed.
#[derive(Debug)]
struct Drawn {
    baud: u32,
    at_a_time: u16,
    ears: Ears,
    faults: Vec<Fault>,
    latency: Latency,
    patience: Duration,
    retries: u32,
    silence: Duration,
    quiet_gap: Duration,
    worst_latency: Duration,
}

impl Drawn {
    fn from(seed: u64) -> Self {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let ms = Duration::from_millis;
        let baud = [9_600, 19_200, 38_400, 115_200][random.random_range(0..4)];
        let share = random.random_range(0.0..0.1);
        let kinds = [
            FaultKind::FlippedBits(1),
            FaultKind::FlippedBits(2),
            FaultKind::Burst,
            FaultKind::Short,
            FaultKind::Long(9),
            FaultKind::Lost,
            FaultKind::ByteCountUp(CheckSum::Stale),
            FaultKind::ByteCountDown(CheckSum::Stale),
            FaultKind::Exception(6),
            FaultKind::Late(ms(150)..ms(700)),
            FaultKind::Noise(12, ms(4)),
            FaultKind::Glitch(0xFF),
        ];
        let most_held = random.random_range(1..=16);
        Self {
            baud,
            at_a_time: [1, 2, 5, 10][random.random_range(0..4)],
            ears: Ears {
                lumps: [(1, 1), (1, 64), (8, 14), (64, 64)][random.random_range(0..4)],
                hold: ms(most_held),
                spoiled: if random.random() { random.random_range(0.0..0.1) } else { 0.0 },
                seed,
            },
            faults: (0..3)
                .map(|_| Fault::always(kinds[random.random_range(0..kinds.len())].clone(), share / 3.0))
                .collect(),
            latency: Latency { fixed: ms(random.random_range(0..30)), jitter: ms(random.random_range(0..20)) },
            patience: ms(random.random_range(100..400)),
            retries: random.random_range(0..3),
            silence: ms(random.random_range(3..60)),
            quiet_gap: ms(most_held + 4),
            worst_latency: ms(1000),
        }
    }
}

/// The program's listener without its thread: what arrives is cut and followed.
struct Listening {
    cutter: Cutter,
    follower: Follower,
    quiet_gap: Duration,
    character: Duration,
    last: Moment,
    exchanges: Vec<Exchange>,
}

impl Listening {
    fn hear(&mut self, bytes: &[u8], due: Duration) {
        let latest = Moment(i64::try_from(due.as_micros()).unwrap());
        self.until(latest);
        let kept = self.quiet_gap + self.character * u32::try_from(bytes.len()).unwrap();
        let earliest = self.last.max(latest.before(kept));
        let cuts = self.cutter.hear(bytes, Between { earliest, latest });
        self.last = latest;
        self.take(cuts);
    }

    fn until(&mut self, now: Moment) {
        if now.since(self.last) >= self.quiet_gap {
            let cuts = self.cutter.quiet();
            self.take(cuts);
            self.exchanges.extend(self.follower.on_time(now));
        }
    }

    fn take(&mut self, cuts: Vec<Cut>) {
        for cut in cuts {
            self.exchanges.extend(self.follower.take(cut));
        }
    }
}

/// What came of a line.
#[derive(Default)]
struct Tally {
    used: u64,
    good: u64,
    wrong: Vec<String>,
}

fn listen_to(seed: u64) -> Tally {
    let drawn = Drawn::from(seed);
    let pace = Pace { baud: drawn.baud, bits_per_character: 11 };
    let mut wire = Wire::new(Some(pace), Adapter::default());
    for address in 1..=DEVICES {
        let slave = Slave::new(address, Encoded { unit: address, addresses: 0..REGISTERS }).with_latency(drawn.latency);
        wire.attach(Faulty::new(slave, drawn.faults.clone(), seed, &Injected::default()));
    }
    wire.listen(drawn.ears.clone());
    let character = pace.characters(1);
    let timing = FollowTiming { character, silence: pace.silence_between_frames(), worst_latency: drawn.worst_latency };
    let mut listening = Listening {
        cutter: Cutter::new(character),
        follower: Follower::new(timing),
        quiet_gap: drawn.quiet_gap,
        character,
        last: Moment(0),
        exchanges: Vec::new(),
    };
    let mut now = Duration::from_millis(10);
    for round in 0..ROUNDS {
        let (unit, places) = (1 + (round as u8) % DEVICES, REGISTERS / drawn.at_a_time);
        let start = (round as u16 / u16::from(DEVICES)) % places * drawn.at_a_time;
        let request = frame(unit, &[&[3][..], &start.to_be_bytes(), &drawn.at_a_time.to_be_bytes()].concat());
        for _ in 0..=drawn.retries {
            let (answered, at) = ask(&mut wire, &mut listening, &request, now, drawn.patience);
            now = at + drawn.silence;
            if answered {
                break;
            }
        }
    }
    now += Duration::from_secs(2);
    pass(&mut wire, &mut listening, now);
    listening.until(Moment(i64::try_from(now.as_micros()).unwrap()));
    let mut tally = Tally { good: good_replies(wire.witnessed()), ..Tally::default() };
    for Exchange { unit, request, outcome } in &listening.exchanges {
        if let Ok(Values { words, sampled_at, uncertainty, .. }) = outcome {
            tally.used += 1;
            // Who does not hear a question cannot know that it is answered late, in the place of the same one asked again.
            let is_late = |fault: &Fault| matches!(fault.kind, FaultKind::Late(_));
            let unheard = drawn.ears.spoiled > 0.0 && drawn.faults.iter().any(is_late);
            let bound = *uncertainty + if unheard { drawn.worst_latency } else { ROUNDED };
            tally.wrong.extend(value_is_wrong(&format!("unit-{unit}"), *request, words, *sampled_at, bound));
        }
    }
    tally
}

/// Lets the wire run until `until`; gives what reached the master, with the time of its last byte.
fn pass(wire: &mut Wire, listening: &mut Listening, until: Duration) -> Option<(Vec<u8>, Duration)> {
    let mut heard: Option<(Vec<u8>, Duration)> = None;
    while let Some((at, _)) = wire.next().filter(|(at, _)| *at <= until) {
        for delivery in wire.advance(at) {
            let (bytes, last) = heard.get_or_insert_with(|| (Vec::new(), delivery.due));
            bytes.extend(delivery.bytes);
            *last = delivery.due;
        }
        for delivery in wire.overheard() {
            listening.hear(&delivery.bytes, delivery.due);
        }
        if heard.as_ref().is_some_and(|(bytes, _)| sound(bytes).is_some()) {
            break;
        }
    }
    heard
}

fn ask(
    wire: &mut Wire,
    listening: &mut Listening,
    request: &[u8],
    now: Duration,
    patience: Duration,
) -> (bool, Duration) {
    pass(wire, listening, now);
    wire.advance(now);
    wire.master_sends(request, now);
    let until = now + patience;
    let mut heard = Vec::new();
    loop {
        let Some((bytes, at)) = pass(wire, listening, until) else { return (false, until) };
        heard.extend(bytes);
        if sound(&heard).is_some_and(|(unit, _)| unit == request[0]) {
            return (true, at);
        }
        if wire.next().is_none_or(|(at, _)| at > until) {
            return (false, until);
        }
    }
}

#[test]
fn any_line_in_simulated_time() {
    let lines = std::env::var("LISTEN_LINES").ok().and_then(|text| text.parse().ok()).unwrap_or(120);
    let mut all = Tally::default();
    for seed in 0..lines {
        let Tally { used, good, wrong } = listen_to(seed);
        if !wrong.is_empty() {
            println!("seed {seed}: {wrong:?}: {:?}", Drawn::from(seed));
        }
        all.wrong.extend(wrong);
        if used < good && std::env::var("LISTEN_LINES").is_ok() {
            println!("seed {seed}: {used} of {good}: {:?}", Drawn::from(seed));
        }
        // Whether a reply that came late was good is a matter of opinion: none of them may be wrong.
        if !Drawn::from(seed).faults.iter().any(|fault| matches!(fault.kind, FaultKind::Late(_))) {
            all.used += used.min(good);
            all.good += good;
        }
    }
    let share = all.used as f64 / all.good as f64;
    println!(
        "{lines} lines: {} of {} good replies were used, {:.3} %, and {} values were wrong",
        all.used,
        all.good,
        100.0 * share,
        all.wrong.len(),
    );
    assert_eq!(all.wrong, Vec::<String>::new());
    assert!(share >= 0.999, "{share}");
}

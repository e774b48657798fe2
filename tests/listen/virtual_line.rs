//! The same in simulated time: days of polling in seconds, and every seed another line.
//!
//! The short form runs with the other tests. The long one is
//! `LISTEN_LINES=2000 cargo test --release --test listen line_in_simulated_time -- --nocapture`, and `LISTEN_FROM=1000000` takes
//! other lines.

use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tallywell::line::listen::arrival::Arrivals;
use tallywell::line::listen::cutter::{Cut, Cutter};
use tallywell::line::listen::exchange::{Exchange, Unused, Values};
use tallywell::line::listen::follower::{FollowTiming, Follower};
use tallywell::line::listen::master::Passed;
use tallywell::line::moment::Moment;
use tallywell_sim::fault::{CheckSum, Fault, FaultKind, Faulty, Injected};
use tallywell_sim::frame::{frame, sound};
use tallywell_sim::image::Encoded;
use tallywell_sim::slave::{Latency, Slave};
use tallywell_sim::wire::{Adapter, Ears, Pace, Talker, Wire, Witnessed};

use crate::account::{Account, Said, account};
use crate::rig::{DEVICES, REGISTERS, bad_frames, value_is_wrong};

/// Transactions of one line.
const ROUNDS: usize = 240;

/// Simulated registers hold whole milliseconds, and so are times compared.
const ROUNDED: Duration = Duration::from_millis(2);

/// No reply begins later than this and a healthy unit's latency, which the line's worst latency covers.
const LATEST: Duration = Duration::from_millis(940);

/// A line drawn from a seed.
#[derive(Debug)]
struct Drawn {
    is_wild: bool,
    baud: u32,
    at_a_time: u16,
    /// Both ports on the wire hear bytes in pieces of so many at the most.
    chunk: usize,
    ears: Ears,
    faults: Vec<Fault>,
    latency: Latency,
    patience: Duration,
    retries: u32,
    silence: Duration,
    worst_latency: Duration,
    stalls: (f64, Duration),
    /// All of one device before anything of the next, as most masters do.
    unit_by_unit: bool,
    rounds: usize,
}

impl Drawn {
    /// A line as it mostly is: quick devices, a master that hardly pauses, asks each for everything and repeats what failed;
    /// `bad` of the frames are bad, half of them for everybody and half as the listener alone hears them.
    fn usual(seed: u64, bad: f64) -> Self {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let ms = Duration::from_millis;
        Self {
            is_wild: false,
            baud: [9_600, 19_200, 38_400, 115_200][random.random_range(0..4)],
            at_a_time: [1, 10][random.random_range(0..2)],
            chunk: 1,
            ears: Ears {
                lumps: [(1, 1), (1, 64), (8, 14), (64, 64)][random.random_range(0..4)],
                hold: ms(4),
                spoiled: bad / 2.0,
                seed,
            },
            faults: bad_frames(bad / 2.0),
            latency: Latency { fixed: ms(2), jitter: ms(3) },
            patience: ms(120),
            retries: if bad > 0.0 { 2 } else { 0 },
            silence: Duration::from_micros(random.random_range(100..5_000)),
            worst_latency: ms(1000),
            stalls: (0.0, ms(0)),
            unit_by_unit: true,
            rounds: 600,
        }
    }

    fn from(seed: u64) -> Self {
        let random = &mut ChaCha8Rng::seed_from_u64(seed);
        let ms = Duration::from_millis;
        let baud = [9_600, 19_200, 38_400, 115_200][random.random_range(0..4)];
        // Up to one frame in ten is bad; on a wild line one in two.
        let is_wild = random.random_bool(0.1);
        let share = random.random_range(0.0..if is_wild { 0.5 } else { 0.1 });
        let (least_late, most_late) =
            (random.random_range(5..400), random.random_range(400..LATEST.as_millis() as u64));
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
            FaultKind::Late(ms(least_late)..ms(most_late)),
            FaultKind::Noise(12, ms(4)),
            FaultKind::Glitch(0xFF),
        ];
        let most_held = random.random_range(1..=16);
        Self {
            is_wild,
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
            worst_latency: ms(1000),
            stalls: if random.random() {
                (random.random_range(0.0..0.02), ms(random.random_range(0..400)))
            } else {
                (0.0, ms(0))
            },
            unit_by_unit: false,
            rounds: ROUNDS,
            chunk: [1, 1, 5, 16][random.random_range(0..4)],
        }
    }
}

/// The listener's thread asks the system so often whether something has come.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// A silence ends what is not whole only after so long.
const PATIENCE: Duration = Duration::from_millis(100);

/// The program's listener without its thread: what arrives waits until it is read, then it is cut and followed.
struct Listening {
    cutter: Cutter,
    follower: Follower,
    arrivals: Arrivals,
    /// What an adapter holds bytes for at most.
    held: Duration,
    /// How often the thread is kept waiting after it has looked, and for how long at most.
    stalls: (f64, Duration),
    random: ChaCha8Rng,
    waiting: Vec<u8>,
    waiting_since: Moment,
    /// The thread does not run before this.
    stalled_until: Moment,
    next_look: Moment,
    last_heard: Moment,
    exchanges: Vec<Exchange>,
}

impl Listening {
    fn new(timing: FollowTiming, held: Duration, stalls: (f64, Duration), seed: u64) -> Self {
        Self {
            cutter: Cutter::new(timing.character),
            follower: Follower::new(timing),
            arrivals: Arrivals::default(),
            held,
            stalls,
            random: ChaCha8Rng::seed_from_u64(seed ^ 0x5EED),
            waiting: Vec::new(),
            waiting_since: Moment(0),
            stalled_until: Moment(0),
            next_look: Moment(0),
            last_heard: Moment(0),
            exchanges: Vec::new(),
        }
    }

    /// Bytes reach the machine.
    fn hear(&mut self, bytes: &[u8], due: Duration) {
        let due = moment(due);
        self.until(due);
        if self.waiting.is_empty() {
            self.waiting_since = due;
        }
        self.waiting.extend_from_slice(bytes);
        self.until(due);
    }

    /// The thread runs until `now`, but for the times in which it is kept waiting.
    fn until(&mut self, now: Moment) {
        while self.wakes() <= now {
            let at = self.wakes();
            if self.waiting.is_empty() {
                self.arrivals.nothing(at);
                if self.cutter.waits() && at.since(self.last_heard) >= PATIENCE {
                    let cuts = self.cutter.quiet();
                    self.take(cuts);
                }
                if !self.cutter.waits() {
                    self.exchanges.extend(self.follower.on_time(at.before(self.held)));
                }
            } else {
                let bytes = std::mem::take(&mut self.waiting);
                let arrived = self.arrivals.read(at, at, true, self.held);
                self.last_heard = at;
                if let Some(arrived) = arrived {
                    let cuts = self.cutter.hear(&bytes, arrived);
                    self.take(cuts);
                }
            }
            let (share, longest) = self.stalls;
            let stall =
                if self.random.random_bool(share) { longest.mul_f64(self.random.random()) } else { Duration::ZERO };
            self.stalled_until = at.after(stall);
            self.next_look = at.after(LOOK_EVERY.max(stall));
        }
    }

    /// When the thread does something next: bytes wake it, and so does its own timer.
    fn wakes(&self) -> Moment {
        if self.waiting.is_empty() { self.next_look } else { self.stalled_until.max(self.waiting_since) }
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
    account: Account,
    wrong: Vec<String>,
    /// Values of late replies that drowned the next request.
    drowned: Vec<String>,
    /// Silences before requests that were shorter than 3.5 characters, on the wire.
    short: u64,
    /// And as the listener says.
    said_short: u64,
}

fn listen_to(drawn: &Drawn) -> Tally {
    let seed = drawn.ears.seed;
    let pace = Pace { baud: drawn.baud, bits_per_character: 11 };
    let mut wire = Wire::new(Some(pace), Adapter { chunk: drawn.chunk, ..Adapter::default() });
    for address in 1..=DEVICES {
        let slave = Slave::new(address, Encoded { unit: address, addresses: 0..REGISTERS }).with_latency(drawn.latency);
        wire.attach(Faulty::new(slave, drawn.faults.clone(), seed, &Injected::default()));
    }
    wire.listen(drawn.ears.clone());
    let character = pace.characters(1);
    let timing = FollowTiming { character, silence: pace.silence_between_frames(), worst_latency: drawn.worst_latency };
    // A chunk is heard at its end, and its beginning has waited for that already.
    let held = drawn.ears.hold + pace.characters(drawn.chunk);
    let mut listening = Listening::new(timing, held, drawn.stalls, seed);
    let mut now = Duration::from_millis(10);
    let places = usize::from(REGISTERS / drawn.at_a_time);
    for round in 0..drawn.rounds {
        let (turn, place) = if drawn.unit_by_unit {
            (round / places, round % places)
        } else {
            (round, round / usize::from(DEVICES) % places)
        };
        let (unit, start) = (1 + (turn as u8) % DEVICES, place as u16 * drawn.at_a_time);
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
    while pass(&mut wire, &mut listening, now, |_| false).is_some() {}
    listening.until(moment(now));
    let said: Vec<Said> = listening.exchanges.iter().map(said).collect();
    let heard = &listening.follower.counted().master;
    let silences = silences(wire.witnessed());
    let mut tally = Tally {
        account: account(wire.witnessed(), &said),
        short: silences.iter().filter(|silence| **silence < timing.silence).count() as u64,
        said_short: heard.counted(Passed::ShortSilence),
        ..Tally::default()
    };
    let (at_most, shortest) = (heard.shortest_silence, silences.iter().min());
    if tally.said_short > tally.short || at_most.zip(shortest).is_some_and(|(at_most, shortest)| at_most < *shortest) {
        let Tally { short, said_short, .. } = tally;
        let wrong = format!("{said_short} short silences of {short}, the shortest {at_most:?} of {shortest:?}");
        tally.wrong.push(wrong);
    }
    if heard.are_two() {
        tally.wrong.push(format!("two masters by {}", heard.counted(Passed::Interruption)));
    }
    for Exchange { unit, request, outcome } in &listening.exchanges {
        if let Ok(Values { words, sampled_at, uncertainty, .. }) = outcome {
            // Who does not hear a question cannot know that it is answered late, in the place of the same one asked again.
            let is_late = |fault: &Fault| matches!(fault.kind, FaultKind::Late(_));
            let unheard = drawn.ears.spoiled > 0.0 && drawn.faults.iter().any(is_late);
            let bound = *uncertainty + if unheard { drawn.worst_latency } else { ROUNDED };
            let wrong = value_is_wrong(&format!("unit-{unit}"), *request, words, *sampled_at, bound);
            let list =
                if drowned(wire.witnessed(), *unit, words, pace) { &mut tally.drowned } else { &mut tally.wrong };
            list.extend(wrong);
        }
    }
    tally
}

/// The silences before the requests of the master.
fn silences(witnessed: &Witnessed) -> Vec<Duration> {
    let mut ended = None;
    let mut silences = Vec::new();
    for passage in &witnessed.passages {
        if let (Talker::Master, Some(before)) = (passage.from, ended) {
            silences.push(passage.begun.saturating_sub(before));
        }
        ended = ended.max(Some(passage.ended));
    }
    silences
}

/// Whether a late reply with these words began before its unit can have known that the master had asked it again: then the unit
/// hears no request, and no other reply comes. The master takes the late one for the answer, and nobody on the line can know
/// better. (MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters of silence end a frame.)
fn drowned(witnessed: &Witnessed, unit: u8, words: &[u16], pace: Pace) -> bool {
    let data: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    let mut asked = None;
    witnessed.passages.iter().any(|passage| match passage.from {
        Talker::Master => {
            asked = (passage.bytes[0] == unit).then_some(passage.ended);
            false
        }
        _ => {
            let soon = asked.take().is_some_and(|ended| passage.begun < ended + pace.silence_between_frames());
            soon && passage.from == Talker::Unit(unit) && passage.bytes.get(3..3 + data.len()) == Some(&data[..])
        }
    })
}

/// Lets the wire run until `until`; gives what reached the master, with the time of its last byte.
fn pass(
    wire: &mut Wire,
    listening: &mut Listening,
    until: Duration,
    is_whole: impl Fn(&[u8]) -> bool,
) -> Option<(Vec<u8>, Duration)> {
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
        if heard.as_ref().is_some_and(|(bytes, _)| is_whole(bytes)) {
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
    while pass(wire, listening, now, |_| false).is_some() {}
    wire.advance(now);
    wire.master_sends(request, now);
    let until = now + patience;
    let mut heard = Vec::new();
    loop {
        let whole = |bytes: &[u8]| is_answer(request, &[&heard[..], bytes].concat());
        let Some((bytes, at)) = pass(wire, listening, until, whole) else { return (false, until) };
        heard.extend(bytes);
        if is_answer(request, &heard) {
            return (true, at);
        }
        if wire.next().is_none_or(|(at, _)| at > until) {
            return (false, until);
        }
    }
}

/// Whether the master takes these bytes for the answer to its request: one of so many registers, or an exception. The checksum
/// alone would do for the beginning of a reply once in 65,536 times.
fn is_answer(request: &[u8], heard: &[u8]) -> bool {
    let [unit, function, _, _, _, count, ..] = *request else { return false };
    sound(heard).is_some_and(|(answered, data)| {
        let registers = data[0] == function && data.len() == 2 + 2 * usize::from(count);
        answered == unit && (registers || data.len() == 2 && data[0] == function | 0x80)
    })
}

/// A master that has four quick devices for itself, which is how most lines are.
#[test]
fn usual_line_in_simulated_time() {
    let (from, lines) = seeds(40);
    for bad in [0.0, 0.1] {
        let (mut all, mut all_wrong) = (Account::default(), Vec::new());
        for seed in from..from + lines {
            let Tally { account, wrong, .. } = listen_to(&Drawn::usual(seed, bad));
            if !wrong.is_empty() {
                println!("seed {seed}: {wrong:?}");
            }
            all_wrong.extend(wrong);
            all.add(&account);
        }
        println!("{lines} lines, {} values were wrong; {bad} of the frames bad: {}", all_wrong.len(), told(&all));
        assert_eq!(all_wrong, Vec::<String>::new());
        let share = all.used as f64 / all.good as f64;
        assert!(share >= 0.999, "{share}");
    }
}

/// Short silences are found where bytes are passed on one by one, and none where they are held for longer than the silence.
#[test]
fn silences_that_are_too_short_in_simulated_time() {
    let line = |silence: u64, lumps, hold: u64| {
        let silence = Duration::from_micros(silence);
        let ears = Ears { lumps, hold: Duration::from_micros(hold), spoiled: 0.0, seed: 5 };
        let tally = listen_to(&Drawn { baud: 9_600, at_a_time: 10, silence, ears, ..Drawn::usual(5, 0.0) });
        assert_eq!(tally.wrong, Vec::<String>::new());
        (tally.short, tally.said_short)
    };
    // 3.5 characters are 4.01 ms.
    assert_eq!(line(800, (1, 1), 0), (599, 599));
    assert_eq!(line(4_100, (1, 1), 0), (0, 0));
    assert_eq!(line(800, (8, 14), 16_000), (599, 0));
    assert_eq!(line(4_100, (8, 14), 16_000), (0, 0));
}

/// The seed of the first line, and how many there are.
fn seeds(short: u64) -> (u64, u64) {
    let given = |name| std::env::var(name).ok().and_then(|text: String| text.parse().ok());
    (given("LISTEN_FROM").unwrap_or(0), given("LISTEN_LINES").unwrap_or(short))
}

#[test]
fn any_line_in_simulated_time() {
    let (from, lines) = seeds(150);
    let mut accounts = [Account::default(), Account::default(), Account::default()];
    let (mut all_wrong, mut all_drowned) = (Vec::new(), 0);
    for seed in from..from + lines {
        let drawn = Drawn::from(seed);
        let Tally { account, wrong, drowned, .. } = listen_to(&drawn);
        all_drowned += drowned.len();
        if !wrong.is_empty() {
            println!("seed {seed}: {wrong:?}: {drawn:?}");
        }
        all_wrong.extend(wrong);
        // Whether a reply that came late was good is a matter of opinion: none of them may be wrong.
        let is_late = drawn.faults.iter().any(|fault| matches!(fault.kind, FaultKind::Late(_)));
        accounts[if is_late || drawn.is_wild { 2 } else { usize::from(drawn.stalls.0 > 0.0) }].add(&account);
    }
    println!(
        "{lines} lines, {} values were wrong, and {all_drowned} of replies that drowned a request",
        all_wrong.len()
    );
    for (account, what) in
        accounts.iter().zip(["replies in time", "the listener kept waiting", "replies late, or a wild line"])
    {
        println!("{what}: {}", told(account));
    }
    assert_eq!(all_wrong, Vec::<String>::new());
    let [in_time, kept_waiting, _] = accounts.map(|account| account.used as f64 / account.good as f64);
    assert!(in_time >= 0.999, "{in_time}");
    assert!(kept_waiting >= 0.998, "{kept_waiting}");
}

fn moment(at: Duration) -> Moment {
    Moment(i64::try_from(at.as_micros()).unwrap())
}

fn told(Account { good, untold, used, unused }: &Account) -> String {
    let share = 100.0 * *used as f64 / *good as f64;
    format!(
        "{used} of {good} good replies used, {share:.3} % ({untold} more to requests not heard well); the others: {unused:?}"
    )
}

fn said(Exchange { unit, request, outcome }: &Exchange) -> Said {
    let outcome = match outcome {
        Ok(values) => Ok(values.sampled_at),
        Err(Unused::Fault(fault)) => Err(format!("fault {}", fault.kind().code())),
        Err(Unused::Doubtful(doubt)) => Err(format!("doubt {}", doubt.code())),
    };
    Said { unit: *unit, request: *request, outcome }
}

//! Which of the good replies that passed a listener used, and what it said of the others.

use std::collections::BTreeMap;
use std::time::Duration;

use tallywell_sim::frame::sound;
use tallywell_sim::wire::{Passage, Talker, Witnessed};
use tallywell_witness::declared::Table;
use tallywell_witness::moment::Moment;
use tallywell_witness::plan::Request;

/// Simulated registers hold whole milliseconds.
const ROUNDED: Duration = Duration::from_millis(2);

/// What a listener said of one request.
#[derive(Clone, Debug)]
pub struct Said {
    pub unit: u8,
    pub request: Request,
    /// When the registers were sampled, or why there are none.
    pub outcome: Result<Moment, String>,
}

/// The good replies of a run.
#[derive(Clone, Debug, Default)]
pub struct Account {
    /// Replies that passed whole, to a request that passed whole, and were heard so: the listener can do no better than to
    /// use them all. A late reply in the place of another is none of them: its registers are not those that were asked for.
    pub good: u64,
    /// Good replies to requests that the listener heard wrong. They are none of those: nobody can know which registers they
    /// tell.
    pub untold: u64,
    /// Those whose registers were used.
    pub used: u64,
    /// The others, by what the listener said of them.
    pub unused: BTreeMap<String, u64>,
}

impl Account {
    /// Adds another run.
    pub fn add(&mut self, other: &Self) {
        self.good += other.good;
        self.untold += other.untold;
        self.used += other.used;
        for (why, count) in &other.unused {
            *self.unused.entry(why.clone()).or_default() += count;
        }
    }
}

/// A request that was heard whole.
struct Asked {
    ended: Duration,
    /// When its good reply began, if there was one.
    answered: Option<Duration>,
    said: Option<usize>,
}

/// One request of the master, each time that it was heard, and what was said of it.
#[derive(Default)]
struct Poll<'said> {
    asked: Vec<Asked>,
    told: Vec<&'said Said>,
}

/// Holds what the wire saw against what the listener said, in its order.
pub fn account(witnessed: &Witnessed, said: &[Said]) -> Account {
    let mut account = Account { untold: untold(witnessed), ..Account::default() };
    let mut polls: BTreeMap<(u8, u16, u16), Poll<'_>> = BTreeMap::new();
    for (passage, answer) in asked_and_answered(witnessed) {
        let Some((unit, &[3, s1, s0, c1, c0])) = sound(&passage.bytes) else { continue };
        let key = (unit, u16::from_be_bytes([s1, s0]), u16::from_be_bytes([c1, c0]));
        let answered = answer.map(|reply| reply.begun);
        account.good += u64::from(answered.is_some());
        polls.entry(key).or_default().asked.push(Asked { ended: passage.ended, answered, said: None });
    }
    for said in said.iter().filter(|said| said.request.table == Table::Holding) {
        if let Some(poll) = polls.get_mut(&(said.unit, said.request.start, said.request.count)) {
            poll.told.push(said);
        }
    }
    for Poll { mut asked, told } in polls.into_values() {
        account.used += find_used(&mut asked, &told);
        for why in find_unused(&asked, &told) {
            *account.unused.entry(why).or_default() += 1;
        }
    }
    account
}

/// Requests that passed whole and were heard so, each with its good reply.
fn asked_and_answered(witnessed: &Witnessed) -> Vec<(&Passage, Option<&Passage>)> {
    let mut all: Vec<(&Passage, Option<&Passage>)> = Vec::new();
    let mut open = false;
    for passage in &witnessed.passages {
        match passage.from {
            Talker::Master => {
                open = !passage.spoiled;
                if open {
                    all.push((passage, None));
                }
            }
            Talker::Unit(_) => {
                if let Some((asked, answer)) = all.last_mut().filter(|_| std::mem::take(&mut open)) {
                    *answer = (!passage.spoiled && is_answer(asked, passage)).then_some(passage);
                }
            }
            Talker::Stranger => open = false,
        }
    }
    all
}

/// How many replies were heard whole whose request was not.
fn untold(witnessed: &Witnessed) -> u64 {
    let mut unheard = None;
    let mut count = 0;
    for passage in &witnessed.passages {
        match passage.from {
            Talker::Master => unheard = passage.spoiled.then_some(passage),
            Talker::Unit(_) => {
                let asked = unheard.take().filter(|_| !passage.spoiled);
                count += u64::from(asked.is_some_and(|asked| is_answer(asked, passage)));
            }
            Talker::Stranger => unheard = None,
        }
    }
    count
}

fn is_answer(asked: &Passage, answer: &Passage) -> bool {
    let Some((unit, &[function, s1, s0, _, count])) = sound(&asked.bytes) else { return false };
    let length = 5 + 2 * usize::from(count);
    // A glitch may stand before it, and noise after it.
    let whole = |from: usize| answer.bytes.get(from..from + length).and_then(sound);
    [0, 1].into_iter().filter_map(whole).any(|(answered, data)| {
        let addresses = u16::from_be_bytes([s1, s0])..;
        let belong = |(address, word): (u16, &[u8])| belongs(unit, address, [word[0], word[1]], asked, answer);
        answered == unit && data[0] == function && addresses.zip(data[2..].chunks_exact(2)).all(belong)
    })
}

/// Whether a simulated register has such a word between request and reply: even addresses tell which they are, odd ones the
/// time, in milliseconds.
fn belongs(unit: u8, address: u16, word: [u8; 2], asked: &Passage, answer: &Passage) -> bool {
    if address.is_multiple_of(2) {
        return [unit, u8::try_from(address / 2).unwrap_or(u8::MAX)] == word;
    }
    let after = |at: Duration| (u128::from(u16::from_be_bytes(word)) + 0x1_0000 - at.as_millis() % 0x1_0000) % 0x1_0000;
    after(asked.ended.saturating_sub(ROUNDED)) <= (answer.begun.saturating_sub(asked.ended) + 2 * ROUNDED).as_millis()
}

/// Gives each value to the good reply that began nearest to when it was sampled; says how many there were.
fn find_used(asked: &mut [Asked], told: &[&Said]) -> u64 {
    let mut used = 0;
    for (place, said) in told.iter().enumerate() {
        let Ok(sampled_at) = said.outcome else { continue };
        let apart = |asked: &Asked| {
            asked.answered.map(|at| (i64::try_from(at.as_micros()).unwrap_or(i64::MAX) - sampled_at.0).abs())
        };
        let free = asked.iter_mut().filter(|asked| asked.said.is_none() && asked.answered.is_some());
        if let Some(nearest) = free.min_by_key(|asked| apart(asked)) {
            nearest.said = Some(place);
            used += 1;
        }
    }
    used
}

/// What was said of the good replies that were not used: doubts between two used ones are of good replies, and so are the
/// faults that are more than the requests without a good reply.
fn find_unused(asked: &[Asked], told: &[&Said]) -> Vec<String> {
    let mut unused = Vec::new();
    let mut from = 0;
    let mut asked = asked.iter().peekable();
    debug_assert!(asked.clone().is_sorted_by_key(|asked| asked.ended));
    while asked.peek().is_some() {
        let mut stretch = Vec::new();
        let mut to = told.len();
        for asked in asked.by_ref() {
            if let Some(said) = asked.said {
                to = said.max(from);
                break;
            }
            stretch.push(asked);
        }
        let (mut good, bad): (Vec<_>, Vec<_>) = stretch.into_iter().partition(|asked| asked.answered.is_some());
        let why = told[from..to].iter().filter_map(|said| said.outcome.clone().err());
        let (doubts, faults): (Vec<String>, Vec<String>) = why.partition(|why| why.starts_with("doubt"));
        let of_good = faults.len().saturating_sub(bad.len());
        for why in doubts.into_iter().chain(faults.into_iter().take(of_good)) {
            if good.pop().is_some() {
                unused.push(why);
            }
        }
        unused.extend(good.iter().map(|_| "nothing said".to_owned()));
        from = (to + 1).min(told.len());
    }
    unused
}

//! Which settings and addresses of an unknown line to try, in what order, and how long it may take.
//!
//! A probe has a likelihood of finding something and a cost in time. Trying them by falling likelihood per cost finds
//! something soonest on average (the classic result for searches whose looks are certain). Likelihoods are judgements:
//! what the standard requires (19200 and 9600, even parity: MODBUS over Serial Line V1.02, sections 2.5.1 and 3.2), what
//! devices are often delivered with (no parity, low addresses), and what was seen on the line meanwhile.
//!
//! At the likeliest settings, and at those where something answered, silent addresses are asked once more, in falling
//! order. A lost question then hides nobody; nor does a device that takes every other question for the reply to the one
//! before, as some do that hear a question for somebody else and wait for that one's reply: between the two looks at an
//! address lies an even number of other questions, so one of the looks finds it attentive.

use std::collections::VecDeque;
use std::time::Duration;

use crate::declared::{Framing, Parity};
use crate::plan::WireTiming;

/// The rates worth trying, likeliest first.
pub const RATES: [u32; 8] = [19_200, 9_600, 38_400, 115_200, 4_800, 57_600, 2_400, 1_200];

/// Bytes that come after a probe, where else nothing comes, say that a device heard it: so much likelier are the other
/// settings of that rate then.
const HEARD_AT_THIS_RATE: f64 = 50.0;

/// The share of devices that have one of these addresses: most keep what they were delivered with, or are numbered from 1.
const ADDRESSES: [(u8, u8, f64); 6] =
    [(1, 3, 0.40), (4, 16, 0.25), (17, 32, 0.13), (33, 64, 0.09), (65, 128, 0.06), (129, 247, 0.07)];

/// How likely a line has this framing.
fn likelihood(framing: Framing) -> f64 {
    let rate = match framing.baud {
        19_200 => 0.38,
        9_600 => 0.36,
        38_400 | 115_200 => 0.07,
        4_800 | 57_600 => 0.03,
        2_400 => 0.02,
        _ => 0.01,
    };
    let format = match (framing.parity, framing.stop_bits) {
        (Parity::Even, 1) => 0.45,
        (Parity::None, 1) => 0.33,
        (Parity::None, _) => 0.12,
        (Parity::Odd, 1) => 0.07,
        _ => 0.01,
    };
    rate * format
}

/// One question: does anything answer at this address with these settings?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Probe {
    /// The settings.
    pub framing: Framing,
    /// 1 to 247.
    pub address: u8,
}

/// When the search ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Until {
    /// When the settings at which something answered have been tried with all addresses.
    OneSettingIsComplete,
    /// When everything has been tried.
    AllIsTried,
}

/// How far one setting has been tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tried {
    /// The settings.
    pub framing: Framing,
    /// The addresses that were asked.
    pub addresses: usize,
    /// The addresses that were to be asked.
    pub of: usize,
}

/// What is left of a search at the most.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Left {
    /// Probes.
    pub probes: usize,
    /// Their time if none is answered.
    pub time: Duration,
}

/// A search over settings and addresses.
#[derive(Clone, Debug)]
pub struct Search {
    blocks: Vec<Block>,
    /// The block that is being tried; a port is not turned to and fro between settings for single probes.
    current: Option<usize>,
    patience: Duration,
    until: Until,
    settled: Option<Framing>,
}

/// Neighbouring addresses at one setting.
#[derive(Clone, Debug)]
struct Block {
    framing: Framing,
    likelihood: f64,
    left: VecDeque<u8>,
    all: usize,
    /// Addresses that were silent, the last one first.
    silent: VecDeque<u8>,
    /// The silent ones are asked again even if nothing answers at these settings.
    likely: bool,
}

impl Search {
    /// A search that waits `patience` for the beginning of each reply. The order in which settings and addresses are given
    /// decides only between equally likely ones.
    #[must_use]
    pub fn new(settings: &[Framing], addresses: &[u8], patience: Duration, until: Until) -> Self {
        let mut blocks = Vec::new();
        let likeliest = settings.iter().map(|&framing| likelihood(framing)).fold(0.0, f64::max);
        for &framing in settings {
            let likely = likelihood(framing) >= likeliest / 2.0;
            for (first, last, share) in ADDRESSES {
                let left: VecDeque<u8> =
                    addresses.iter().copied().filter(|address| (first..=last).contains(address)).collect();
                if !left.is_empty() {
                    let likelihood = likelihood(framing) * share;
                    blocks.push(Block { framing, likelihood, all: left.len(), left, silent: VecDeque::new(), likely });
                }
            }
        }
        Self { blocks, current: None, patience, until, settled: None }
    }

    /// What to ask next; nothing when the search is over.
    pub fn next_probe(&mut self) -> Option<Probe> {
        self.current = self.next_block();
        let again = self.looks_again(&self.blocks[self.current?]);
        let block = &mut self.blocks[self.current?];
        let framing = block.framing;
        if let Some(address) = block.left.pop_front() {
            // Until it answers.
            block.silent.push_front(address);
            return Some(Probe { framing, address });
        }
        let address = block.silent.pop_front().filter(|_| again)?;
        Some(Probe { framing, address })
    }

    /// The settings of the next probe.
    #[must_use]
    pub fn next_framing(&self) -> Option<Framing> {
        self.next_block().map(|index| self.blocks[index].framing)
    }

    /// The port does not run at these settings: they are not tried.
    pub fn rule_out(&mut self, framing: Framing) {
        for block in self.blocks.iter_mut().filter(|block| block.framing == framing) {
            block.all -= block.left.len();
            block.left.clear();
            block.silent.clear();
        }
    }

    /// It was answered: its settings come first now, and are the last unless everything is to be tried.
    pub fn answered(&mut self, probe: Probe) {
        self.settled.get_or_insert(probe.framing);
        for block in self.blocks.iter_mut().filter(|block| block.framing == probe.framing) {
            block.silent.retain(|&address| address != probe.address);
        }
    }

    /// Bytes came after a probe at these settings that were no reply.
    pub fn heard_something(&mut self, framing: Framing) {
        for block in self.blocks.iter_mut().filter(|block| block.framing.baud == framing.baud) {
            block.likelihood *= HEARD_AT_THIS_RATE;
        }
        self.current = None;
    }

    /// The settings at which something answered first.
    #[must_use]
    pub const fn settled(&self) -> Option<Framing> {
        self.settled
    }

    /// What is left of the search, if nothing more answers.
    #[must_use]
    pub fn left(&self) -> Left {
        let wanted = || self.blocks.iter().filter(|block| self.is_wanted(block));
        let probes = |block: &Block| self.probes(block);
        let time = |block: &Block| self.cost(block.framing) * u32::try_from(self.probes(block)).unwrap_or(u32::MAX);
        Left { probes: wanted().map(probes).sum(), time: wanted().map(time).sum() }
    }

    /// How far each setting has been tried, in the order in which they were given.
    #[must_use]
    pub fn tried(&self) -> Vec<Tried> {
        let mut all: Vec<Tried> = Vec::new();
        for block in &self.blocks {
            let addresses = block.all - block.left.len();
            match all.iter_mut().find(|tried| tried.framing == block.framing) {
                Some(tried) => {
                    tried.addresses += addresses;
                    tried.of += block.all;
                }
                None => all.push(Tried { framing: block.framing, addresses, of: block.all }),
            }
        }
        all
    }

    fn is_wanted(&self, block: &Block) -> bool {
        match (self.until, self.settled) {
            (Until::OneSettingIsComplete, Some(settled)) => block.framing == settled,
            _ => true,
        }
    }

    /// Silent addresses are worth a second look where devices are likely.
    fn looks_again(&self, block: &Block) -> bool {
        block.likely || self.settled == Some(block.framing)
    }

    /// How many probes of a block are left if none is answered.
    fn probes(&self, block: &Block) -> usize {
        block.left.len() + if self.looks_again(block) { block.left.len() + block.silent.len() } else { 0 }
    }

    /// The block of the next probe: the current one until it is done.
    fn next_block(&self) -> Option<usize> {
        let goes_on = |index: &usize| {
            let block = &self.blocks[*index];
            self.is_wanted(block) && self.probes(block) > 0
        };
        self.current.filter(goes_on).or_else(|| self.likeliest())
    }

    fn likeliest(&self) -> Option<usize> {
        let worth = |block: &Block| {
            let settled = self.settled == Some(block.framing);
            let seconds = self.cost(block.framing).as_secs_f64() * block.all as f64;
            (settled, block.likelihood / seconds)
        };
        let mut best: Option<(usize, (bool, f64))> = None;
        for (index, block) in self.blocks.iter().enumerate() {
            if self.probes(block) == 0 || !self.is_wanted(block) {
                continue;
            }
            let worth = worth(block);
            if best.is_none_or(|(_, other)| worth > other) {
                best = Some((index, worth));
            }
        }
        best.map(|(index, _)| index)
    }

    /// The time of a probe that nobody answers: the request, the wait, and the silence before the next.
    fn cost(&self, framing: Framing) -> Duration {
        let timing = WireTiming::new(framing);
        timing.request() + first_byte_within(framing, self.patience) + timing.t3_5()
    }
}

/// How long to wait for the first byte of a reply, from the end of the request: the silence that tells a device that the
/// request is over, its own `patience`, and the character itself.
#[must_use]
pub fn first_byte_within(framing: Framing, patience: Duration) -> Duration {
    let timing = WireTiming::new(framing);
    timing.t3_5() + patience + timing.character()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const PATIENCE: Duration = Duration::from_millis(100);

    fn framing(baud: u32, parity: Parity, stop_bits: u8) -> Framing {
        Framing { baud, parity, stop_bits }
    }

    fn usual_settings() -> Vec<Framing> {
        let formats = [(Parity::Even, 1), (Parity::None, 1), (Parity::Odd, 1), (Parity::None, 2)];
        RATES.iter().flat_map(|&baud| formats.map(|(parity, stop_bits)| framing(baud, parity, stop_bits))).collect()
    }

    #[test]
    fn the_standards_default_and_low_addresses_come_first_and_other_rates_soon() {
        let addresses: Vec<u8> = (1..=247).collect();
        let mut search = Search::new(&usual_settings(), &addresses, PATIENCE, Until::AllIsTried);
        let first: Vec<Probe> = std::iter::from_fn(|| search.next_probe()).take(24).collect();
        assert_eq!(first[0], Probe { framing: framing(19_200, Parity::Even, 1), address: 1 });
        let mut order: Vec<Framing> = Vec::new();
        for probe in &first {
            assert!(probe.address <= 3, "{probe:?} before another setting");
            if !order.contains(&probe.framing) {
                order.push(probe.framing);
            }
        }
        let expected = [(19_200, Parity::Even), (9_600, Parity::Even), (19_200, Parity::None), (9_600, Parity::None)];
        assert_eq!(order, expected.map(|(baud, parity)| framing(baud, parity, 1)));
    }

    #[test]
    fn an_answer_completes_its_setting_and_ends_the_search() {
        let settings = usual_settings();
        let addresses: Vec<u8> = (1..=30).collect();
        let mut search = Search::new(&settings, &addresses, PATIENCE, Until::OneSettingIsComplete);
        let found = loop {
            let probe = search.next_probe().expect("not all is tried yet");
            if probe.framing == framing(9_600, Parity::None, 1) && probe.address == 2 {
                break probe.framing;
            }
        };
        search.answered(Probe { framing: found, address: 2 });
        let rest: Vec<Probe> = std::iter::from_fn(|| search.next_probe()).collect();
        assert!(rest.iter().all(|probe| probe.framing == found && probe.address != 2), "{rest:?}");
        let looks = |address: u8| rest.iter().filter(|probe| probe.address == address).count();
        assert_eq!((looks(1), looks(3), looks(30)), (1, 2, 2), "the first was asked once before");
    }

    #[test]
    fn junk_after_a_probe_brings_the_other_formats_of_its_rate_forward() {
        let addresses: Vec<u8> = (1..=247).collect();
        let mut search = Search::new(&usual_settings(), &addresses, PATIENCE, Until::AllIsTried);
        search.next_probe();
        search.heard_something(framing(2_400, Parity::Even, 1));
        assert_eq!(search.next_probe().map(|probe| probe.framing.baud), Some(2_400));
    }

    proptest! {
        /// A device that takes the question after one for another unit for that one's reply is found all the same.
        #[test]
        fn a_device_that_misses_every_other_question_is_found(
            addresses in proptest::collection::btree_set(1..=247_u8, 1..60),
            chosen in proptest::sample::select((0..60_usize).collect::<Vec<_>>()),
            attentive in proptest::bool::ANY,
        ) {
            let addresses: Vec<u8> = addresses.into_iter().collect();
            let device = addresses[chosen % addresses.len()];
            let settings = [framing(19_200, Parity::Even, 1)];
            let mut search = Search::new(&settings, &addresses, PATIENCE, Until::OneSettingIsComplete);
            let mut attentive = attentive;
            let found = std::iter::from_fn(|| search.next_probe()).any(|probe| {
                let heard = attentive;
                attentive = !attentive;
                heard && probe.address == device
            });
            prop_assert!(found);
        }

        /// Whatever is asked for is asked once, or twice where that is likely; the time that is left falls to nothing.
        #[test]
        fn nothing_is_left_out(
            addresses in proptest::collection::btree_set(1..=247_u8, 1..40),
            rates in proptest::collection::btree_set(proptest::sample::select(RATES.to_vec()), 1..4),
            junk_at in 0..40_usize,
        ) {
            let addresses: Vec<u8> = addresses.into_iter().collect();
            let settings: Vec<Framing> =
                rates.into_iter().flat_map(|baud| [framing(baud, Parity::Even, 1), framing(baud, Parity::None, 2)]).collect();
            let mut search = Search::new(&settings, &addresses, PATIENCE, Until::AllIsTried);
            let all = settings.len() * addresses.len();
            prop_assert!((all..=2 * all).contains(&search.left().probes));
            let announced = search.left().probes;
            let mut asked: Vec<Probe> = Vec::new();
            let mut time = search.left().time;
            while let Some(probe) = search.next_probe() {
                prop_assert!(asked.iter().filter(|other| **other == probe).count() < 2);
                asked.push(probe);
                prop_assert!(search.left().time < time);
                time = search.left().time;
                if asked.len() == junk_at {
                    search.heard_something(probe.framing);
                }
            }
            prop_assert_eq!(asked.len(), announced);
            prop_assert_eq!(time, Duration::ZERO);
            prop_assert!(search.tried().iter().all(|tried| tried.addresses == tried.of));
        }
    }
}

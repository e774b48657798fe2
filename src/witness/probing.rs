//! Which settings and addresses of an unknown line to try, in what order, and how long it may take.
//!
//! A probe has a likelihood of finding something and a cost in time. Trying them by falling likelihood per cost finds
//! something soonest on average (the classic result for searches whose looks are certain). Likelihoods are judgements:
//! what the standard requires (19200 and 9600, even parity: MODBUS over Serial Line V1.02, sections 2.5.1 and 3.2), what
//! devices are often delivered with (no parity, low addresses), and what was seen on the line meanwhile.

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
}

impl Search {
    /// A search that waits `patience` for the beginning of each reply. The order in which settings and addresses are given
    /// decides only between equally likely ones.
    #[must_use]
    pub fn new(settings: &[Framing], addresses: &[u8], patience: Duration, until: Until) -> Self {
        let mut blocks = Vec::new();
        for &framing in settings {
            for (first, last, share) in ADDRESSES {
                let left: VecDeque<u8> =
                    addresses.iter().copied().filter(|address| (first..=last).contains(address)).collect();
                if !left.is_empty() {
                    blocks.push(Block { framing, likelihood: likelihood(framing) * share, all: left.len(), left });
                }
            }
        }
        Self { blocks, current: None, patience, until, settled: None }
    }

    /// What to ask next; nothing when the search is over.
    pub fn next_probe(&mut self) -> Option<Probe> {
        let goes_on = self.current.is_some_and(|current| !self.blocks[current].left.is_empty());
        if !goes_on || self.current.is_some_and(|current| !self.is_wanted(&self.blocks[current])) {
            self.current = self.likeliest();
        }
        let block = &mut self.blocks[self.current?];
        let address = block.left.pop_front()?;
        Some(Probe { framing: block.framing, address })
    }

    /// The settings of the next probe.
    #[must_use]
    pub fn next_framing(&self) -> Option<Framing> {
        let current = self.current.map(|current| &self.blocks[current]).filter(|block| !block.left.is_empty());
        current.or_else(|| self.likeliest().map(|index| &self.blocks[index])).map(|block| block.framing)
    }

    /// The port does not run at these settings: they are not tried.
    pub fn rule_out(&mut self, framing: Framing) {
        for block in self.blocks.iter_mut().filter(|block| block.framing == framing) {
            block.all -= block.left.len();
            block.left.clear();
        }
    }

    /// Something answered at these settings: they come first now, and are the last unless everything is to be tried.
    pub fn answered(&mut self, framing: Framing) {
        self.settled.get_or_insert(framing);
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
        let time = |block: &Block| {
            let probes = u32::try_from(block.left.len()).unwrap_or(u32::MAX);
            self.cost(block.framing) * probes
        };
        Left { probes: wanted().map(|block| block.left.len()).sum(), time: wanted().map(time).sum() }
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

    fn likeliest(&self) -> Option<usize> {
        let worth = |block: &Block| {
            let settled = self.settled == Some(block.framing);
            let seconds = self.cost(block.framing).as_secs_f64() * block.all as f64;
            (settled, block.likelihood / seconds)
        };
        let mut best: Option<(usize, (bool, f64))> = None;
        for (index, block) in self.blocks.iter().enumerate() {
            if block.left.is_empty() || !self.is_wanted(block) {
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
        let first: Vec<Probe> = std::iter::from_fn(|| search.next_probe()).take(12).collect();
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
        search.answered(found);
        let rest: Vec<Probe> = std::iter::from_fn(|| search.next_probe()).collect();
        assert_eq!(rest.len(), 28);
        assert!(rest.iter().all(|probe| probe.framing == found), "{rest:?}");
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
        /// Whatever is asked for is asked exactly once, and the time that is left falls to nothing.
        #[test]
        fn nothing_is_left_out_or_asked_twice(
            addresses in proptest::collection::btree_set(1..=247_u8, 1..40),
            rates in proptest::collection::btree_set(proptest::sample::select(RATES.to_vec()), 1..4),
            junk_at in 0..40_usize,
        ) {
            let addresses: Vec<u8> = addresses.into_iter().collect();
            let settings: Vec<Framing> =
                rates.into_iter().flat_map(|baud| [framing(baud, Parity::Even, 1), framing(baud, Parity::None, 2)]).collect();
            let mut search = Search::new(&settings, &addresses, PATIENCE, Until::AllIsTried);
            let all = settings.len() * addresses.len();
            prop_assert_eq!(search.left().probes, all);
            let mut asked = Vec::new();
            let mut time = search.left().time;
            while let Some(probe) = search.next_probe() {
                prop_assert!(!asked.contains(&probe));
                asked.push(probe);
                prop_assert!(search.left().time < time);
                time = search.left().time;
                if asked.len() == junk_at {
                    search.heard_something(probe.framing);
                }
            }
            prop_assert_eq!(asked.len(), all);
            prop_assert_eq!(time, Duration::ZERO);
            prop_assert!(search.tried().iter().all(|tried| tried.addresses == tried.of));
        }
    }
}

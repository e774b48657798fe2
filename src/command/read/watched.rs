//! Registers of an unknown map, looked at for a few seconds: which of their decodings look like something.

use std::time::{Duration, Instant};

use tallywell_witness::decode::{Likeness, Observation, Ranked, likely_layout, rank};
use tallywell_witness::plan::Request;
use tallywell_witness::units::Seconds;

use super::way::Way;
use crate::line::once::RequestRead;

/// Between two looks at the same registers.
const PACE: Duration = Duration::from_millis(250);
/// A device that refuses a whole stretch is asked for its parts, with at most so many requests.
const MOST_REQUESTS: usize = 32;
/// What looks less like anything is not worth a line.
const LEAST_SCORE: f64 = 0.1;

/// A stretch of registers and what was seen of it.
pub(super) struct Watched {
    /// The last look.
    pub read: RequestRead,
    /// How often it was looked at, and for how long.
    pub looks: usize,
    /// From the first look to the last.
    pub lasted: Seconds,
    /// Every decoding that looks like something, the likeliest first.
    pub ranked: Vec<Ranked>,
    /// The likeliest that share no registers, by address.
    pub layout: Vec<Ranked>,
}

impl Watched {
    fn of(read: RequestRead, observations: &[Observation]) -> Self {
        let ranked: Vec<Ranked> = if observations.len() < 2 { Vec::new() } else { rank(observations) };
        let worth = |it: &Ranked| it.score >= LEAST_SCORE;
        let layout = likely_layout(&ranked).into_iter().filter(worth).collect();
        let lasted = observations.first().zip(observations.last()).map_or(0.0, |(first, last)| last.at.0 - first.at.0);
        Self {
            read,
            looks: observations.len(),
            lasted: Seconds(lasted),
            ranked: ranked.into_iter().filter(worth).collect(),
            layout,
        }
    }

    /// The address of the first register of one of its decodings.
    pub(super) fn address_of(&self, it: &Ranked) -> usize {
        usize::from(self.read.address) + it.candidate.word
    }

    /// The first registers that were asked for belong to no value, and those after them do: a number counted from 1 was
    /// perhaps taken for an address.
    pub(super) fn begins_late(&self) -> bool {
        self.layout.first().is_some_and(|first| first.candidate.word == 1 && first.likeness != Likeness::Setting)
            && self.read.address > 0
    }
}

/// Looks at a stretch for so long. Where the device refuses it whole, its parts that answer are found first, by halves.
pub(super) fn watch(way: &mut Way, request: Request, lasting: Duration) -> anyhow::Result<Vec<Watched>> {
    let mut stretches = Vec::new();
    let mut asked = 0;
    let mut left = vec![request];
    let mut refused = None;
    while let Some(request) = left.pop() {
        asked += 1;
        let Some(read) = way.read(Some(request))?.into_iter().next() else { continue };
        let too_much = read.words.is_none() && matches!(read.exception, Some(0x02 | 0x03)) && request.count > 1;
        if too_much && asked < MOST_REQUESTS {
            refused.get_or_insert(read);
            let half = request.count / 2;
            left.push(Request { start: request.start + half, count: request.count - half, ..request });
            left.push(Request { count: half, ..request });
        } else if read.words.is_some() || refused.is_none() {
            stretches.push(read);
        }
    }
    if let Some(refused) = refused {
        // What was asked for first was refused, and that is said.
        stretches.insert(0, refused);
    }
    let mut watched = Vec::new();
    for read in stretches {
        let Some(words) = read.words.clone().filter(|_| !request.table.is_bits()) else {
            watched.push(Watched::of(read, &[]));
            continue;
        };
        let begun = Instant::now();
        let mut observations = vec![Observation { at: Seconds(0.0), words }];
        let mut last = read;
        let request = Request { table: last.table, start: last.address, count: last.count };
        while begun.elapsed() + PACE <= lasting {
            std::thread::sleep(PACE);
            let at = Seconds(begun.elapsed().as_secs_f64());
            if let Some(read) = way.read(Some(request))?.into_iter().next()
                && let Some(words) = &read.words
            {
                observations.push(Observation { at, words: words.clone() });
                last = read;
            }
        }
        watched.push(Watched::of(last, &observations));
    }
    Ok(watched)
}

/// What a decoding looks like, in words.
pub(super) fn likeness_in_words(it: &Ranked, rise: &str) -> String {
    match it.likeness {
        Likeness::Flow => "a flow".to_owned(),
        Likeness::Total => format!("a total, +{rise}/s"),
        Likeness::Setting => "a setting".to_owned(),
    }
}

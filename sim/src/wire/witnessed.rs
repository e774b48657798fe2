//! What the wire saw: the master's bytes and manners, the traffic, and how well the wire itself kept its time.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

/// Who sent something.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Talker {
    /// The program at the other end of the pseudo-terminal.
    Master,
    /// The slave with this unit.
    Unit(u8),
    /// Noise, or a second master.
    Stranger,
}

/// One stretch of bytes on the wire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Passage {
    /// Who sent it.
    pub from: Talker,
    /// When its first bit began, from the start of the wire.
    pub begun: Duration,
    /// When its last bit ended.
    pub ended: Duration,
    /// The bytes as sent, before any collision.
    pub bytes: Vec<u8>,
    /// The listening port heard it wrong.
    pub spoiled: bool,
}

/// How many passages are remembered; the counts go on beyond.
const REMEMBERED: usize = 100_000;

/// Everything that the wire saw since its start.
#[derive(Clone, Debug, Default)]
pub struct Witnessed {
    /// Sound requests of the master.
    pub requests: u64,
    /// Sound requests of the master, by function code.
    pub functions: BTreeMap<u8, u64>,
    /// Frames of the master with a bad check sum, or broken by a pause.
    pub bad_requests: u64,
    /// Sound requests for units that are not on the line.
    pub unanswered: u64,
    /// Every byte that the master sent, counted.
    pub bytes_from_master: u64,
    /// Bytes given to the master.
    pub bytes_to_master: u64,
    /// Bytes that came out of the port that only hears.
    pub bytes_from_listener: u64,
    /// Bytes that met another talker's.
    pub collided_bytes: u64,
    /// Silences before the master's transmissions that were shorter than 3.5 characters.
    pub short_silences: u64,
    /// Pauses beyond 1.5 characters inside the master's requests.
    pub broken_requests: u64,
    /// The shortest silence before a transmission of the master.
    pub shortest_silence: Option<Duration>,
    /// The time that the wire was in use: every byte of every talker.
    pub busy: Duration,
    /// The time that the transactions needed at the least: request, silence and the slave's own latency, reply, silence.
    pub needed: Duration,
    /// When the first transmission of the master began, and when the last answer to it ended.
    pub span: Option<(Duration, Duration)>,
    /// How late the wire gave its bytes to the master.
    pub lateness: Lateness,
    /// The latest passages, oldest first; a hundred thousand at the most.
    pub passages: VecDeque<Passage>,
}

impl Witnessed {
    /// The needed time by the elapsed: 1 is a master that never lets the wire wait. Nothing on a wire without pace.
    #[must_use]
    pub fn use_of_the_wire(&self) -> Option<f64> {
        let (first, last) = self.span?;
        let elapsed = last.saturating_sub(first).as_secs_f64();
        (elapsed > 0.0 && !self.busy.is_zero()).then(|| self.needed.as_secs_f64() / elapsed)
    }

    /// The remembered transmissions of the master.
    pub fn from_master(&self) -> impl Iterator<Item = &Passage> {
        self.passages.iter().filter(|passage| passage.from == Talker::Master)
    }

    pub(super) fn remember(&mut self, passage: Passage) {
        if self.passages.len() == REMEMBERED {
            self.passages.pop_front();
        }
        self.passages.push_back(passage);
    }

    pub(super) fn silence(&mut self, silence: Duration, least: Duration) {
        self.shortest_silence = Some(self.shortest_silence.map_or(silence, |shortest| shortest.min(silence)));
        if silence < least {
            self.short_silences += 1;
        }
    }
}

/// How late deliveries were against their planned instants, in classes of powers of two microseconds.
#[derive(Clone, Debug, Default)]
pub struct Lateness {
    /// `classes[n]` counts those under 2^n microseconds (and not under half of that); the last class has all beyond.
    pub classes: [u64; 20],
    /// The latest.
    pub most: Duration,
}

impl Lateness {
    /// Counts one delivery.
    pub fn record(&mut self, late: Duration) {
        self.most = self.most.max(late);
        let microseconds = u64::try_from(late.as_micros()).unwrap_or(u64::MAX);
        let class = usize::try_from(u64::BITS - microseconds.leading_zeros()).unwrap_or(usize::MAX);
        self.classes[class.min(self.classes.len() - 1)] += 1;
    }

    /// An upper bound on the lateness of this share (0 to 1) of the deliveries.
    #[must_use]
    pub fn quantile(&self, share: f64) -> Duration {
        let all: u64 = self.classes.iter().sum();
        let mut below = 0;
        for (class, count) in self.classes.iter().enumerate() {
            below += count;
            if below as f64 >= share * all as f64 {
                return Duration::from_micros(1 << class);
            }
        }
        self.most
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lateness_is_bounded_from_above() {
        let mut lateness = Lateness::default();
        for microseconds in 1..=1000 {
            lateness.record(Duration::from_micros(microseconds));
        }
        assert_eq!(lateness.quantile(0.5), Duration::from_micros(512));
        assert_eq!(lateness.quantile(0.99), Duration::from_micros(1024));
        assert_eq!(lateness.most, Duration::from_millis(1));
    }
}

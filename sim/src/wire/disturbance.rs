//! Strangers on the wire: noise out of nowhere, and a second master.

use std::time::Duration;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// What a stranger sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stranger {
    /// Up to so many random bytes.
    Noise(u8),
    /// Another master's request, which its slave answers; it does not look whether the wire is free.
    Master(Vec<u8>),
}

/// A stranger that speaks again and again for a while.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Disturbance {
    /// What it sends.
    pub stranger: Stranger,
    /// The mean time from one beginning to the next; each varies by up to a half.
    pub every: Duration,
    /// From when.
    pub begins: Duration,
    /// Until when; for ever if absent.
    pub ends: Option<Duration>,
}

impl Disturbance {
    /// Its name in scenarios and counts.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self.stranger {
            Stranger::Noise(_) => "idle-noise",
            Stranger::Master(_) => "second-master",
        }
    }

    /// When it speaks next, if it speaks again after `at`.
    pub(super) fn next(&self, at: Duration, random: &mut ChaCha8Rng) -> Option<Duration> {
        let next = at.max(self.begins) + self.every.mul_f64(random.random_range(0.5..1.5));
        (!self.every.is_zero() && self.ends.is_none_or(|ends| next < ends)).then_some(next)
    }

    pub(super) fn bytes(&self, random: &mut ChaCha8Rng) -> Vec<u8> {
        match &self.stranger {
            Stranger::Noise(most) => {
                let length = random.random_range(1..=usize::from((*most).max(1)));
                (0..length).map(|_| random.random()).collect()
            }
            Stranger::Master(request) => request.clone(),
        }
    }
}

//! Random numbers from a seed: the same seed and stream number give the same numbers for ever.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// One independent stream of random numbers. Each part of a plant draws from its own, so that a fault in one part leaves
/// the chance of all others as it was.
#[derive(Clone, Debug)]
pub struct Stream(ChaCha8Rng);

impl Stream {
    /// Stream `number` of `seed`.
    #[must_use]
    pub fn new(seed: u64, number: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(number);
        Self(generator)
    }

    /// A standard normal number.
    #[inline]
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// A number in 0..1.
    #[inline]
    pub fn uniform(&mut self) -> f64 {
        self.0.random()
    }

    /// A number in `low..high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A number in `low..high` whose logarithm is uniform; both bounds are positive.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.uniform())
    }

    /// True with probability `probability`.
    #[inline]
    pub fn chance(&mut self, probability: f64) -> bool {
        probability > 0.0 && self.uniform() < probability
    }

    /// An exponentially distributed number with this mean.
    pub fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).ln()
    }

    /// +1 or -1.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// A whole number in `0..bound`.
    pub fn below(&mut self, bound: u64) -> u64 {
        self.0.random_range(0..bound)
    }

    /// One of `choices`, which must not be empty.
    pub fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.0.random_range(0..choices.len())]
    }
}

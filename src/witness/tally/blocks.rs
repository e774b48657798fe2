//! Blocks of readings: their sums, how far they lie apart, and what those beyond the tolerance add up to.

use serde::{Deserialize, Serialize};

use super::finding::Moment;
use super::sequential::{Bank, OPERATING_THRESHOLDS};

/// The spread of blocks is at least this share of what is tolerated.
const SMALLEST_SPREAD_SHARE: f64 = 0.05;
/// Before any blocks are known, the spread counts as this share of what is tolerated, with the weight of some blocks.
const FIRST_SPREAD_SHARE: f64 = 0.2;
const FIRST_SPREAD_WEIGHT: f64 = 4.0;
/// The spread is forgotten over so many blocks.
const SPREAD_MEMORY: f64 = 500.0;
/// A jump from one block to the next counts for at most so many spreads.
const LARGEST_JUMP: f64 = 4.0;

/// Litres and seconds, summed over blocks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sums {
    /// By the first witness.
    pub first: f64,
    /// By the second.
    pub second: f64,
    /// Of what is let pass.
    pub let_pass: f64,
    /// Of what lag and rounding allow.
    pub allowance: f64,
    /// Seconds.
    pub seconds: f64,
    /// Blocks.
    pub blocks: u64,
}

impl Sums {
    pub(super) fn add(&mut self, block: &Block) {
        self.first += block.first;
        self.second += block.second;
        self.let_pass += block.let_pass * block.seconds;
        self.allowance += block.allowance * block.seconds;
        self.seconds += block.seconds;
        self.blocks += 1;
    }
}

/// One block of readings.
pub(super) struct Block {
    pub(super) first: f64,
    pub(super) second: f64,
    pub(super) seconds: f64,
    pub(super) let_pass: f64,
    pub(super) allowance: f64,
    /// The standard deviation of the bias that sampling alone makes, L/s.
    pub(super) noise: f64,
    /// How far the second witness's flow moved from the beginning to the end.
    pub(super) change: f64,
}

impl Block {
    /// L/s.
    pub(super) fn bias(&self) -> f64 {
        (self.second - self.first) / self.seconds
    }
}

/// Blocks beyond what is tolerated, on one side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Side {
    // Most are empty, and are kept every few seconds.
    #[serde(default, skip_serializing_if = "is_empty")]
    bank: Bank,
    #[serde(default, skip_serializing_if = "is_empty")]
    pub(super) sums: Sums,
    #[serde(default, skip_serializing_if = "is_empty")]
    pub(super) since: Option<Moment>,
}

fn is_empty<T: Default + PartialEq>(it: &T) -> bool {
    *it == T::default()
}

impl Side {
    /// Takes a block; true once it is certain.
    pub(super) fn push(&mut self, score: f64, block: &Block, began: Moment) -> bool {
        let alarm = self.bank.push(score, &OPERATING_THRESHOLDS);
        if self.bank.blocks_since_zero == 0 {
            *self = Self::default();
            return false;
        }
        self.since.get_or_insert(began);
        self.sums.add(block);
        alarm
    }
}

/// Blocks of any flow, or of like flows: above and below.
pub(super) type Sides = [Side; 2];
/// How far blocks of like flow lie apart: turbulence grows with the flow, and a pipe at rest is calm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Spread {
    sum: f64,
    weight: f64,
    last_bias: Option<f64>,
}

impl Spread {
    /// The standard deviation, L/s, of a block so many times as long as the shortest: long ones are thought to average.
    pub(super) fn of(&self, let_pass: f64, length: f64) -> f64 {
        let first = (FIRST_SPREAD_SHARE * let_pass).powi(2) * FIRST_SPREAD_WEIGHT / length.max(1.0);
        let variance = (first + self.sum) / (FIRST_SPREAD_WEIGHT + self.weight);
        variance.sqrt().max(SMALLEST_SPREAD_SHARE * let_pass)
    }

    pub(super) fn learn(&mut self, bias: f64, let_pass: f64, length: f64) {
        if let Some(before) = self.last_bias.replace(bias) {
            let jump = (bias - before).abs().min(LARGEST_JUMP * self.of(let_pass, length));
            let keep = 1.0 - 1.0 / SPREAD_MEMORY;
            self.sum = keep * self.sum + 0.5 * jump * jump;
            self.weight = keep * self.weight + 1.0;
        }
    }
}

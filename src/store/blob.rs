//! What lies in the cells of a store, opened without a database: for whoever fuzzes the reading of it, or mends one.

use tallywell_witness::reading::Reading;

use super::{row, stretch};

/// The reading whose two times are in `times` and whose values are in `bytes`; `None` if they are damaged.
#[must_use]
pub fn reading(bytes: &[u8], times: Reading) -> Option<Reading> {
    row::decode(bytes, times)
}

/// The `count` readings of a sealed stretch; `None` if it is damaged.
#[must_use]
pub fn stretch(sealed: &[u8], count: usize) -> Option<Vec<Reading>> {
    stretch::open(sealed, count)
}

/// One reading as a cell, without its two times.
#[must_use]
pub fn from_reading(reading: &Reading) -> Vec<u8> {
    row::encode(reading)
}

/// Readings as a sealed stretch, their registers' meanings guessed; `None` if they would not come back to the last bit.
#[must_use]
pub fn from_stretch(readings: &[Reading]) -> Option<Vec<u8>> {
    stretch::seal(readings, &stretch::Meanings::default())
}

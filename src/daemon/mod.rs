//! The daemon: wires lines, tallies, store and faces together.

pub mod clock;
pub mod file_source;
pub mod socket;

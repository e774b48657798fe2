//! tallywell cross-checks the three witnesses of one flow: bus registers, loop current and volume pulses.
//!
//! The rooms, from the top down; imports run downwards only:
//!
//! - [`command`]: one file a command;
//! - [`daemon`]: wires lines, tallies, store and faces together;
//! - [`face`]: what others see of a running daemon;
//! - [`mod@line`]: the wire, its transactions and their timing;
//! - [`site`]: what the user wrote: site file and register maps, checked and reported on;
//! - [`store`]: the database, its one writer and its readers;
//! - [`record`]: readings as files;
//! - [`wall`]: the clock on the wall.
//!
//! The deciding is done in the pure crate `tallywell_witness`; this crate owns clocks, ports, files and sockets.

// A reader who has gone is an error to be handled, and these panic.
#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod command;
pub mod daemon;
pub mod face;
pub mod line;
pub mod record;
pub mod site;
pub mod store;
pub mod wall;

//! A line that another master polls: nothing is sent, and what passes is followed.
//!
//! - [`frame`]: what the first bytes of a frame say of its length and sense;
//! - [`arrival`]: when bytes were on the wire, pure;
//! - [`cutter`]: bytes with their times into frames and noise, pure;
//! - [`follower`]: frames into exchanges, pure;
//! - [`exchange`]: what came of a request;
//! - `listener`: the line's thread, which performs them;
//! - [`master`]: how the other master polls, in figures.

pub mod arrival;
pub mod cutter;
pub mod exchange;
pub mod follower;
pub mod frame;
mod listener;
pub mod master;
mod mending;
mod open;
mod unsettled;
mod usual;
mod waiting;

pub(super) use listener::Listener;

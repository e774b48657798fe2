//! The line: one serial port or gateway, its transactions and their timing.
//!
//! From the ground up:
//!
//! - [`moment`], [`clock`]: time as a value, and the clock that gives it;
//! - [`checksum`], [`request`], [`fault`]: what goes over the wire, what may be asked, what can be wrong;
//! - [`overdue`], [`transaction`]: the pure judgement of bytes and times;
//! - [`tap`]: the protocol crate, attached to bytes in memory;
//! - [`port`], [`adapter`], [`gateway`], [`quiet`]: what the bytes come through;
//! - [`bus`]: one open port, performing transactions;
//! - [`statistics`], [`event`]: how the devices answered, and what is told of it;
//! - [`thread`]: the line's own thread, which polls by the schedule;
//! - [`once`]: one device, read once.

pub mod adapter;
pub mod bus;
pub mod checksum;
pub mod clock;
pub mod event;
pub mod fault;
pub mod gateway;
pub mod moment;
pub mod once;
pub mod overdue;
pub mod port;
pub mod quiet;
pub mod request;
pub mod statistics;
pub mod tap;
pub mod thread;
pub mod transaction;

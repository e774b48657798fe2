//! The line: one serial port or gateway, its transactions and their timing.
//!
//! What is promised: no reply is ever taken for another's, as long as none comes later than the line's declared worst
//! latency. What cannot be promised: a reply that is later still, of the same unit, to the same function, of the same length,
//! and that does not begin before its successor's request has ended, looks in every byte like the one that was asked for;
//! and random bytes that begin like a reply pass its checksum once in 65,536 times.
//!
//! From the ground up:
//!
//! - [`moment`], [`clock`]: time as a value, and the clock that gives it;
//! - [`checksum`], [`request`], [`fault`]: what goes over the wire, what may be asked, what can be wrong;
//! - [`overdue`], [`transaction`]: the pure judgement of bytes and times;
//! - [`tap`]: the protocol crate, attached to bytes in memory;
//! - [`port`], [`adapter`], [`gateway`], [`quiet`]: what the bytes come through;
//! - [`bus`]: one open port, performing transactions;
//! - [`times`], [`statistics`], [`event`]: how the devices answered, and what is told of it;
//! - `poller`: polls by the schedule; [`listen`]: follows another master's polling; `post`: what both do besides;
//! - [`orders`], [`thread`]: what can be asked of them; the line's own thread, on which one of the two runs;
//! - [`once`]: one device, read once;
//! - [`scan`]: who answers on an unknown line, and with which settings.

pub mod adapter;
pub mod bus;
pub mod checksum;
pub mod clock;
pub mod event;
pub mod fault;
pub mod gateway;
pub mod listen;
pub mod moment;
pub mod once;
pub mod orders;
pub mod overdue;
mod patience;
mod poller;
pub mod port;
mod post;
pub mod quiet;
pub mod request;
pub mod scan;
pub mod statistics;
pub mod tap;
pub mod thread;
pub mod times;
pub mod transaction;

//! The line: one serial port or gateway, its transactions and their timing.
//!
//! From the ground up:
//!
//! - [`moment`]: time as a value;
//! - [`checksum`], [`request`], [`fault`]: what goes over the wire, what may be asked, what can be wrong;
//! - [`overdue`], [`transaction`]: the pure judgement of bytes and times;
//! - [`tap`]: the protocol crate, attached to bytes in memory.

pub mod checksum;
pub mod fault;
pub mod moment;
pub mod overdue;
pub mod request;
pub mod tap;
pub mod transaction;

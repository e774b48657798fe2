//! The store: one SQLite database, one writer, any number of readers beside it.
//!
//! - [`Writer`] owns a thread that puts everything into the database in one transaction every two seconds;
//! - [`StoreReader`] reads while it does, through a connection that cannot write;
//! - [`log`] holds what is kept for ever: disagreements, events, notes, settings, hourly summaries;
//! - [`evidence`] holds what was declared when, and by whose clock;
//! - [`timing`] holds the hourly statistics of the lines.
//!
//! # What a power cut can take
//! The database runs in write-ahead mode with `synchronous = FULL`: a transaction is on the disk when it is said to be. A
//! power cut takes at most what had not been committed: about two seconds, and longer only while the disk stalls or is
//! full, when readings wait in memory. A kill takes no more than that. What was committed stays whole, on any disk that
//! does not lie about its flush.
//!
//! # What a damaged or deleted database takes with it
//! What was in it. A new one is begun in its place and told what stands open, so that nothing open is forgotten; a damaged
//! one is kept aside.
//!
//! # What is dropped when the disk stalls
//! Readings wait in a queue of bounded length, the oldest dropped first; what is kept for ever waits in another, and is
//! never dropped for a reading's sake. Whatever is dropped is counted and said.

pub mod blob;
mod connection;
mod error;
pub mod evidence;
mod harm;
mod keep;
pub mod log;
mod once;
mod options;
mod outbox;
mod put;
mod queue;
mod readings;
mod row;
mod schema;
mod standing;
mod stretch;
#[cfg(test)]
mod stretch_tests;
#[cfg(test)]
mod tests;
pub mod timing;
#[cfg(test)]
mod trouble_tests;
mod writer;

pub use connection::{Lock, StoreReader};
pub use error::StoreError;
pub use once::{keep_all_handed_out, keep_handed_out, keep_note};
pub use options::Options;
pub use outbox::{Outgoing, Waiting, Weight};
pub use readings::{Readings, Span};
pub use writer::{Health, Taken, Writer};

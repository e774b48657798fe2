//! Readings as files: written so that nothing is lost, read so that what people really send is understood.
//!
//! - [`CsvWriter`] writes one meter's readings, a line each;
//! - [`CsvReader`] reads them back as a stream, in bounded memory, and says of every oddity what it made of it;
//! - [`parquet`] writes them for column engines, a file a day.
//!
//! The columns of CSV are `time,flow,total,loop_ma,pulses,status`, then when each value was sampled and the registers behind
//! flow and total; see [`columns`].

mod cells;
pub mod columns;
mod hashing;
mod header;
mod instant;
mod lines;
mod notes;
pub mod parquet;
pub mod quantity;
mod reader;
#[cfg(test)]
mod reader_tests;
mod sequence;
mod writer;

pub use hashing::Hashing;
pub use instant::{DateText, format_instant, parse_instant};
pub use notes::{CsvError, Note, RowProblem};
pub use quantity::Quantity;
pub use reader::CsvReader;
pub use writer::{CsvWriter, Extent};

//! Left alone for years: what a shed does to a daemon that nobody looks after.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod file_modes;
mod shed;

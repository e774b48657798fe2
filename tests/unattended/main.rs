//! Left alone for years: what a shed does to a daemon that nobody looks after.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod any_bytes;
mod bad_line;
mod clock;
mod doors;
mod file_modes;
mod full_disk;
mod kills;
mod lost_store;
mod missing_port;
mod power_cut;
mod reading_only;
mod shed;
#[path = "../shipped/mod.rs"]
mod shipped;
#[path = "../fuzz/subjects/mod.rs"]
mod subjects;

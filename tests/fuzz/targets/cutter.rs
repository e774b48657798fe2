//! See the subject of the same name.
#![no_main]

#[path = "../subjects/mod.rs"]
mod subjects;

libfuzzer_sys::fuzz_target!(|input: &[u8]| subjects::cutter::take(input));

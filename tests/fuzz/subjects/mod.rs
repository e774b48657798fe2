//! What is fuzzed: everything that reads what others wrote. Each subject takes any bytes and checks what must hold of what
//! came of them; the fuzzer and the tests run the same code.

#![allow(dead_code, reason = "each fuzz target uses one of them")]

pub mod cutter;
pub mod frames;
pub mod maps;
pub mod readings;
pub mod sites;
pub mod stored;

use std::path::Path;

use tallywell::site::{Loaded, Problems};

/// A site file and its one map, as the program reads them.
fn parse(site: &str, map: &str) -> Result<Loaded, Problems> {
    tallywell::site::parse(site, Path::new("site.toml"), &mut |_| Ok(map.to_owned()))
}

/// What people would see of the problems found. Every one has to be drawn without a panic, in its place.
fn is_drawn(parsed: Result<Loaded, Problems>) -> Option<Loaded> {
    match parsed {
        Ok(loaded) => {
            for caution in &loaded.cautions {
                assert!(!caution.message().is_empty());
            }
            Some(loaded)
        }
        Err(problems) => {
            assert!(problems.to_string().contains("error"), "refused without an error");
            None
        }
    }
}

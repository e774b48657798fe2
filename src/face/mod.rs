//! What others see of a running daemon.
//!
//! A face never holds the daemon up: each has a bounded queue, and what does not fit is counted and said.

pub mod broker;
pub mod metrics;
pub mod notice;
pub mod page;
pub mod plot;
pub mod report;
pub mod state;
pub mod told;

/// What page and report look alike in.
const LOOK: &str = include_str!("look.css");

//! What others see of a running daemon: the page, in a browser and to a program; the metrics, to independent readers of
//! their formats; `watch`. Each test runs the shipped binary on the shipped site over a simulated line.

#![expect(clippy::unwrap_used, reason = "a test may fail")]

mod browser;
mod metrics;
mod page;
mod seen;
mod shed;
#[path = "../shipped/mod.rs"]
mod shipped;
mod watch;
mod web;

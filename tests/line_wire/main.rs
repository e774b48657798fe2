//! The line against a simulated wire behind a real pseudo-terminal.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

mod faults;
mod gateways;
mod plan;
mod ports;
mod read;
mod rig;

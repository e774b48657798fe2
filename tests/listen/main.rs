//! Listening to a line that another master polls, on a paced wire behind real pseudo-terminals.

#![expect(clippy::unwrap_used, reason = "a test that cannot be set up has to fail")]

mod account;
mod commands;
mod rig;
mod virtual_line;
#[path = "../faces/web.rs"]
#[allow(dead_code, reason = "the tests of the page use more of it")]
mod web;
mod wire;

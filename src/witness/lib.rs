//! The pure rooms: no clock, no file, no socket, no async, no random numbers.
//!
//! From the ground up:
//!
//! - [`units`]: quantities with their unit in the type;
//! - [`moment`]: instants of a line's own time;
//! - [`declared`]: what the user declared, as plain data;
//! - [`reading`]: one moment of one meter, as its witnesses told it;
//! - [`join`]: samples from many devices into readings;
//! - [`decode`]: registers to values and back;
//! - [`plan`]: the cheapest requests, and how much of a line's time they take;
//! - [`coverage`]: what another master's polling leaves unread;
//! - [`probing`]: what to try on an unknown line;
//! - [`schedule`]: what to ask next, given the time;
//! - [`sizing`]: how to set a meter's outputs, and what each choice costs;
//! - [`tally`]: the witnesses compared for ever;
//! - [`trial`]: a commissioning trial judged, with its uncertainty budget;
//! - [`cause`]: why they disagree, and what to check;
//! - [`audit`]: the meter's own settings against what was declared;
//! - [`station`]: the whole way from registers to verdicts.
//!
//! Whatever needs the time gets it as an argument.

pub mod audit;
pub mod cause;
pub mod coverage;
pub mod declared;
pub mod decode;
pub mod join;
pub mod moment;
pub mod plan;
pub mod probing;
pub mod reading;
pub mod schedule;
pub mod sizing;
pub mod station;
pub mod tally;
pub mod trial;
pub mod units;

//! Simulated plants, meters, receivers, slaves and wires, sharing no code with the program that they test.
//!
//! From the pipe to the poller:
//!
//! - [`random`]: random numbers from a seed;
//! - [`profile`]: the true flow in a pipe;
//! - [`register`]: numbers in registers;
//! - [`meter`]: from the true flow to a flow value and totals;
//! - [`output`]: the loop current and the pulses;
//! - [`receiver`]: what measures and counts them;
//! - [`conditions`]: what may change on that way while it runs;
//! - [`trouble`]: what can be wrong there;
//! - [`plant`]: points of measurement, and a shed of them;
//! - [`wiring`]: a shed behind registers, for a slave on a wire;
//! - [`direct`]: a shed sampled without a wire, months in seconds.
//! - [`csv`]: its rows as text;
//! - [`cases`]: labelled cases, random in everything but their trouble.
//!
//! From the registers to the serial port:
//!
//! - [`image`]: what a device's registers hold at an instant;
//! - [`frame`]: requests read, replies written;
//! - [`slave`]: a device at an address;
//! - [`fault`]: what can happen to its replies;
//! - [`wire`]: the one pair that all share, byte by byte;
//! - [`scenario`]: such a wire from a short file;
//! - [`pty`]: a serial port that programs can open;
//! - [`rig`]: a wire behind such a port, in real time;
//! - [`controller`]: a master on such a port, for a line that is only listened to.
//!
//! But for the rig and the controller nothing here has a clock: time is an argument.

pub mod cases;
pub mod conditions;
pub mod controller;
pub mod csv;
pub mod direct;
pub mod fault;
pub mod frame;
pub mod image;
pub mod meter;
pub mod output;
pub mod plant;
pub mod profile;
pub mod pty;
pub mod random;
pub mod receiver;
pub mod register;
pub mod rig;
pub mod scenario;
pub mod slave;
pub mod trouble;
pub mod wire;
pub mod wiring;

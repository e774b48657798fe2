//! Simulated plants, meters and receivers, sharing no code with the program that they test.
//!
//! From the pipe to the poller:
//!
//! - [`random`]: random numbers from a seed;
//! - [`profile`]: the true flow in a pipe;
//! - [`register`]: numbers in registers;
//! - [`meter`]: from the true flow to a flow value and totals;
//! - [`output`]: the loop current and the pulses;
//! - [`receiver`]: what measures and counts them;
//! - [`trouble`]: what can be wrong on that way;
//! - [`plant`]: points of measurement, and a shed of them;
//! - [`wiring`]: a shed behind registers, for a slave on a wire;
//! - [`direct`]: a shed sampled without a wire, months in seconds.
//!
//! Nothing here has a clock: time is an argument.

pub mod direct;
pub mod meter;
pub mod output;
pub mod plant;
pub mod profile;
pub mod random;
pub mod receiver;
pub mod register;
pub mod trouble;
pub mod wiring;

//! The trial run of a meter: what was measured, how well that is known, and whether it is within what is let pass.
//!
//! - [`budget`]: an uncertainty, line by line, as the GUM (JCGM 100:2008) adds it up;
//! - [`fit`]: a straight line through calibration points, with the uncertainty of what it says;
//! - [`points`]: currents and pulses that the meter simulates, against what was read;
//! - [`volumes`]: the volume of each witness over a timed run, each with its budget;
//! - [`differences`]: the volumes against each other;
//! - [`meter_error`]: a volume against a reference, and the zones of ISO 4064;
//! - [`record`]: all of it together, as it is kept.
//!
//! A trial without a reference volume shows agreement, not accuracy: all witnesses share one sensor.

pub mod budget;
pub mod differences;
pub mod fit;
pub mod meter_error;
pub mod points;
pub mod record;
#[cfg(test)]
mod tests;
mod verdict;
pub mod volumes;

pub use verdict::Verdict;

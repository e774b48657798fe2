//! Naming the cause: which witness is wrong, why, and what to check.
//!
//! One pass over the readings ([`Explainer`]): hard rules repair the series (`repair`), the rest is summed into blocks
//! (`assemble`, `block`). Hypotheses see blocks only: registers against each other (`volume`), current against flow
//! (`current`), counts against the total (`drift`, `pulse`), the receiver against the signals (`receiver`). `ranking`
//! weighs whole hypotheses by likelihood and prior (`level`, `prior`), and `wording` says them to people.

mod assemble;
mod block;
mod candidate;
pub mod civil;
pub mod code;
mod crossing;
mod current;
mod damping;
mod dispute;
mod drift;
mod explainer;
pub mod explanation;
mod facts;
mod gather;
mod intake;
mod level;
mod prior;
mod pulse;
mod ranking;
mod receiver;
mod repair;
mod settings;
mod standing;
mod volume;
mod wording;

pub use civil::CivilMoment;
pub use code::{Code, Part};
pub use crossing::OtherMeter;
pub use explainer::Explainer;
pub use explanation::{Cause, Explanation, Parameters, VolumeInterval};

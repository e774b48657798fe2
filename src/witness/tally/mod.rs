//! The tallies: the witnesses of one meter compared for ever, in constant memory.
//!
//! [`MeterTallies`] takes one reading after another and says what changed. The same state machine runs in the daemon and
//! over a stretch of stored readings.
//!
//! - [`finding`]: what comes out, as plain data;
//! - `intake`, `counter`: readings in litres and seconds, wraps and absurd values told apart;
//! - `count_tally`, `band`, `around`, `window`: counts held against counts, by set membership;
//! - `pair`, `bias`, `blocks`: flows held against flows and counts, by [`sequential`] tests with [`run_length`]s known exactly;
//!   `lately`: what lags between them can do;
//! - `current_state`: what a current says before it says a flow;
//! - `events`, `silence`: what lasts from one reading to another, and who is heard;
//! - `hourly`: what went by in each hour;
//! - `noted`: what people read off a receiver's display;
//! - `meter`, `judging`, `standing`, `stands_open`: all of it for one meter;
//! - `gain`: what the counts gained from reading to reading, for whoever adds up volumes.

mod around;
mod backwards;
mod band;
mod bias;
mod blocks;
mod count_tally;
mod counter;
mod current_state;
mod events;
mod extremes;
pub mod finding;
mod gain;
mod hourly;
mod intake;
mod judging;
mod lately;
mod meter;
mod noted;
mod pair;
mod rules;
pub mod run_length;
pub mod sequential;
mod silence;
#[cfg(test)]
pub(crate) mod specimen;
mod standing;
mod stands_open;
#[cfg(test)]
mod tests;
mod window;

use serde::{Deserialize, Serialize};

pub(crate) use counter::{LEAST_SHARE, USUAL_WIDTHS};
pub use finding::{
    Between, Change, CurrentState, DifferenceUnit, Disagreement, DisagreementKind, Event, EventKind, HourlySummary,
    Largest, Moment, Step, TallyStanding, Verdict, Witness, WitnessedVolume,
};
pub use gain::{Gain, Gains};
pub use intake::Directions;
pub use meter::MeterTallies;
pub use noted::{Noted, NotedReading};
pub use stands_open::StandsOpen;

use crate::reading::MeterFacts;

/// The volume against which steps between counts are weighed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VolumeJudged {
    /// What flowed in the last 24 hours: the daemon's.
    LastDay,
    /// What flowed since the first reading: that of a stretch that is looked at as a whole.
    Whole,
}

/// The tallies for which both witnesses are declared.
#[must_use]
pub fn declared_tallies(facts: &MeterFacts) -> Vec<Between> {
    let declared = |witness| match witness {
        Witness::Flow => facts.flow.is_some(),
        Witness::Total => facts.total.is_some(),
        Witness::ReverseTotal => facts.reverse_total.is_some(),
        Witness::Loop => facts.loop_ma.is_some(),
        Witness::Pulse => facts.pulses.is_some(),
        Witness::ReceiverFlow => facts.receiver_flow.is_some(),
        Witness::ReceiverTotal => facts.receiver_total.is_some(),
    };
    Between::ALL.into_iter().filter(|between| between.witnesses().into_iter().all(declared)).collect()
}

//! The tallies: the witnesses of one meter compared for ever, in constant memory.
//!
//! [`MeterTallies`] takes one reading after another and says what changed. The same state machine runs in the daemon and
//! over a stretch of stored readings.

pub mod finding;

use serde::{Deserialize, Serialize};

pub use finding::{
    Between, Change, CurrentState, DifferenceUnit, Disagreement, DisagreementKind, Event, EventKind, HourlySummary,
    Largest, Moment, Step, TallyStanding, Verdict, Witness, WitnessedVolume,
};

use crate::reading::{MeterFacts, Reading};

/// The volume against which steps between counts are weighed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VolumeJudged {
    /// What flowed in the last 24 hours: the daemon's.
    LastDay,
    /// What flowed since the first reading: that of a stretch that is looked at as a whole.
    Whole,
}

/// Everything that is remembered of one meter between two readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterTallies {
    judged: VolumeJudged,
    tallies: Vec<Between>,
    maintenance: bool,
}

impl MeterTallies {
    /// A fresh state for a meter.
    #[must_use]
    pub fn new(facts: &MeterFacts, judged: VolumeJudged) -> Self {
        Self { judged, tallies: declared_tallies(facts), maintenance: false }
    }

    /// Takes the next reading; what it changed is appended to `changes`.
    pub fn push(&mut self, _facts: &MeterFacts, _reading: &Reading, _changes: &mut Vec<Change>) {}

    /// During maintenance readings are kept but judged by nothing. Open disagreements and events stay as they are.
    pub const fn set_maintenance(&mut self, maintenance: bool) {
        self.maintenance = maintenance;
    }

    /// Where each declared tally stands.
    #[must_use]
    pub fn standing(&self) -> Vec<TallyStanding> {
        self.tallies.iter().map(|between| undecided(*between)).collect()
    }
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

fn undecided(between: Between) -> TallyStanding {
    TallyStanding {
        between,
        verdict: Verdict::Undecided,
        ratio: None,
        difference: None,
        unit: between.unit(),
        tolerance: None,
        steps: 0,
        step_count: 0,
        first: None,
        second: None,
        judged_s: 0.0,
        excluded_s: 0.0,
        excluded_l: 0.0,
        open: false,
        disagreements: 0,
        current: None,
        notes: Vec::new(),
    }
}

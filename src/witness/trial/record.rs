//! A whole trial, as it is shown, kept and printed on the sheet.

use serde::{Deserialize, Serialize};

use super::Verdict;
use super::differences::Difference;
use super::meter_error::ReferenceCheck;
use super::points::{LoopCheck, OffCheck, PulseCheck};
use super::volumes::Volumes;
use crate::declared::Setting;
use crate::units::WallMillis;

/// Said wherever a trial without a reference passed.
pub const AGREEMENT_ONLY: &str = "This shows agreement, not accuracy: all witnesses share one sensor. Only a reference \
                                  volume (tank, scale, reference meter) shows the meter's error.";

/// How the devices were read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Through {
    /// Through the running daemon.
    Daemon,
    /// Through a port of the trial's own.
    Port,
}

/// A timed run with real flow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunCheck {
    /// When it began.
    pub began: WallMillis,
    /// When it ended.
    pub ended: WallMillis,
    /// Each witness's volume with its budget.
    #[serde(flatten)]
    pub volumes: Volumes,
    /// The volumes against each other.
    pub differences: Vec<Difference>,
    /// The volumes against a reference, where there was one.
    pub reference: Option<ReferenceCheck>,
}

/// A device, and what it says of itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceTold {
    /// Its name in the site file.
    pub device: String,
    /// Its address.
    pub address: u8,
    /// Its identification, where it has one.
    pub says: Option<String>,
}

/// A trial.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// The meter's name.
    pub meter: String,
    /// When it began; from here on the time is marked as maintenance.
    pub began: WallMillis,
    /// When it ended.
    pub ended: WallMillis,
    /// How the devices were read.
    pub through: Through,
    /// Whoever made it, as they wrote it.
    pub by: Option<String>,
    /// The devices that the meter's witnesses hang on.
    pub devices: Vec<DeviceTold>,
    /// The meter's own settings as they were read, in the base unit of each.
    pub settings: Vec<(Setting, f64)>,
    /// Simulated currents.
    #[serde(rename = "loop")]
    pub current_loop: Option<LoopCheck>,
    /// Simulated pulses.
    pub pulses: Option<PulseCheck>,
    /// Real flow.
    pub run: Option<RunCheck>,
    /// Whether simulation is off again.
    pub simulation_off: Option<OffCheck>,
    /// What was left out, and what was odd.
    pub remarks: Vec<String>,
    /// All of it together.
    pub verdict: Verdict,
}

impl Trial {
    /// What all parts say together. A difference that is undecided leaves the trial undecided; a part that was left out says
    /// nothing; a reference without a rating says the error and judges nothing.
    #[must_use]
    pub fn judged(mut self) -> Self {
        let mut all = Vec::new();
        all.extend(self.current_loop.as_ref().map(|it| it.verdict));
        all.extend(self.pulses.map(|it| it.verdict));
        all.extend(self.simulation_off.map(|it| it.verdict));
        if let Some(run) = &self.run {
            all.extend(run.differences.iter().map(|it| it.verdict));
            all.extend(run.reference.as_ref().filter(|it| it.limit.is_some()).map(|it| it.verdict));
        }
        self.verdict = Verdict::together(all);
        self
    }

    /// The meter's error is known of it.
    #[must_use]
    pub fn has_reference(&self) -> bool {
        self.run.as_ref().is_some_and(|run| run.reference.is_some())
    }
}

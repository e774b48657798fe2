//! A scenario without its wire: the same meters and what goes wrong with them, sampled as a poller would, hours in a second.

use super::build::Builder;
use super::{Scenario, ScenarioError};
use crate::cases::Case;
use crate::direct::Sampling;

/// The meters of a scenario over a stretch of time.
#[derive(Clone, Debug)]
pub struct Stretch {
    /// Their names; the first is the one that the scenario is about.
    pub meters: Vec<String>,
    /// Their readings, and the site file and maps that their people would have written.
    pub case: Case,
}

impl Scenario {
    /// The meters of a scenario's text as its `direct` says; `name` stands in errors. At most two meters are sampled.
    ///
    /// # Errors
    /// The text is no scenario, says what cannot be, or has no meter.
    pub fn stretch(text: &str, name: &str) -> Result<Stretch, ScenarioError> {
        let written = super::read(text, name)?;
        let nonsense = |faults| ScenarioError::Nonsense { name: name.to_owned(), faults };
        let plans = Builder::new(&written).meters().map_err(nonsense)?;
        if plans.is_empty() {
            return Err(nonsense(vec!["there is no meter to be sampled".to_owned()]));
        }
        let meters: Vec<String> = written.meter.keys().take(2).cloned().collect();
        let sampling = Sampling {
            poll: written.direct.poll.0.as_secs_f64(),
            jitter: 0.02,
            skew: [0.0, 0.0, 0.08, 0.12],
            skew_jitter: 0.01,
            ..Sampling::default()
        };
        let length = written.direct.length.0.as_secs_f64();
        let case = Case::of_plans(&meters, plans.into_iter().take(2).collect(), length, sampling, written.seed);
        Ok(Stretch { meters, case })
    }
}

//! Somebody at the meters' keys, while a scenario runs.

use std::sync::{Arc, Mutex, PoisonError};

use crate::plant::{Shed, Simulation};
use crate::wiring::Wiring;

/// The scenario has no meter of that name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no meter {0:?}; there are {1}")]
pub struct NoSuchMeter(String, String);

/// What can be set at the meters of a scenario by hand: their outputs simulated, and let go again.
#[derive(Clone, Debug)]
pub struct Hands {
    wiring: Arc<Mutex<Wiring>>,
    meters: Vec<String>,
}

impl Hands {
    pub(super) const fn new(wiring: Arc<Mutex<Wiring>>, meters: Vec<String>) -> Self {
        Self { wiring, meters }
    }

    /// The meter drives this current, in mA, and makes no pulses of its own.
    ///
    /// # Errors
    /// There is no such meter.
    pub fn simulate_current(&self, meter: &str, milliamperes: f64) -> Result<(), NoSuchMeter> {
        self.at(meter, |shed, place| {
            shed.simulate(place, Simulation { current: Some(milliamperes), without_pulses: true });
        })
    }

    /// The meter sends so many pulses, and makes none of its own; its current stays as it was.
    ///
    /// # Errors
    /// There is no such meter.
    pub fn send_pulses(&self, meter: &str, pulses: u32) -> Result<(), NoSuchMeter> {
        self.at(meter, |shed, place| {
            shed.send_pulses(place, pulses);
        })
    }

    /// The meter measures again.
    ///
    /// # Errors
    /// There is no such meter.
    pub fn measure(&self, meter: &str) -> Result<(), NoSuchMeter> {
        self.at(meter, |shed, place| shed.simulate(place, Simulation::default()))
    }

    fn at(&self, meter: &str, act: impl FnOnce(&mut Shed, usize)) -> Result<(), NoSuchMeter> {
        let place = self.meters.iter().position(|name| name == meter);
        let place = place.ok_or_else(|| NoSuchMeter(meter.to_owned(), self.meters.join(", ")))?;
        let mut wiring = self.wiring.lock().unwrap_or_else(PoisonError::into_inner);
        act(wiring.shed_mut(), place);
        Ok(())
    }
}

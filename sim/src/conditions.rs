//! What may change about a point of measurement while it runs.

use crate::meter::{Bus, Settings};
use crate::output::{Loop, Waiting};
use crate::receiver::{Controller, CounterInput, CurrentInput};

/// Everything about a point of measurement that may change while it runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// The meter's settings.
    pub settings: Settings,
    /// Its registers.
    pub bus: Bus,
    /// Its current output and loop.
    pub circuit: Loop,
    /// How many surplus pulses may wait.
    pub waiting: Waiting,
    /// The input that measures the current.
    pub input: CurrentInput,
    /// The input that counts the pulses.
    pub counter: CounterInput,
    /// A controller that receives both, too.
    pub controller: Option<Controller>,
}

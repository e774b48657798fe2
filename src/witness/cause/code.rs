//! The catalogue: every cause that can be named, with its short code and what it says.

use serde::{Deserialize, Serialize};

/// Which part of the plant a cause lies in. Causes of different parts can be at work at the same time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// No part: the witnesses agree, or nothing in the catalogue explains them.
    None,
    /// The registers: how they are read and how the meter keeps them.
    Bus,
    /// The 4-20 mA loop.
    Loop,
    /// The pulse output, its wire and its counter.
    Pulse,
    /// What the controller or biller makes of the signals.
    Receiver,
}

macro_rules! codes {
    ($($variant:ident, $code:literal, $part:ident, $says:literal;)*) => {
        /// A cause by its short code.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Code {
            $(#[doc = $says] #[serde(rename = $code)] $variant,)*
        }

        impl Code {
            /// Every code of the catalogue.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The short code, as files and commands write it.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $code,)* }
            }

            /// What the cause says, in one clause.
            #[must_use]
            pub const fn says(self) -> &'static str {
                match self { $(Self::$variant => $says,)* }
            }

            /// The part of the plant that it lies in.
            #[must_use]
            pub const fn part(self) -> Part {
                match self { $(Self::$variant => Part::$part,)* }
            }
        }
    };
}

codes! {
    Agreement, "agreement", None, "the witnesses agree";
    Unexplained, "unexplained", None, "they do not agree, for a reason that is not in the catalogue";
    PulseWeight, "pulse-weight", Pulse, "meter and receiver take one pulse to mean different volumes";
    PulseDouble, "pulse-double", Pulse, "each pulse is counted twice";
    PulseNarrow, "pulse-narrow", Pulse, "pulses are too short for the receiver: a constant random share is lost";
    PulseRateLimit, "pulse-rate-limit", Pulse, "above some flow the pulse output, or the receiver's filter, cannot keep up";
    PulseCrossed, "pulse-crossed", Pulse, "the counts follow another meter";
    PulseExtra, "pulse-extra", Pulse, "counts that no flow made: contact bounce or pick-up, also at rest";
    PulseGaps, "pulse-gaps", Pulse, "pulses are lost in bursts: an intermittent connection";
    PulseSilent, "pulse-silent", Pulse, "there is flow, and no pulses at all";
    PulseRestart, "pulse-restart", Pulse, "the counter went back: restarted, or wrapped at a width that is not declared";
    PulseDirection, "pulse-direction", Pulse, "reverse flow is counted as forward";
    LoopSpan, "loop-span", Loop, "meter and receiver take 20 mA to mean different flows";
    LoopZero, "loop-zero", Loop, "the current is shifted: 4 mA is not 4 mA";
    LoopSaturated, "loop-saturated", Loop, "flow beyond full scale: the current cannot follow";
    LoopClipped, "loop-clipped", Loop, "the current stops short of full scale: too much load or too little supply in the loop";
    LoopCrossed, "loop-crossed", Loop, "the current follows another meter";
    LoopFault, "loop-fault", Loop, "the meter signals a fault by its current";
    LoopOpen, "loop-open", Loop, "no current: an open loop or no supply";
    LoopHeld, "loop-held", Loop, "the current stands still while the flow moves";
    LoopLag, "loop-lag", Loop, "the loop is damped more than the bus: it agrees, only later";
    LoopDirection, "loop-direction", Loop, "the loop shows reverse flow as forward";
    BusUnit, "bus-unit", Bus, "the flow register is read in a wrong unit or scale";
    BusTotalUnit, "bus-total-unit", Bus, "the total register is read in a wrong unit or scale";
    BusWords, "bus-words", Bus, "the halves of a register pair are taken in the wrong order";
    BusFrozen, "bus-frozen", Bus, "the registers stand still";
    BusTotalRestart, "bus-total-restart", Bus, "the total was reset or rolled over";
    BusTotalCoarse, "bus-total-coarse", Bus, "the total is a float grown so large that small volumes are lost";
    BusTorn, "bus-torn", Bus, "a value was read in halves from two instants";
    ReceiverSpan, "receiver-span", Receiver, "the receiver makes another flow of the same current";
    ReceiverWeight, "receiver-weight", Receiver, "the receiver makes another volume of the same pulses";
    LowFlowCutoff, "low-flow-cutoff", Bus, "flow is shown but not totalled below a cut-off";
}

impl std::fmt::Display for Code {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.pad(self.as_str())
    }
}

impl std::str::FromStr for Code {
    type Err = UnknownCode;

    fn from_str(text: &str) -> Result<Self, UnknownCode> {
        Self::ALL.iter().copied().find(|code| code.as_str() == text).ok_or_else(|| UnknownCode(text.to_owned()))
    }
}

/// A word that is no cause's code.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no cause has the code \"{0}\"")]
pub struct UnknownCode(String);

//! The values of a reading, one by one, so that what handles all of them alike is written once.

use tallywell_witness::reading::{MeterFacts, Reading, Sample, WitnessFacts};

/// One of the sampled values of a [`Reading`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// The flow register.
    Flow,
    /// The total register.
    Total,
    /// The loop current in mA.
    Loop,
    /// The pulse counter.
    Pulses,
    /// The reverse total.
    ReverseTotal,
    /// What the controller makes of the current.
    ReceiverFlow,
    /// What the controller or biller makes of the pulses.
    ReceiverTotal,
}

impl Quantity {
    /// All of them, in the order of the columns.
    pub const ALL: [Self; 7] = [
        Self::Flow,
        Self::Total,
        Self::Loop,
        Self::Pulses,
        Self::ReverseTotal,
        Self::ReceiverFlow,
        Self::ReceiverTotal,
    ];

    /// The time between readings of a meter's slowest witness, in seconds.
    #[must_use]
    pub fn slowest_s(facts: &MeterFacts) -> f64 {
        let every = Self::ALL.into_iter().filter_map(|quantity| Some(quantity.facts(facts)?.every.as_secs_f64()));
        every.fold(0.0, f64::max)
    }

    /// Its place in [`Quantity::ALL`].
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The name of its column.
    #[must_use]
    pub const fn column(self) -> &'static str {
        match self {
            Self::Flow => "flow",
            Self::Total => "total",
            Self::Loop => "loop_ma",
            Self::Pulses => "pulses",
            Self::ReverseTotal => "reverse_total",
            Self::ReceiverFlow => "receiver_flow",
            Self::ReceiverTotal => "receiver_total",
        }
    }

    /// The name of the column that says when it was sampled.
    #[must_use]
    pub const fn time_column(self) -> &'static str {
        match self {
            Self::Flow => "flow_time",
            Self::Total => "total_time",
            Self::Loop => "loop_time",
            Self::Pulses => "pulses_time",
            Self::ReverseTotal => "reverse_total_time",
            Self::ReceiverFlow => "receiver_flow_time",
            Self::ReceiverTotal => "receiver_total_time",
        }
    }

    /// The name of the column of its registers.
    #[must_use]
    pub const fn raw_column(self) -> &'static str {
        match self {
            Self::Flow => "flow_raw",
            Self::Total => "total_raw",
            Self::Loop => "loop_raw",
            Self::Pulses => "pulses_raw",
            Self::ReverseTotal => "reverse_total_raw",
            Self::ReceiverFlow => "receiver_flow_raw",
            Self::ReceiverTotal => "receiver_total_raw",
        }
    }

    /// The value in a reading.
    #[must_use]
    pub const fn of(self, reading: &Reading) -> Option<Sample> {
        match self {
            Self::Flow => reading.flow,
            Self::Total => reading.total,
            Self::Loop => reading.loop_ma,
            Self::Pulses => reading.pulses,
            Self::ReverseTotal => reading.reverse_total,
            Self::ReceiverFlow => reading.receiver_flow,
            Self::ReceiverTotal => reading.receiver_total,
        }
    }

    /// Its place in a reading.
    pub const fn place(self, reading: &mut Reading) -> &mut Option<Sample> {
        match self {
            Self::Flow => &mut reading.flow,
            Self::Total => &mut reading.total,
            Self::Loop => &mut reading.loop_ma,
            Self::Pulses => &mut reading.pulses,
            Self::ReverseTotal => &mut reading.reverse_total,
            Self::ReceiverFlow => &mut reading.receiver_flow,
            Self::ReceiverTotal => &mut reading.receiver_total,
        }
    }

    /// How it is read, where it is declared.
    #[must_use]
    pub const fn facts(self, facts: &MeterFacts) -> Option<&WitnessFacts> {
        match self {
            Self::Flow => facts.flow.as_ref(),
            Self::Total => facts.total.as_ref(),
            Self::Loop => facts.loop_ma.as_ref(),
            Self::Pulses => facts.pulses.as_ref(),
            Self::ReverseTotal => facts.reverse_total.as_ref(),
            Self::ReceiverFlow => facts.receiver_flow.as_ref(),
            Self::ReceiverTotal => facts.receiver_total.as_ref(),
        }
    }
}

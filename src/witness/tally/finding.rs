//! What the tallies find: standings, steps, disagreements, events, summaries. Plain data for whoever stores or shows them.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::declared::Setting;
use crate::units::{Litres, LitresPerSecond, SteadyMillis, WallMillis};

/// One source of an opinion about the flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Witness {
    /// The flow register.
    Flow,
    /// The total register.
    Total,
    /// The reverse total register.
    ReverseTotal,
    /// The loop current.
    Loop,
    /// The pulse counter.
    Pulse,
    /// What the controller makes of the current.
    ReceiverFlow,
    /// What the controller or biller makes of the pulses.
    ReceiverTotal,
}

impl Witness {
    /// The word for it in every output.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Flow => "flow",
            Self::Total => "total",
            Self::ReverseTotal => "reverse_total",
            Self::Loop => "loop",
            Self::Pulse => "pulse",
            Self::ReceiverFlow => "receiver_flow",
            Self::ReceiverTotal => "receiver_total",
        }
    }
}

/// The two witnesses of one tally. Written out as a pair of words, `["flow", "loop"]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Between {
    /// Flow register against loop current.
    FlowLoop,
    /// Total register against pulses.
    TotalPulse,
    /// Total register against the flow register integrated.
    TotalFlow,
    /// Loop current integrated against pulses.
    LoopPulse,
    /// Loop current against what the controller makes of it.
    LoopReceiverFlow,
    /// Pulses against what the controller or biller makes of them.
    PulseReceiverTotal,
}

impl Between {
    /// Every tally, in the order in which they are shown.
    pub const ALL: [Self; 6] = [
        Self::FlowLoop,
        Self::TotalPulse,
        Self::TotalFlow,
        Self::LoopPulse,
        Self::LoopReceiverFlow,
        Self::PulseReceiverTotal,
    ];

    /// The first and the second witness: a ratio is second / first, a difference second - first.
    #[must_use]
    pub const fn witnesses(self) -> [Witness; 2] {
        match self {
            Self::FlowLoop => [Witness::Flow, Witness::Loop],
            Self::TotalPulse => [Witness::Total, Witness::Pulse],
            Self::TotalFlow => [Witness::Total, Witness::Flow],
            Self::LoopPulse => [Witness::Loop, Witness::Pulse],
            Self::LoopReceiverFlow => [Witness::Loop, Witness::ReceiverFlow],
            Self::PulseReceiverTotal => [Witness::Pulse, Witness::ReceiverTotal],
        }
    }

    /// The two words, `flow` and `loop` for instance.
    #[must_use]
    pub const fn words(self) -> [&'static str; 2] {
        let [first, second] = self.witnesses();
        [first.word(), second.word()]
    }

    /// The unit of a difference: flows are compared in L/s, volumes in L.
    #[must_use]
    pub const fn unit(self) -> DifferenceUnit {
        match self {
            Self::FlowLoop | Self::LoopReceiverFlow => DifferenceUnit::LitresPerSecond,
            _ => DifferenceUnit::Litres,
        }
    }
}

impl Serialize for Between {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.words().serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Between {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let pair = <[Witness; 2]>::deserialize(deserializer)?;
        Self::ALL.into_iter().find(|between| between.witnesses() == pair).ok_or_else(|| {
            serde::de::Error::custom(format!("no tally compares {} with {}", pair[0].word(), pair[1].word()))
        })
    }
}

/// The unit of a difference between two witnesses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum DifferenceUnit {
    /// Litres per second.
    #[serde(rename = "L/s")]
    LitresPerSecond,
    /// Litres.
    #[serde(rename = "L")]
    Litres,
}

impl DifferenceUnit {
    /// Its symbol.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::LitresPerSecond => "L/s",
            Self::Litres => "L",
        }
    }
}

/// Whether two witnesses agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// They do, within the tolerance.
    Agree,
    /// They do not.
    Disagree,
    /// Too little was seen, or nothing that both could witness.
    Undecided,
}

/// An instant on the time line without jumps, and what the clock on the wall showed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// For durations.
    pub steady: SteadyMillis,
    /// For people.
    pub wall: WallMillis,
}

/// What a current says before it says a flow (NAMUR NE 43's bands, or the declared ones).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurrentState {
    /// Inside the measuring band: it means a flow.
    Flow,
    /// At the lower end of the measuring band: the flow may be less.
    SaturatedLow,
    /// At the upper end of the measuring band: the flow may be more.
    SaturatedHigh,
    /// Between the measuring band and the fault signals: means nothing.
    Guard,
    /// At or below the lower fault signal, with current still flowing.
    FaultLow,
    /// At or above the upper fault signal.
    FaultHigh,
    /// No current at all: an open loop or no supply.
    Open,
    /// Not moving at all while the flow moves.
    Held,
}

impl CurrentState {
    /// A few words for people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Flow => "means a flow",
            Self::SaturatedLow => "saturated low",
            Self::SaturatedHigh => "saturated high",
            Self::Guard => "between measuring band and fault signal",
            Self::FaultLow => "fault signal, low",
            Self::FaultHigh => "fault signal, high",
            Self::Open => "no current",
            Self::Held => "standing still while the flow moves",
        }
    }
}

/// Where one tally stands: the stretch that it has seen, in numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TallyStanding {
    /// The two witnesses.
    pub between: Between,
    /// Whether they agree.
    pub verdict: Verdict,
    /// Second / first, where the first is not nought.
    pub ratio: Option<f64>,
    /// Second - first, in `unit`: the mean difference of flows, the difference of volumes.
    pub difference: Option<f64>,
    /// The unit of `difference` and `tolerance`.
    pub unit: DifferenceUnit,
    /// The difference that is let pass, in `unit`, over what was judged.
    pub tolerance: Option<f64>,
    /// Pulses certainly lost (-) and gained (+) so far, each step counted by its lower bound; 0 for flows.
    pub steps: i64,
    /// How many single steps were seen.
    pub step_count: u64,
    /// What the first witness gave over the stretch judged: mean L/s, or L.
    pub first: Option<f64>,
    /// What the second gave.
    pub second: Option<f64>,
    /// Seconds of the stretch that could be judged.
    pub judged_s: f64,
    /// Seconds that could not: gaps, transients, states that are no flow, maintenance.
    pub excluded_s: f64,
    /// The volume that went by unjudged, in litres, as far as any witness tells.
    pub excluded_l: f64,
    /// A disagreement stands open.
    pub open: bool,
    /// Disagreements since the stretch began, the open one included.
    pub disagreements: u64,
    /// What the current says now, for the tallies that use the loop.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub current: Option<CurrentState>,
    /// What the answer rests on, and why it is undecided if it is, in words for people.
    pub notes: Vec<String>,
}

/// Pulses lost or gained: the moment at which no true flow explained total and pulses together any more.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Total/pulse or pulse/receiver total.
    pub between: Between,
    /// The reading that proved it.
    pub at: Moment,
    /// The last reading that still fitted what went before.
    pub fitted: Moment,
    /// The fewest pulses that explain it; negative: lost, positive: gained.
    pub least: i64,
    /// The most pulses that explain it, same sign.
    pub most: i64,
    /// One pulse in litres.
    pub pulse_volume: Litres,
}

/// What a disagreement was at its largest, or is so far.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Largest {
    /// When.
    pub at: Moment,
    /// Second - first, in `unit`: of counts, what is certain.
    pub difference: f64,
    /// Of counts, what is possible since it began: as far from nought or farther, in `unit`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub difference_most: Option<f64>,
    /// The unit of `difference` and `tolerance`.
    pub unit: DifferenceUnit,
    /// Second / first over the disagreement, where it can be told.
    pub ratio: Option<f64>,
    /// What is let pass, in `unit`.
    pub tolerance: f64,
    /// Pulses certainly lost (-) or gained (+) since it opened, for tallies of counts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub pulses: Option<i64>,
    /// Pulses that can have been lost (-) or gained (+) at most since it began.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub pulses_most: Option<i64>,
}

/// What made a tally not hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "of")]
pub enum DisagreementKind {
    /// Steps between two counts.
    Steps,
    /// A bias between two flows.
    Bias,
    /// Volumes that drift apart.
    Volume,
    /// A current that is no flow, or no current, against a flow.
    State {
        /// What the current says.
        current: CurrentState,
    },
    /// A count went back: restarted, reset, or wrapped at a width that is not declared.
    WentBack {
        /// Which.
        witness: Witness,
    },
    /// Values that no flow can make came, and went again or not: torn, or no numbers at all.
    Absurd {
        /// Which.
        witness: Witness,
    },
}

/// A stretch of time in which a tally did not hold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Disagreement {
    /// The meter's name.
    pub meter: String,
    /// The two witnesses.
    pub between: Between,
    /// What made it.
    pub kind: DisagreementKind,
    /// The reading at which it was certain.
    pub opened: Moment,
    /// The best estimate of when it began, never after `opened`.
    pub began: Moment,
    /// The reading at which it was over.
    pub closed: Option<Moment>,
    /// How large it was at most.
    pub largest: Largest,
    /// Steps that belong to it, for tallies of counts.
    pub step_count: u64,
}

/// Something that happened to a meter, with beginning and end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// The meter's name.
    pub meter: String,
    /// What happened.
    pub what: EventKind,
    /// The first reading that showed it.
    pub began: Moment,
    /// The first reading that no longer did; the same as `began` for what has no duration.
    pub ended: Option<Moment>,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum EventKind {
    /// A named status bit was set.
    Status {
        /// Its name.
        name: String,
    },
    /// The flow was above the declared limit.
    High {
        /// The limit.
        limit_l_s: LitresPerSecond,
        /// The largest flow while it lasted.
        extreme_l_s: LitresPerSecond,
    },
    /// The flow was below the declared limit.
    Low {
        /// The limit.
        limit_l_s: LitresPerSecond,
        /// The smallest flow while it lasted.
        extreme_l_s: LitresPerSecond,
    },
    /// Water ran backwards.
    Reverse {
        /// The largest reverse flow while it lasted, negative.
        extreme_l_s: LitresPerSecond,
        /// How much ran back, positive.
        volume_l: Litres,
    },
    /// The current signalled a fault, or there was none.
    Current {
        /// Which.
        state: CurrentState,
    },
    /// A device did not answer any more, or a file could not be read.
    Silent {
        /// The device's name, or the file's path.
        device: String,
    },
    /// Nothing was heard of the meter at all.
    AllSilent,
    /// Several things restarted at once: it was the power.
    Power,
    /// A count went back: reset, restarted, or wrapped at a width that is not declared.
    WentBack {
        /// Which.
        witness: Witness,
        /// The last value before, in its declared unit.
        from: f64,
        /// The first value after.
        to: f64,
    },
    /// Water ran though the pump did not.
    FlowWithoutPump {
        /// How much.
        volume_l: Litres,
    },
    /// One setting of the meter is not what its receiver takes it to be.
    SettingDiffers {
        /// Which.
        setting: Setting,
        /// As declared, in the setting's base unit.
        declared: f64,
        /// As read.
        read: f64,
    },
    /// Somebody turned a setting.
    SettingChanged {
        /// Which.
        setting: Setting,
        /// Before, in the setting's base unit.
        old: f64,
        /// After.
        new: f64,
    },
    /// The total is a float grown so large that single pulses are lost in it.
    TotalCoarse {
        /// Litres between neighbouring values.
        resolution_l: Litres,
    },
    /// The clock on the wall was set: times before and after it are not of one clock. `began` is what it showed after.
    ClockSet {
        /// By how much, in seconds; negative: back.
        moved_s: f64,
    },
}

/// A volume as one witness tells it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WitnessedVolume {
    /// The volume, in the direction in which the meter's total (or its pulses) count.
    pub volume_l: Litres,
    /// Of it, what went by unheard since the last reading before: some of it may belong to earlier hours.
    pub unheard_l: Litres,
    /// It is known to this, one way or the other.
    pub uncertainty_l: Litres,
    /// The share of the hour for which this witness was heard.
    pub share: f64,
}

/// One hour of one meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HourlySummary {
    /// The meter's name.
    pub meter: String,
    /// The beginning of the hour by the clock on the wall.
    pub hour: WallMillis,
    /// The first reading in it.
    pub from: Moment,
    /// The last.
    pub to: Moment,
    /// Readings joined in this hour.
    pub readings: u32,
    /// The total register.
    pub total: Option<WitnessedVolume>,
    /// The flow register integrated.
    pub flow: Option<WitnessedVolume>,
    /// The loop's flow integrated.
    pub current: Option<WitnessedVolume>,
    /// Pulses times their volume.
    pub pulse: Option<WitnessedVolume>,
    /// The smallest flow seen.
    pub smallest_flow: Option<LitresPerSecond>,
    /// The largest flow seen.
    pub largest_flow: Option<LitresPerSecond>,
    /// Part of the hour was maintenance.
    pub maintenance: bool,
}

/// What one reading changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// A disagreement began.
    Opened(Disagreement),
    /// An open disagreement is larger than it was when last told: its size doubled, or an hour passed.
    Grew(Disagreement),
    /// A disagreement is over.
    Closed(Disagreement),
    /// Pulses were lost or gained, whatever their number.
    Step(Step),
    /// An event began.
    EventBegan(Event),
    /// An event is over (or had no duration, and was not told before).
    EventEnded(Event),
    /// An hour is full.
    Hour(HourlySummary),
}

//! How things stand now: one plain picture of a running daemon, for the terminal, the page and the metrics alike.
//!
//! The daemon makes it; it travels as JSON over the daemon's socket. Times are RFC 3339 in UTC, flows L/s, volumes L,
//! currents mA, each with its unit in the key where the value has no `unit` beside it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use tallywell_witness::tally::{Between, Disagreement, Event, TallyStanding, Verdict};
use tallywell_witness::units::WallMillis;

use super::told;

/// The whole state.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// The site's name.
    pub site: String,
    /// The program and its version.
    pub program: String,
    /// When this picture was taken.
    #[serde(with = "instant")]
    pub at: WallMillis,
    /// When the daemon began.
    #[serde(with = "instant")]
    pub running_since: WallMillis,
    /// The meters in the order of their names.
    pub meters: Vec<MeterState>,
    /// The lines in the order of their names.
    pub lines: Vec<LineState>,
    /// The store.
    pub store: StoreState,
}

/// A reading is overdue after so many of its periods and so many seconds.
const OVERDUE_PERIODS: f64 = 3.0;
const OVERDUE_S: f64 = 5.0;

/// One meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterState {
    /// Its name.
    pub meter: String,
    /// When it was read last.
    #[serde(with = "instant::optional")]
    pub time: Option<WallMillis>,
    /// The time between readings of its slowest witness.
    pub every_s: f64,
    /// The flow register as it came.
    pub flow: Option<Shown>,
    /// The flow register.
    pub flow_l_s: Option<f64>,
    /// The total register as it came.
    pub total: Option<Shown>,
    /// The total register.
    pub total_l: Option<f64>,
    /// The loop current.
    pub loop_ma: Option<f64>,
    /// The flow that the receiver takes the current to mean; none where it means no flow.
    pub loop_flow_l_s: Option<f64>,
    /// The pulse counter as it came.
    pub pulses: Option<Shown>,
    /// What the receiver takes one pulse to mean.
    pub pulse_volume_l: Option<f64>,
    /// Every declared witness over the same last minute, as a mean flow.
    pub last_minute: Vec<MeanFlow>,
    /// Names of the status bits that are set.
    pub status: Option<Vec<String>>,
    /// Whether the pump runs, where that can be read.
    pub running: Option<bool>,
    /// Readings are kept and judged by nothing.
    pub maintenance: bool,
    /// Where each tally stands.
    pub tallies: Vec<TallyStanding>,
    /// Disagreements that stand open, oldest first.
    pub disagreements: Vec<OpenDisagreement>,
    /// Events that last, oldest first.
    pub events: Vec<LastingEvent>,
    /// What was counted since the daemon began.
    pub counted: Counted,
}

impl MeterState {
    /// How old its last reading is at `now`, in seconds, where that is older than it should be.
    #[must_use]
    pub fn overdue_s(&self, now: WallMillis) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of civil time fit a double")]
        let age = (now.0 - self.time?.0) as f64 / 1000.0;
        (age > OVERDUE_PERIODS * self.every_s + OVERDUE_S).then_some(age)
    }

    /// One word for the meter: a disagreement that stands open, or a tally beyond its tolerance, outweighs all that agrees.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        Verdict::overall(&self.tallies, !self.disagreements.is_empty())
    }
}

/// A value in the unit in which it was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// The value; null where the registers hold no number.
    pub value: Option<f64>,
    /// Its unit as declared.
    pub unit: Option<String>,
}

/// One witness's mean flow over a short time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeanFlow {
    /// `flow`, `loop`, `total` or `pulse`.
    pub witness: String,
    /// The mean, L/s.
    pub mean_l_s: f64,
    /// It is known to this, one way or the other, as far as counting goes: one step of the counter over the time.
    pub within_l_s: f64,
    /// The time, in seconds.
    pub over_s: f64,
}

/// A disagreement that stands open.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenDisagreement {
    /// As every other place tells it.
    #[serde(flatten)]
    pub told: Value,
    /// Between which witnesses, how large and since when, in one sentence.
    pub words: String,
}

impl OpenDisagreement {
    /// As the faces tell it.
    #[must_use]
    pub fn of(it: &Disagreement, cause: Option<&str>) -> Self {
        Self { told: told::disagreement_json(it, cause), words: told::disagreement_line(it) }
    }

    /// A text of it: `opened`, `began`, `cause`.
    #[must_use]
    pub fn text(&self, key: &str) -> Option<&str> {
        self.told.get(key)?.as_str()
    }
}

/// An event that lasts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LastingEvent {
    /// As every other place tells it.
    #[serde(flatten)]
    pub told: Value,
    /// What happens, in a few words.
    pub words: String,
}

impl LastingEvent {
    /// As the faces tell it.
    #[must_use]
    pub fn of(it: &Event) -> Self {
        Self { told: told::event_json(it), words: told::event_words(&it.what) }
    }

    /// When it began.
    #[must_use]
    pub fn began(&self) -> Option<&str> {
        self.told.get("began")?.as_str()
    }
}

/// What was counted of a meter since the daemon began.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    /// Readings, whole or not.
    pub readings: u64,
    /// Disagreements that opened, by tally (`total/pulse`).
    pub disagreements: BTreeMap<String, u64>,
    /// Events that began, by kind.
    pub events: BTreeMap<String, u64>,
}

/// One line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineState {
    /// Its name.
    pub line: String,
    /// Why its port is not open.
    pub port_lost: Option<String>,
    /// Devices that do not answer.
    pub silent_devices: Vec<String>,
    /// Requests sent since the daemon began.
    pub transactions: u64,
    /// The share of the time in which the line was in use, 0 to 1.
    pub line_use: f64,
    /// Seconds over which all this was counted.
    pub elapsed_s: f64,
    /// Of these, seconds in which the line was in use.
    pub busy_s: f64,
    /// What the figures say about the adapter.
    pub hint: Option<String>,
    /// What another master leaves unread where the line is only listened to, one sentence a device; nothing where this
    /// program polls, or before anything was heard.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unread: Option<Vec<String>>,
    /// Requests that somebody else sent since the daemon began, where this program polls.
    #[serde(default)]
    pub foreign_requests: u64,
    /// More than one master polls it, this program among them where it polls.
    #[serde(default)]
    pub two_masters: bool,
    /// Its devices.
    pub devices: Vec<DeviceState>,
}

/// How a device answered since the daemon began.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DeviceState {
    /// Its name.
    pub device: String,
    /// Its address.
    pub address: Option<u8>,
    /// Sound replies.
    pub replies: u64,
    /// Bytes outside any reply.
    pub noise_bytes: u64,
    /// From the end of a request to the beginning of the reply.
    pub reply_ms: Quantiles,
    /// From the planned start of a request to the real one.
    pub lateness_ms: Quantiles,
    /// Bad replies, each kind under the name of its counter.
    #[serde(flatten)]
    pub faults: BTreeMap<String, u64>,
}

impl DeviceState {
    /// The kinds of bad replies that there were, in words, with their number.
    pub fn faults_seen(&self) -> impl Iterator<Item = (String, u64)> {
        let kinds = self.faults.iter().map(|(name, count)| (name.replace('_', " "), *count));
        kinds.chain([("noise bytes".to_owned(), self.noise_bytes)]).filter(|(_, count)| *count > 0)
    }
}

/// Times in milliseconds; null where there were none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Quantiles {
    /// Half took no longer.
    pub p50: Option<f64>,
    /// Nine of ten took no longer.
    pub p90: Option<f64>,
    /// Ninety-nine of a hundred took no longer.
    pub p99: Option<f64>,
    /// The longest.
    pub max: Option<f64>,
}

/// The store.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StoreState {
    /// Readings on the disk since the daemon began.
    pub readings_stored: u64,
    /// Readings dropped, since the disk did not take them.
    pub readings_dropped: u64,
    /// Things that wait for the disk.
    pub waiting: usize,
    /// What keeps it from being written.
    pub trouble: Option<String>,
    /// Where a store was put that was found damaged since the daemon began, or at its beginning.
    #[serde(default)]
    pub set_aside: Option<String>,
}

impl StoreState {
    /// The name of the damaged store that was put aside: it lies in the folder of the one that is written now.
    #[must_use]
    pub fn set_aside_name(&self) -> Option<&str> {
        self.set_aside.as_deref().map(|path| path.rsplit('/').next().unwrap_or(path))
    }
}

/// A tally as people write it: `total/pulse`.
#[must_use]
pub fn tally_name(between: Between) -> String {
    told::between_words(between)
}

/// An instant as RFC 3339 text.
mod instant {
    use serde::{Deserialize, Deserializer, Serializer, de::Error};
    use tallywell_witness::units::WallMillis;

    use crate::record::{format_instant, parse_instant};

    pub(super) fn serialize<S: Serializer>(instant: &WallMillis, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&format_instant(*instant))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<WallMillis, D::Error> {
        let text = String::deserialize(from)?;
        parse_instant(&text).ok_or_else(|| D::Error::custom(format!("{text:?} is no RFC 3339 time")))
    }

    pub(super) mod optional {
        use super::{Deserialize, Deserializer, Error, Serializer, WallMillis, format_instant, parse_instant};

        pub(in super::super) fn serialize<S: Serializer>(it: &Option<WallMillis>, to: S) -> Result<S::Ok, S::Error> {
            match it {
                Some(instant) => to.serialize_some(&format_instant(*instant)),
                None => to.serialize_none(),
            }
        }

        pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(
            from: D,
        ) -> Result<Option<WallMillis>, D::Error> {
            let Some(text) = Option::<String>::deserialize(from)? else { return Ok(None) };
            parse_instant(&text).map(Some).ok_or_else(|| D::Error::custom(format!("{text:?} is no RFC 3339 time")))
        }
    }
}

//! A scenario as its file says it, key by key.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use serde::Deserialize;
use serde::de::{Deserializer, Error, Visitor};

use crate::frame::Table;

/// The whole file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Written {
    pub(super) about: String,
    #[serde(default)]
    pub(super) seed: u64,
    #[serde(default)]
    pub(super) line: Line,
    #[serde(default)]
    pub(super) meter: BTreeMap<String, Meter>,
    /// Where meters of one kind show their values.
    #[serde(default)]
    pub(super) layout: BTreeMap<String, Vec<Entry>>,
    #[serde(default)]
    pub(super) device: BTreeMap<String, Device>,
    /// Every meter has a device of its own, and all of them one current-input and one pulse-counter module.
    #[serde(default)]
    pub(super) usual_devices: bool,
    /// How it is sampled where there is no wire.
    #[serde(default)]
    pub(super) direct: Direct,
    /// What must come of it: for whoever runs it.
    #[serde(default)]
    #[expect(dead_code, reason = "the simulated world does not know what is found in it")]
    pub(super) expected: toml::Table,
    #[serde(default)]
    pub(super) fault: Vec<Fault>,
    #[serde(default)]
    pub(super) disturbance: Vec<Disturbance>,
    #[serde(default)]
    pub(super) unplugged: Vec<Unplugged>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Line {
    /// False: bytes take no time, replies come as soon as the request is whole.
    pub(super) paced: bool,
    pub(super) baud: u32,
    pub(super) parity: Parity,
    pub(super) stop_bits: u8,
    /// A port with other settings hears junk, and is not understood.
    pub(super) settings_matter: bool,
    pub(super) chunk: usize,
    pub(super) adapter_latency: Time,
    pub(super) echo: bool,
}

impl Default for Line {
    fn default() -> Self {
        Self {
            paced: true,
            baud: 19_200,
            parity: Parity::Even,
            stop_bits: 1,
            settings_matter: false,
            chunk: 1,
            adapter_latency: Time::default(),
            echo: false,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Parity {
    Even,
    Odd,
    None,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Direct {
    /// The length of the stretch.
    pub(super) length: Time,
    /// From one reading to the next.
    pub(super) poll: Time,
}

impl Default for Direct {
    fn default() -> Self {
        Self { length: Time(Duration::from_secs(4 * 3600)), poll: Time(Duration::from_secs(2)) }
    }
}

/// Which flow a total counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Counts {
    #[default]
    Forward,
    Reverse,
    Net,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Meter {
    pub(super) full_scale_l_s: f64,
    pub(super) pulse_volume_l: f64,
    pub(super) pulse_on_time: Option<Time>,
    pub(super) damping: Option<Time>,
    pub(super) bore_mm: Option<f64>,
    /// From one renewal of the registers to the next, in steps of 0.2 s.
    pub(super) refresh: Option<Time>,
    /// The flow at 4 mA, where that is not 0.
    pub(super) at_4_ma_l_s: Option<f64>,
    #[serde(default)]
    pub(super) total_counts: Counts,
    /// The format of its total on its usual device, and litres for one count of it.
    pub(super) total_type: Option<String>,
    pub(super) total_step_l: Option<f64>,
    /// A controller receives its outputs, too.
    #[serde(default)]
    pub(super) controller: bool,
    #[serde(default)]
    pub(super) first_total_l: f64,
    #[serde(default)]
    pub(super) first_count: u64,
    /// Standard deviation of turbulence, as a fraction of the flow.
    pub(super) turbulence: Option<f64>,
    pub(super) flow: Flow,
    #[serde(default)]
    pub(super) goes_wrong: Vec<GoesWrong>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Flow {
    pub(super) constant_l_s: Option<f64>,
    /// Pairs of seconds and litres per second, joined by straight lines.
    pub(super) points: Option<Vec<(f64, f64)>>,
    pub(super) repeats_after: Option<Time>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct GoesWrong {
    #[serde(default)]
    pub(super) begins: Time,
    pub(super) ends: Option<Time>,
    /// A cause by its code, with its parameters; `with` names another meter.
    pub(super) what: toml::Table,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Entry {
    pub(super) shows: String,
    pub(super) table: Table,
    pub(super) address: u16,
    #[serde(default = "Entry::one_register")]
    pub(super) r#type: String,
    #[serde(default)]
    pub(super) low_word_first: bool,
    pub(super) unit: Option<String>,
    pub(super) scale: Option<f64>,
    /// The raw count at which a total goes back to 0 before its type is full.
    pub(super) wraps_at: Option<u64>,
}

impl Entry {
    fn one_register() -> String {
        "u16".to_owned()
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Device {
    pub(super) address: u8,
    #[serde(default)]
    pub(super) latency: Time,
    #[serde(default)]
    pub(super) jitter: Time,
    pub(super) max_registers: Option<u16>,
    /// For registers of its own: they stand still between renewals.
    pub(super) refresh: Option<Time>,
    /// Addresses (first and last) that read 0 where nothing else is.
    pub(super) fills: Option<(u16, u16)>,
    /// Addresses (first and last) that are refused.
    #[serde(default)]
    pub(super) missing: Vec<(u16, u16)>,
    pub(super) identity: Option<Identity>,
    /// A flow meter: whose flow it measures, and where it shows it.
    pub(super) meter: Option<String>,
    pub(super) layout: Option<String>,
    pub(super) currents: Option<Channels>,
    pub(super) counts: Option<Channels>,
    /// Registers that say whose they are and when they were sampled, from the first to the last address.
    pub(super) encoded: Option<(u16, u16)>,
    #[serde(default)]
    pub(super) constant: Vec<Constant>,
    #[serde(default)]
    pub(super) ramp: Vec<Ramp>,
}

/// The channels of an input module, one after another from `address` on.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Channels {
    pub(super) table: Table,
    #[serde(default)]
    pub(super) address: u16,
    pub(super) r#type: String,
    /// Milliamperes for one count of a current.
    pub(super) scale_ma: Option<f64>,
    /// The meter at each channel; an empty name is a channel with nothing connected.
    pub(super) meters: Vec<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Identity {
    pub(super) vendor: String,
    pub(super) product: String,
    pub(super) revision: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Constant {
    pub(super) table: Table,
    pub(super) address: u16,
    pub(super) values: Vec<u16>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Ramp {
    pub(super) table: Table,
    pub(super) address: u16,
    #[serde(default)]
    pub(super) from: u16,
    pub(super) per_second: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Fault {
    /// The devices that it strikes; all if it names none.
    #[serde(default)]
    pub(super) devices: Vec<String>,
    #[serde(default = "Fault::always")]
    pub(super) rate: f64,
    #[serde(default)]
    pub(super) begins: Time,
    pub(super) ends: Option<Time>,
    pub(super) what: FaultKind,
}

impl Fault {
    const fn always() -> f64 {
        1.0
    }
}

#[derive(Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum FaultKind {
    Dead,
    Lost,
    Late { least: Time, most: Time },
    LateAfterNextRequest { after: Time },
    HeldInAdapter,
    Short,
    Long { most_bytes: u8 },
    FlippedBits { bits: u8 },
    Burst,
    ByteCountUp { check_sum: CheckSum },
    ByteCountDown { check_sum: CheckSum },
    AddressByte,
    WrongUnit,
    WrongFunction,
    Exception { code: u8 },
    Doubled { pause: Time },
    Noise { most_bytes: u8, pause: Time },
    Glitch { byte: u8 },
    Pause { pause: Time },
    TwoTalkers { apart: Time },
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum CheckSum {
    Stale,
    Right,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Disturbance {
    pub(super) every: Time,
    #[serde(default)]
    pub(super) begins: Time,
    pub(super) ends: Option<Time>,
    pub(super) what: Stranger,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum Stranger {
    Noise { most_bytes: u8 },
    SecondMaster { asks: String, table: Table, address: u16, count: u16 },
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Unplugged {
    pub(super) begins: Time,
    pub(super) ends: Time,
}

/// A duration, written as people write it: `"250us"`, `"20ms"`, `"1.5s"`, `"5min"`, `"2h"`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Time(pub(super) Duration);

impl Time {
    fn parse(text: &str) -> Option<Self> {
        let begin = text.find(|character: char| character.is_ascii_alphabetic())?;
        let (number, unit) = text.split_at(begin);
        let seconds = match unit {
            "us" => 1e-6,
            "ms" => 1e-3,
            "s" => 1.0,
            "min" => 60.0,
            "h" => 3600.0,
            _ => return None,
        };
        let number: f64 = number.trim().parse().ok()?;
        Duration::try_from_secs_f64(number * seconds).ok().map(Self)
    }
}

impl<'de> Deserialize<'de> for Time {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Text;
        impl Visitor<'_> for Text {
            type Value = Time;

            fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
                formatter.write_str("a duration such as \"250us\", \"20ms\", \"1.5s\", \"5min\" or \"2h\"")
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<Time, E> {
                Time::parse(text).ok_or_else(|| E::invalid_value(serde::de::Unexpected::Str(text), &self))
            }
        }
        deserializer.deserialize_str(Text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_read_as_people_write_them() {
        let read = |text| Time::parse(text).map(|time| time.0);
        assert_eq!(read("250us"), Some(Duration::from_micros(250)));
        assert_eq!(read("1.5 s"), Some(Duration::from_millis(1500)));
        assert_eq!(read("2h"), Some(Duration::from_secs(7200)));
        assert_eq!((read("5"), read("-1s"), read("3 weeks")), (None, None, None));
    }
}

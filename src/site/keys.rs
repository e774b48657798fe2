//! The keys of the site file and of the register map: which there are, what each holds, and a right example of each.
//!
//! These tables are the only place that knows the keys: files are checked against them, and what editors are told about
//! the files is made of them.

use tallywell_witness::units::Dimension;

/// What the value of a key has to be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Holds {
    /// Any text.
    Text,
    /// Text of a number and a unit.
    Quantity(Dimension),
    /// Text of a number of bytes.
    Size,
    /// A time, or `auto`.
    TimeOrAuto,
    /// A share of the span or of the reading.
    FlowTolerance,
    /// A lower and an upper current.
    CurrentPair,
    /// A whole number in a range.
    Whole(i64, i64),
    /// A whole number, or text of digits.
    Reference,
    /// Any number.
    Number,
    /// `true` or `false`.
    Truth,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A list of texts.
    Texts,
    /// A text or a list of texts.
    TextOrTexts,
    /// Names of bits by their numbers.
    Bits,
    /// A table with these keys.
    Table(&'static [Key]),
    /// Tables with names of the user's choice, each with these keys.
    Named(&'static [Key]),
}

/// One key.
#[derive(Clone, Copy, Debug)]
pub(super) struct Key {
    /// The key itself.
    pub(super) name: &'static str,
    /// What its value has to be.
    pub(super) holds: Holds,
    /// Whether the file is incomplete without it.
    pub(super) needed: bool,
    /// What it says, in a few words.
    pub(super) about: &'static str,
    /// A right value, as one writes it.
    pub(super) example: &'static str,
}

const fn optional(name: &'static str, holds: Holds, example: &'static str, about: &'static str) -> Key {
    Key { name, holds, needed: false, about, example }
}

const fn needed(name: &'static str, holds: Holds, example: &'static str, about: &'static str) -> Key {
    Key { name, holds, needed: true, about, example }
}

const TIME: Holds = Holds::Quantity(Dimension::Time);
const FLOW: Holds = Holds::Quantity(Dimension::Flow);

/// The site file.
pub(super) const SITE: &[Key] = &[
    needed("site", Holds::Text, "\"Kestrel Creek pump shed\"", "the name of the site"),
    optional("store", Holds::Table(STORE), "", "where readings are kept"),
    needed("line", Holds::Named(LINE), "", "a serial line or gateway"),
    needed("device", Holds::Named(DEVICE), "", "a device on a line"),
    needed("meter", Holds::Named(METER), "", "a flow to be watched"),
    optional("notice", Holds::Table(NOTICE), "", "a program that is told of events and disagreements"),
    optional("page", Holds::Table(PAGE), "", "a read-only web page"),
    optional("broker", Holds::Table(BROKER), "", "an MQTT 5 broker"),
];

const STORE: &[Key] = &[
    needed("path", Holds::Text, "\"kestrel.db\"", "the database, relative to the site file"),
    optional("keep_readings", TIME, "\"90d\"", "how long single readings are kept; for ever if left out"),
    optional("largest", Holds::Size, "\"2 GiB\"", "the disk that the store may take; the oldest readings go first"),
];

const LINE: &[Key] = &[
    needed("port", Holds::Text, "\"/dev/ttyUSB0\"", "a serial port, \"tcp://HOST:PORT\" or \"rtu+tcp://HOST:PORT\""),
    optional("baud", Holds::Whole(300, 4_000_000), "19200", "bits a second"),
    optional("parity", Holds::Choice(&["even", "odd", "none"]), "\"even\"", "the parity bit"),
    optional("stop_bits", Holds::Whole(1, 2), "1", "stop bits of a character"),
    optional(
        "mode",
        Holds::Choice(&["poll", "listen"]),
        "\"poll\"",
        "whether the line asks, or only listens to another master",
    ),
    optional("reply_timeout", TIME, "\"300ms\"", "how long to wait for the first byte of a reply"),
    optional("quiet_gap", Holds::TimeOrAuto, "\"auto\"", "how long a silence ends a broken reply"),
    optional("worst_latency", TIME, "\"1s\"", "a reply later than this is taken to be impossible"),
    optional("echo", Holds::Truth, "false", "whether the adapter returns what it sends"),
    optional(
        "early_replies",
        Holds::Choice(&["refuse", "accept"]),
        "\"refuse\"",
        "what to do with a reply that begins before the wire could have carried its request",
    ),
];

const DEVICE: &[Key] = &[
    needed("line", Holds::Text, "\"shed\"", "the line that it hangs on"),
    needed("address", Holds::Whole(1, 247), "11", "its address on that line"),
    needed("map", Holds::Text, "\"maps/magmeter.toml\"", "its register map, relative to the site file"),
    optional("every", TIME, "\"1s\"", "how often it is read; \"0s\": as fast as the line allows"),
];

const METER: &[Key] = &[
    optional("flow", Holds::Text, "\"bore-1.flow_rate\"", "the flow register, DEVICE.ENTRY"),
    optional("total", Holds::Text, "\"bore-1.total_forward\"", "the total register, DEVICE.ENTRY"),
    optional(
        "total_counts",
        Holds::Choice(&["forward", "reverse", "net"]),
        "\"forward\"",
        "which flow the total counts",
    ),
    optional("reverse_total", Holds::Text, "\"bore-1.total_reverse\"", "the total of reverse flow, DEVICE.ENTRY"),
    optional("refresh", TIME, "\"1s\"", "how often the meter renews its registers"),
    optional("running", Holds::Text, "\"pump.running\"", "a bit that says that the pump runs, DEVICE.ENTRY"),
    optional("status", Holds::TextOrTexts, "\"bore-1.status\"", "entries whose named bits are the meter's alarms"),
    optional("loop", Holds::Table(LOOP), "", "the current loop as its receiver takes it"),
    optional("pulse", Holds::Table(PULSE), "", "the pulse output as its receiver takes it"),
    optional("settings", Holds::Table(SETTINGS), "", "the meter's own settings, where its map has them"),
    optional("tolerance", Holds::Table(TOLERANCE), "", "what is let pass"),
    optional("limits", Holds::Table(LIMITS), "", "limits that become events"),
];

const LOOP: &[Key] = &[
    needed("current", Holds::Text, "\"analogue.channel_1\"", "what measures the current: DEVICE.ENTRY or file:PATH"),
    needed("full_scale", FLOW, "\"36 L/s\"", "what the receiver takes 20 mA to mean"),
    optional("damping", TIME, "\"3s\"", "the output's time constant"),
    optional("at_4_ma", FLOW, "\"0 L/s\"", "what the receiver takes 4 mA to mean"),
    optional(
        "accuracy",
        Holds::Quantity(Dimension::Fraction),
        "\"0.1 %\"",
        "of the 16 mA span, of the input that measures the current",
    ),
    optional(
        "saturates",
        Holds::CurrentPair,
        "[\"3.8 mA\", \"20.5 mA\"]",
        "the lowest and highest current that mean a flow",
    ),
    optional("fault", Holds::CurrentPair, "[\"3.6 mA\", \"21.0 mA\"]", "the currents that signal a fault"),
    optional(
        "receiver_flow",
        Holds::Text,
        "\"plc.flow_1\"",
        "what the controller makes of the same current, DEVICE.ENTRY",
    ),
];

const PULSE: &[Key] = &[
    needed("count", Holds::Text, "\"counter.channel_1\"", "what counts the pulses: DEVICE.ENTRY or file:PATH"),
    needed("volume", Holds::Quantity(Dimension::Volume), "\"25 L\"", "what the receiver takes one pulse to mean"),
    needed("on_time", TIME, "\"60ms\"", "the pulse's width"),
    optional("off_time", TIME, "\"60ms\"", "the shortest pause; equal to on_time if left out"),
    optional("counts", Holds::Choice(&["forward", "reverse", "both"]), "\"forward\"", "which flow makes pulses"),
    optional("wraps_at", Holds::Whole(2, i64::MAX), "4294967296", "the count at which a file:PATH goes back to 0"),
    optional(
        "receiver_total",
        Holds::Text,
        "\"plc.total_1\"",
        "what the controller or biller makes of the same pulses, DEVICE.ENTRY",
    ),
];

const SETTINGS: &[Key] = &[
    optional("full_scale", Holds::Text, "\"bore-1.full_scale_setting\"", "the flow at 20 mA"),
    optional("pulse_volume", Holds::Text, "\"bore-1.pulse_volume_setting\"", "the volume of one pulse"),
    optional("pulse_on_time", Holds::Text, "\"bore-1.pulse_on_time_setting\"", "the pulse's width"),
    optional("bore", Holds::Text, "\"bore-1.bore_setting\"", "the pipe's bore"),
    optional("sensor_factor", Holds::Text, "\"bore-1.sensor_factor_setting\"", "the sensor's calibration factor"),
    optional("zero", Holds::Text, "\"bore-1.zero_setting\"", "the zero trim"),
    optional(
        "low_flow_cutoff",
        Holds::Text,
        "\"bore-1.low_flow_cutoff_setting\"",
        "the flow below which nothing is counted",
    ),
    optional("damping", Holds::Text, "\"bore-1.damping_setting\"", "the output's time constant"),
];

const TOLERANCE: &[Key] = &[
    optional("flow", Holds::FlowTolerance, "\"0.25 % of span\"", "the bias between flow and loop that is let pass"),
    optional("volume", Holds::Quantity(Dimension::Fraction), "\"0.1 %\"", "of the volume judged"),
];

const LIMITS: &[Key] = &[
    optional("high", FLOW, "\"34 L/s\"", "flow above this is an event"),
    optional("low", FLOW, "\"0.5 L/s\"", "flow below this is an event"),
    optional("reverse", Holds::Truth, "true", "flow backwards is an event"),
];

const NOTICE: &[Key] = &[needed(
    "run",
    Holds::Texts,
    "[\"/usr/local/bin/tell-me\"]",
    "the program and its arguments; it gets one JSON object",
)];

const PAGE: &[Key] = &[needed("listen", Holds::Text, "\"127.0.0.1:8080\"", "where the page is served")];

pub(super) const BROKER: &[Key] = &[
    needed("url", Holds::Text, "\"mqtt://127.0.0.1:1883\"", "mqtt://HOST:PORT or mqtts://HOST:PORT"),
    optional("user", Holds::Text, "\"kestrel\"", "the user name, if the broker asks for one"),
    optional(
        "password_file",
        Holds::Text,
        "\"broker.password\"",
        "the file that holds the password, relative to the site file",
    ),
    optional(
        "ca_file",
        Holds::Text,
        "\"broker-ca.pem\"",
        "certificate authorities for mqtts, relative to the site file",
    ),
    optional("topic", Holds::Text, "\"tallywell/kestrel-creek\"", "what every topic begins with"),
    optional("readings_every", TIME, "\"10s\"", "one reading of each meter in this time is sent"),
    optional("outbox", Holds::Size, "\"64 MiB\"", "what may wait in the store while the broker is away"),
];

/// The register map.
pub(super) const MAP: &[Key] = &[
    optional("about", Holds::Text, "\"A flow meter with a float flow\"", "what the device is"),
    optional("max_registers", Holds::Whole(1, 125), "100", "the most registers that one request may ask for"),
    optional(
        "gaps",
        Holds::Choice(&["forbidden", "readable"]),
        "\"readable\"",
        "whether unmapped registers between entries may be read",
    ),
    needed("entry", Holds::Named(ENTRY), "", "a named register or group of registers"),
];

const ENTRY: &[Key] = &[
    optional(
        "table",
        Holds::Choice(&["coil", "discrete", "input", "holding"]),
        "\"holding\"",
        "the table that it lies in",
    ),
    optional("address", Holds::Whole(0, 65_535), "0", "the protocol's address of its first register, from 0"),
    optional("number", Holds::Whole(1, 65_536), "1", "its first register, counted from 1 in its table"),
    optional("reference", Holds::Reference, "40001", "table and number in one, as manuals print them"),
    optional("type", Holds::Choice(TYPES), "\"f32\"", "how its registers are to be understood"),
    optional("word_order", Holds::Choice(&["high-first", "low-first"]), "\"high-first\"", "which register comes first"),
    optional("byte_order", Holds::Choice(&["big", "little"]), "\"big\"", "the order of the bytes inside each register"),
    optional("unit", Holds::Text, "\"L/s\"", "the unit of the value"),
    optional("scale", Holds::Number, "1.0", "value = raw * scale + offset"),
    optional("offset", Holds::Number, "0.0", "value = raw * scale + offset"),
    optional("wraps_at", Holds::Whole(2, i64::MAX), "1000000", "the raw count at which it goes back to 0"),
    optional("bits", Holds::Bits, "{ 0 = \"empty pipe\" }", "names of bits, by number"),
];

/// The words for the types, in the order of [`tallywell_witness::declared::ValueType`].
pub(super) const TYPES: &[&str] = &["bit", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64"];

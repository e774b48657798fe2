//! Metrics for a scraper, in two text formats from one set of families.
//!
//! [`Format::OpenMetrics`] is OpenMetrics 1.0; [`Format::Plain`] is the older text exposition format 0.0.4, for whoever does
//! not ask for OpenMetrics. Both carry the same series: they differ in how counters, informations and states declare
//! themselves. Names and base units follow the convention (seconds, amperes, cubic metres, ratios; `_total` on counters).

mod families;

use std::fmt::Write;

use super::state::State;

/// How the metrics are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// OpenMetrics 1.0.
    OpenMetrics,
    /// The text exposition format 0.0.4.
    Plain,
}

impl Format {
    /// Its media type.
    #[must_use]
    pub const fn content_type(self) -> &'static str {
        match self {
            Self::OpenMetrics => "application/openmetrics-text; version=1.0.0; charset=utf-8",
            Self::Plain => "text/plain; version=0.0.4; charset=utf-8",
        }
    }
}

/// What a family is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Gauge,
    Counter,
    Info,
    StateSet,
    Summary,
}

/// One sample of a family.
#[derive(Clone, Debug)]
struct Sample {
    suffix: &'static str,
    labels: Vec<(&'static str, String)>,
    value: f64,
}

/// Samples of one name, with what they mean.
#[derive(Clone, Debug)]
struct Family {
    /// Without `_total` or `_info`; with its unit at the end, if it has one.
    name: &'static str,
    kind: Kind,
    unit: Option<&'static str>,
    help: &'static str,
    samples: Vec<Sample>,
}

impl Family {
    fn put(&mut self, labels: &[(&'static str, &str)], value: f64) {
        self.put_with(self.suffix(), labels, value);
    }

    fn put_with(&mut self, suffix: &'static str, labels: &[(&'static str, &str)], value: f64) {
        let labels = labels.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
        self.samples.push(Sample { suffix, labels, value });
    }

    /// A state set: one series for each state, 1 where it holds.
    fn put_state(&mut self, labels: &[(&'static str, &str)], states: &[&str], holds: &str) {
        for state in states {
            let mut all = labels.to_vec();
            all.push((self.name, state));
            self.put(&all, f64::from(u8::from(*state == holds)));
        }
    }

    const fn suffix(&self) -> &'static str {
        match self.kind {
            Kind::Counter => "_total",
            Kind::Info => "_info",
            Kind::Gauge | Kind::StateSet | Kind::Summary => "",
        }
    }

    fn write(&self, out: &mut String, format: Format) -> std::fmt::Result {
        // In the older format a counter or an information declares itself under the name of its samples.
        let (name, suffix, kind) = match (format, self.kind) {
            (Format::Plain, Kind::Counter) => (self.name, "_total", "counter"),
            (Format::Plain, Kind::Info) => (self.name, "_info", "gauge"),
            (Format::Plain, Kind::StateSet) | (_, Kind::Gauge) => (self.name, "", "gauge"),
            (Format::OpenMetrics, Kind::Counter) => (self.name, "", "counter"),
            (Format::OpenMetrics, Kind::Info) => (self.name, "", "info"),
            (Format::OpenMetrics, Kind::StateSet) => (self.name, "", "stateset"),
            (_, Kind::Summary) => (self.name, "", "summary"),
        };
        writeln!(out, "# TYPE {name}{suffix} {kind}")?;
        if let Some(unit) = self.unit {
            // A comment in the older format.
            writeln!(out, "# UNIT {name}{suffix} {unit}")?;
        }
        writeln!(out, "# HELP {name}{suffix} {}", self.help)?;
        for sample in &self.samples {
            write!(out, "{}{}", self.name, sample.suffix)?;
            for (place, (label, value)) in sample.labels.iter().enumerate() {
                write!(out, "{}{label}=\"{}\"", if place == 0 { '{' } else { ',' }, escaped(value))?;
            }
            writeln!(out, "{} {}", if sample.labels.is_empty() { "" } else { "}" }, sample.value)?;
        }
        Ok(())
    }
}

fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

/// The metrics of a state.
#[must_use]
pub fn text(state: &State, format: Format) -> String {
    let mut out = String::with_capacity(16_384);
    for family in families::all(state).iter().filter(|family| !family.samples.is_empty()) {
        // Writing to a String cannot fail.
        let _ = family.write(&mut out, format);
    }
    out.push_str("# EOF\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(kind: Kind, format: Format) -> String {
        let mut family =
            Family { name: "pump_run_seconds", kind, unit: Some("seconds"), help: "Time.", samples: Vec::new() };
        family.put(&[("site", "a \"quoted\" \\ name\nin two lines")], 1.5);
        let mut out = String::new();
        family.write(&mut out, format).unwrap();
        out
    }

    #[test]
    fn a_counter_declares_itself_as_each_format_wants_and_labels_hold_anything() {
        let label = r#"{site="a \"quoted\" \\ name\nin two lines"}"#;
        assert_eq!(
            written(Kind::Counter, Format::OpenMetrics),
            format!(
                "# TYPE pump_run_seconds counter\n# UNIT pump_run_seconds seconds\n# HELP pump_run_seconds Time.\n\
                 pump_run_seconds_total{label} 1.5\n"
            )
        );
        assert!(written(Kind::Counter, Format::Plain).starts_with("# TYPE pump_run_seconds_total counter\n"));
        assert_eq!(written(Kind::Gauge, Format::Plain), written(Kind::Gauge, Format::OpenMetrics));
    }
}

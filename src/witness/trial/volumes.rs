//! The volume of each witness over a timed run, and how well it is known.
//!
//! A total and a counter are read at the beginning and at the end: what is not known of either end stays, however long the
//! run is. A flow and a current are integrated: what is not known of every reading alike grows with the run, and no number
//! of readings averages it away. The accuracy of the sensor is in none of the budgets: it moves all witnesses together.

use serde::{Deserialize, Serialize};

use super::budget::{Budget, Contribution, Spread};
use crate::declared::{Entry, PulseCounts, TotalCounts};
use crate::decode::{modulus, resolution, unwrap_step};
use crate::reading::MeterFacts;
use crate::tally::Witness;
use crate::units::{Milliamperes, Seconds};

/// How far a computer's clock may run wrong that no other clock holds right, as a fraction: a usual figure for its quartz.
const CLOCK: f64 = 1e-4;

/// The span of the signal, in mA.
const SPAN_MA: f64 = 16.0;

/// One value, and when it was sampled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// In L/s, L, mA or counts.
    pub value: f64,
    /// The middle of the time in which it was sampled.
    pub at: Seconds,
    /// Half of that time.
    pub within: Seconds,
}

/// One look at all witnesses.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Look {
    /// The flow register, in L/s.
    pub flow: Option<Seen>,
    /// The total register, in litres.
    pub total: Option<Seen>,
    /// The reverse total, in litres.
    pub reverse_total: Option<Seen>,
    /// The loop current, in mA.
    pub current: Option<Seen>,
    /// The pulse counter.
    pub count: Option<Seen>,
    /// The receiver's own flow, in L/s.
    pub receiver_flow: Option<Seen>,
    /// The receiver's own total, in litres.
    pub receiver_total: Option<Seen>,
}

impl Look {
    fn all(&self) -> [Option<Seen>; 5] {
        [self.flow, self.total, self.current, self.count, self.receiver_total]
    }

    /// When it was taken: the mean of its samples.
    #[must_use]
    pub fn at(&self) -> Option<Seconds> {
        let instants: Vec<f64> = self.all().iter().flatten().map(|seen| seen.at.0).collect();
        (!instants.is_empty()).then(|| Seconds(instants.iter().sum::<f64>() / instants.len() as f64))
    }
}

/// A witness's volume.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WitnessVolume {
    /// Whose.
    pub witness: Witness,
    /// In litres, forward.
    pub volume_l: f64,
    /// Readings that it was made of.
    pub readings: usize,
    /// How well it is known.
    pub budget: Budget,
    /// What is doubtful about it.
    pub doubt: Option<String>,
}

/// A run as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Volumes {
    /// From the first look to the last.
    pub seconds: f64,
    /// The flow at the beginning and at the end, in L/s, where known.
    pub ends_l_s: [f64; 2],
    /// Each witness that was read at both ends.
    pub witnesses: Vec<WitnessVolume>,
}

/// The volumes between the first and the last look. None of fewer than two.
#[must_use]
pub fn volumes(facts: &MeterFacts, looks: &[Look]) -> Option<Volumes> {
    let (first, last) = (looks.first()?, looks.last()?);
    let ends = [first.at()?, last.at()?];
    let seconds = ends[1].0 - ends[0].0;
    if seconds <= 0.0 {
        return None;
    }
    let run = Run { facts, looks, ends, ends_l_s: [first, last].map(|look| flow_of(facts, look)) };
    let witnesses = [run.total(), run.pulses(), run.flow(), run.current(), run.receiver_total()];
    Some(Volumes {
        seconds,
        ends_l_s: run.ends_l_s.map(Option::unwrap_or_default),
        witnesses: witnesses.into_iter().flatten().collect(),
    })
}

/// The flow at a look, by the register or else by the current.
fn flow_of(facts: &MeterFacts, look: &Look) -> Option<f64> {
    let by_current = || Some(facts.meter.current_loop.as_ref()?.flow_of(Milliamperes(look.current?.value)).0);
    look.flow.map(|seen| seen.value).or_else(by_current)
}

struct Run<'a> {
    facts: &'a MeterFacts,
    looks: &'a [Look],
    ends: [Seconds; 2],
    ends_l_s: [Option<f64>; 2],
}

const END_NAMES: [&str; 2] = ["beginning", "end"];

impl Run<'_> {
    fn total(&self) -> Option<WitnessVolume> {
        let meter = &self.facts.meter;
        let entry = &self.facts.total.as_ref()?.entry;
        let (mut volume_l, ends) = self.gained(|look| look.total, entry, entry.unit.to_base)?;
        let step = resolution(entry, ends[1].value / entry.unit.to_base) * entry.unit.to_base;
        let mut lines = self.of_ends("resolution of the total", step / 2.0, "L", |_| 1.0);
        match meter.total_counts {
            TotalCounts::Forward => {}
            TotalCounts::Reverse => volume_l = -volume_l,
            TotalCounts::Net => {
                // What flowed backwards made no forward pulse and is taken off the net total.
                if let Some(reverse) = &self.facts.reverse_total
                    && let Some((back, _)) =
                        self.gained(|look| look.reverse_total, &reverse.entry, reverse.entry.unit.to_base)
                {
                    volume_l += back;
                    lines.extend(self.of_ends("resolution of the reverse total", step / 2.0, "L", |_| 1.0));
                }
            }
        }
        lines.extend(self.age("total"));
        lines.extend(self.instants(ends));
        Some(self.finished(Witness::Total, volume_l, ends, self.looks.len(), lines, None))
    }

    fn receiver_total(&self) -> Option<WitnessVolume> {
        let entry = &self.facts.receiver_total.as_ref()?.entry;
        let (volume_l, ends) = self.gained(|look| look.receiver_total, entry, entry.unit.to_base)?;
        let step = resolution(entry, ends[1].value / entry.unit.to_base) * entry.unit.to_base;
        let step = step.max(self.facts.meter.pulse.as_ref().map_or(0.0, |pulse| pulse.volume.0));
        let mut lines = self.of_ends("step of the receiver's total", step / 2.0, "L", |_| 1.0);
        lines.extend(self.instants(ends));
        Some(self.finished(Witness::ReceiverTotal, volume_l, ends, self.looks.len(), lines, None))
    }

    fn pulses(&self) -> Option<WitnessVolume> {
        let pulse = self.facts.meter.pulse.as_ref()?;
        let entry = &self.facts.pulses.as_ref()?.entry;
        let (counts, ends) = self.gained(|look| look.count, entry, entry.unit.to_base)?;
        let volume_l = match pulse.counts {
            PulseCounts::Forward | PulseCounts::Both => counts * pulse.volume.0,
            PulseCounts::Reverse => -counts * pulse.volume.0,
        };
        let mut lines = self.of_ends("part of a pulse", 0.5, "pulse", |_| pulse.volume.0);
        lines.extend(self.instants(ends));
        Some(self.finished(Witness::Pulse, volume_l, ends, self.looks.len(), lines, None))
    }

    fn flow(&self) -> Option<WitnessVolume> {
        let entry = &self.facts.flow.as_ref()?.entry;
        let series: Vec<Seen> = self.looks.iter().filter_map(|look| look.flow).collect();
        let ends = self.at_both_ends(|look| look.flow)?;
        let step = resolution(entry, series.last()?.value / entry.unit.to_base) * entry.unit.to_base;
        let seconds = self.seconds();
        let (volume_l, unevenness) = integral(&series);
        let mut lines = vec![
            Contribution::new(
                "resolution of the flow, of its mean",
                step / 2.0 / (series.len() as f64).sqrt(),
                "L/s",
                Spread::Rectangular,
                seconds,
            ),
            Contribution::new("flow between the readings", unevenness, "L", Spread::Normal, 1.0),
        ];
        lines.extend(self.lag("age of the flow register", self.facts.meter.refresh.as_secs_f64() / 2.0));
        lines.push(self.clock(volume_l));
        lines.extend(self.instants(ends));
        Some(self.finished(Witness::Flow, volume_l, ends, series.len(), lines, None))
    }

    fn current(&self) -> Option<WitnessVolume> {
        let current_loop = self.facts.meter.current_loop.as_ref()?;
        let entry = &self.facts.loop_ma.as_ref()?.entry;
        let ends = self.at_both_ends(|look| look.current)?;
        let currents: Vec<Seen> = self.looks.iter().filter_map(|look| look.current).collect();
        let as_flow = |seen: &Seen| Seen { value: current_loop.flow_of(Milliamperes(seen.value)).0, ..*seen };
        let series: Vec<Seen> = currents.iter().map(as_flow).collect();
        let (low, high) = current_loop.saturates;
        let outside = currents.iter().filter(|seen| seen.value < low.0 || seen.value > high.0).count();
        let doubt = (outside > 0).then(|| {
            format!("{outside} of {} currents lie outside {} to {} mA and mean no flow", currents.len(), low.0, high.0)
        });
        let step_ma = resolution(entry, currents.last()?.value / entry.unit.to_base) * entry.unit.to_base;
        let litres_per_ma = current_loop.span().0.abs() / SPAN_MA * self.seconds();
        let (volume_l, unevenness) = integral(&series);
        let mut lines = vec![
            Contribution::new(
                "accuracy of the input, all readings alike",
                current_loop.accuracy * SPAN_MA,
                "mA",
                Spread::Rectangular,
                litres_per_ma,
            ),
            Contribution::new(
                "resolution of the current, of its mean",
                step_ma / 2.0 / (series.len() as f64).sqrt(),
                "mA",
                Spread::Rectangular,
                litres_per_ma,
            ),
            Contribution::new("current between the readings", unevenness, "L", Spread::Normal, 1.0),
        ];
        lines.extend(current_loop.damping.and_then(|it| self.lag("damping of the current", it.as_secs_f64())));
        lines.push(self.clock(volume_l));
        lines.extend(self.instants(ends));
        Some(self.finished(Witness::Loop, volume_l, ends, series.len(), lines, doubt))
    }

    fn seconds(&self) -> f64 {
        self.ends[1].0 - self.ends[0].0
    }

    fn at_both_ends(&self, of: impl Fn(&Look) -> Option<Seen>) -> Option<[Seen; 2]> {
        Some([of(self.looks.first()?)?, of(self.looks.last()?)?])
    }

    /// What a counter gained, step by step so that it may wrap, in its base unit; and its samples at both ends.
    fn gained(&self, of: impl Fn(&Look) -> Option<Seen>, entry: &Entry, to_base: f64) -> Option<(f64, [Seen; 2])> {
        let ends = self.at_both_ends(&of)?;
        let modulus = modulus(entry).map(|span| span * to_base);
        let series: Vec<f64> = self.looks.iter().filter_map(of).map(|seen| seen.value).collect();
        let gained = series.windows(2).map(|pair| unwrap_step(pair[0], pair[1], modulus)).sum();
        Some((gained, ends))
    }

    /// A line for each end of the run.
    fn of_ends(
        &self,
        what: &str,
        half_width: f64,
        unit: &str,
        sensitivity: impl Fn(usize) -> f64,
    ) -> Vec<Contribution> {
        let line = |(index, end)| {
            Contribution::new(format!("{what}, {end}"), half_width, unit, Spread::Rectangular, sensitivity(index))
        };
        END_NAMES.into_iter().enumerate().map(line).collect()
    }

    /// A register is renewed now and then: it is between nothing and `refresh` old.
    fn age(&self, of: &str) -> Vec<Contribution> {
        let half = self.facts.meter.refresh.as_secs_f64() / 2.0;
        self.of_ends(&format!("age of the {of} register"), half, "s", |end| self.ends_l_s[end].unwrap_or_default())
    }

    fn instants(&self, ends: [Seen; 2]) -> Vec<Contribution> {
        let line = |(index, (name, seen)): (usize, (&str, Seen))| {
            let flow = self.ends_l_s[index].unwrap_or_default();
            Contribution::new(format!("instant of the reading, {name}"), seen.within.0, "s", Spread::Rectangular, flow)
        };
        END_NAMES.into_iter().zip(ends).enumerate().map(line).collect()
    }

    /// A value that lags is short by the lag times the change of the flow over the run: the integral of a first-order lag's
    /// error over a transient.
    fn lag(&self, what: &str, seconds: f64) -> Option<Contribution> {
        let [from, to] = self.ends_l_s;
        Some(Contribution::new(what, seconds, "s", Spread::Rectangular, (to? - from?).abs()))
    }

    fn clock(&self, volume_l: f64) -> Contribution {
        let seconds = self.seconds();
        Contribution::new("this computer's clock", CLOCK * seconds, "s", Spread::Rectangular, volume_l.abs() / seconds)
    }

    /// Brings the volume to the instants of the looks, and adds up.
    fn finished(
        &self,
        witness: Witness,
        volume_l: f64,
        ends: [Seen; 2],
        readings: usize,
        lines: Vec<Contribution>,
        doubt: Option<String>,
    ) -> WitnessVolume {
        let [before, after] = self.ends_l_s.map(Option::unwrap_or_default);
        let missing_l = before * (ends[0].at.0 - self.ends[0].0) + after * (self.ends[1].0 - ends[1].at.0);
        WitnessVolume { witness, volume_l: volume_l + missing_l, readings, budget: Budget::of(lines), doubt }
    }
}

/// The integral of a flow by trapezoids, in litres, and how far it is from that of every other reading: what the readings
/// do not say of the flow between them.
fn integral(series: &[Seen]) -> (f64, f64) {
    let trapezoids = |series: &mut dyn Iterator<Item = &Seen>| {
        let mut volume = 0.0;
        let mut last: Option<&Seen> = None;
        for seen in series {
            if let Some(last) = last {
                volume += 0.5 * (last.value + seen.value) * (seen.at.0 - last.at.0);
            }
            last = Some(seen);
        }
        volume
    };
    let all = trapezoids(&mut series.iter());
    let end = series.len().saturating_sub(1);
    let every_other = series.iter().enumerate().filter(|(index, _)| index % 2 == 0 || *index == end).map(|(_, it)| it);
    let coarse = trapezoids(&mut every_other.into_iter());
    (all, (all - coarse).abs())
}

//! Joins the samples of one meter's witnesses, which come from different devices, lines and files, into readings.
//!
//! The witnesses that are read most often set the pace: a reading is whole when each of them has answered or failed.
//! Those that are read more seldom ride along when they come. Every sample keeps its own instant; the join only says
//! which samples belong to one moment.

use std::time::Duration;

use crate::reading::{MeterFacts, Reading, Sample, StatusBits, WitnessFacts};
use crate::units::{SteadyMillis, WallMillis};

/// A reading that stays incomplete this many of its periods is handed on as it is.
const PATIENCE_PERIODS: i64 = 2;
/// The shortest patience, for witnesses that are read as fast as the line allows.
const SHORTEST_PATIENCE_MS: i64 = 2_000;

/// Periods that were measured and not declared are the same where they differ by no more than this.
const SAME_PACE: f64 = 1.25;

/// The place in a reading that a sample fills.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// The flow register.
    Flow,
    /// The total register.
    Total,
    /// The loop current, in milliamperes.
    LoopCurrent,
    /// The pulse counter.
    Pulses,
    /// The reverse total.
    ReverseTotal,
    /// The controller's flow.
    ReceiverFlow,
    /// The controller's or biller's total.
    ReceiverTotal,
}

impl Part {
    /// Every part that a sample can fill.
    pub const ALL: [Self; 7] = [
        Self::Flow,
        Self::Total,
        Self::LoopCurrent,
        Self::Pulses,
        Self::ReverseTotal,
        Self::ReceiverFlow,
        Self::ReceiverTotal,
    ];

    const fn bit(self) -> u8 {
        1 << self as u8
    }

    fn every(self, facts: &MeterFacts) -> Option<Duration> {
        let witness = match self {
            Self::Flow => &facts.flow,
            Self::Total => &facts.total,
            Self::LoopCurrent => &facts.loop_ma,
            Self::Pulses => &facts.pulses,
            Self::ReverseTotal => &facts.reverse_total,
            Self::ReceiverFlow => &facts.receiver_flow,
            Self::ReceiverTotal => &facts.receiver_total,
        };
        witness.as_ref().map(|witness| witness.every)
    }

    /// What is known of the witness that fills it.
    pub(crate) const fn witness_mut(self, facts: &mut MeterFacts) -> Option<&mut WitnessFacts> {
        let witness = match self {
            Self::Flow => &mut facts.flow,
            Self::Total => &mut facts.total,
            Self::LoopCurrent => &mut facts.loop_ma,
            Self::Pulses => &mut facts.pulses,
            Self::ReverseTotal => &mut facts.reverse_total,
            Self::ReceiverFlow => &mut facts.receiver_flow,
            Self::ReceiverTotal => &mut facts.receiver_total,
        };
        witness.as_mut()
    }
}

/// The samples of one meter on their way to becoming readings.
#[derive(Clone, Debug)]
pub struct Joiner {
    pace: u8,
    patience_ms: i64,
    settled: u8,
    open: Reading,
    begun: Option<SteadyMillis>,
    last: Option<SteadyMillis>,
}

impl Joiner {
    /// A joiner for the witnesses that the meter declares.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        let mut joiner =
            Self { pace: 0, patience_ms: 0, settled: 0, open: Reading::default(), begun: None, last: None };
        joiner.set_pace(facts, 1.0);
        joiner
    }

    /// Goes on with the periods that the witnesses were seen to have.
    pub fn follow_periods(&mut self, facts: &MeterFacts) {
        self.set_pace(facts, SAME_PACE);
    }

    /// Periods up to `same` times the shortest set the pace with it.
    fn set_pace(&mut self, facts: &MeterFacts, same: f64) {
        let periods: Vec<(Part, Duration)> =
            Part::ALL.into_iter().filter_map(|part| Some((part, part.every(facts)?))).collect();
        let shortest = periods.iter().map(|(_, every)| *every).min().unwrap_or_default();
        let sets_the_pace = |every: Duration| every <= shortest.mul_f64(same);
        self.pace =
            periods.iter().filter(|(_, every)| sets_the_pace(*every)).fold(0, |set, (part, _)| set | part.bit());
        let period_ms = i64::try_from(shortest.as_millis()).unwrap_or(i64::MAX / PATIENCE_PERIODS);
        self.patience_ms = (period_ms * PATIENCE_PERIODS).max(SHORTEST_PATIENCE_MS);
    }

    /// Takes a witness's value; returns the reading that it completes, or the one that it shows to be over.
    pub fn sample(&mut self, part: Part, sample: Sample, wall: WallMillis) -> Option<Reading> {
        let finished = self.close_if_again(part);
        if self.begun.is_none() {
            self.begun = Some(sample.at);
            self.open.at = sample.at;
            self.open.wall = wall;
        }
        let slot = match part {
            Part::Flow => &mut self.open.flow,
            Part::Total => &mut self.open.total,
            Part::LoopCurrent => &mut self.open.loop_ma,
            Part::Pulses => &mut self.open.pulses,
            Part::ReverseTotal => &mut self.open.reverse_total,
            Part::ReceiverFlow => &mut self.open.receiver_flow,
            Part::ReceiverTotal => &mut self.open.receiver_total,
        };
        *slot = Some(sample);
        self.settled |= part.bit();
        finished.or_else(|| self.close_if_whole())
    }

    /// Notes that a witness was asked and did not answer; returns the reading that waited only for it.
    pub fn missed(&mut self, part: Part) -> Option<Reading> {
        let finished = self.close_if_again(part);
        self.settled |= part.bit();
        finished.or_else(|| self.close_if_whole())
    }

    /// Adds the meter's status to the moment under way.
    pub fn status(&mut self, status: StatusBits) {
        self.open.status = Some(StatusBits(self.open.status.map_or(0, |before| before.0) | status.0));
    }

    /// Adds whether the pump runs to the moment under way.
    pub const fn running(&mut self, running: bool) {
        self.open.running = Some(running);
    }

    /// Hands on a reading that has waited too long for the rest of its witnesses.
    pub fn expire(&mut self, now: SteadyMillis) -> Option<Reading> {
        let begun = self.begun?;
        if now.0 - begun.0 > self.patience_ms { self.close() } else { None }
    }

    /// A witness that sets the pace has come again: the moment before is over, whoever is missing. One that rides along
    /// only replaces its older value.
    fn close_if_again(&mut self, part: Part) -> Option<Reading> {
        if self.settled & self.pace & part.bit() != 0 { self.close() } else { None }
    }

    fn close_if_whole(&mut self) -> Option<Reading> {
        if self.settled & self.pace == self.pace { self.close() } else { None }
    }

    /// Ends the moment under way. One in which nothing answered is no reading: the gap in time says it.
    fn close(&mut self) -> Option<Reading> {
        self.settled = 0;
        let mut reading = std::mem::take(&mut self.open);
        self.begun.take()?;
        // Later readings have larger times, even where two moments fall into one millisecond.
        if let Some(last) = self.last {
            reading.at = reading.at.max(SteadyMillis(last.0 + 1));
        }
        self.last = Some(reading.at);
        Some(reading)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::RawWords;

    fn joiner() -> Joiner {
        let mut joiner = Joiner {
            pace: Part::Flow.bit() | Part::Pulses.bit(),
            patience_ms: 2_000,
            settled: 0,
            open: Reading::default(),
            begun: None,
            last: None,
        };
        assert!(joiner.expire(SteadyMillis(10_000)).is_none());
        joiner
    }

    fn at(ms: i64) -> Sample {
        #[expect(clippy::cast_precision_loss, reason = "small test values")]
        let value = ms as f64;
        Sample { value, at: SteadyMillis(ms), raw: RawWords::default() }
    }

    #[test]
    fn a_reading_is_whole_when_every_paced_witness_answered() {
        let mut joiner = joiner();
        assert_eq!(joiner.sample(Part::Flow, at(1), WallMillis(101)), None);
        let reading = joiner.sample(Part::Pulses, at(7), WallMillis(107)).unwrap();
        assert_eq!((reading.at, reading.wall), (SteadyMillis(1), WallMillis(101)));
        assert_eq!((reading.flow, reading.pulses), (Some(at(1)), Some(at(7))));
    }

    #[test]
    fn a_seldom_witness_rides_along_and_is_not_waited_for() {
        let mut joiner = joiner();
        joiner.sample(Part::ReceiverTotal, at(0), WallMillis(0));
        joiner.sample(Part::Flow, at(1), WallMillis(1));
        let first = joiner.sample(Part::Pulses, at(2), WallMillis(2)).unwrap();
        assert_eq!(first.receiver_total, Some(at(0)));
        joiner.sample(Part::Flow, at(1001), WallMillis(1001));
        let second = joiner.sample(Part::Pulses, at(1002), WallMillis(1002)).unwrap();
        assert_eq!(second.receiver_total, None);
        joiner.sample(Part::ReceiverTotal, at(1500), WallMillis(1500));
        assert_eq!(joiner.sample(Part::ReceiverTotal, at(1600), WallMillis(1600)), None);
    }

    #[test]
    fn a_missed_witness_leaves_its_place_empty() {
        let mut joiner = joiner();
        joiner.sample(Part::Flow, at(1), WallMillis(1));
        let reading = joiner.missed(Part::Pulses).unwrap();
        assert_eq!((reading.flow, reading.pulses), (Some(at(1)), None));
        // Nothing answered: no reading at all.
        assert_eq!(joiner.missed(Part::Flow), None);
        assert_eq!(joiner.missed(Part::Pulses), None);
    }

    #[test]
    fn a_witness_that_comes_again_ends_the_moment_before() {
        let mut joiner = joiner();
        joiner.sample(Part::Flow, at(1), WallMillis(1));
        let first = joiner.sample(Part::Flow, at(1001), WallMillis(1001)).unwrap();
        assert_eq!(first.flow, Some(at(1)));
        let second = joiner.sample(Part::Pulses, at(1003), WallMillis(1003)).unwrap();
        assert_eq!((second.flow, second.pulses), (Some(at(1001)), Some(at(1003))));
    }

    #[test]
    fn patience_ends_and_times_never_repeat() {
        let mut joiner = joiner();
        joiner.sample(Part::Flow, at(5), WallMillis(5));
        assert_eq!(joiner.expire(SteadyMillis(1_000)), None);
        assert_eq!(joiner.expire(SteadyMillis(3_000)).unwrap().at, SteadyMillis(5));
        joiner.sample(Part::Flow, at(5), WallMillis(5));
        assert_eq!(joiner.sample(Part::Pulses, at(5), WallMillis(5)).unwrap().at, SteadyMillis(6));
    }
}

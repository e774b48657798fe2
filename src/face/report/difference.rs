//! The running difference between the pulses counted and those that the total asks for.

use tallywell_witness::declared::TotalCounts;
use tallywell_witness::decode::resolution;
use tallywell_witness::reading::{MeterFacts, Reading, WitnessFacts};
use tallywell_witness::tally::Directions;

use super::columns::{Columns, moment};
use super::counts::{Count, Went, quickest};

/// Fewer pulses than this are always let pass.
const FEWEST: f64 = 3.0;

/// Points of a plot.
type Points = Vec<(f64, f64)>;

/// Total and pulses, held against each other from reading to reading.
#[derive(Debug)]
pub(super) struct Difference {
    facts: MeterFacts,
    total: Count,
    reverse: Option<Count>,
    pulses: Count,
    /// What the pulses count of both totals; `None` where nothing ties them together, as no tally then does.
    directions: Option<Directions>,
    /// Litres a pulse.
    weight: f64,
    /// The largest flow that is no nonsense, L/s.
    quickest: f64,
    difference: Columns,
    let_pass: Columns,
}

impl Difference {
    /// `None` where the meter has no total or no pulses.
    pub(super) fn new(facts: &MeterFacts, range: (f64, f64), gap_s: f64) -> Option<Self> {
        let (total, pulses) = (facts.total.as_ref()?, facts.pulses.as_ref()?);
        let pulse = facts.meter.pulse.as_ref()?;
        Some(Self {
            total: Count::new(total, facts.meter.total_counts == TotalCounts::Net),
            reverse: facts.reverse_total.as_ref().map(|reverse| Count::new(reverse, false)),
            pulses: Count::new(pulses, false),
            directions: Directions::of(facts.meter.total_counts, pulse.counts, facts.reverse_total.is_some()),
            weight: pulse.volume.0,
            quickest: quickest(facts),
            difference: Columns::new(range, gap_s),
            let_pass: Columns::new(range, gap_s),
            facts: facts.clone(),
        })
    }

    /// The next reading, at which `flow` ran (L/s).
    pub(super) fn push(&mut self, reading: &Reading, flow: f64) {
        let (Some(total), Some(pulses)) = (reading.total, reading.pulses) else { return };
        let litres = |facts: Option<&WitnessFacts>| facts.map_or(1.0, |facts| facts.entry.unit.value_in_base(1.0));
        let (per_total, per_reverse) = (litres(self.facts.total.as_ref()), litres(self.facts.reverse_total.as_ref()));
        let fine = |facts: Option<&WitnessFacts>, value| facts.map_or(1.0, |facts| resolution(&facts.entry, value));
        let of_total = self.total.push(
            moment(reading, total),
            total.value,
            fine(self.facts.total.as_ref(), total.value),
            self.quickest / per_total,
        );
        if let (Some(reverse), Some(sample)) = (&mut self.reverse, reading.reverse_total) {
            let fine = fine(self.facts.reverse_total.as_ref(), sample.value);
            reverse.push(moment(reading, sample), sample.value, fine, self.quickest / per_reverse);
        }
        let of_pulses =
            self.pulses.push(moment(reading, pulses), pulses.value, 1.0, self.quickest / self.weight + 50.0);
        if of_total == Went::Odd || of_pulses == Went::Odd {
            return;
        }
        if of_total == Went::Anew || of_pulses == Went::Anew {
            self.difference.break_line();
            self.let_pass.break_line();
        }
        let Some(Directions { total: takes_part, reverse: backward, .. }) = self.directions else { return };
        let forward = f64::from(u8::from(takes_part));
        let reversed = self.reverse.as_ref().map_or(0.0, |reverse| reverse.gone * per_reverse);
        // What flowed between the two samplings.
        let skew = if backward > forward { 0.0 } else { flow.max(0.0) * pulses.at.since(total.at).0.clamp(-5.0, 5.0) };
        let expected = (forward * self.total.gone * per_total + backward * reversed + skew) / self.weight;
        let x = moment(reading, pulses);
        self.difference.push(x, self.pulses.gone - expected);
        self.let_pass.push(x, FEWEST.max(self.facts.meter.tolerance.volume * expected.abs()));
    }

    /// The volume that the total tells, in litres.
    pub(super) fn total_l(&self) -> Option<f64> {
        Some(self.facts.total.as_ref()?.entry.unit.value_in_base(self.total.gone))
    }

    /// The difference and what of it is let pass, both in pulses over time.
    pub(super) fn into_points(self) -> (Points, Points) {
        (self.difference.into_points(), self.let_pass.into_points())
    }
}

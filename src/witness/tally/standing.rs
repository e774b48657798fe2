//! Where the tallies of a meter stand, in numbers and in words.

use super::count_tally::CountTally;
use super::finding::{Between, TallyStanding, Verdict};
use super::intake::Slack;
use super::meter::MeterTallies;
use super::pair::PairTally;
use crate::units::figure;

impl MeterTallies {
    /// Where each declared tally stands, in the order of [`Between::ALL`].
    #[must_use]
    pub fn standing(&self) -> Vec<TallyStanding> {
        let mut standings: Vec<TallyStanding> =
            self.counts.iter().flatten().map(of_counts).chain(self.pairs.iter().flatten().map(of_flows)).collect();
        for standing in &mut standings {
            match standing.between {
                Between::FlowLoop => standing.current = self.current,
                Between::TotalPulse => standing.notes.extend(self.total_notes()),
                _ => {}
            }
        }
        standings.extend(self.noted.standing());
        if self.total_and_pulses_differ_in_direction() {
            standings.push(TallyStanding {
                notes: vec![String::from(
                    "Total and pulses count different directions, and no reverse total is declared that ties them together.",
                )],
                ..nothing_seen(Between::TotalPulse)
            });
        }
        standings.sort_by_key(|standing| standing.between);
        standings
    }

    /// The verdict on the whole stretch. What is only looked at to say which of the others is wrong opens nothing.
    #[must_use]
    pub fn overall(&self) -> Verdict {
        let counts_disagreed = self.counts.iter().flatten().any(CountTally::disagreed);
        let flows_disagreed =
            self.pairs.iter().flatten().filter(|pair| self.is_told(pair)).any(|pair| pair.test.disagreements > 0);
        let noted_disagreed = self.noted.standing().any(|standing| standing.disagreements > 0);
        Verdict::overall(&self.standing(), counts_disagreed || flows_disagreed || noted_disagreed)
    }

    /// Where the bus is watched, current and pulses only cast a vote between the others.
    pub(super) fn is_told(&self, pair: &PairTally) -> bool {
        pair.test.rules.between != Between::LoopPulse || !self.has_bus()
    }

    fn total_notes(&self) -> Vec<String> {
        let Some(total) = &self.intake.total else { return Vec::new() };
        let Slack { low, high, float_spacing: spacing } = total.slack();
        let mut notes = vec![format!(
            "Assumes that the meter keeps its total exactly, that no pulses had left it which a power loss took back from its total, \
             and that a shown total lies within {} L of the kept one.",
            figure(high.max(-low), 3)
        )];
        if spacing > 0.5 * self.pulse_volume() {
            notes.push(format!(
                "The total is a float that has grown until its neighbouring values lie {spacing:.6} L apart: smaller volumes are lost in it."
            ));
        }
        notes
    }
}

impl Verdict {
    /// The one word for a meter: `Disagree` when any tally is beyond its tolerance or a disagreement stood open, `Agree`
    /// when every tally that could be judged held, `Undecided` when none could.
    #[must_use]
    pub fn overall(tallies: &[TallyStanding], any_stood_open: bool) -> Self {
        let says = |wanted| tallies.iter().any(|tally| tally.verdict == wanted);
        if any_stood_open || says(Self::Disagree) {
            Self::Disagree
        } else if says(Self::Agree) {
            Self::Agree
        } else {
            Self::Undecided
        }
    }
}

pub(super) fn nothing_seen(between: Between) -> TallyStanding {
    TallyStanding {
        between,
        verdict: Verdict::Undecided,
        ratio: None,
        difference: None,
        unit: between.unit(),
        tolerance: None,
        steps: 0,
        step_count: 0,
        first: None,
        second: None,
        judged_s: 0.0,
        excluded_s: 0.0,
        excluded_l: 0.0,
        open: false,
        disagreements: 0,
        current: None,
        notes: Vec::new(),
    }
}

fn of_counts(tally: &CountTally) -> TallyStanding {
    let between = tally.rules.between;
    let (register, pulses) = tally.moved();
    let [first, second] = if between == Between::PulseReceiverTotal { [pulses, register] } else { [register, pulses] };
    let seen = tally.judged > 0;
    let enough = register.abs().max(pulses.abs()) > 3.0 * tally.rules.pulse_volume;
    let verdict = if tally.open.is_some() || tally.is_beyond() {
        Verdict::Disagree
    } else if enough {
        Verdict::Agree
    } else {
        Verdict::Undecided
    };
    let mut notes = Vec::new();
    if verdict == Verdict::Undecided {
        notes.push(String::from("Less went by than a few pulses tell apart."));
    }
    TallyStanding {
        verdict,
        ratio: (first != 0.0).then(|| second / first),
        difference: seen.then_some(second - first),
        tolerance: seen.then(|| tally.tolerance(tally.volume())),
        steps: tally.certain_pulses(),
        step_count: tally.step_count,
        first: seen.then_some(first),
        second: seen.then_some(second),
        judged_s: tally.judged_s,
        open: tally.open.is_some(),
        disagreements: tally.disagreements,
        notes,
        ..nothing_seen(between)
    }
}

fn of_flows(pair: &PairTally) -> TallyStanding {
    let test = &pair.test;
    let sums = &test.judged;
    let per = if test.is_volume() { 1.0 } else { sums.seconds };
    let seen = sums.blocks > 0;
    let mut notes = vec![format!(
        "Judged in blocks of at least {:.0} s; lags of up to {:.0} s between the witnesses are allowed for.",
        test.rules.shortest_block_s,
        test.lag()
    )];
    if !seen {
        notes.push(String::from("No block could be judged yet: too little was seen, or the flow never came to rest."));
    }
    if test.excluded_s > 0.0 {
        notes.push(format!("{:.0} s were not judged: gaps, transients, currents that mean no flow.", test.excluded_s));
    }
    TallyStanding {
        verdict: test.verdict(),
        ratio: (seen && sums.first != 0.0).then(|| sums.second / sums.first),
        difference: seen.then(|| (sums.second - sums.first) / per),
        tolerance: seen.then(|| sums.let_pass / per),
        first: seen.then(|| sums.first / per),
        second: seen.then(|| sums.second / per),
        judged_s: sums.seconds,
        excluded_s: test.excluded_s,
        excluded_l: test.excluded_l,
        open: test.open.is_some(),
        disagreements: test.disagreements,
        notes,
        ..nothing_seen(test.rules.between)
    }
}

//! What people read off a receiver's display, held against the signal that the receiver gets.
//!
//! A figure noted by hand belongs to its minute, not to its second, and is known to its last digit. Both are taken off
//! before a difference counts, so that it is as certain as one between registers. Totals are compared by what they moved
//! between two notes; of a flow one note is enough.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::finding::{
    Between, Change, DifferenceUnit, Disagreement, DisagreementKind, Largest, Moment, TallyStanding, Verdict,
};
use super::rules::BiasRules;
use super::rules::bias_rules;
use super::standing::nothing_seen;
use crate::reading::MeterFacts;
use crate::units::WallMillis;

/// A figure was on the display within so many milliseconds of the time that it bears.
const MINUTE_MS: i64 = 60_000;
/// The trail of the signal has a mark each so many milliseconds for the last minutes...
const FINE_MS: i64 = 15_000;
const FINE_MARKS: usize = 20;
/// ...and one an hour before that, over so many hours: figures are noted late.
const COARSE_MS: i64 = 3_600_000;
const COARSE_MARKS: usize = 48;
/// Differences of up to so many pulses are never a disagreement.
const PULSES_LET_PASS: f64 = 3.0;
/// A disagreement is over after so many pulses between two notes that agree.
const PULSES_TO_CLOSE: f64 = 100.0;
/// Notes that may wait for their minute to pass.
const MOST_WAITING: usize = 1_000;

/// A figure that was read off a receiver's display.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NotedReading {
    /// When, by the clock on the wall.
    pub at: WallMillis,
    /// Litres or L/s.
    pub value: f64,
    /// The figure's last digit, in the same unit.
    pub last_digit: f64,
    /// Of what.
    pub of: Noted,
}

/// What was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noted {
    /// The receiver's total.
    Total,
    /// The receiver's flow.
    Flow,
}

impl NotedReading {
    /// A figure as it was written, in a unit of so many litres or L/s.
    #[must_use]
    pub fn new(of: Noted, at: WallMillis, figure: f64, to_base: f64) -> Self {
        let written = figure.to_string();
        let decimals = written.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let last_digit = 10_f64.powi(-i32::try_from(decimals).unwrap_or(i32::MAX));
        Self { at, value: figure * to_base, last_digit: last_digit * to_base, of }
    }
}

/// What the signal said at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Mark {
    moment: Moment,
    litres: Option<f64>,
    /// The smallest and the largest flow by the loop since the last mark.
    flows: Option<(f64, f64)>,
}

/// A noted total, and between which limits the signal lay at that time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Held {
    moment: Moment,
    noted: f64,
    known_to: f64,
    signal: (f64, f64),
}

/// The last comparison: what the signal gave, what was noted, and how much of the difference is certain.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Compared {
    signal: f64,
    noted: f64,
    certain: f64,
    tolerance: f64,
    seconds: f64,
}

impl Compared {
    fn is_beyond(&self) -> bool {
        self.certain.abs() > self.tolerance
    }
}

/// One tally against a noted figure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct NotedTally {
    first: Option<Held>,
    previous: Option<Held>,
    compared: Option<Compared>,
    open: Option<Disagreement>,
    disagreements: u64,
    notes: u64,
}

/// Both tallies against noted figures, and the trail of the signals that they need.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct NotedTallies {
    waiting: VecDeque<NotedReading>,
    fine: VecDeque<Mark>,
    coarse: VecDeque<Mark>,
    total: NotedTally,
    flow: NotedTally,
    unheld: u64,
}

impl NotedTallies {
    /// Takes a figure; it is compared once the signal after its minute is known.
    pub(super) fn note(&mut self, noted: NotedReading) {
        if self.waiting.len() < MOST_WAITING {
            let place = self.waiting.partition_point(|before| before.at <= noted.at);
            self.waiting.insert(place, noted);
        }
    }

    /// Takes what the signals say: litres by the pulses since some beginning, L/s by the loop.
    pub(super) fn push(
        &mut self,
        facts: &MeterFacts,
        moment: Moment,
        litres: Option<f64>,
        loop_flow: Option<f64>,
        changes: &mut Vec<Change>,
    ) {
        self.leave_mark(moment, litres, loop_flow);
        while let Some(noted) = self.waiting.front().copied().filter(|it| it.at.0 + MINUTE_MS <= moment.wall.0) {
            self.waiting.pop_front();
            let between = match noted.of {
                Noted::Total => self.hold_total(facts, noted, changes),
                Noted::Flow => self.hold_flow(facts, noted, changes),
            };
            self.unheld += u64::from(between.is_none());
        }
    }

    /// The pulses went back, and what they missed is not known: the next total noted begins anew.
    pub(super) fn interrupt(&mut self) {
        (self.total.first, self.total.previous) = (None, None);
        self.fine.clear();
        self.coarse.clear();
    }

    /// The disagreements that stand open.
    pub(super) fn open(&self) -> impl Iterator<Item = &Disagreement> {
        self.total.open.iter().chain(&self.flow.open)
    }

    /// Where the tallies stand for which something was noted.
    pub(super) fn standing(&self) -> impl Iterator<Item = TallyStanding> {
        let lost = (self.unheld > 0).then(|| {
            format!(
                "{} noted figures could not be held against the signal: it was not heard at their time.",
                self.unheld
            )
        });
        [(Between::PulseReceiverTotal, &self.total), (Between::LoopReceiverFlow, &self.flow)]
            .into_iter()
            .filter(|(_, tally)| tally.notes > 0)
            .map(move |(between, tally)| tally.standing(between, lost.clone()))
    }

    fn leave_mark(&mut self, moment: Moment, litres: Option<f64>, loop_flow: Option<f64>) {
        let flows = |before: Option<(f64, f64)>| match (before, loop_flow) {
            (Some((low, high)), Some(flow)) => Some((low.min(flow), high.max(flow))),
            (before, flow) => before.or(flow.map(|flow| (flow, flow))),
        };
        match self.fine.back_mut() {
            Some(last) if moment.wall.0 - last.moment.wall.0 < FINE_MS && moment.wall >= last.moment.wall => {
                // The mark keeps its count, which is that of its beginning, and gathers flows.
                last.litres = last.litres.or(litres);
                last.flows = flows(last.flows);
            }
            _ => {
                self.fine.push_back(Mark { moment, litres, flows: flows(None) });
                if self.fine.len() > FINE_MARKS {
                    let oldest = self.fine.pop_front();
                    let is_due = |mark: &Mark| {
                        self.coarse.back().is_none_or(|last| mark.moment.wall.0 - last.moment.wall.0 >= COARSE_MS)
                    };
                    if let Some(oldest) = oldest.filter(is_due) {
                        self.coarse.push_back(oldest);
                        if self.coarse.len() > COARSE_MARKS {
                            self.coarse.pop_front();
                        }
                    }
                }
            }
        }
    }

    fn marks(&self) -> impl DoubleEndedIterator<Item = &Mark> {
        self.coarse.iter().chain(&self.fine)
    }

    /// Compares a total; `None` where the signal was not heard about its time.
    fn hold_total(&mut self, facts: &MeterFacts, noted: NotedReading, changes: &mut Vec<Change>) -> Option<()> {
        let pulse = facts.meter.pulse.as_ref()?.volume.0;
        let counted = |mark: &&Mark| mark.litres.is_some();
        let before =
            self.marks().filter(counted).rev().find(|mark| mark.moment.wall.0 <= noted.at.0 - MINUTE_MS).copied()?;
        // The newest mark may be some seconds older than its successor.
        let after = self.marks().filter(counted).find(|mark| mark.moment.wall.0 >= noted.at.0 + MINUTE_MS - FINE_MS)?;
        let moment = Moment {
            steady: crate::units::SteadyMillis(
                before.moment.steady.0 + (noted.at.0 - before.moment.wall.0).clamp(0, i64::MAX),
            ),
            wall: noted.at,
        };
        let held = Held {
            moment,
            noted: noted.value,
            known_to: noted.last_digit,
            signal: (before.litres? - pulse, after.litres? + pulse),
        };
        let tally = &mut self.total;
        tally.notes += 1;
        let previous = tally.previous.replace(held);
        // A total that went back was set anew.
        let went_back =
            previous.is_some_and(|previous| held.noted + held.known_to < previous.noted - previous.known_to);
        let (Some(first), Some(previous), false) = (tally.first, previous, went_back) else {
            tally.first = Some(held);
            return Some(());
        };
        let whole = compare(&first, &held, pulse, facts.meter.tolerance.volume);
        let lately = compare(&previous, &held, pulse, facts.meter.tolerance.volume);
        tally.compared = Some(whole);
        if tally.open.is_some() && !lately.is_beyond() && lately.signal >= PULSES_TO_CLOSE * pulse {
            tally.close(moment, changes);
            tally.first = Some(previous);
            tally.compared = Some(lately);
        } else if whole.is_beyond() {
            tally.beyond(facts, Between::PulseReceiverTotal, first.moment, moment, whole, changes);
        }
        Some(())
    }

    fn hold_flow(&mut self, facts: &MeterFacts, noted: NotedReading, changes: &mut Vec<Change>) -> Option<()> {
        facts.meter.current_loop.as_ref()?;
        let about = |mark: &&Mark| (mark.moment.wall.0 - noted.at.0).abs() <= MINUTE_MS + FINE_MS;
        let marks: Vec<&Mark> = self.fine.iter().filter(about).collect();
        let moment = marks.iter().min_by_key(|mark| (mark.moment.wall.0 - noted.at.0).abs())?.moment;
        let flows = marks.iter().filter_map(|mark| mark.flows);
        let (low, high) = flows.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
        let rules: BiasRules = bias_rules(facts, Between::LoopReceiverFlow, DisagreementKind::Bias);
        let signal = 0.5 * (low + high);
        let certain = beyond((noted.value - noted.last_digit, noted.value + noted.last_digit), (low, high));
        let tolerance = rules.let_pass(signal);
        let compared = Compared { signal, noted: noted.value, certain, tolerance, seconds: 0.0 };
        let tally = &mut self.flow;
        tally.notes += 1;
        tally.compared = Some(compared);
        if compared.is_beyond() {
            tally.beyond(facts, Between::LoopReceiverFlow, moment, moment, compared, changes);
        } else {
            tally.close(moment, changes);
        }
        Some(())
    }
}

/// What two notes moved by against what the signal moved by.
fn compare(from: &Held, to: &Held, pulse: f64, volume_share: f64) -> Compared {
    let noted = to.noted - from.noted;
    let known_to = from.known_to + to.known_to;
    let signal = (to.signal.0 - from.signal.1, to.signal.1 - from.signal.0);
    let middle = 0.5 * (signal.0 + signal.1);
    Compared {
        signal: middle,
        noted,
        certain: beyond((noted - known_to, noted + known_to), signal),
        tolerance: (volume_share * middle.abs()).max(PULSES_LET_PASS * pulse),
        seconds: to.moment.steady.since(from.moment.steady).0.max(0.0),
    }
}

/// How far one interval lies above (+) or below (-) another; 0 where they meet.
fn beyond(interval: (f64, f64), other: (f64, f64)) -> f64 {
    if interval.0 > other.1 {
        interval.0 - other.1
    } else if interval.1 < other.0 {
        interval.1 - other.0
    } else {
        0.0
    }
}

impl NotedTally {
    fn beyond(
        &mut self,
        facts: &MeterFacts,
        between: Between,
        began: Moment,
        at: Moment,
        compared: Compared,
        changes: &mut Vec<Change>,
    ) {
        let unit = between.unit();
        let largest = Largest {
            at,
            difference: compared.noted - compared.signal,
            difference_most: None,
            unit,
            ratio: (compared.signal != 0.0).then(|| compared.noted / compared.signal),
            tolerance: compared.tolerance,
            pulses: None,
            pulses_most: None,
        };
        if let Some(open) = &mut self.open {
            if largest.difference.abs() > open.largest.difference.abs() {
                open.largest = largest;
                changes.push(Change::Grew(open.clone()));
            }
            return;
        }
        self.disagreements += 1;
        let kind = match unit {
            DifferenceUnit::Litres => DisagreementKind::Volume,
            DifferenceUnit::LitresPerSecond => DisagreementKind::Bias,
        };
        let disagreement = Disagreement {
            meter: facts.meter.name.clone(),
            between,
            kind,
            opened: at,
            began,
            closed: None,
            largest,
            step_count: 0,
        };
        self.open = Some(disagreement.clone());
        changes.push(Change::Opened(disagreement));
    }

    fn close(&mut self, at: Moment, changes: &mut Vec<Change>) {
        if let Some(open) = self.open.take() {
            changes.push(Change::Closed(Disagreement { closed: Some(at), ..open }));
        }
    }

    fn standing(&self, between: Between, lost: Option<String>) -> TallyStanding {
        let mut notes = vec![format!(
            "The receiver's figure was noted by hand {} times; each is taken to be of its minute, and known to its last digit.",
            self.notes
        )];
        notes.extend(lost);
        let Some(compared) = self.compared else {
            notes.push(String::from("Two noted totals are needed, with a volume between them."));
            return TallyStanding { notes, ..nothing_seen(between) };
        };
        let is_beyond = self.open.is_some() || compared.is_beyond();
        TallyStanding {
            verdict: if is_beyond { Verdict::Disagree } else { Verdict::Agree },
            ratio: (compared.signal != 0.0).then(|| compared.noted / compared.signal),
            difference: Some(compared.noted - compared.signal),
            tolerance: Some(compared.tolerance),
            first: Some(compared.signal),
            second: Some(compared.noted),
            judged_s: compared.seconds,
            open: self.open.is_some(),
            disagreements: self.disagreements,
            notes,
            ..nothing_seen(between)
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tally::{MeterTallies, VolumeJudged, specimen};

    const HOUR_MS: i64 = 3_600_000;

    /// A day of 20 L/s read each 10 s, with figures noted by hand; what is told, and where the tallies stand.
    fn told(notes: &[NotedReading]) -> (Vec<Change>, Vec<TallyStanding>) {
        let facts = specimen::meter();
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let (mut changes, mut next) = (Vec::new(), 0);
        for reading in 0..8_640 {
            let at = reading * 10_000;
            // A figure is written down when it is read, or some time later.
            while notes.get(next).is_some_and(|note| note.at.0 <= at) {
                tallies.note(notes[next]);
                next += 1;
            }
            let litres = 20.0 * at as f64 / 1000.0;
            let current = 4.0 + 16.0 * 20.0 / 36.0;
            let reading = specimen::reading(at, 20.0, litres.floor(), current, (litres / 25.0).floor());
            tallies.push(&facts, &reading, &mut changes);
            if reading.at.0 % HOUR_MS == 0 {
                tallies = serde_json::from_str(&serde_json::to_string(&tallies).unwrap()).unwrap();
            }
        }
        changes.retain(|change| matches!(change, Change::Opened(_) | Change::Grew(_) | Change::Closed(_)));
        (changes, tallies.standing())
    }

    fn total(hour: i64, litres: f64) -> NotedReading {
        // In cubic metres with two digits, as displays show them.
        let figure = (litres / 10.0).floor() / 100.0;
        NotedReading::new(Noted::Total, WallMillis(hour * HOUR_MS), figure, 1000.0)
    }

    fn flow(hour: i64, figure: f64) -> NotedReading {
        NotedReading::new(Noted::Flow, WallMillis(hour * HOUR_MS), figure, 1.0)
    }

    #[test]
    fn a_figure_is_known_to_its_last_digit() {
        let noted = NotedReading::new(Noted::Total, WallMillis(0), 18_204.5, 1000.0);
        assert_eq!((noted.value, noted.last_digit), (18_204_500.0, 100.0));
        assert_eq!(NotedReading::new(Noted::Flow, WallMillis(0), 24.0, 1.0).last_digit, 1.0);
    }

    #[test]
    fn a_biller_that_takes_a_pulse_for_more_is_found_by_two_figures_and_is_one_disagreement() {
        let (changes, standing) = told(&[total(1, 5e6), total(7, 5e6 + 2.0 * 20.0 * 21_600.0)]);
        let [Change::Opened(opened)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((opened.between, opened.kind), (Between::PulseReceiverTotal, DisagreementKind::Volume));
        assert!((opened.largest.ratio.unwrap() - 2.0).abs() < 0.01, "{opened:?}");
        let found = standing.iter().find(|standing| standing.between == Between::PulseReceiverTotal).unwrap();
        assert_eq!((found.verdict, found.open), (Verdict::Disagree, true));
        // It is put right after the third figure, and so the last two agree.
        let (changes, _) =
            told(&[total(1, 5e6), total(7, 5e6 + 864_000.0), total(8, 5e6 + 1_008_000.0), total(9, 5e6 + 1_080_000.0)]);
        let kinds: Vec<u8> = changes.iter().map(|change| matches!(change, Change::Closed(_)).into()).collect();
        assert_eq!(kinds, [0, 0, 1], "{changes:?}");
    }

    #[test]
    fn one_figure_of_a_total_decides_nothing_and_one_of_a_flow_does() {
        let (changes, standing) = told(&[total(1, 5e6), flow(2, 20.0), flow(3, 33.3), flow(4, 20.02)]);
        let [Change::Opened(opened), Change::Closed(_)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((opened.between, opened.opened.wall), (Between::LoopReceiverFlow, WallMillis(3 * HOUR_MS)));
        let verdict = |between| standing.iter().find(|standing| standing.between == between).unwrap().verdict;
        assert_eq!(verdict(Between::PulseReceiverTotal), Verdict::Undecided);
        assert_eq!(verdict(Between::LoopReceiverFlow), Verdict::Agree);
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]
        /// A receiver that counts rightly, read up to a minute from the time that was written down, and cut off at its
        /// last digit: never a disagreement.
        #[test]
        fn figures_of_a_sound_receiver_never_disagree(
            hours in prop::collection::btree_set(1_i64..24, 2..6),
            slips in prop::collection::vec(-60.0..60.0_f64, 6),
            first in 0.0..1e7_f64,
        ) {
            let notes: Vec<NotedReading> = hours
                .iter()
                .zip(&slips)
                .map(|(hour, slip)| {
                    let seen_at = (*hour * HOUR_MS) as f64 / 1000.0 + slip;
                    total(*hour, first + (20.0 * seen_at / 25.0).floor() * 25.0)
                })
                .collect();
            let (changes, _) = told(&notes);
            prop_assert!(changes.is_empty(), "{changes:?}");
        }
    }
}

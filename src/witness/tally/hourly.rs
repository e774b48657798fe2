//! Hours of a meter: what each witness says went by in each hour of the clock on the wall, and how well that is known.
//!
//! A step between two readings that lies across the turn of an hour is shared between the hours by time, so that the hours
//! of a stretch add up to what the stretch as a whole says. What a count moved by while nobody listened is put into the
//! hour in which it was heard again, and told apart; a flow is never carried over a silence.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::extremes::{larger, smaller};
use super::finding::{Change, HourlySummary, Moment, WitnessedVolume};
use super::judging::{GAP_PERIODS, GAP_S};
use super::rules::COUNTER_DELAY;
use crate::declared::{PulseCounts, TotalCounts};
use crate::reading::{MeterFacts, WitnessFacts};
use crate::units::{Litres, LitresPerSecond, WallMillis};

const HOUR_MS: i64 = 3_600_000;
const HOUR_S: f64 = 3600.0;
/// A clock that is set back by less than this goes on in the hour that runs.
const SET_BACK_MS: i64 = 600_000;
/// So many standard deviations of an integral's error are told as its uncertainty: about 95 %.
const COVERAGE: f64 = 2.0;

/// What one reading says about its hour: volumes since some beginning and flows, each signed as its witness counts.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct HourGlance {
    pub(super) moment: Moment,
    pub(super) maintenance: bool,
    /// Seconds between readings, as is usual.
    pub(super) period_s: f64,
    /// Litres.
    pub(super) total: Option<f64>,
    /// A shown total is known to so many litres.
    pub(super) total_slack: f64,
    /// Pulses.
    pub(super) pulses: Option<f64>,
    /// L/s.
    pub(super) flow: Option<f64>,
    /// L/s.
    pub(super) loop_flow: Option<f64>,
}

/// One witness in one hour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Account {
    litres: f64,
    unheard_litres: f64,
    heard_s: f64,
    /// Sum of the squares of what each step's integral may be off by.
    scatter: f64,
    /// Litres that the turns of the hour may have put on the wrong side.
    edges: f64,
}

/// A witness: its hour, and what it said last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Told {
    account: Account,
    last: Option<(Moment, f64)>,
}

/// The hour that runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct HourBook {
    hour: Option<WallMillis>,
    from: Moment,
    to: Moment,
    readings: u32,
    maintenance: bool,
    total: Told,
    total_slack: f64,
    pulse: Told,
    flow: Told,
    current: Told,
    extremes: Option<(f64, f64)>,
}

/// One step of a witness: which share of it belongs to the hour that ends, and whether it was heard.
#[derive(Clone, Copy)]
struct Share {
    before: f64,
    elapsed_s: f64,
    heard: bool,
}

impl HourBook {
    /// Takes the next reading; an hour that it shows to be over is appended to `changes`.
    pub(super) fn push(&mut self, facts: &MeterFacts, glance: &HourGlance, changes: &mut Vec<Change>) {
        let now = hour_of(glance.moment.wall);
        match self.hour {
            Some(hour) if now.0 > hour.0 || glance.moment.wall.0 < hour.0 - SET_BACK_MS => {
                self.turn(facts, glance, now, changes);
            }
            Some(_) => self.take(facts, glance, None),
            None => {
                self.begin(now, glance.moment);
                self.take(facts, glance, None);
            }
        }
    }

    /// An hour is over, which happens in one reading of thousands.
    #[cold]
    fn turn(&mut self, facts: &MeterFacts, glance: &HourGlance, now: WallMillis, changes: &mut Vec<Change>) {
        let mut ended = *self;
        self.begin(now, glance.moment);
        self.take(facts, glance, Some((&mut ended, now)));
        changes.extend(ended.summary(facts).map(Change::Hour));
    }

    /// Takes a reading to this hour, and its share of the step before to the hour that it ended. In its own place for the
    /// two callers: where no hour ended, half of it falls away.
    #[inline(always)]
    fn take(&mut self, facts: &MeterFacts, glance: &HourGlance, ended: Option<(&mut Self, WallMillis)>) {
        let (mut before, turn) = ended.map_or((None, None), |(book, turn)| (Some(book), Some(turn)));
        if let Some(position) = glance.total {
            let rules =
                StepRules { witness: facts.total.as_ref(), period_s: glance.period_s, age: facts.meter.refresh };
            self.total.count(before.as_mut().map(|book| &mut book.total), turn, glance.moment, position, rules);
            self.total_slack = glance.total_slack;
        }
        if let (Some(pulses), Some(pulse)) = (glance.pulses, &facts.meter.pulse) {
            let rules = StepRules {
                witness: facts.pulses.as_ref(),
                period_s: glance.period_s,
                age: pulse.on_time.saturating_add(COUNTER_DELAY),
            };
            let litres = pulses * pulse.volume.0;
            self.pulse.count(before.as_mut().map(|book| &mut book.pulse), turn, glance.moment, litres, rules);
        }
        if let Some(flow) = glance.flow {
            let rules = StepRules { witness: facts.flow.as_ref(), period_s: glance.period_s, age: Duration::ZERO };
            let counted = directed(facts, flow);
            self.flow.flow(before.as_mut().map(|book| &mut book.flow), turn, glance.moment, counted, rules);
        }
        if let Some(flow) = glance.loop_flow {
            let rules = StepRules { witness: facts.loop_ma.as_ref(), period_s: glance.period_s, age: Duration::ZERO };
            let counted = directed(facts, flow);
            self.current.flow(before.as_mut().map(|book| &mut book.current), turn, glance.moment, counted, rules);
        }
        let shown = if facts.flow.is_some() { glance.flow } else { glance.loop_flow };
        if let Some(flow) = shown {
            self.extremes =
                Some(self.extremes.map_or((flow, flow), |(low, high)| (smaller(low, flow), larger(high, flow))));
        }
        self.readings += 1;
        self.to = glance.moment;
        self.maintenance |= glance.maintenance;
    }

    /// The hour that runs, as far as it has come.
    pub(super) fn summary(&self, facts: &MeterFacts) -> Option<HourlySummary> {
        let hour = self.hour?;
        let volume = |account: &Account, known_to: f64| WitnessedVolume {
            volume_l: Litres(account.litres),
            unheard_l: Litres(account.unheard_litres),
            uncertainty_l: Litres(known_to + account.edges + COVERAGE * account.scatter.sqrt()),
            share: (account.heard_s / HOUR_S).min(1.0),
        };
        let pulse_volume = facts.meter.pulse.as_ref().map_or(0.0, |pulse| pulse.volume.0);
        let accuracy = facts.meter.current_loop.as_ref().map_or(0.0, |it| it.accuracy * it.span().0.abs());
        // A shown flow is rounded to its resolution; a float's is far below everything else.
        let rounding = facts.flow.as_ref().map_or(0.0, |flow| {
            let entry = &flow.entry;
            if entry.value_type.is_float() { 0.0 } else { 0.5 * (entry.scale * entry.unit.to_base).abs() }
        });
        let (flow, current) = (&self.flow.account, &self.current.account);
        Some(HourlySummary {
            meter: facts.meter.name.clone(),
            hour,
            from: self.from,
            to: self.to,
            readings: self.readings,
            total: facts.total.as_ref().map(|_| volume(&self.total.account, self.total_slack)),
            flow: facts.flow.as_ref().map(|_| volume(flow, rounding * flow.heard_s)),
            current: facts.loop_ma.as_ref().map(|_| volume(current, accuracy * current.heard_s)),
            pulse: facts.pulses.as_ref().map(|_| volume(&self.pulse.account, pulse_volume)),
            smallest_flow: self.extremes.map(|(low, _)| LitresPerSecond(low)),
            largest_flow: self.extremes.map(|(_, high)| LitresPerSecond(high)),
            maintenance: self.maintenance,
        })
    }

    fn begin(&mut self, hour: WallMillis, moment: Moment) {
        self.hour = Some(hour);
        self.from = moment;
        self.readings = 0;
        self.maintenance = false;
        self.total_slack = 0.0;
        self.extremes = None;
        for account in
            [&mut self.total.account, &mut self.pulse.account, &mut self.flow.account, &mut self.current.account]
        {
            *account = Account::default();
        }
    }
}

/// How a witness's steps are to be understood.
#[derive(Clone, Copy)]
struct StepRules<'a> {
    witness: Option<&'a WitnessFacts>,
    period_s: f64,
    /// What is shown may be so old.
    age: Duration,
}

impl StepRules<'_> {
    fn is_heard(self, elapsed_s: f64) -> bool {
        elapsed_s <= GAP_S
            || elapsed_s <= GAP_PERIODS * self.period_s
            || self.witness.is_some_and(|witness| elapsed_s <= GAP_PERIODS * witness.every.as_secs_f64())
    }

    /// Which share of the step from `last` to `now` lies before the turn of the hour.
    fn share(self, last: Moment, now: Moment, turn: Option<WallMillis>) -> Share {
        let elapsed_s = now.steady.since(last.steady).0.max(0.0);
        let heard = self.is_heard(elapsed_s);
        let before = match turn {
            #[expect(clippy::cast_precision_loss, reason = "milliseconds of one step")]
            Some(hour) if heard && now.wall > last.wall => {
                ((hour.0 - last.wall.0) as f64 / (now.wall.0 - last.wall.0) as f64).clamp(0.0, 1.0)
            }
            _ => 0.0,
        };
        Share { before, elapsed_s, heard }
    }
}

impl Told {
    /// Litres since some beginning.
    #[inline(always)]
    fn count(
        &mut self,
        ended: Option<&mut Self>,
        turn: Option<WallMillis>,
        now: Moment,
        position: f64,
        rules: StepRules<'_>,
    ) {
        let Some((last, before)) = self.last.replace((now, position)) else { return };
        let step = position - before;
        let share = rules.share(last, now, turn);
        if !share.heard {
            self.account.litres += step;
            self.account.unheard_litres += step;
            return;
        }
        if let Some(ended) = ended {
            ended.account.litres += share.before * step;
            ended.account.heard_s += share.before * share.elapsed_s;
            let rate = if share.elapsed_s > 0.0 { step.abs() / share.elapsed_s } else { 0.0 };
            let edge = step.abs() + rules.age.as_secs_f64() * rate;
            ended.account.edges += edge;
            self.account.edges += edge;
        }
        // The rest, so that nothing is lost to rounding.
        self.account.litres += step - share.before * step;
        self.account.heard_s += (1.0 - share.before) * share.elapsed_s;
    }

    /// A flow in L/s.
    #[inline(always)]
    fn flow(
        &mut self,
        ended: Option<&mut Self>,
        turn: Option<WallMillis>,
        now: Moment,
        flow: f64,
        rules: StepRules<'_>,
    ) {
        let Some((last, before)) = self.last.replace((now, flow)) else { return };
        let share = rules.share(last, now, turn);
        if !share.heard {
            return;
        }
        let litres = 0.5 * (before + flow) * share.elapsed_s;
        let off = 0.5 * (flow - before).abs() * share.elapsed_s;
        if let Some(ended) = ended {
            ended.account.litres += share.before * litres;
            ended.account.heard_s += share.before * share.elapsed_s;
            ended.account.edges += off;
            self.account.edges += off;
        }
        self.account.litres += litres - share.before * litres;
        self.account.heard_s += (1.0 - share.before) * share.elapsed_s;
        self.account.scatter += off * off;
    }
}

/// A flow as the counts of this meter count it, so that the volumes of an hour can be held beside each other.
fn directed(facts: &MeterFacts, flow: f64) -> f64 {
    let counts = match (&facts.total, &facts.meter.pulse) {
        (Some(_), _) => facts.meter.total_counts,
        (None, Some(pulse)) => match pulse.counts {
            PulseCounts::Forward => TotalCounts::Forward,
            PulseCounts::Reverse => TotalCounts::Reverse,
            PulseCounts::Both => return flow.abs(),
        },
        (None, None) => TotalCounts::Net,
    };
    match counts {
        TotalCounts::Net => flow,
        TotalCounts::Forward => flow.max(0.0),
        TotalCounts::Reverse => (-flow).max(0.0),
    }
}

const fn hour_of(wall: WallMillis) -> WallMillis {
    WallMillis(wall.0 - wall.0.rem_euclid(HOUR_MS))
}

impl HourlySummary {
    /// The same hour told in two pieces, as after a change of what is declared: their sum. Where `later` began where this
    /// one did, it is this one grown, and takes its place.
    #[must_use]
    pub fn joined(self, later: Self) -> Self {
        if later.from == self.from {
            return later;
        }
        let volume = |a: Option<WitnessedVolume>, b: Option<WitnessedVolume>| match (a, b) {
            (Some(a), Some(b)) => Some(WitnessedVolume {
                volume_l: Litres(a.volume_l.0 + b.volume_l.0),
                unheard_l: Litres(a.unheard_l.0 + b.unheard_l.0),
                uncertainty_l: Litres(a.uncertainty_l.0 + b.uncertainty_l.0),
                share: (a.share + b.share).min(1.0),
            }),
            (a, b) => a.or(b),
        };
        let flow = |a: Option<LitresPerSecond>, b: Option<LitresPerSecond>, pick: fn(f64, f64) -> f64| match (a, b) {
            (Some(a), Some(b)) => Some(LitresPerSecond(pick(a.0, b.0))),
            (a, b) => a.or(b),
        };
        Self {
            meter: self.meter,
            hour: self.hour,
            from: self.from,
            to: later.to,
            readings: self.readings + later.readings,
            total: volume(self.total, later.total),
            flow: volume(self.flow, later.flow),
            current: volume(self.current, later.current),
            pulse: volume(self.pulse, later.pulse),
            smallest_flow: flow(self.smallest_flow, later.smallest_flow, f64::min),
            largest_flow: flow(self.largest_flow, later.largest_flow, f64::max),
            maintenance: self.maintenance || later.maintenance,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::tally::specimen;
    use crate::units::SteadyMillis;

    const START: i64 = 1_741_000_000_000;

    fn glance(at_ms: i64, litres: f64, flow: f64) -> HourGlance {
        HourGlance {
            moment: Moment { steady: SteadyMillis(at_ms), wall: WallMillis(START + at_ms) },
            maintenance: false,
            period_s: 10.0,
            total: Some(litres),
            total_slack: 1.0,
            pulses: Some((litres / 25.0).floor()),
            flow: Some(flow),
            loop_flow: Some(flow),
        }
    }

    fn hours(changes: &[Change]) -> Vec<HourlySummary> {
        let hour = |change: &Change| match change {
            Change::Hour(hour) => Some(hour.clone()),
            _ => None,
        };
        changes.iter().filter_map(hour).collect()
    }

    fn litres(volume: Option<WitnessedVolume>) -> f64 {
        volume.map_or(f64::NAN, |volume| volume.volume_l.0)
    }

    proptest! {
        /// Whatever the steps between readings, silences among them: the hours add up to the whole, their readings and
        /// seconds too, and none holds more seconds than an hour has.
        #[test]
        fn the_hours_of_a_stretch_add_up_to_the_whole(
            steps in prop::collection::vec((1_000_i64..36_000, 0.0..40.0_f64, 0..40_u8), 50..400),
        ) {
            let facts = specimen::meter();
            let mut book = HourBook::default();
            let (mut at, mut litres_now, mut flow_before, mut integral, mut heard) = (0, 1000.0, 0.0, 0.0, 0.0);
            let mut changes = Vec::new();
            book.push(&facts, &glance(at, litres_now, flow_before), &mut changes);
            for (elapsed, flow, silence) in &steps {
                let elapsed = if *silence == 0 { elapsed * 300 } else { *elapsed };
                at += elapsed;
                let seconds = elapsed as f64 / 1000.0;
                litres_now += 0.5 * (flow_before + flow) * seconds;
                if elapsed <= 35_000 {
                    integral += 0.5 * (flow_before + flow) * seconds;
                    heard += seconds;
                }
                flow_before = *flow;
                book.push(&facts, &glance(at, litres_now, *flow), &mut changes);
                // What is remembered survives a restart.
                if *silence == 1 {
                    book = serde_json::from_str(&serde_json::to_string(&book).unwrap()).unwrap();
                }
            }
            let mut hours = hours(&changes);
            hours.extend(book.summary(&facts));
            let sum = |of: fn(&HourlySummary) -> f64| hours.iter().map(of).sum::<f64>();
            let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * litres_now.max(heard);
            prop_assert!(close(sum(|hour| litres(hour.total)), litres_now - 1000.0));
            prop_assert!(close(sum(|hour| litres(hour.pulse)), 25.0 * ((litres_now / 25.0).floor() - 40.0)));
            prop_assert!(close(sum(|hour| litres(hour.flow)), integral));
            prop_assert!(close(sum(|hour| litres(hour.current)), integral));
            prop_assert!(close(HOUR_S * sum(|hour| hour.flow.unwrap().share), heard));
            prop_assert_eq!(hours.iter().map(|hour| hour.readings as usize).sum::<usize>(), steps.len() + 1);
            prop_assert!(hours.iter().all(|hour| hour.total.unwrap().share <= 1.0));
            prop_assert!(hours.is_sorted_by(|a, b| a.hour < b.hour && a.to.wall < b.from.wall));
        }

        /// A register that is cut off at its resolution and read somewhere near the turn of the hour: what is told of the
        /// hour between lies within its uncertainty of what flowed.
        #[test]
        fn an_hour_is_known_as_well_as_it_says(flow in 0.0..36.0_f64, resolution in 0.1..30.0_f64, phase in 0_i64..10_000) {
            let facts = specimen::meter();
            let mut book = HourBook::default();
            let mut changes = Vec::new();
            for reading in 0..1_100 {
                let at = reading * 10_000 + phase;
                let flowed = flow * at as f64 / 1000.0;
                let mut shown = glance(at, (flowed / resolution).floor() * resolution, flow);
                shown.total_slack = resolution;
                shown.pulses = Some((flowed / 25.0).floor());
                book.push(&facts, &shown, &mut changes);
            }
            let whole = &hours(&changes)[1];
            for volume in [whole.total, whole.pulse, whole.flow, whole.current] {
                let volume = volume.unwrap();
                prop_assert!((volume.volume_l.0 - flow * 3600.0).abs() <= volume.uncertainty_l.0 + 1e-6, "{volume:?}");
                prop_assert!((volume.share - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn an_hour_told_in_two_pieces_is_their_sum_and_told_again_it_is_itself() {
        let facts = specimen::meter();
        let (mut book, mut whole) = (HourBook::default(), HourBook::default());
        let mut none = Vec::new();
        for reading in 0..20 {
            whole.push(&facts, &glance(reading * 1000, 100.0 * reading as f64, 10.0 + reading as f64), &mut none);
        }
        for reading in 0..10 {
            book.push(&facts, &glance(reading * 1000, 100.0 * reading as f64, 10.0 + reading as f64), &mut none);
        }
        let first = book.summary(&facts).unwrap();
        let mut anew = HourBook::default();
        for reading in 10..20 {
            anew.push(&facts, &glance(reading * 1000, 100.0 * reading as f64, 10.0 + reading as f64), &mut none);
        }
        let joined = first.clone().joined(anew.summary(&facts).unwrap());
        let whole = whole.summary(&facts).unwrap();
        assert_eq!((joined.readings, joined.from, joined.to), (20, whole.from, whole.to));
        assert_eq!((joined.smallest_flow, joined.largest_flow), (whole.smallest_flow, whole.largest_flow));
        // The second between the pieces belongs to neither.
        assert_eq!((litres(joined.total), litres(whole.total)), (1800.0, 1900.0));
        assert_eq!(first.clone().joined(first.clone()), first);
        assert_eq!(first.joined(whole.clone()), whole);
    }

    /// A clock set back by a little goes on in the hour that runs; set back far, the hour before is told as it was.
    #[test]
    fn a_clock_that_is_set_back_loses_nothing() {
        let facts = specimen::meter();
        for (back, told) in [(5_000, 0), (7_200_000, 1)] {
            let mut book = HourBook::default();
            let mut changes = Vec::new();
            for reading in 0..10 {
                let mut glance = glance(reading * 1000, 10.0 * reading as f64, 10.0);
                glance.moment.wall.0 -= if reading >= 5 { back } else { 0 };
                book.push(&facts, &glance, &mut changes);
            }
            let mut hours = hours(&changes);
            assert_eq!(hours.len(), told);
            hours.extend(book.summary(&facts));
            assert_eq!(hours.iter().map(|hour| litres(hour.total)).sum::<f64>(), 90.0);
        }
    }
}

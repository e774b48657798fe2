//! Events: what lasts from one reading to another, whatever the tallies make of it. Status bits, limits, flow backwards,
//! flow while the pump does not run.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::finding::{Change, CurrentState, Event, EventKind, Moment};
use crate::reading::{MeterFacts, StatusBits};
use crate::units::{Litres, LitresPerSecond};

/// A flow has left a limit when it is so far on the good side of it, as a fraction of the limit: noise around a limit is
/// one event, not hundreds. Common practice, no source.
const HYSTERESIS: f64 = 0.01;
/// Less than this fraction of the largest flow declared is no flow: a zero that wanders.
const NO_FLOW: f64 = 0.005;
/// Longer than this without a reading, nothing is known of the volume that went by.
const LONGEST_STEP_S: f64 = 60.0;
/// A fault signal lasts so long before it is taken for one. Common practice; NAMUR NE 43 leaves it to the receiver.
const SIGNAL_LASTS_S: f64 = 4.0;
/// And so long where it goes from one signal to another meanwhile.
const WANDERING_LASTS_S: f64 = 2.0 * SIGNAL_LASTS_S;

/// What one reading says about events.
#[derive(Clone, Copy, Debug)]
pub(super) struct Glance {
    pub(super) moment: Moment,
    /// In L/s; nothing where it was missed or made no sense.
    pub(super) flow: Option<f64>,
    pub(super) status: Option<StatusBits>,
    pub(super) running: Option<bool>,
    /// By its level alone.
    pub(super) current: Option<CurrentState>,
    /// Litres between neighbouring values of the total; 0 for an integer.
    pub(super) total_spacing: Option<f64>,
}

/// Which event lasts; one of each at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
enum Lasting {
    Status(u8),
    High,
    Low,
    Reverse,
    FlowWithoutPump,
    Current,
    TotalCoarse,
}

/// The events that last.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct EventWatch {
    #[serde(with = "as_pairs")]
    lasting: BTreeMap<Lasting, Event>,
    last: Option<Moment>,
    /// What the current signals now.
    signal: Option<Signal>,
}

/// A current that signals a fault, or none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Signal {
    state: CurrentState,
    since: Moment,
    /// Since when it has signalled one thing or another.
    any_since: Moment,
}

impl EventWatch {
    /// What lasts now.
    pub(super) fn lasting(&self) -> impl Iterator<Item = &Event> {
        self.lasting.values()
    }

    /// Takes the next reading; what begins and ends is appended to `changes`.
    pub(super) fn push(&mut self, facts: &MeterFacts, glance: Glance, changes: &mut Vec<Change>) {
        let step = self.last.map_or(0.0, |last| glance.moment.steady.since(last.steady).0);
        let step = if (0.0..=LONGEST_STEP_S).contains(&step) { step } else { 0.0 };
        self.last = Some(glance.moment);
        if !self.lasting.is_empty() {
            self.end_undeclared(facts, glance.moment, changes);
        }
        if let Some(status) = glance.status {
            self.status(facts, glance.moment, status, changes);
        }
        if let Some(current) = glance.current {
            self.current(facts, glance.moment, current, changes);
        }
        if let Some(spacing) = glance.total_spacing {
            let is_coarse = spacing > coarse_from(facts);
            let kind = |_: Option<&EventKind>| EventKind::TotalCoarse { resolution_l: Litres(spacing) };
            self.follow(facts, Lasting::TotalCoarse, glance.moment, is_coarse, kind, changes);
        }
        if let Some(flow) = glance.flow {
            self.limits(facts, glance.moment, flow, step, changes);
            if let Some(running) = glance.running {
                let flows = flow.abs() > NO_FLOW * largest_flow(facts);
                let volume = Litres(flow.abs() * step);
                let kind = |known: Option<&EventKind>| {
                    let before = match known {
                        Some(EventKind::FlowWithoutPump { volume_l }) => *volume_l,
                        _ => Litres(0.0),
                    };
                    EventKind::FlowWithoutPump { volume_l: before + volume }
                };
                self.follow(facts, Lasting::FlowWithoutPump, glance.moment, flows && !running, kind, changes);
            }
        }
    }

    /// Ends what is not watched any more as it was when it began: somebody declared another limit, or none.
    fn end_undeclared(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        let meter = &facts.meter;
        let is_limit = |limit: LitresPerSecond, declared: Option<LitresPerSecond>| {
            // What is remembered was written as text, and may differ in its last digit.
            declared.is_some_and(|declared| (declared.0 - limit.0).abs() <= 1e-9 * declared.0.abs())
        };
        let is_declared = |which: Lasting, event: &Event| match (which, &event.what) {
            (Lasting::High, EventKind::High { limit_l_s, .. }) => is_limit(*limit_l_s, meter.limits.high),
            (Lasting::Low, EventKind::Low { limit_l_s, .. }) => is_limit(*limit_l_s, meter.limits.low),
            (Lasting::Reverse, _) => meter.limits.reverse,
            (Lasting::Status(bit), EventKind::Status { name }) => {
                facts.status_names.get(usize::from(bit)) == Some(name)
            }
            (Lasting::FlowWithoutPump, _) => meter.running.is_some(),
            _ => true,
        };
        self.lasting.retain(|which, event| {
            let stays = is_declared(*which, event);
            if !stays {
                changes.push(Change::EventEnded(Event { ended: Some(now), ..event.clone() }));
            }
            stays
        });
    }

    /// The next readings do not follow from the last: durations and volumes begin anew, what lasts goes on.
    pub(super) const fn interrupt(&mut self) {
        self.signal = None;
        self.last = None;
    }

    fn status(&mut self, facts: &MeterFacts, now: Moment, status: StatusBits, changes: &mut Vec<Change>) {
        if status.0 == 0 && self.lasting.is_empty() {
            return;
        }
        for (bit, name) in (0_u8..64).zip(&facts.status_names) {
            let is_set = status.0 >> bit & 1 == 1;
            self.follow(
                facts,
                Lasting::Status(bit),
                now,
                is_set,
                |_| EventKind::Status { name: name.clone() },
                changes,
            );
        }
    }

    /// A fault signal has to last before it counts, and then lasts until the current means a flow again, or another signal
    /// has lasted as long: a supply that sinks wanders through every level within seconds.
    fn current(&mut self, facts: &MeterFacts, now: Moment, state: CurrentState, changes: &mut Vec<Change>) {
        let lasting = self.lasting.get(&Lasting::Current).map(|event| &event.what);
        let signals = matches!(state, CurrentState::FaultLow | CurrentState::FaultHigh | CurrentState::Open);
        if !signals {
            self.signal = None;
            if lasting.is_some() && !state.is_no_flow() {
                self.follow(facts, Lasting::Current, now, false, |_| EventKind::Current { state }, changes);
            }
            return;
        }
        let signal = self.signal.get_or_insert(Signal { state, since: now, any_since: now });
        if signal.state != state {
            (signal.state, signal.since) = (state, now);
        }
        let Signal { since, any_since, .. } = *signal;
        let is_told = lasting == Some(&EventKind::Current { state });
        let lasts = now.steady.since(since.steady).0 >= SIGNAL_LASTS_S;
        // One that never stands still is a fault as well.
        let wanders = lasting.is_none() && now.steady.since(any_since.steady).0 >= WANDERING_LASTS_S;
        if !is_told && (lasts || wanders) {
            self.follow(facts, Lasting::Current, since, false, |_| EventKind::Current { state }, changes);
            self.follow(facts, Lasting::Current, since, true, |_| EventKind::Current { state }, changes);
        }
    }

    fn limits(&mut self, facts: &MeterFacts, now: Moment, flow: f64, step: f64, changes: &mut Vec<Change>) {
        let limits = facts.meter.limits;
        if let Some(limit) = limits.high {
            let lasts = self.lasting.contains_key(&Lasting::High);
            let beyond = flow > limit.0 - if lasts { HYSTERESIS * limit.0.abs() } else { 0.0 };
            let kind = |known: Option<&EventKind>| {
                let before = match known {
                    Some(EventKind::High { extreme_l_s, .. }) => extreme_l_s.0,
                    _ => flow,
                };
                EventKind::High { limit_l_s: limit, extreme_l_s: LitresPerSecond(before.max(flow)) }
            };
            self.follow(facts, Lasting::High, now, beyond, kind, changes);
        }
        if let Some(limit) = limits.low {
            let lasts = self.lasting.contains_key(&Lasting::Low);
            let beyond = flow < limit.0 + if lasts { HYSTERESIS * limit.0.abs() } else { 0.0 };
            let kind = |known: Option<&EventKind>| {
                let before = match known {
                    Some(EventKind::Low { extreme_l_s, .. }) => extreme_l_s.0,
                    _ => flow,
                };
                EventKind::Low { limit_l_s: limit, extreme_l_s: LitresPerSecond(before.min(flow)) }
            };
            self.follow(facts, Lasting::Low, now, beyond, kind, changes);
        }
        if limits.reverse {
            let beyond = flow < -NO_FLOW * largest_flow(facts);
            let kind = |known: Option<&EventKind>| {
                let (extreme, volume) = match known {
                    Some(EventKind::Reverse { extreme_l_s, volume_l }) => (extreme_l_s.0, volume_l.0),
                    _ => (0.0, 0.0),
                };
                EventKind::Reverse {
                    extreme_l_s: LitresPerSecond(extreme.min(flow)),
                    volume_l: Litres(volume - flow * step),
                }
            };
            self.follow(facts, Lasting::Reverse, now, beyond, kind, changes);
        }
    }

    /// Begins, goes on with or ends one event; `kind` is told what is known of it.
    #[inline]
    fn follow(
        &mut self,
        facts: &MeterFacts,
        which: Lasting,
        now: Moment,
        lasts: bool,
        kind: impl Fn(Option<&EventKind>) -> EventKind,
        changes: &mut Vec<Change>,
    ) {
        // Nearly always nothing lasts.
        if !lasts && self.lasting.is_empty() {
            return;
        }
        match (self.lasting.get_mut(&which), lasts) {
            (Some(event), true) => event.what = kind(Some(&event.what)),
            (Some(_), false) => {
                if let Some(event) = self.lasting.remove(&which) {
                    changes.push(Change::EventEnded(Event { ended: Some(now), ..event }));
                }
            }
            (None, true) => {
                let event = Event { meter: facts.meter.name.clone(), what: kind(None), began: now, ended: None };
                self.lasting.insert(which, event.clone());
                changes.push(Change::EventBegan(event));
            }
            (None, false) => {}
        }
    }
}

/// A total whose neighbouring values lie farther apart than this many litres loses single pulses, or what flows in a
/// second at full scale.
fn coarse_from(facts: &MeterFacts) -> f64 {
    let pulse = facts.meter.pulse.as_ref().map(|pulse| 0.5 * pulse.volume.0);
    pulse.or(Some(largest_flow(facts)).filter(|flow| *flow > 0.0)).unwrap_or(f64::INFINITY)
}

/// The largest flow that the declarations speak of, against which a wandering zero is small.
fn largest_flow(facts: &MeterFacts) -> f64 {
    let full_scale = facts.meter.current_loop.as_ref().map(|declared| declared.full_scale.0.abs());
    full_scale.or(facts.meter.limits.high.map(|limit| limit.0.abs())).unwrap_or(0.0)
}

/// JSON has no maps with keys like these.
mod as_pairs {
    use super::{BTreeMap, Event, Lasting};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(map: &BTreeMap<Lasting, Event>, to: S) -> Result<S::Ok, S::Error> {
        map.iter().collect::<Vec<_>>().serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<Lasting, Event>, D::Error> {
        Ok(Vec::<(Lasting, Event)>::deserialize(from)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::declared::{Limits, Meter, Source, Tolerance, TotalCounts};
    use crate::tally::{MeterTallies, VolumeJudged, specimen};
    use crate::units::{SteadyMillis, WallMillis};

    fn facts() -> MeterFacts {
        let meter = Meter {
            name: "bore-1".to_owned(),
            flow: None,
            total: None,
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: std::time::Duration::from_secs(1),
            running: Some(Source::Entry { device: "pump".to_owned(), entry: "running".to_owned() }),
            status: Vec::new(),
            current_loop: None,
            pulse: None,
            settings: BTreeMap::new(),
            tolerance: Tolerance::default(),
            limits: Limits { high: Some(LitresPerSecond(34.0)), low: Some(LitresPerSecond(0.5)), reverse: true },
        };
        MeterFacts {
            meter,
            flow: None,
            total: None,
            reverse_total: None,
            loop_ma: None,
            pulses: None,
            receiver_flow: None,
            receiver_total: None,
            status_names: vec!["empty pipe".to_owned(), "coil drive fault".to_owned()],
        }
    }

    fn told(readings: &[(f64, u64, Option<bool>)]) -> Vec<Change> {
        let facts = facts();
        let mut watch = EventWatch::default();
        let mut changes = Vec::new();
        for (second, (flow, status, running)) in (0..).zip(readings) {
            let moment = Moment { steady: SteadyMillis(second * 1000), wall: WallMillis(second * 1000) };
            let glance = Glance {
                moment,
                flow: Some(*flow),
                status: Some(StatusBits(*status)),
                running: *running,
                current: None,
                total_spacing: None,
            };
            watch.push(&facts, glance, &mut changes);
            // What is remembered survives a restart.
            watch = serde_json::from_str(&serde_json::to_string(&watch).unwrap()).unwrap();
        }
        changes
    }

    #[test]
    fn noise_around_a_limit_is_one_event_with_its_extreme_and_its_end() {
        let changes = told(&[(33.0, 0, None), (34.1, 0, None), (33.9, 0, None), (36.0, 0, None), (33.0, 0, None)]);
        let [Change::EventBegan(begun), Change::EventEnded(over)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((begun.began.wall, over.began.wall), (WallMillis(1000), WallMillis(1000)));
        assert_eq!(over.ended.map(|ended| ended.wall), Some(WallMillis(4000)));
        let extreme = EventKind::High { limit_l_s: LitresPerSecond(34.0), extreme_l_s: LitresPerSecond(36.0) };
        assert_eq!(over.what, extreme);
    }

    /// The memory outlives a change of a limit: what began by the old one is over, what is declared as before goes on.
    #[test]
    fn what_is_not_declared_any_more_is_over() {
        let mut facts = facts();
        let mut watch = EventWatch::default();
        let mut changes = Vec::new();
        let mut push = |facts: &MeterFacts, second: i64| {
            let moment = Moment { steady: SteadyMillis(second * 1000), wall: WallMillis(second * 1000) };
            let (status, running) = (Some(StatusBits(0b11)), facts.meter.running.as_ref().map(|_| false));
            let glance = Glance { moment, flow: Some(36.0), status, running, current: None, total_spacing: None };
            changes.clear();
            watch.push(facts, glance, &mut changes);
            changes.iter().map(|it| matches!(it, Change::EventBegan(_))).collect::<Vec<_>>()
        };
        assert_eq!(push(&facts, 0), [true; 4], "two status bits, a limit, a pump that stands");
        facts.meter.settings.clear();
        assert!(push(&facts, 1).is_empty());
        facts.meter.limits.high = Some(LitresPerSecond(35.0));
        assert_eq!(push(&facts, 2), [false, true], "the old limit's is over, the new one's begins");
        facts.meter.limits.high = None;
        facts.meter.running = None;
        facts.status_names.swap(0, 1);
        assert_eq!(push(&facts, 3), [false, false, false, false, true, true], "the same bits by other names");
        assert!(push(&facts, 4).is_empty());
    }

    #[test]
    fn water_that_runs_back_is_measured() {
        let changes = told(&[(1.0, 0, None), (-2.0, 0, None), (-3.0, 0, None), (1.0, 0, None)]);
        let over: Vec<&Event> = changes
            .iter()
            .filter_map(|change| match change {
                Change::EventEnded(event) if matches!(event.what, EventKind::Reverse { .. }) => Some(event),
                _ => None,
            })
            .collect();
        let [over] = over.as_slice() else { panic!("{changes:?}") };
        assert_eq!(over.what, EventKind::Reverse { extreme_l_s: LitresPerSecond(-3.0), volume_l: Litres(5.0) });
    }

    #[test]
    fn status_bits_begin_and_end_each_by_itself() {
        let changes = told(&[(1.0, 0b01, None), (1.0, 0b11, None), (1.0, 0b10, None), (1.0, 0b10, None)]);
        let words: Vec<(bool, &str)> = changes
            .iter()
            .map(|change| match change {
                Change::EventBegan(Event { what: EventKind::Status { name }, .. }) => (true, name.as_str()),
                Change::EventEnded(Event { what: EventKind::Status { name }, .. }) => (false, name.as_str()),
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(words, [(true, "empty pipe"), (true, "coil drive fault"), (false, "empty pipe")]);
    }

    #[test]
    fn flow_while_the_pump_stands_is_measured() {
        let changes = told(&[(1.0, 0, Some(true)), (1.0, 0, Some(false)), (3.0, 0, Some(false)), (3.0, 0, Some(true))]);
        let [Change::EventBegan(_), Change::EventEnded(over)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!(over.what, EventKind::FlowWithoutPump { volume_l: Litres(4.0) });
    }

    /// NAMUR NE 43: a failure is signalled at 3.6 mA and below or 21.0 mA and above; 3.7 mA and 20.8 mA mean nothing.
    #[test]
    fn a_fault_current_is_an_event_once_it_lasts_until_the_current_means_a_flow_again() {
        let (low, high) = (CurrentState::FaultLow, CurrentState::FaultHigh);
        assert_eq!(
            currents(&[(3.5, 3), (12.0, 2), (3.6, 5), (0.2, 2), (3.7, 6), (12.0, 3), (20.8, 10), (21.0, 6), (12.0, 1)]),
            [(low, 5, None), (low, 5, Some(18)), (high, 31, None), (high, 31, Some(37))]
        );
    }

    #[test]
    fn each_fault_current_that_lasts_is_an_event_of_its_own_and_one_that_passes_is_none() {
        let (low, high, open) = (CurrentState::FaultLow, CurrentState::FaultHigh, CurrentState::Open);
        assert_eq!(
            currents(&[(12.0, 10), (3.5, 12), (21.5, 12), (0.0, 12), (12.0, 1)]),
            [
                (low, 10, None),
                (low, 10, Some(22)),
                (high, 22, None),
                (high, 22, Some(34)),
                (open, 34, None),
                (open, 34, Some(46))
            ]
        );
        assert_eq!(
            currents(&[(12.0, 10), (3.5, 2), (0.0, 20), (3.5, 2), (12.0, 1)]),
            [(open, 12, None), (open, 12, Some(34))],
            "a supply that sinks, and returns"
        );
        let wandering: Vec<(f64, usize)> = (0..30).map(|turn| (if turn % 2 == 0 { 3.5 } else { 0.0 }, 2)).collect();
        assert_eq!(currents(&wandering), [(low, 8, None)], "told once, though no state lasts");
    }

    /// What is told of a current that stands at these levels for so many seconds each: the state, and the seconds at which
    /// it began and ended.
    fn currents(levels: &[(f64, usize)]) -> Vec<(CurrentState, i64, Option<i64>)> {
        let facts = specimen::meter();
        let mut watch = EventWatch::default();
        let mut changes = Vec::new();
        let currents = levels.iter().flat_map(|(level, seconds)| std::iter::repeat_n(*level, *seconds));
        for (second, current) in (0..).zip(currents) {
            let moment = Moment { steady: SteadyMillis(second * 1000), wall: WallMillis(second * 1000) };
            let current = facts.meter.current_loop.as_ref().map(|declared| CurrentState::of(current, declared));
            let glance = Glance { moment, flow: None, status: None, running: None, current, total_spacing: None };
            watch.push(&facts, glance, &mut changes);
        }
        let seconds = |moment: Moment| moment.wall.0 / 1000;
        changes
            .iter()
            .map(|change| match change {
                Change::EventBegan(Event { what: EventKind::Current { state }, began, .. }) => {
                    (*state, seconds(*began), None)
                }
                Change::EventEnded(Event { what: EventKind::Current { state }, began, ended, .. }) => {
                    (*state, seconds(*began), ended.map(seconds))
                }
                other => panic!("{other:?}"),
            })
            .collect()
    }

    /// IEEE 754 binary32 has 24 bits of significand: from 2^24 on neighbouring values lie 2 apart, from 2^28 on 32.
    #[test]
    fn a_float_total_that_has_grown_too_large_is_an_event_until_it_is_reset() {
        let mut facts = specimen::meter();
        facts.total.as_mut().unwrap().entry.value_type = crate::declared::ValueType::F32;
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let mut changes = Vec::new();
        let totals = [16_777_214.0, 16_777_216.0, 134_217_728.0, 134_217_744.0, 268_435_456.0, 0.0, 12.0, 24.0];
        for (second, total) in (0..).zip(totals) {
            tallies.push(&facts, &specimen::reading(second * 86_400_000, 0.0, total, 4.0, 0.0), &mut changes);
        }
        let told: Vec<_> = changes
            .iter()
            .filter_map(|change| match change {
                Change::EventBegan(Event { what: EventKind::TotalCoarse { resolution_l }, .. }) => {
                    Some((false, resolution_l.0))
                }
                Change::EventEnded(Event { what: EventKind::TotalCoarse { resolution_l }, .. }) => {
                    Some((true, resolution_l.0))
                }
                _ => None,
            })
            .collect();
        assert_eq!(told, [(false, 16.0), (true, 32.0)], "25 L a pulse: 8 L apart is fine enough, 16 L is not");
    }
}

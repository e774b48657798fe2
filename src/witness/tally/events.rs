//! Events: what lasts from one reading to another, whatever the tallies make of it. Status bits, limits, flow backwards,
//! flow while the pump does not run.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::finding::{Change, Event, EventKind, Moment};
use crate::reading::{MeterFacts, StatusBits};
use crate::units::{Litres, LitresPerSecond};

/// A flow has left a limit when it is so far on the good side of it, as a fraction of the limit: noise around a limit is
/// one event, not hundreds. Common practice, no source.
const HYSTERESIS: f64 = 0.01;
/// Less than this fraction of the largest flow declared is no flow: a zero that wanders.
const NO_FLOW: f64 = 0.005;
/// Longer than this without a reading, nothing is known of the volume that went by.
const LONGEST_STEP_S: f64 = 60.0;

/// What one reading says about events.
#[derive(Clone, Copy, Debug)]
pub(super) struct Glance {
    pub(super) moment: Moment,
    /// In L/s; nothing where it was missed or made no sense.
    pub(super) flow: Option<f64>,
    pub(super) status: Option<StatusBits>,
    pub(super) running: Option<bool>,
}

/// Which event lasts; one of each at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
enum Lasting {
    Status(u8),
    High,
    Low,
    Reverse,
    FlowWithoutPump,
}

/// The events that last.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct EventWatch {
    #[serde(with = "as_pairs")]
    lasting: BTreeMap<Lasting, Event>,
    last: Option<Moment>,
}

impl EventWatch {
    /// Takes the next reading; what begins and ends is appended to `changes`.
    pub(super) fn push(&mut self, facts: &MeterFacts, glance: Glance, changes: &mut Vec<Change>) {
        let step = self.last.map_or(0.0, |last| glance.moment.steady.since(last.steady).0);
        let step = if (0.0..=LONGEST_STEP_S).contains(&step) { step } else { 0.0 };
        self.last = Some(glance.moment);
        if let Some(status) = glance.status {
            self.status(facts, glance.moment, status, changes);
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

    fn status(&mut self, facts: &MeterFacts, now: Moment, status: StatusBits, changes: &mut Vec<Change>) {
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
    fn follow(
        &mut self,
        facts: &MeterFacts,
        which: Lasting,
        now: Moment,
        lasts: bool,
        kind: impl Fn(Option<&EventKind>) -> EventKind,
        changes: &mut Vec<Change>,
    ) {
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
    use crate::declared::{Limits, Meter, Tolerance, TotalCounts};
    use crate::units::{SteadyMillis, WallMillis};

    fn facts() -> MeterFacts {
        let meter = Meter {
            name: "bore-1".to_owned(),
            flow: None,
            total: None,
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: std::time::Duration::from_secs(1),
            running: None,
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
            let glance = Glance { moment, flow: Some(*flow), status: Some(StatusBits(*status)), running: *running };
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
}

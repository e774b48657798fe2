//! Who is heard: a device that stopped answering, a meter of which nothing is heard at all, and whether everything
//! restarted at once, which is what a loss of power looks like.

use serde::{Deserialize, Serialize};

use super::finding::{Change, Event, EventKind, Moment, Witness};
use crate::declared::Source;
use crate::reading::{MeterFacts, Reading, WitnessFacts};
use crate::units::WallMillis;

/// A device is silent when it has been missed for so many of its periods, and so many milliseconds at least.
const MISSED_PERIODS: u32 = 5;
const MISSED_MS: i64 = 10_000;
/// Restarts within so many milliseconds of each other have one reason.
const TOGETHER_MS: i64 = 120_000;

/// A device or file that tells of one meter, and when it was heard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Teller {
    name: String,
    /// A bit for each witness that it tells of.
    witnesses: u8,
    period_ms: i64,
    limit_ms: i64,
    heard: Option<Moment>,
    missing_since: Option<Moment>,
    silent: Option<Moment>,
}

/// Something that a restart leaves behind.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Sign {
    /// Which of the tellers; none for the machine that all this runs on.
    teller: Option<usize>,
    at: Moment,
    went_back: bool,
}

/// Watches over everything that tells of one meter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Silence {
    tellers: Vec<Teller>,
    limit_ms: i64,
    last: Option<Moment>,
    all_silent: Option<Moment>,
    signs: Vec<Sign>,
}

impl Silence {
    /// For the sources that a meter declares.
    pub(super) fn new(facts: &MeterFacts) -> Self {
        let mut tellers: Vec<Teller> = Vec::new();
        for (witness, source, declared) in sources(facts) {
            let name = match source {
                Source::Entry { device, .. } => device.clone(),
                Source::File(path) => path.display().to_string(),
            };
            let period_ms = i64::try_from(declared.every.as_millis()).unwrap_or(i64::MAX / i64::from(MISSED_PERIODS));
            match tellers.iter_mut().find(|teller| teller.name == name) {
                Some(teller) => {
                    teller.witnesses |= bit(witness);
                    teller.period_ms = teller.period_ms.min(period_ms);
                }
                None => tellers.push(Teller {
                    name,
                    witnesses: bit(witness),
                    period_ms,
                    limit_ms: 0,
                    heard: None,
                    missing_since: None,
                    silent: None,
                }),
            }
        }
        for teller in &mut tellers {
            teller.limit_ms = MISSED_MS.max(teller.period_ms.saturating_mul(i64::from(MISSED_PERIODS)));
        }
        let limit_ms = tellers.iter().map(|teller| teller.limit_ms).min().unwrap_or(MISSED_MS);
        Self { tellers, limit_ms, ..Self::default() }
    }

    /// Takes the next reading and the counts that went back in it.
    pub(super) fn push(
        &mut self,
        facts: &MeterFacts,
        reading: &Reading,
        moment: Moment,
        went_back: impl Iterator<Item = Witness>,
        changes: &mut Vec<Change>,
    ) {
        let before = self.last.replace(moment).unwrap_or(moment);
        let all_silent = match self.all_silent.take() {
            Some(began) => Some(began),
            None => (moment.steady.0 - before.steady.0 > self.limit_ms).then_some(before),
        };
        if let Some(began) = all_silent {
            changes.push(ended(facts, EventKind::AllSilent, began, moment));
        }
        let heard = witnesses_of(reading);
        for (place, teller) in self.tellers.iter_mut().enumerate() {
            if teller.witnesses & heard == 0 {
                if let Some(began) = teller.missed(moment) {
                    changes.push(Change::EventBegan(event(facts, teller.silent_kind(), began, None)));
                }
                continue;
            }
            teller.heard = Some(moment);
            teller.missing_since = None;
            if teller.silent.is_none() && all_silent.is_none() {
                continue;
            }
            if let Some(began) = teller.silent.take() {
                changes.push(ended(facts, teller.silent_kind(), began, moment));
            }
            self.signs.push(Sign { teller: Some(place), at: moment, went_back: false });
        }
        for witness in went_back {
            let teller = self.tellers.iter().position(|teller| teller.witnesses & bit(witness) != 0);
            self.signs.push(Sign { teller, at: moment, went_back: true });
        }
        if !self.signs.is_empty() {
            self.look_for_power(facts, moment, changes);
        }
    }

    /// Takes a reading that is judged by nothing: who is heard in it is not silent any more, and that is all it says.
    pub(super) fn hear(&mut self, facts: &MeterFacts, reading: &Reading, moment: Moment, changes: &mut Vec<Change>) {
        if let Some(began) = self.all_silent.take() {
            changes.push(ended(facts, EventKind::AllSilent, began, moment));
        }
        let heard = witnesses_of(reading);
        for teller in self.tellers.iter_mut().filter(|teller| teller.witnesses & heard != 0) {
            if let Some(began) = teller.silent.take() {
                changes.push(ended(facts, teller.silent_kind(), began, moment));
            }
        }
    }

    /// No reading has come until now: says so once it is too long. The first call begins the watch.
    pub(super) fn quiet(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        let last = *self.last.get_or_insert(now);
        if self.all_silent.is_none() && now.steady.0 - last.steady.0 > self.limit_ms {
            self.all_silent = Some(last);
            changes.push(Change::EventBegan(event(facts, EventKind::AllSilent, last, None)));
        }
    }

    /// Nobody watches for a while, or nobody did: what was heard last says nothing of what comes next.
    pub(super) fn pause(&mut self) {
        self.last = None;
        for teller in &mut self.tellers {
            teller.heard = None;
            teller.missing_since = None;
        }
    }

    /// The watch goes on after a time in which nobody watched: that nothing was heard meanwhile says nothing of the
    /// meter. `restarted` is when the machine was found to have restarted, if it had.
    pub(super) fn resume(&mut self, restarted: Option<Moment>) {
        self.pause();
        self.signs.extend(restarted.map(|at| Sign { teller: None, at, went_back: false }));
    }

    /// A count that went back is a restart of its device. With another device that restarted or came back, or with the
    /// machine itself, at the same time, it was the power.
    fn look_for_power(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        self.signs.retain(|sign| now.steady.0 - sign.at.steady.0 <= TOGETHER_MS);
        let Some(restart) = self.signs.iter().find(|sign| sign.went_back) else { return };
        if self.signs.iter().any(|sign| sign.teller != restart.teller) {
            let began = self.signs.iter().map(|sign| sign.at).min_by_key(|at| at.steady).unwrap_or(now);
            changes.push(ended(facts, EventKind::Power, began, now));
            self.signs.clear();
        }
    }
}

impl Teller {
    /// It was not heard in this reading; when its silence began, if that is to be told now.
    fn missed(&mut self, now: Moment) -> Option<Moment> {
        let heard = *self.heard.get_or_insert(now);
        // One that is read more seldom than the others is missed only when its time has come.
        if now.steady.0 - heard.steady.0 <= self.period_ms + self.period_ms / 2 {
            return None;
        }
        let since = *self.missing_since.get_or_insert(now);
        if self.silent.is_some() || now.steady.0 - since.steady.0 < self.limit_ms {
            return None;
        }
        self.silent = Some(since);
        Some(since)
    }

    fn silent_kind(&self) -> EventKind {
        EventKind::Silent { device: self.name.clone() }
    }
}

fn event(facts: &MeterFacts, what: EventKind, began: Moment, ended: Option<Moment>) -> Event {
    Event { meter: facts.meter.name.clone(), what, began, ended }
}

fn ended(facts: &MeterFacts, what: EventKind, began: Moment, now: Moment) -> Change {
    // The clock on the wall may have been set back meanwhile.
    let now = Moment { wall: WallMillis(now.wall.0.max(began.wall.0)), ..now };
    Change::EventEnded(event(facts, what, began, Some(now)))
}

const fn bit(witness: Witness) -> u8 {
    1 << witness as u8
}

fn witnesses_of(reading: &Reading) -> u8 {
    let of = |heard: bool, witness: Witness| if heard { bit(witness) } else { 0 };
    of(reading.flow.is_some(), Witness::Flow)
        | of(reading.total.is_some(), Witness::Total)
        | of(reading.reverse_total.is_some(), Witness::ReverseTotal)
        | of(reading.loop_ma.is_some(), Witness::Loop)
        | of(reading.pulses.is_some(), Witness::Pulse)
        | of(reading.receiver_flow.is_some(), Witness::ReceiverFlow)
        | of(reading.receiver_total.is_some(), Witness::ReceiverTotal)
}

fn sources(facts: &MeterFacts) -> impl Iterator<Item = (Witness, &Source, &WitnessFacts)> {
    let meter = &facts.meter;
    let (current, pulse) = (meter.current_loop.as_ref(), meter.pulse.as_ref());
    [
        (Witness::Flow, meter.flow.as_ref(), &facts.flow),
        (Witness::Total, meter.total.as_ref(), &facts.total),
        (Witness::ReverseTotal, meter.reverse_total.as_ref(), &facts.reverse_total),
        (Witness::Loop, current.map(|declared| &declared.current), &facts.loop_ma),
        (Witness::Pulse, pulse.map(|declared| &declared.count), &facts.pulses),
        (Witness::ReceiverFlow, current.and_then(|it| it.receiver_flow.as_ref()), &facts.receiver_flow),
        (Witness::ReceiverTotal, pulse.and_then(|it| it.receiver_total.as_ref()), &facts.receiver_total),
    ]
    .into_iter()
    .filter_map(|(witness, source, declared)| Some((witness, source?, declared.as_ref()?)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tally::{MeterTallies, VolumeJudged, specimen};

    /// What is told of a reading a second; each says which second, whether the meter and its counter answer, and the
    /// pulses.
    fn told(readings: impl Iterator<Item = (i64, bool, bool, f64)>) -> Vec<(bool, EventKind, i64, Option<i64>)> {
        told_around(0..0, readings)
    }

    /// The same with maintenance in some seconds.
    fn told_around(
        maintenance: std::ops::Range<i64>,
        readings: impl Iterator<Item = (i64, bool, bool, f64)>,
    ) -> Vec<(bool, EventKind, i64, Option<i64>)> {
        let facts = specimen::meter();
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let mut changes = Vec::new();
        for (second, bus, counter, pulses) in readings {
            let mut reading = specimen::reading(second * 1000, 10.0, 10.0 * second as f64, 8.444, pulses);
            if !bus {
                (reading.flow, reading.total) = (None, None);
            }
            if !counter {
                reading.pulses = None;
            }
            tallies.set_maintenance(maintenance.contains(&second));
            tallies.push(&facts, &reading, &mut changes);
            // What is remembered survives a restart.
            tallies = serde_json::from_str(&serde_json::to_string(&tallies).unwrap()).unwrap();
        }
        let seconds = |moment: Moment| moment.steady.0 / 1000;
        let of = |event: Event, is_over| (is_over, event.what, seconds(event.began), event.ended.map(seconds));
        changes
            .into_iter()
            .filter_map(|change| match change {
                Change::EventBegan(event) => Some(of(event, false)),
                Change::EventEnded(event) => Some(of(event, true)),
                _ => None,
            })
            .collect()
    }

    fn silent(device: &str) -> EventKind {
        EventKind::Silent { device: device.to_owned() }
    }

    #[test]
    fn a_device_that_stopped_answering_is_one_event_and_a_missed_reading_is_none() {
        let events = told((0..100).map(|s| (s, s != 5 && !(20..50).contains(&s), true, (s / 2) as f64)));
        assert_eq!(
            events,
            [(false, silent("bore-1"), 21, None), (true, silent("bore-1"), 21, Some(50))],
            "flow and total come from one device"
        );
    }

    #[test]
    fn a_gap_in_everything_is_told_with_its_length() {
        let events = told((0..60).filter(|s| !(20..45).contains(s)).map(|s| (s, true, true, (s / 2) as f64)));
        assert_eq!(events, [(true, EventKind::AllSilent, 19, Some(45))]);
    }

    #[test]
    fn maintenance_is_no_silence() {
        let answering = |s: i64| (s, true, true, (s / 2) as f64);
        assert_eq!(told_around(20..60, (0..90).map(answering)), [], "everything was heard all the time");
        let off_until = |back: i64| (0..90).filter(move |s| !(25..back).contains(s)).map(answering);
        assert_eq!(told_around(20..60, off_until(50)), [], "switched off and on again for the work");
        assert_eq!(told_around(20..60, off_until(62)), [], "and on again a moment after it");
    }

    /// Somebody repairs what was silent: it is heard again when it is, not when the work is over.
    #[test]
    fn a_device_that_comes_back_during_maintenance_is_not_silent_any_more() {
        let events = told_around(50..80, (0..120).map(|s| (s, true, !(20..60).contains(&s), (s / 2) as f64)));
        assert_eq!(events, [(false, silent("counter"), 21, None), (true, silent("counter"), 21, Some(60))]);

        let facts = specimen::meter();
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let mut changes = Vec::new();
        let reading = |second: i64| specimen::reading(second * 1000, 0.0, 0.0, 4.0, 0.0);
        tallies.push(&facts, &reading(0), &mut changes);
        let now = reading(20);
        tallies.quiet(&facts, Moment { steady: now.at, wall: now.wall }, &mut changes);
        tallies.set_maintenance(true);
        tallies.push(&facts, &reading(30), &mut changes);
        let [Change::EventBegan(_), Change::EventEnded(over)] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((&over.what, over.ended.map(|at| at.steady.0)), (&EventKind::AllSilent, Some(30_000)));
    }

    /// The counter's device begins at nought when its supply returns; the meter was away at the same time.
    #[test]
    fn everything_restarting_at_once_was_the_power() {
        let away = 30..60;
        let count = |s: i64| if s < 30 { 4000 + s / 2 } else { (s - 60) / 2 };
        let events = told((0..90).filter(|s| !away.contains(s)).map(|s| (s, true, true, count(s) as f64)));
        let kinds: Vec<&EventKind> = events.iter().map(|(_, kind, ..)| kind).collect();
        assert!(kinds.contains(&&EventKind::AllSilent) && kinds.contains(&&EventKind::Power), "{events:?}");
        // The counter alone: its own restart.
        let events = told((0..90).map(|s| (s, true, true, if s < 30 { 4000.0 } else { 0.0 } + (s / 2) as f64)));
        assert!(events.iter().any(|(_, kind, ..)| matches!(kind, EventKind::WentBack { .. })), "{events:?}");
        assert!(!events.iter().any(|(_, kind, ..)| *kind == EventKind::Power), "{events:?}");
    }
}

//! Who is heard: a device that stopped answering, a meter of which nothing is heard at all, and whether everything
//! restarted at once, which is what a loss of power looks like.

use serde::{Deserialize, Serialize};

use super::finding::{Change, Event, EventKind, Moment, Witness};
use crate::declared::Source;
use crate::reading::{MeterFacts, Reading, WitnessFacts};
use crate::units::{SteadyMillis, WallMillis};

/// A device is silent when it has been missed for so many of its periods, and so many milliseconds at least.
const MISSED_PERIODS: u32 = 5;
const MISSED_MS: i64 = 10_000;
/// So many of the periods of whatever is read most seldom is waited for more signs of a restart: what went back is certain
/// one value later, and a device may take until then to come back.
const AWAITED_PERIODS: i64 = 3;
/// And so many milliseconds at least: devices take up to a minute or two from power to their first answer. Common practice,
/// no source.
const AWAITED_MS: i64 = 120_000;

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
    /// The restart lies between these: when it was heard last before, and first after.
    since: SteadyMillis,
    until: SteadyMillis,
    /// The reading that told it.
    told: Moment,
    went_back: bool,
}

impl Sign {
    /// One loss of power can have left both: most of the time in which the shorter may have been off, the other may have
    /// been off, and they went off together or came back together, to what goes for no silence.
    fn is_of_one_cut(&self, other: &Self, within_ms: i64) -> bool {
        let lasts = |sign: &Self| sign.until.0 - sign.since.0;
        // Samples of one reading lie apart: neighbouring times between readings overlap a little.
        let both = self.until.0.min(other.until.0) - self.since.0.max(other.since.0);
        let overlap = both >= 0 && 2 * both >= lasts(self).min(lasts(other));
        let apart = |one: SteadyMillis, other: SteadyMillis| (one.0 - other.0).abs();
        let together = apart(self.since, other.since).min(apart(self.until, other.until));
        self.teller != other.teller && overlap && together <= within_ms
    }
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

    /// Takes the next reading and the counts that were found to have gone back, each with the instants between which it did.
    pub(super) fn push(
        &mut self,
        facts: &MeterFacts,
        reading: &Reading,
        moment: Moment,
        went_back: impl Iterator<Item = (Witness, SteadyMillis, SteadyMillis)>,
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
            let heard_before = teller.heard.replace(moment);
            teller.missing_since = None;
            let Some(silent) = teller.silent.or(all_silent) else { continue };
            if let Some(began) = teller.silent.take() {
                changes.push(ended(facts, teller.silent_kind(), began, moment));
            }
            let since = heard_before.unwrap_or(silent).steady;
            let until = moment.steady;
            self.signs.push(Sign { teller: Some(place), since, until, told: moment, went_back: false });
        }
        for (witness, since, until) in went_back {
            let teller = self.tellers.iter().position(|teller| teller.witnesses & bit(witness) != 0);
            self.signs.push(Sign { teller, since, until, told: moment, went_back: true });
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

    /// What is silent now.
    pub(super) fn lasting(&self, facts: &MeterFacts) -> impl Iterator<Item = Event> {
        let all = self.all_silent.map(|began| event(facts, EventKind::AllSilent, began, None));
        let tellers = self.tellers.iter();
        all.into_iter()
            .chain(tellers.filter_map(|teller| Some(event(facts, teller.silent_kind(), teller.silent?, None))))
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
        let since = self.last.map(|last| last.steady);
        self.pause();
        self.signs.extend(restarted.map(|told| Sign {
            teller: None,
            since: since.unwrap_or(told.steady),
            until: told.steady,
            told,
            went_back: false,
        }));
    }

    /// A count that went back is a restart of its device. With another device that restarted in the same silence, or came
    /// back from one together with it, or with the machine itself, it was the power. Two counts that went back one after the
    /// other, with nothing silent, were set to nought one after the other.
    fn look_for_power(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        let longest_ms = self.tellers.iter().map(|teller| teller.period_ms).max().unwrap_or(0);
        let awaited_ms = AWAITED_MS.max(longest_ms.saturating_mul(AWAITED_PERIODS));
        self.signs.retain(|sign| now.steady.0 - sign.told.steady.0 <= awaited_ms);
        let within_ms = self.tellers.iter().map(|teller| teller.limit_ms).max().unwrap_or(MISSED_MS);
        let restarts = self.signs.iter().filter(|sign| sign.went_back);
        let cut = restarts.flat_map(|restart| {
            let others = self.signs.iter().filter(|other| restart.is_of_one_cut(other, within_ms));
            others.map(|other| if other.told.steady < restart.told.steady { other.told } else { restart.told })
        });
        if let Some(began) = cut.min_by_key(|began| began.steady) {
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

    /// The machine was off for a minute, and the counter on its supply with it; or the counter went back later, by itself.
    #[test]
    fn a_count_that_went_back_while_the_machine_was_off_was_the_power() {
        for (back_at, is_power) in [(160, true), (200, false)] {
            let facts = specimen::meter();
            let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
            let mut changes = Vec::new();
            for second in (0..100).chain(161..260) {
                if second == 161 {
                    let restarted = specimen::reading(160_000, 0.0, 0.0, 4.0, 0.0);
                    tallies.resumed(Some(Moment { steady: restarted.at, wall: restarted.wall }));
                }
                let count = 2 * second / 5 + if second < back_at { 4000 } else { -2 * back_at / 5 };
                let reading = specimen::reading(second * 1000, 10.0, 10.0 * second as f64, 8.444, count.max(0) as f64);
                tallies.push(&facts, &reading, &mut changes);
            }
            let told = changes.iter().any(|it| matches!(it, Change::EventEnded(it) if it.what == EventKind::Power));
            assert_eq!(told, is_power, "the count went back at {back_at} s");
        }
    }

    /// Seconds at which the total and the count are set to nought, seconds in which the counter does not answer, and
    /// seconds between readings; whether that was the power.
    fn is_power(total_at: i64, count_at: i64, counter_off: std::ops::Range<i64>, every: i64) -> bool {
        let mut facts = specimen::meter();
        for witness in [&mut facts.flow, &mut facts.total, &mut facts.loop_ma, &mut facts.pulses] {
            witness.as_mut().unwrap().every = std::time::Duration::from_secs(every.unsigned_abs());
        }
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let mut changes = Vec::new();
        for second in (0..1200).step_by(usize::try_from(every).unwrap()) {
            let total = 10 * second + if second < total_at { 50_000 } else { -10 * total_at };
            let count = 2 * second / 5 + if second < count_at { 4000 } else { -2 * count_at / 5 };
            let mut reading = specimen::reading(second * 1000, 10.0, total as f64, 8.444, count as f64);
            reading.pulses.as_mut().unwrap().at.0 -= 200;
            if counter_off.contains(&second) {
                reading.pulses = None;
            }
            tallies.push(&facts, &reading, &mut changes);
        }
        let told = |kind: &EventKind| {
            changes.iter().filter(|it| matches!(it, Change::EventEnded(event) if event.what == *kind)).count()
        };
        assert_eq!(told(&silent("counter")), usize::from(!counter_off.is_empty()));
        assert!(told(&EventKind::Power) < 2);
        told(&EventKind::Power) == 1
    }

    #[test]
    fn things_set_to_nought_one_after_the_other_are_not_the_power() {
        let never = 0..0;
        assert!(!is_power(300, 302, never.clone(), 1), "by one pair of hands");
        assert!(!is_power(300, 368, never.clone(), 1));
        assert!(is_power(300, 300, never.clone(), 1), "between the same two readings: too short to be silent");
        assert!(is_power(290, 300, never.clone(), 60), "between the same two readings, which lie far apart");
        assert!(!is_power(290, 310, never, 60), "each between readings of its own");
        assert!(is_power(300, 330, 300..330, 1), "the meter was back at once, the counter took half a minute");
        assert!(
            !is_power(300, 500, 200..500, 1),
            "the total was set to nought while the counter had been away for long"
        );
        assert!(!is_power(500, 300, 270..300, 1), "the counter had long come back");
    }
}

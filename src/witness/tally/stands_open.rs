//! What stands open: disagreements and events that have begun and not ended.
//!
//! Tallies may begin anew, or not be there any more: what they held open is then ended by whoever sees them go, or it would
//! stand open in the log for ever.

use std::mem::discriminant;

use super::finding::{Change, Disagreement, Event, EventKind, Moment};
use super::judging::{bias_disagreement, count_disagreement};
use super::meter::MeterTallies;
use crate::reading::MeterFacts;
use crate::units::WallMillis;

/// Disagreements and events that stand open, of one meter or of many.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StandsOpen {
    /// Disagreements that are not closed.
    pub disagreements: Vec<Disagreement>,
    /// Events that have not ended.
    pub events: Vec<Event>,
}

impl StandsOpen {
    /// Takes in what changed.
    pub fn follow(&mut self, change: &Change) {
        match change {
            Change::Opened(it) | Change::Grew(it) | Change::Closed(it) => {
                self.disagreements.retain(|known| !known.is_same(it));
                self.disagreements.extend((it.closed.is_none()).then(|| it.clone()));
            }
            Change::EventBegan(it) | Change::EventEnded(it) => {
                self.events.retain(|known| !known.is_same(it));
                self.events.extend((it.ended.is_none()).then(|| it.clone()));
            }
            Change::Step(_) | Change::Hour(_) => {}
        }
    }

    /// Takes in what somebody else holds open.
    pub fn extend(&mut self, other: Self) {
        self.disagreements.extend(other.disagreements);
        self.events.extend(other.events);
    }

    /// Leaves what nobody holds open any more.
    #[must_use]
    pub fn without(mut self, held: &Self) -> Self {
        self.disagreements.retain(|it| !held.disagreements.iter().any(|held| held.is_same(it)));
        self.events.retain(|it| !held.events.iter().any(|held| held.is_same(it)));
        self
    }

    /// Ends all of it at a moment.
    pub fn end(self, now: Moment) -> impl Iterator<Item = Change> {
        // The clock on the wall may have been set back since it began.
        let after = move |began: Moment| Moment { wall: WallMillis(now.wall.0.max(began.wall.0)), ..now };
        let closed = move |it: Disagreement| Change::Closed(Disagreement { closed: Some(after(it.opened)), ..it });
        let ended = move |it: Event| Change::EventEnded(Event { ended: Some(after(it.began)), ..it });
        self.disagreements.into_iter().map(closed).chain(self.events.into_iter().map(ended))
    }
}

impl Disagreement {
    /// The same one, as it was told at another time.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        (&self.meter, self.between, self.opened) == (&other.meter, other.between, other.opened)
    }
}

impl Event {
    /// The same one, which may have grown since it began.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        let is_of_one_kind = discriminant(&self.what) == discriminant(&other.what);
        let is_of_one_subject = match (&self.what, &other.what) {
            (EventKind::Status { name: one }, EventKind::Status { name: other })
            | (EventKind::Silent { device: one }, EventKind::Silent { device: other }) => one == other,
            (EventKind::Current { state: one }, EventKind::Current { state: other }) => one == other,
            (EventKind::WentBack { witness: one, .. }, EventKind::WentBack { witness: other, .. }) => one == other,
            (EventKind::SettingDiffers { setting: one, .. }, EventKind::SettingDiffers { setting: other, .. })
            | (EventKind::SettingChanged { setting: one, .. }, EventKind::SettingChanged { setting: other, .. }) => {
                one == other
            }
            _ => true,
        };
        self.meter == other.meter && self.began == other.began && is_of_one_kind && is_of_one_subject
    }
}

impl MeterTallies {
    /// What these tallies hold open.
    #[must_use]
    pub fn stands_open(&self, facts: &MeterFacts) -> StandsOpen {
        let counts = self.counts.iter().flatten();
        let counts = counts.filter_map(|it| it.open.as_ref().map(|open| count_disagreement(facts, it, open)));
        let pairs = self.pairs.iter().flatten().filter(|pair| self.is_told(pair));
        let pairs = pairs.filter_map(|it| it.test.open.as_ref().map(|open| bias_disagreement(facts, it, open)));
        StandsOpen {
            disagreements: counts.chain(pairs).chain(self.noted.open().cloned()).collect(),
            events: self.events.lasting().cloned().chain(self.silence.lasting(facts)).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tally::{Noted, NotedReading, VolumeJudged, specimen};
    use crate::units::SteadyMillis;

    /// A bad day: pulses lost, a fault current, a limit passed, a device that is silent, then all, a figure noted wrongly.
    #[test]
    fn what_the_tallies_hold_open_is_what_they_told_and_did_not_end() {
        let mut facts = specimen::meter();
        facts.meter.limits.high = Some(crate::units::LitresPerSecond(9.0));
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        let mut told = StandsOpen::default();
        let mut most = (0, 0);
        let mut last = Moment::default();
        for second in (0..9000).filter(|second| !(4000..4100).contains(second)) {
            let flow = if second % 1000 < 500 { 10.0 } else { 8.0 };
            let litres = 10.0 * (second - second % 1000).min(second) as f64 + flow * (second % 1000) as f64;
            let lost = if second > 2500 { (second - 2500).min(40) } else { 0 };
            let current = if (2000..2600).contains(&second) { 3.5 } else { 4.0 + 16.0 * flow / 36.0 };
            let pulses = (litres / 25.0).floor() - lost as f64;
            let mut reading = specimen::reading(second * 1000, flow, litres, current, pulses.max(0.0));
            if (2200..2700).contains(&second) {
                (reading.flow, reading.total) = (None, None);
            }
            if second == 3000 || second == 3600 {
                let value = if second == 3000 { 1e6 } else { 2e6 };
                tallies.note(NotedReading { at: reading.wall, value, last_digit: 1.0, of: Noted::Total });
            }
            let mut changes = Vec::new();
            let now = Moment { steady: reading.at, wall: reading.wall };
            if second == 4100 {
                let quiet = Moment { steady: SteadyMillis(now.steady.0 - 1000), ..now };
                tallies.quiet(&facts, quiet, &mut changes);
            }
            tallies.push(&facts, &reading, &mut changes);
            changes.iter().for_each(|change| told.follow(change));
            let held = tallies.stands_open(&facts);
            assert_eq!(told.clone().without(&held), StandsOpen::default(), "{second} s: told, and not held");
            assert_eq!(held.clone().without(&told), StandsOpen::default(), "{second} s: held, and not told");
            most = (most.0.max(held.disagreements.len()), most.1.max(held.events.len()));
            last = now;
        }
        assert!(most.0 >= 3 && most.1 >= 3, "nothing was open at once: {most:?}");
        // Begun anew, nothing of it is left.
        assert!(!told.disagreements.is_empty());
        for change in told.clone().end(last) {
            told.follow(&change);
        }
        assert_eq!(told, StandsOpen::default());
    }
}

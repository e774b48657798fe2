//! What a kill or a power cut took of the tallies is made up from the readings that were stored.
//!
//! The tallies are kept every few seconds, readings and what they changed in between. The readings that are newer than
//! what was kept are taken again: the same state machine finds the same changes in them, and what the log has already is
//! not told twice.

use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Change, MeterTallies};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use crate::record::Quantity;
use crate::store::log::Note;
use crate::store::{Span, StoreError, StoreReader};

/// The clock on the wall may have been set back by so much meanwhile.
const SET_BACK_MS: i64 = 3_600_000;

/// Where the tallies of a meter were kept.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place<'a> {
    /// The start of the machine.
    pub(super) boot: &'a str,
    /// What was added to its clock.
    pub(super) ahead_ms: i64,
    /// When, on the led-on time line.
    pub(super) at: SteadyMillis,
    /// When, by the clock on the wall.
    pub(super) wall: WallMillis,
}

/// Takes the stored readings that `tallies` have not seen. Returns what they changed and the log does not have.
///
/// # Errors
/// The store cannot be read.
pub(super) fn catch_up(
    store: &StoreReader,
    facts: &MeterFacts,
    place: Place<'_>,
    tallies: &mut MeterTallies,
) -> Result<Vec<Change>, StoreError> {
    // Tallies that were kept before their first reading have seen none of those that followed.
    let seen_until = tallies.last_reading().map_or(place.at, |last| last.steady);
    let name = facts.meter.name.as_str();
    let span = Span { from: Some(WallMillis(place.wall.0 - SET_BACK_MS)), to: None };
    let maintenance = store.maintenance(name, span)?;
    // A note that was written before is remembered, whatever moment it is about.
    let written_since = |note: &Note| note.written > place.wall;
    for noted in store.notes(Some(name), Span::ALL)?.iter().filter(|note| written_since(note)) {
        if let Some(noted) = noted.of_receiver() {
            tallies.note(noted);
        }
    }
    let mut changes = Vec::new();
    for taken in store.readings(name, span)?.as_taken() {
        let (boot, mut reading) = match taken {
            Ok(taken) => taken,
            // A damaged row is a reading that was missed.
            Err(StoreError::Row { .. }) => continue,
            Err(error) => return Err(error),
        };
        if boot != place.boot || reading.at.0 + place.ahead_ms <= seen_until.0 {
            continue;
        }
        shift(&mut reading, place.ahead_ms);
        let at = reading.wall;
        let maintained = maintenance.iter().any(|(begin, end)| *begin <= at && end.is_none_or(|end| at < end));
        tallies.set_maintenance(maintained);
        tallies.push(facts, &reading, &mut changes);
    }
    without_logged(store, name, span, changes)
}

/// Leads a reading on from its clock to the time line of the tallies.
fn shift(reading: &mut Reading, by_ms: i64) {
    reading.at = SteadyMillis(reading.at.0 + by_ms);
    for quantity in Quantity::ALL {
        if let Some(sample) = quantity.place(reading) {
            sample.at.0 += by_ms;
        }
    }
}

/// Leaves out what the log has. What grew is kept again: it takes the place of what was.
fn without_logged(
    store: &StoreReader,
    meter: &str,
    span: Span,
    mut changes: Vec<Change>,
) -> Result<Vec<Change>, StoreError> {
    if changes.is_empty() {
        return Ok(changes);
    }
    let disagreements = store.disagreements(Some(meter), span)?;
    let events = store.events(Some(meter), span)?;
    let steps = store.steps(Some(meter), span)?;
    changes.retain(|change| match change {
        Change::Opened(it) => !disagreements.iter().any(|known| known.disagreement.is_same(it)),
        Change::Closed(it) => {
            !disagreements.iter().any(|known| known.disagreement.is_same(it) && known.disagreement.closed == it.closed)
        }
        Change::Step(it) => !steps.contains(it),
        Change::EventBegan(it) => !events.iter().any(|known| known.is_same(it)),
        Change::EventEnded(it) => !events.iter().any(|known| known.is_same(it) && known.ended == it.ended),
        Change::Grew(_) | Change::Hour(_) => true,
    });
    Ok(changes)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use proptest::prelude::*;
    use tallywell_witness::reading::{RawWords, Sample};
    use tallywell_witness::tally::{Disagreement, EventKind, Step, TallyStanding, VolumeJudged};

    use super::*;
    use crate::site::meter_facts;
    use crate::store::evidence::Run;
    use crate::store::{Options, Writer};

    const READINGS: i64 = 900;
    const AHEAD_MS: i64 = 5_000_000;

    fn facts() -> MeterFacts {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/kestrel-creek.toml");
        meter_facts(&crate::site::load(&shipped).unwrap().site, "bore-1").unwrap()
    }

    /// 20 L/s and a pulse for each 5 L, of which some are lost at four places; a current without a meaning for a while.
    fn reading(second: i64) -> Reading {
        let at = SteadyMillis(second * 1000);
        let sample = |value: f64| Some(Sample { value, at, raw: RawWords::default() });
        let litres = 20.0 * second as f64;
        // From each of these seconds on the next few pulses are not counted.
        let pulses = |second: i64| second * 20 / 5;
        let lost: i64 = [(100, 30), (333, 25), (500, 45), (700, 35)]
            .iter()
            .map(|(from, most)| (pulses(second) - pulses(*from)).clamp(0, *most))
            .sum();
        Reading {
            at,
            wall: WallMillis(1_740_816_000_000 + at.0),
            flow: sample(20.0),
            total: sample(100_000.0 + litres),
            loop_ma: sample(if (400..460).contains(&second) { 3.5 } else { 4.0 + 16.0 * 20.0 / 36.0 }),
            pulses: sample((5000 + pulses(second) - lost) as f64),
            ..Reading::default()
        }
    }

    /// Lets tallies see readings, and logs what they find; what is not in the hands of the store yet is lost with a kill.
    fn watch(
        tallies: &mut MeterTallies,
        facts: &MeterFacts,
        from: i64,
        to: i64,
        writer: Option<&Writer>,
    ) -> Vec<Change> {
        let mut changes = Vec::new();
        for second in from..to {
            let mut led_on = reading(second);
            if let Some(writer) = writer {
                writer.append("bore-1", &led_on);
            }
            shift(&mut led_on, AHEAD_MS);
            tallies.push(facts, &led_on, &mut changes);
        }
        changes
    }

    fn step(change: &Change) -> Option<Step> {
        if let Change::Step(step) = change { Some(*step) } else { None }
    }

    fn disagreement(change: &Change) -> Option<&Disagreement> {
        match change {
            Change::Opened(it) | Change::Grew(it) | Change::Closed(it) => Some(it),
            _ => None,
        }
    }

    /// A box whose power fails every few seconds keeps its tallies before they have seen anything, each time.
    #[test]
    fn tallies_that_were_kept_before_their_first_reading_see_those_that_followed() {
        let facts = facts();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kestrel.db");
        let writer = Writer::open(&path, Options::default()).unwrap();
        writer.begin_run(Run { boot: "one".to_owned(), ..Run::default() });
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
        watch(&mut tallies.clone(), &facts, 0, 60, Some(&writer));
        assert!(writer.flush(std::time::Duration::from_secs(30)));
        let (at, wall) = (SteadyMillis(AHEAD_MS - 1), reading(0).wall);
        let place = Place { boot: "one", ahead_ms: AHEAD_MS, at, wall };
        catch_up(&StoreReader::open(&path).unwrap(), &facts, place, &mut tallies).unwrap();
        assert_eq!(tallies.last_reading().map(|last| last.steady.0), Some(59_000 + AHEAD_MS));
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]
        /// Wherever the kill falls between the keeping of the tallies, the logging and the last reading stored: after the
        /// next start the log holds what it would hold without it, each thing once.
        #[test]
        fn a_kill_neither_loses_nor_doubles_anything(kept in 0..READINGS, logged in 0_i64..20, stored in 0_i64..20) {
            let facts = facts();
            let mut whole = MeterTallies::new(&facts, VolumeJudged::LastDay);
            let expected = watch(&mut whole, &facts, 0, READINGS, None);

            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("kestrel.db");
            let writer = Writer::open(&path, Options::default()).unwrap();
            writer.begin_run(Run { boot: "one".to_owned(), ..Run::default() });
            let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
            let log = |changes: &[Change]| changes.iter().for_each(|change| writer.change("bore-1", change));
            log(&watch(&mut tallies, &facts, 0, kept, Some(&writer)));
            let remembered = serde_json::to_string(&tallies).unwrap();
            let logged = (kept + logged).min(READINGS);
            let stored = (logged + stored).min(READINGS);
            log(&watch(&mut tallies, &facts, kept, logged, Some(&writer)));
            watch(&mut tallies, &facts, logged, stored, Some(&writer));
            prop_assert!(writer.flush(std::time::Duration::from_secs(30)));

            let mut tallies: MeterTallies = serde_json::from_str(&remembered).unwrap();
            let store = StoreReader::open(&path).unwrap();
            let wall = WallMillis(reading(kept - 1).wall.0);
            let at = SteadyMillis(reading(kept - 1).at.0 + AHEAD_MS);
            let place = Place { boot: "one", ahead_ms: AHEAD_MS, at, wall };
            log(&catch_up(&store, &facts, place, &mut tallies).unwrap());
            log(&watch(&mut tallies, &facts, stored, READINGS, Some(&writer)));
            prop_assert!(writer.flush(std::time::Duration::from_secs(30)));

            let gist = |it: &TallyStanding| (it.between, it.verdict, it.steps, it.step_count, it.disagreements, it.open);
            let gists = |tallies: &MeterTallies| tallies.standing().iter().map(gist).collect::<Vec<_>>();
            prop_assert_eq!(gists(&tallies), gists(&whole));
            let steps: Vec<_> = expected.iter().filter_map(step).collect();
            let logged: Vec<_> = store.disagreements(Some("bore-1"), Span::ALL).unwrap();
            let mut last_told: Vec<&Disagreement> = Vec::new();
            for it in expected.iter().filter_map(disagreement) {
                last_told.retain(|known| (known.between, known.opened) != (it.between, it.opened));
                last_told.push(it);
            }
            last_told.sort_by_key(|it| it.opened.steady);
            prop_assert!(!steps.is_empty() && last_told.len() == 2, "{:?} {:?}", steps, last_told);
            prop_assert_eq!(store.steps(Some("bore-1"), Span::ALL).unwrap(), steps);
            prop_assert_eq!(logged.len(), last_told.len());
            // The last place of a number may differ: JSON is not read back to the bit.
            let gist = |it: &Disagreement| (it.between, it.opened, it.began, it.closed, it.step_count, it.largest.pulses);
            for (logged, told) in logged.iter().zip(last_told) {
                prop_assert_eq!(gist(&logged.disagreement), gist(told));
            }
            let currents = store.events(Some("bore-1"), Span::ALL).unwrap();
            let ended = currents.iter().filter(|it| matches!(it.what, EventKind::Current { .. }) && it.ended.is_some());
            prop_assert_eq!(ended.count(), 1);
        }
    }
}

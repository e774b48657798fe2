//! All tallies of one meter together, on readings that are written down by hand.

use super::*;
use crate::declared::{PulseCounts, TotalCounts};
use crate::reading::Reading;
use crate::units::LitresPerSecond;

/// Litres that went by forward and in reverse, and the flow, at every second: a pump that runs for a minute, water that
/// swings back for twenty seconds, rest.
fn pumped() -> impl Iterator<Item = (i64, f64, f64, f64)> {
    (0..1600).scan((0.0, 0.0), |(forward, reverse), second| {
        let flow = match second % 110 {
            0..60 => 24.0,
            60..80 => -6.0,
            _ => 0.0,
        };
        let told = (second, *forward, *reverse, flow);
        *forward += f64::max(flow, 0.0);
        *reverse += f64::max(-flow, 0.0);
        Some(told)
    })
}

/// The meter whose total and pulses count so, set for flow in both directions.
fn counting(total: TotalCounts, pulses: PulseCounts, has_reverse_total: bool) -> MeterFacts {
    let mut facts = specimen::meter();
    facts.meter.total_counts = total;
    facts.meter.pulse.as_mut().unwrap().counts = pulses;
    facts.meter.current_loop.as_mut().unwrap().at_4_ma = LitresPerSecond(-36.0);
    if has_reverse_total {
        facts.meter.reverse_total = facts.meter.total.clone();
        facts.reverse_total = facts.total.clone();
    }
    facts
}

/// What it is read as; `lost` pulses never arrive from the middle on.
fn read(facts: &MeterFacts, lost: f64) -> Vec<Reading> {
    let pulse = facts.meter.pulse.as_ref().unwrap();
    // A counter that is not told of pulses stands; it does not go back.
    let mut held = 0.0;
    let reading = |(second, forward, reverse, flow): (i64, f64, f64, f64)| {
        let total = match facts.meter.total_counts {
            TotalCounts::Forward => forward,
            TotalCounts::Reverse => reverse,
            TotalCounts::Net => 1e6 + forward - reverse,
        };
        let counted = match pulse.counts {
            PulseCounts::Forward => forward,
            PulseCounts::Reverse => reverse,
            PulseCounts::Both => forward + reverse,
        };
        let sent = 1000.0 + (counted / pulse.volume.0 + 0.3).floor();
        held = if second <= 800 { sent } else { f64::max(held, sent - lost) };
        let mut reading = specimen::reading(second * 1000, flow, total, 4.0 + 16.0 * (flow + 36.0) / 72.0, held);
        if facts.reverse_total.is_some() {
            reading.reverse_total = reading.total;
            reading.reverse_total.as_mut().unwrap().value = reverse;
        }
        reading
    };
    pumped().map(reading).collect()
}

fn judged(facts: &MeterFacts, readings: &[Reading]) -> (MeterTallies, Vec<Change>) {
    let mut tallies = MeterTallies::new(facts, VolumeJudged::LastDay);
    let mut changes = Vec::new();
    for reading in readings {
        tallies.push(facts, reading, &mut changes);
    }
    (tallies, changes)
}

fn steps(changes: &[Change]) -> Vec<Step> {
    let step = |change: &Change| match change {
        Change::Step(step) if step.between == Between::TotalPulse => Some(*step),
        _ => None,
    };
    changes.iter().filter_map(step).collect()
}

#[test]
fn whatever_total_and_pulses_count_they_are_held_against_each_other_to_the_pulse() {
    use PulseCounts::{Both, Forward, Reverse};
    for (total, pulses, has_reverse_total) in [
        (TotalCounts::Forward, Forward, false),
        (TotalCounts::Reverse, Reverse, false),
        (TotalCounts::Net, Forward, true),
        (TotalCounts::Forward, Both, true),
        (TotalCounts::Net, Both, true),
        (TotalCounts::Net, Reverse, true),
        (TotalCounts::Forward, Reverse, true),
    ] {
        let facts = counting(total, pulses, has_reverse_total);
        let sound = steps(&judged(&facts, &read(&facts, 0.0)).1);
        assert!(sound.is_empty(), "{total:?} {pulses:?}: {sound:?}");
        let found = steps(&judged(&facts, &read(&facts, 6.0)).1);
        // Six pulses take seconds to be missed: some are found while the rest still go.
        let least: i64 = found.iter().map(|step| step.least).sum();
        assert!((-6..0).contains(&least), "{total:?} {pulses:?}: {found:?}");
    }
}

/// However often a disagreement is told while it grows, what was lost by then lies between what is certain and what is
/// possible.
#[test]
fn an_open_disagreement_is_told_with_bounds_that_hold() {
    let facts = counting(TotalCounts::Forward, PulseCounts::Forward, false);
    for lost in [4.0, 7.0, 30.0, 90.0] {
        let (sound, short) = (read(&facts, 0.0), read(&facts, lost));
        #[expect(clippy::cast_possible_truncation, reason = "a few pulses")]
        let lost_by = |at: Moment| {
            let pulses = |readings: &[Reading]| {
                readings.iter().find(|it| it.at == at.steady).and_then(|it| it.pulses).unwrap().value
            };
            (pulses(&sound) - pulses(&short)) as i64
        };
        let mut told = 0;
        for change in judged(&facts, &short).1 {
            let (Change::Opened(it) | Change::Grew(it) | Change::Closed(it)) = change else { continue };
            if it.between != Between::TotalPulse {
                continue;
            }
            let (in_all, since) = (lost_by(it.largest.at), lost_by(it.largest.at) - lost_by(it.began));
            let (least, most) = (-it.largest.pulses.unwrap(), -it.largest.pulses_most.unwrap());
            assert!(0 < least && least <= in_all && since <= most, "{since} of {in_all} lost: {it:?}");
            assert!(in_all - least <= 4 && most - in_all <= 4, "{since} of {in_all} lost: {it:?}");
            told += 1;
        }
        assert!(told > 0, "{lost} lost");
    }
}

/// Without the reverse total nothing shows how much ran back: less is seen, nothing is made up.
#[test]
fn what_runs_back_unseen_is_no_step() {
    for (total, pulses) in [(TotalCounts::Net, PulseCounts::Forward), (TotalCounts::Forward, PulseCounts::Both)] {
        let facts = counting(total, pulses, false);
        let sound = steps(&judged(&facts, &read(&facts, 0.0)).1);
        assert!(sound.is_empty(), "{total:?} {pulses:?}: {sound:?}");
    }
}

#[test]
fn what_is_lost_during_maintenance_is_kept_and_judged_by_nothing() {
    let facts = counting(TotalCounts::Forward, PulseCounts::Forward, false);
    let readings = read(&facts, 12.0);
    assert!(judged(&facts, &readings).1.iter().any(|change| matches!(change, Change::Opened(_))));
    let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
    let mut changes = Vec::new();
    for (second, reading) in readings.iter().enumerate() {
        tallies.set_maintenance((750..850).contains(&second));
        tallies.push(&facts, reading, &mut changes);
    }
    let told: Vec<_> = changes.iter().filter(|it| matches!(it, Change::Step(_) | Change::Opened(_))).collect();
    assert!(told.is_empty(), "{told:?}");
    let hour = tallies.running_hour(&facts).unwrap();
    assert!(hour.maintenance && hour.readings == 1600, "{hour:?}");
}

/// Nobody saw what flowed while nothing was read; the total moved on. Nothing follows from that for the flow.
#[test]
fn a_gap_is_never_bridged() {
    let facts = counting(TotalCounts::Forward, PulseCounts::Forward, false);
    // Each gap begins at rest and ends at rest; a whole run of the pump lies between.
    let heard: Vec<_> =
        read(&facts, 0.0).into_iter().filter(|it| !(90_000..200_000).contains(&(it.at.0 % 220_000))).collect();
    let (tallies, changes) = judged(&facts, &heard);
    let told: Vec<_> = changes.iter().filter(|it| matches!(it, Change::Step(_) | Change::Opened(_))).collect();
    assert!(told.is_empty(), "{told:?}");
    assert_eq!(tallies.overall(), Verdict::Agree);
    let hour = tallies.running_hour(&facts).unwrap();
    let (total, flow) = (hour.total.unwrap(), hour.flow.unwrap());
    assert!(total.unheard_l.0 > 1000.0 && total.volume_l.0 - total.unheard_l.0 < 1.05 * flow.volume_l.0, "{hour:?}");
}

/// Linux counts pulses in a file; how many bits its hardware has, the file does not say.
#[test]
fn a_counter_file_that_wraps_is_no_disagreement() {
    let mut facts = specimen::meter();
    facts.meter.pulse.as_mut().unwrap().count = crate::declared::Source::File("/sys/count0/count".into());
    facts.pulses.as_mut().unwrap().entry.value_type = crate::declared::ValueType::U64;
    let mut tallies = MeterTallies::new(&facts, VolumeJudged::LastDay);
    let mut changes = Vec::new();
    for second in 0..2000 {
        let pulses = (4_294_967_000 + second * 20 / 25) % 4_294_967_296_i64;
        let reading =
            specimen::reading(second * 1000, 20.0, 20.0 * second as f64, 4.0 + 16.0 * 20.0 / 36.0, pulses as f64);
        tallies.push(&facts, &reading, &mut changes);
    }
    assert!(changes.iter().all(|it| matches!(it, Change::Hour(_))), "{changes:?}: 2 ^ 32 was passed after 370 s");
    assert_eq!(tallies.overall(), Verdict::Agree);
}

//! What is kept comes back, bit for bit, through any number of starts.

use std::time::Duration;

use proptest::prelude::*;
use tallywell_witness::declared::Setting;
use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::tally::{
    Between, DifferenceUnit, Disagreement, DisagreementKind, Event, EventKind, HourlySummary, Largest, Moment,
    WitnessedVolume,
};
use tallywell_witness::units::{Litres, SteadyMillis, WallMillis};

use super::evidence::{Run, sha256};
use super::log::{HandedOut, LoggedDisagreement, Note, NoteKind};
use super::timing::{DeviceHour, LineHour};
use super::*;
use crate::record::Quantity;

const PATIENCE: Duration = Duration::from_secs(30);

/// A writer that commits only when it is told to, so that tests do not wait.
pub(super) fn options() -> Options {
    Options { commit_every: Duration::from_secs(3600), ..Options::default() }
}

pub(super) fn run(boot: &str, began: i64) -> Run {
    Run {
        boot: boot.to_owned(),
        began: WallMillis(began),
        program: "tallywell 0.1.0".to_owned(),
        clock_synchronised: Some(true),
        documents: vec![("site.toml".to_owned(), "site = \"Kestrel Creek\"".to_owned())],
    }
}

fn sample() -> impl Strategy<Value = Option<Sample>> {
    let value = prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        any::<u32>().prop_map(|bits| f64::from(f32::from_bits(bits))),
        any::<u32>().prop_map(f64::from),
    ];
    let sample = (value, -100_000_i64..100_000, prop::collection::vec(any::<u16>(), 0..=4))
        .prop_map(|(value, at, raw)| Sample { value, at: SteadyMillis(at), raw: RawWords::new(&raw) });
    prop::option::weighted(0.8, sample)
}

/// Readings whose samples are timed from their own reading.
pub(super) fn readings() -> impl Strategy<Value = Vec<Reading>> {
    let samples = [sample(), sample(), sample(), sample(), sample(), sample(), sample()];
    let one = (1_i64..100_000, -50_i64..50, samples, any::<Option<u64>>(), any::<Option<bool>>());
    prop::collection::vec(one, 1..60).prop_map(|rows| {
        let mut at = 5_000;
        rows.into_iter()
            .map(|(step, jitter, samples, status, running)| {
                at += step;
                let mut reading = Reading {
                    at: SteadyMillis(at),
                    wall: WallMillis(1_740_000_000_000 + at + jitter),
                    status: status.map(StatusBits),
                    running,
                    ..Reading::default()
                };
                for (quantity, sample) in Quantity::ALL.into_iter().zip(samples) {
                    *quantity.place(&mut reading) =
                        sample.map(|sample| Sample { at: SteadyMillis(at + sample.at.0), ..sample });
                }
                reading
            })
            .collect()
    })
}

/// A reading as text in which every bit shows.
pub(super) fn exactly(reading: &Reading) -> String {
    let values = Quantity::ALL.map(|quantity| quantity.of(reading).map(|sample| sample.value.to_bits()));
    format!("{reading:?} {values:x?}")
}

pub(super) fn stored(path: &std::path::Path, meter: &str, span: Span) -> Vec<Reading> {
    let reader = StoreReader::open(path).unwrap();
    reader.readings(meter, span).unwrap().collect::<Result<_, _>>().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn readings_come_back_bit_for_bit(first in readings(), second in readings(), cut in any::<prop::sample::Index>()) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kestrel.db");
        for part in [&first[..cut.index(first.len())], &first[cut.index(first.len())..]] {
            let writer = Writer::open(&path, options()).unwrap();
            writer.begin_run(run("boot", part.first().map_or(0, |reading| reading.wall.0)));
            for (reading, other) in part.iter().zip(second.iter().cycle()) {
                prop_assert!(writer.append("bore-1", reading));
                prop_assert!(writer.append("bore-2", other));
            }
            let health = writer.close();
            prop_assert_eq!(health.readings_stored, part.len() as u64 * 2);
            prop_assert_eq!(health.waiting, 0);
        }
        let back: Vec<String> = stored(&path, "bore-1", Span::ALL).iter().map(exactly).collect();
        prop_assert_eq!(back, first.iter().map(exactly).collect::<Vec<_>>());
        let middle = first[first.len() / 2].wall;
        let span = Span { from: Some(middle), to: Some(WallMillis(middle.0 + 200_000)) };
        let back: Vec<String> = stored(&path, "bore-1", span).iter().map(exactly).collect();
        let expected: Vec<String> = first
            .iter()
            .filter(|reading| middle <= reading.wall && reading.wall.0 < middle.0 + 200_000)
            .map(exactly)
            .collect();
        prop_assert_eq!(back, expected);
        prop_assert_eq!(stored(&path, "another", Span::ALL), vec![]);
    }
}

pub(super) fn plain(at: i64, wall: i64) -> Reading {
    let flow = Sample { value: 12.5, at: SteadyMillis(at - 3), raw: RawWords::new(&[0x4148, 0]) };
    Reading { at: SteadyMillis(at), wall: WallMillis(wall), flow: Some(flow), ..Reading::default() }
}

/// One reading a second, long after today: not old enough to be sealed for its age.
fn steady(seconds: std::ops::Range<i64>) -> impl Iterator<Item = Reading> {
    seconds.map(|second| plain(second * 1000, 4_000_000_000_000 + second * 1000))
}

#[test]
fn readings_come_back_while_they_are_sealed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let writer = Writer::open(&path, Options { tidy_every: Duration::ZERO, ..options() }).unwrap();
    writer.begin_run(run("boot", 0));
    let put = |seconds: std::ops::Range<i64>| {
        for reading in steady(seconds) {
            writer.append("bore-1", &reading);
        }
        assert!(writer.flush(PATIENCE));
    };
    put(0..5_000);
    let reader = StoreReader::open(&path).unwrap();
    // A reader that stands among the unsealed rows goes on where they were sealed under it.
    let mut slow = reader.readings("bore-1", Span::ALL).unwrap();
    let mut seen: Vec<i64> = slow.by_ref().take(4_500).map(|reading| reading.unwrap().at.0).collect();
    put(5_000..13_000);
    seen.extend(slow.map(|reading| reading.unwrap().at.0));
    assert_eq!(seen, steady(0..13_000).map(|reading| reading.at.0).collect::<Vec<_>>());
    let sealed: i64 = reader.connection.query_row("SELECT sum(readings) FROM stretch", [], |row| row.get(0)).unwrap();
    assert_eq!(sealed, 3 * 4096);

    let back = stored(&path, "bore-1", Span::ALL);
    let expected: Vec<Reading> = steady(0..13_000).collect();
    assert_eq!(back, expected);
    let span = Span { from: Some(expected[4_000].wall), to: Some(expected[4_200].wall) };
    assert_eq!(stored(&path, "bore-1", span), expected[4_000..4_200]);
    assert_eq!(reader.extent("bore-1").unwrap(), Some((expected[0].wall, expected[12_999].wall, 13_000)));
    drop(writer);
    // The next start counts on.
    let writer = Writer::open(&path, options()).unwrap();
    writer.begin_run(run("boot", 1));
    writer.append("bore-1", &plain(13_000_000, 4_000_013_000_000));
    assert_eq!(writer.close().trouble, None);
    assert_eq!(stored(&path, "bore-1", Span::ALL).len(), 13_001);
}

#[test]
fn a_new_start_of_the_machine_goes_on_by_the_clock_on_the_wall() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let starts = [
        ("one", [(10_000, 1_000_000), (11_000, 1_001_000)]),
        // The daemon alone was started again: the steady clock counts, whatever the clock on the wall says.
        ("one", [(15_000, 1_003_000), (16_000, 1_004_000)]),
        // The machine was started again, 60 s later by the clock on the wall.
        ("two", [(500, 1_064_000), (1_500, 1_065_000)]),
        // And again, with a clock that had gone back: time goes on all the same.
        ("three", [(700, 900_000), (1_700, 901_000)]),
    ];
    for (boot, readings) in starts {
        let writer = Writer::open(&path, options()).unwrap();
        writer.begin_run(run(boot, readings[0].1));
        for (at, wall) in readings {
            writer.append("bore-1", &plain(at, wall));
        }
        assert_eq!(writer.close().trouble, None);
    }
    let back = stored(&path, "bore-1", Span::ALL);
    let at: Vec<i64> = back.iter().map(|reading| reading.at.0).collect();
    assert_eq!(at, [10_000, 11_000, 15_000, 16_000, 76_000, 77_000, 77_001, 78_001]);
    assert!(back.iter().all(|reading| reading.flow.unwrap().at.0 == reading.at.0 - 3));
    let reader = StoreReader::open(&path).unwrap();
    assert!(reader.clock_was_set("bore-1", Span::ALL).unwrap());
    let before_the_jump = Span { from: Some(WallMillis(1_000_000)), to: Some(WallMillis(1_001_500)) };
    assert!(!reader.clock_was_set("bore-1", before_the_jump).unwrap());
    assert_eq!(reader.extent("bore-1").unwrap(), Some((WallMillis(900_000), WallMillis(1_065_000), 8)));
    assert_eq!(reader.runs().unwrap().len(), 4);
    assert_eq!(reader.runs().unwrap()[3].1[0].sha256, sha256(b"site = \"Kestrel Creek\""));
}

fn moment(wall: i64) -> Moment {
    Moment { steady: SteadyMillis(wall - 500), wall: WallMillis(wall) }
}

pub(super) fn disagreement(closed: Option<i64>) -> Disagreement {
    Disagreement {
        meter: "bore-1".to_owned(),
        between: Between::TotalPulse,
        kind: DisagreementKind::Steps,
        opened: moment(10_000),
        began: moment(9_000),
        closed: closed.map(moment),
        largest: Largest {
            at: moment(11_000),
            difference: -0.1 - 0.2,
            difference_most: Some(-0.4),
            unit: DifferenceUnit::Litres,
            ratio: Some(0.97),
            tolerance: 75.0,
            pulses: Some(-4),
            pulses_most: Some(-5),
        },
        step_count: 4,
    }
}

#[test]
fn what_lasts_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let writer = Writer::open(&path, options()).unwrap();
    writer.begin_run(run("boot", 1));
    writer.disagreement(&disagreement(None), Some("pulse-gaps"));
    let silent = EventKind::Silent { device: "counter".to_owned() };
    let event = Event { meter: "bore-1".to_owned(), what: silent, began: moment(10_000), ended: None };
    writer.event(&event);
    assert!(writer.flush(PATIENCE));

    // The same disagreement closes and the same event ends, later and after a look: they are still one each.
    let reader = StoreReader::open(&path).unwrap();
    assert_eq!(reader.disagreements(None, Span::ALL).unwrap()[0].disagreement, disagreement(None));
    writer.disagreement(&disagreement(Some(20_000)), None);
    let ended = Event { ended: Some(moment(12_000)), ..event };
    writer.event(&ended);
    let note = |at: i64, what: NoteKind| Note {
        meter: "bore-1".to_owned(),
        at: WallMillis(at),
        written: WallMillis(at),
        what,
    };
    let words = || "valve replaced".to_owned();
    writer.note(note(3_000, NoteKind::MaintenanceBegins { text: words() }));
    writer.note(note(4_000, NoteKind::MaintenanceEnds { text: words() }));
    writer.note(note(5_000, NoteKind::MaintenanceBegins { text: words() }));
    writer.setting("bore-1", Setting::FullScale, WallMillis(1), 36.0);
    // The clock was set back meanwhile; the later is the one that holds.
    writer.setting("bore-1", Setting::FullScale, WallMillis(-5), 60.0);
    writer.tally_state("bore-1", 1, WallMillis(1), vec![1]);
    writer.tally_state("bore-1", 2, WallMillis(2), vec![0, 255]);
    let handed_out =
        HandedOut { at: WallMillis(7), what: "export".to_owned(), meter: "bore-1".to_owned(), sha256: sha256(b"") };
    writer.handed_out(handed_out.clone());
    assert!(writer.flush(PATIENCE));

    let logged = LoggedDisagreement { disagreement: disagreement(Some(20_000)), cause: Some("pulse-gaps".to_owned()) };
    assert_eq!(reader.disagreements(Some("bore-1"), Span::ALL).unwrap(), [logged]);
    assert_eq!(reader.disagreements(Some("bore-2"), Span::ALL).unwrap(), []);
    let after = Span { from: Some(WallMillis(20_001)), to: None };
    assert_eq!(reader.disagreements(None, after).unwrap(), [], "it had closed before");
    assert_eq!(reader.events(None, Span::ALL).unwrap(), [ended]);
    assert_eq!(reader.notes(None, Span::ALL).unwrap().len(), 3);
    let closed = (WallMillis(3_000), Some(WallMillis(4_000)));
    assert_eq!(reader.maintenance("bore-1", Span::ALL).unwrap(), [closed, (WallMillis(5_000), None)]);
    assert_eq!(reader.settings("bore-1").unwrap(), [(Setting::FullScale, 60.0)]);
    assert_eq!(reader.tally_state("bore-1").unwrap(), Some((2, vec![0, 255])));
    assert_eq!(reader.tally_state("bore-2").unwrap(), None);
    assert_eq!(reader.handed_out().unwrap(), [handed_out]);
    // FIPS 180-4's example of the empty message, as published with the standard's test vectors.
    assert_eq!(sha256(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

#[test]
fn the_hour_that_runs_takes_the_place_of_its_beginning() {
    let hour = |began: i64, transactions| LineHour {
        line: "shed".to_owned(),
        began: WallMillis(began),
        transactions,
        foreign_requests: transactions + 1,
        busy_us: 10,
        elapsed_us: 60_000_000,
        master: (transactions == 7).then(|| vec![1, 2]),
        devices: vec![DeviceHour { device: "bore-1".to_owned(), address: 11, timing: vec![1, transactions as u8] }],
    };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let writer = Writer::open(&path, options()).unwrap();
    for (began, transactions) in [(7_200_000, 3), (3_600_000, 5), (3_600_000, 7)] {
        writer.line_hour(hour(began, transactions));
    }
    assert_eq!(writer.close().trouble, None);
    let reader = StoreReader::open(&path).unwrap();
    let all = [hour(3_600_000, 7), hour(7_200_000, 3)];
    assert_eq!(reader.line_hours(Span::ALL).unwrap(), all);
    let span = Span { from: Some(WallMillis(3_660_001)), to: None };
    assert_eq!(reader.line_hours(span).unwrap(), all[1..], "the first had ended a minute after it began");
}

/// An hour that was told in part takes its final form, and one whose tallies began anew in between is the sum of both.
#[test]
fn an_hour_is_kept_once_and_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let writer = Writer::open(&path, options()).unwrap();
    let hour = |from: i64, to: i64, litres: f64| HourlySummary {
        meter: "bore-1".to_owned(),
        hour: WallMillis(3_600_000),
        from: moment(3_600_000 + from),
        to: moment(3_600_000 + to),
        readings: 1,
        total: Some(WitnessedVolume { volume_l: Litres(litres), share: 0.25, ..WitnessedVolume::default() }),
        flow: None,
        current: None,
        pulse: None,
        smallest_flow: None,
        largest_flow: None,
        maintenance: false,
    };
    for part in [hour(0, 1_000, 10.0), hour(0, 2_000, 20.0), hour(3_000, 4_000, 5.0)] {
        writer.hour(&part);
        assert!(writer.flush(PATIENCE));
    }
    let kept = StoreReader::open(&path).unwrap().hours(Some("bore-1"), Span::ALL).unwrap();
    let [kept] = kept.as_slice() else { panic!("{kept:?}") };
    let total = kept.total.unwrap();
    assert_eq!((kept.readings, total.volume_l, total.share), (2, Litres(25.0), 0.5));
}

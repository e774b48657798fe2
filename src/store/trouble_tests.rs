//! What goes wrong with stores, and that nothing already stored is lost by it.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::time::Duration;

use proptest::prelude::*;
use rusqlite::Connection;
use tallywell_witness::declared::Setting;
use tallywell_witness::reading::{RawWords, Reading, Sample};
use tallywell_witness::tally::{Event, EventKind, Moment};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::log::{LoggedDisagreement, Note, NoteKind};
use super::tests::{disagreement, options, plain, run, stored};
use super::*;

const PATIENCE: Duration = Duration::from_secs(30);
const LATER: i64 = 4_000_000_000_000;

/// Readings at one a second whose times and values are not quite regular, as real ones are.
fn restless(seconds: std::ops::Range<i64>) -> impl Iterator<Item = Reading> {
    seconds.map(|second| {
        let noise = (second * 7_919) % 65_521;
        let mut reading = plain(second * 1000 + noise % 17, LATER + second * 1000 + noise % 17);
        if let Some(flow) = &mut reading.flow {
            flow.value = 12.0 + noise as f64 / 65_536.0;
        }
        reading
    })
}

fn written(path: &Path, readings: impl Iterator<Item = Reading>) {
    let writer = Writer::open(path, options()).unwrap();
    writer.begin_run(run("boot", LATER));
    for reading in readings {
        writer.append("bore-1", &reading);
    }
    assert_eq!(writer.close().trouble, None);
}

fn said(result: Result<impl Sized, StoreError>) -> String {
    let text = result.err().map(|error| error.to_string()).unwrap_or_default();
    // The folder's name differs from run to run.
    text.split_whitespace().map(|word| word.rsplit('/').next().unwrap_or(word)).collect::<Vec<_>>().join(" ")
}

#[test]
fn what_cannot_be_opened_is_said_for_people() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("text.db"), "site = \"Kestrel Creek\"\n".repeat(100)).unwrap();
    std::fs::create_dir(path("folder.db")).unwrap();
    let foreign = Connection::open(path("foreign.db")).unwrap();
    foreign.execute_batch("CREATE TABLE song (title TEXT)").unwrap();
    written(&path("newer.db"), restless(0..3));
    let newer = Connection::open(path("newer.db")).unwrap();
    newer.execute_batch("CREATE TABLE later (number INTEGER); PRAGMA user_version = 99").unwrap();
    File::create(path("empty.db")).unwrap();
    let held = Writer::open(&path("held.db"), options()).unwrap();

    let mut text = String::new();
    for name in ["text.db", "folder.db", "foreign.db", "newer.db", "held.db", "no-such-folder/any.db"] {
        text.push_str(&format!("to write: {}\n", said(Writer::open(&path(name), options()))));
    }
    for name in ["text.db", "folder.db", "foreign.db", "newer.db", "empty.db", "none.db"] {
        text.push_str(&format!("to read: {}\n", said(StoreReader::open(&path(name)))));
    }
    insta::assert_snapshot!(text);
    assert_eq!(held.close().trouble, None);
    assert!(Writer::open(&path("held.db"), options()).is_ok(), "the lock goes with its holder");
}

/// What is not ours stays where it is, whatever it holds: a text of a store, and a database that another program made.
#[test]
fn what_is_somebody_elses_is_never_moved() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    written(&path, restless(0..3));
    let store = Connection::open(&path).unwrap();
    let mut query = store.prepare("SELECT sql FROM sqlite_schema WHERE type = 'table'").unwrap();
    let tables = query.query_map([], |row| row.get::<_, String>(0)).unwrap();
    let dump: String = tables.map(|sql| sql.unwrap() + ";\n").collect();
    let text = folder.path().join("dump.sql");
    std::fs::write(&text, &dump).unwrap();
    let foreign = folder.path().join("foreign.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE line_hour (line TEXT, began INTEGER)").unwrap();
    // A database of others does not become ours by a harm.
    let harmed = folder.path().join("harmed.db");
    let mut bytes = std::fs::read(&foreign).unwrap();
    bytes[..512].fill(0);
    std::fs::write(&harmed, bytes).unwrap();
    // Neither does a file that holds a store among other things.
    let archive = folder.path().join("archive.tar");
    std::fs::write(&archive, [&[b'k'; 512], std::fs::read(&path).unwrap().as_slice()].concat()).unwrap();
    for file in [text, foreign, harmed, archive] {
        let before = std::fs::read(&file).unwrap();
        let opened = Writer::open(&file, options());
        assert!(matches!(opened, Err(StoreError::NotADatabase(_) | StoreError::Foreign(_))), "{file:?}: {opened:?}");
        assert!(std::fs::read(&file).unwrap() == before, "{file:?} was changed");
    }
}

/// By the first hundred bytes a database is known, and known to be ours.
#[test]
fn whatever_byte_of_the_header_is_hit_storing_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let sound = folder.path().join("sound.db");
    written(&sound, restless(0..100));
    let sound = std::fs::read(&sound).unwrap();
    let path = folder.path().join("kestrel.db");
    let mut set_aside = 0;
    // From 72 to 92 nothing is written.
    let flips = (0..72).chain(92..100).flat_map(|place| [0x01, 0xF0].map(|flip| (place..place + 1, flip)));
    // A layout that no version wrote, and what a power cut makes of the first sectors.
    let whole = [(60..64, 0xA5), (0..512, 0xA5), (0..100, 0x11), (0..4096, 0x3C)];
    for (place, flip) in flips.chain(whole) {
        let mut bytes = sound.clone();
        bytes[place.clone()].iter_mut().for_each(|byte| *byte ^= flip);
        set_aside += u32::from(goes_on_with(&path, &bytes, &format!("{place:?} ^ {flip:#x}")));
    }
    for zeros in [512, 1024, 4096, sound.len()] {
        let mut bytes = sound.clone();
        bytes[..zeros].fill(0);
        assert!(goes_on_with(&path, &bytes, &format!("{zeros} zeros")), "{zeros} zeros were not seen");
        bytes.truncate(zeros);
        goes_on_with(&path, &bytes, &format!("only {zeros} zeros"));
    }
    for length in [1, 15, 16, 60, 99, 100, 511, 512, 4095] {
        goes_on_with(&path, &sound[..length], &format!("cut to {length}"));
    }
    assert!(set_aside > 60, "{set_aside}");
}

/// Begins to write to a store of these bytes. True where they were set aside.
fn goes_on_with(path: &Path, bytes: &[u8], harm: &str) -> bool {
    for ending in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(connection::beside(path, ending));
    }
    std::fs::write(path, bytes).unwrap();
    let writer = Writer::open(path, options()).unwrap_or_else(|error| panic!("{harm}: {error}"));
    writer.begin_run(run("boot", LATER + 1));
    writer.append("bore-1", &plain(6_000_000, LATER + 6_000_000));
    assert!(writer.flush(PATIENCE), "{harm}: {:?}", writer.health());
    let health = writer.close();
    assert_eq!((health.trouble, health.readings_stored), (None, 1), "{harm}");
    let Some(aside) = health.set_aside else { return false };
    std::fs::remove_file(aside).unwrap();
    true
}

/// Overwrites everything behind the database's first page.
fn spoil(path: &Path, from: u64) {
    let mut file = File::options().write(true).open(path).unwrap();
    let length = file.seek(SeekFrom::End(0)).unwrap();
    for place in (from..length).step_by(512) {
        file.write_all_at(&[0xA5; 512], place).unwrap();
    }
    file.flush().unwrap();
}

#[test]
fn a_damaged_store_is_put_aside_and_a_new_one_begun() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    written(&path, restless(0..3_000));
    // Behind the header of the first page lies the list of tables.
    spoil(&path, 100);
    let reader = StoreReader::open(&path);
    assert!(matches!(reader, Err(StoreError::Damaged(_))), "{reader:?}");
    written(&path, restless(3_000..3_003));
    assert_eq!(stored(&path, "bore-1", Span::ALL).len(), 3);
    let aside = std::fs::read_dir(folder.path())
        .unwrap()
        .filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().starts_with("kestrel.db.damaged-"));
    assert_eq!(aside.count(), 1);
}

#[test]
fn a_store_damaged_while_it_is_written_costs_nothing_that_follows() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    written(&path, restless(0..30_000));
    let writer = Writer::open(&path, options()).unwrap();
    writer.begin_run(run("boot", LATER + 1));
    spoil(&path, 4096);
    for reading in restless(30_000..30_010) {
        writer.append("bore-1", &reading);
    }
    writer.disagreement(&disagreement(None), None);
    assert!(writer.flush(PATIENCE));
    let health = writer.close();
    assert_eq!((health.trouble, health.readings_stored, health.readings_dropped), (None, 10, 0));
    assert!(health.set_aside.is_some_and(|aside| aside.exists()));
    assert_eq!(stored(&path, "bore-1", Span::ALL), restless(30_000..30_010).collect::<Vec<_>>());
    assert_eq!(StoreReader::open(&path).unwrap().disagreements(None, Span::ALL).unwrap().len(), 1);
}

/// What was open when the store went is open in the new one: written by this daemon, or by the one before.
#[test]
fn a_new_store_in_the_place_of_one_that_went_is_told_what_stands_open() {
    for (is_spoiled, is_of_an_earlier_life) in [(true, true), (false, true), (false, false)] {
        let loss = format!("spoiled or else deleted: {is_spoiled}, of an earlier life: {is_of_an_earlier_life}");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kestrel.db");
        let mut writer = Writer::open(&path, options()).unwrap();
        writer.begin_run(run("boot", LATER));
        restless(0..20_000).for_each(|reading| _ = writer.append("bore-1", &reading));
        let mut closed = disagreement(None);
        closed.opened.wall.0 -= 1_000;
        writer.disagreement(&closed, Some("pulse-weight"));
        writer.disagreement(&disagreement(None), None);
        writer.disagreement(&disagreement(None), Some("pulse-gaps"));
        let began = disagreement(None).began;
        let event = |name: &str, ended| Event {
            meter: "bore-1".to_owned(),
            what: EventKind::Status { name: name.to_owned() },
            began,
            ended,
        };
        writer.event(&event("empty pipe", None));
        writer.event(&event("coil drive fault", None));
        writer.event(&event("coil drive fault", Some(disagreement(None).opened)));
        writer.tally_state("bore-1", 5, WallMillis(LATER), b"as it was".to_vec());
        writer.tally_state("bore-1", 5, WallMillis(LATER + 1), b"as it is".to_vec());
        writer.setting("bore-1", Setting::FullScale, WallMillis(LATER), 0.036);
        let note = Note {
            meter: "bore-1".to_owned(),
            at: WallMillis(LATER),
            written: WallMillis(LATER),
            what: NoteKind::MaintenanceBegins { text: "sensor out".to_owned() },
        };
        writer.note(note.clone());
        assert!(writer.flush(PATIENCE));
        if is_of_an_earlier_life {
            assert_eq!(writer.close().trouble, None);
            writer = Writer::open(&path, options()).unwrap();
            writer.begin_run(run("boot", LATER + 1));
        }
        if is_spoiled {
            spoil(&path, 4096);
        } else {
            std::fs::remove_file(&path).unwrap();
        }
        closed.closed = Some(disagreement(None).opened);
        writer.disagreement(&closed, None);
        writer.append("bore-1", &plain(30_000_000, LATER + 30_000_000));
        assert!(writer.flush(PATIENCE));
        let health = writer.close();
        assert_eq!(health.trouble, None, "{loss}");
        assert_eq!(health.set_aside.is_some(), is_spoiled);

        assert_eq!(stored(&path, "bore-1", Span::ALL), [plain(30_000_000, LATER + 30_000_000)], "{loss}");
        let reader = StoreReader::open(&path).unwrap();
        let logged = |disagreement, cause: &str| LoggedDisagreement { disagreement, cause: Some(cause.to_owned()) };
        let expected = [logged(closed, "pulse-weight"), logged(disagreement(None), "pulse-gaps")];
        assert_eq!(reader.disagreements(None, Span::ALL).unwrap(), expected, "{loss}");
        assert_eq!(reader.events(None, Span::ALL).unwrap(), [event("empty pipe", None)]);
        assert_eq!(reader.tally_state("bore-1").unwrap(), Some((5, b"as it is".to_vec())));
        assert_eq!(reader.settings("bore-1").unwrap(), [(Setting::FullScale, 0.036)]);
        assert_eq!(reader.notes(None, Span::ALL).unwrap(), [note]);
    }
}

#[test]
fn a_queue_that_is_full_drops_readings_first_and_says_how_many() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let few = Options { most_readings_waiting: 10, most_lasting_waiting: 3, ..options() };
    // Somebody holds the database, so that the writer cannot have it.
    written(&path, restless(0..1));
    let writer = Writer::open(&path, few).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    writer.begin_run(run("boot", LATER + 1));
    for reading in restless(1..100) {
        writer.append("bore-1", &reading);
    }
    for opened in 0..5 {
        let mut it = disagreement(None);
        it.opened = Moment { steady: SteadyMillis(opened), wall: WallMillis(opened) };
        writer.disagreement(&it, None);
    }
    let health = writer.health();
    assert!(health.readings_dropped >= 99 - 20, "what is on its way and what waits: {health:?}");
    assert!(health.others_dropped >= 2 && health.waiting <= 10 + 10 + 3 + 3, "{health:?}");
    drop(other);
    assert!(writer.flush(PATIENCE));
    let health = writer.close();
    assert_eq!(health.readings_stored + health.readings_dropped, 99);
    let back = stored(&path, "bore-1", Span::ALL);
    assert_eq!(back.last(), restless(99..100).last().as_ref(), "the newest is there");
    assert_eq!(StoreReader::open(&path).unwrap().runs().unwrap().len(), 2, "runs are never dropped");
}

#[test]
fn the_oldest_readings_go_where_the_store_grows_too_large() {
    const LARGEST: u64 = 1_500_000;
    /// Three values without any pattern: they take the most room.
    fn rough(seconds: std::ops::Range<i64>) -> impl Iterator<Item = Reading> {
        restless(seconds).map(|mut reading| {
            let mut noise = reading.at.0.unsigned_abs();
            let mut rough = || {
                noise = (noise ^ noise >> 31).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                noise = (noise ^ noise >> 29).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                reading.flow.map(|flow| Sample { value: (noise >> 11) as f64, raw: RawWords::default(), ..flow })
            };
            (reading.total, reading.pulses, reading.loop_ma) = (rough(), rough(), rough());
            reading
        })
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let bounded = Options { largest: Some(LARGEST), tidy_every: Duration::ZERO, ..options() };
    let writer = Writer::open(&path, bounded).unwrap();
    writer.begin_run(run("boot", LATER));
    writer.disagreement(&disagreement(Some(20_000)), Some("pulse-gaps"));
    let mut largest = 0;
    for part in 0..45 {
        for reading in rough(part * 1_000..(part + 1) * 1_000) {
            writer.append("bore-1", &reading);
        }
        assert!(writer.flush(PATIENCE));
        let size = |ending: &str| std::fs::metadata(connection::beside(&path, ending)).map_or(0, |file| file.len());
        largest = largest.max(size("") + size("-wal"));
    }
    assert_eq!(writer.close().trouble, None);
    assert!(largest > LARGEST / 2, "the bound was never near: {largest}");
    assert!(largest <= LARGEST, "{largest}");
    let back = stored(&path, "bore-1", Span::ALL);
    let kept = i64::try_from(back.len()).unwrap();
    assert!(kept < 42_000 && kept > 10_000, "{kept}");
    assert_eq!(back, rough(45_000 - kept..45_000).collect::<Vec<_>>(), "the newest, without a gap");
    assert_eq!(StoreReader::open(&path).unwrap().disagreements(None, Span::ALL).unwrap().len(), 1);
}

#[test]
fn readings_are_kept_as_long_as_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kestrel.db");
    let now = crate::wall::now().0;
    let hours_ago = |hours: i64| now - hours * 3_600_000;
    let week = Duration::from_secs(7 * 86_400);
    let kept = Options { keep_readings: Some(week), tidy_every: Duration::ZERO, ..options() };
    let writer = Writer::open(&path, kept).unwrap();
    writer.begin_run(run("boot", 0));
    writer.disagreement(&disagreement(None), None);
    for hours in (1..24 * 14).rev() {
        for second in 0..20 {
            let wall = hours_ago(hours) + second * 1000;
            writer.append("bore-1", &plain(wall, wall));
        }
        if hours % 24 == 0 {
            assert!(writer.flush(PATIENCE));
        }
    }
    assert!(writer.flush(PATIENCE));
    assert_eq!(writer.close().trouble, None);
    let reader = StoreReader::open(&path).unwrap();
    let (earliest, latest, _) = reader.extent("bore-1").unwrap().unwrap();
    assert!(earliest.0 <= hours_ago(7 * 24 - 1), "nothing younger than a week is gone");
    assert!(earliest.0 >= hours_ago(9 * 24), "what is older is gone, a stretch at a time");
    assert_eq!(latest.0, hours_ago(1) + 19_000);
    assert_eq!(reader.disagreements(None, Span::ALL).unwrap().len(), 1, "disagreements never go");
}

/// A clock that runs twelve years ahead for a while, or one that begins in 1970 until somebody sets it, makes nothing old
/// that was read a moment ago, and of what is old the first stored goes first.
#[test]
fn a_clock_that_is_wrong_by_years_costs_no_readings() {
    const HOUR_MS: i64 = 3_600_000;
    for wrong in [0, crate::wall::now().0 + 12 * 365 * 24 * HOUR_MS] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kestrel.db");
        let day = Duration::from_secs(86_400);
        let kept = Options { keep_readings: Some(day), tidy_every: Duration::ZERO, ..options() };
        let writer = Writer::open(&path, kept).unwrap();
        writer.begin_run(run("boot", 0));
        // A reading each minute for three days, of which the clock is wrong in the second.
        let minutes = 3 * 24 * 60;
        let wall = |minute: i64| match minute {
            1_440..2_880 => wrong + minute * 60_000,
            _ => crate::wall::now().0 - 3 * 24 * HOUR_MS + minute * 60_000,
        };
        for minute in 0..minutes {
            writer.append("bore-1", &plain(minute * 60_000, wall(minute)));
            if minute % 256 == 0 {
                assert!(writer.flush(PATIENCE));
            }
        }
        for _ in 0..10 {
            writer.append("bore-1", &plain(minutes * 60_000, wall(minutes)));
            assert!(writer.flush(PATIENCE));
        }
        assert_eq!(writer.close().trouble, None);
        let reader = StoreReader::open(&path).unwrap();
        let back: Vec<i64> =
            reader.readings("bore-1", Span::ALL).unwrap().map(|it| it.unwrap().at.0 / 60_000).collect();
        let first = back[0];
        assert!(back.is_sorted(), "in the order in which they were taken");
        assert!(first <= minutes - 1_440, "younger than a day, and gone: the first is of minute {first}");
        assert!(first > 0, "nothing went");
        assert_eq!(back.iter().filter(|minute| **minute < minutes).count() as i64, minutes - first, "without a gap");
    }
}

/// What a disk can do to a file.
#[derive(Clone, Debug)]
enum Harm {
    Cut(prop::sample::Index),
    Zeroed(prop::sample::Index),
    Flipped(prop::sample::Index, u8),
}

impl Harm {
    fn to(&self, path: &Path) {
        let mut bytes = std::fs::read(path).unwrap_or_default();
        if bytes.is_empty() {
            return;
        }
        match self {
            Self::Cut(place) => bytes.truncate(place.index(bytes.len())),
            Self::Zeroed(place) => {
                let from = place.index(bytes.len()) / 512 * 512;
                let to = bytes.len().min(from + 4096);
                bytes[from..to].fill(0);
            }
            Self::Flipped(place, flip) => {
                let place = place.index(bytes.len());
                bytes[place] ^= flip;
            }
        }
        std::fs::write(path, bytes).unwrap();
    }
}

fn harm() -> impl Strategy<Value = Harm> {
    let place = any::<prop::sample::Index>;
    prop_oneof![
        place().prop_map(Harm::Cut),
        place().prop_map(Harm::Zeroed),
        (place(), 1_u8..).prop_map(|(place, flip)| Harm::Flipped(place, flip)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// Whatever happened to the database or its log, no wrong reading comes out of it, and the daemon goes on storing.
    #[test]
    fn a_harmed_store_tells_nothing_wrong_and_takes_new_readings(harm in harm(), in_log: bool) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("kestrel.db");
        let before: Vec<Reading> = restless(0..5_000).collect();
        {
            let writer = Writer::open(&path, Options { tidy_every: Duration::ZERO, ..options() }).unwrap();
            writer.begin_run(run("boot", LATER));
            before[..4_500].iter().for_each(|reading| _ = writer.append("bore-1", reading));
            prop_assert!(writer.flush(PATIENCE));
            before[4_500..].iter().for_each(|reading| _ = writer.append("bore-1", reading));
            prop_assert!(writer.flush(PATIENCE));
            // The log is folded in when the last connection closes: a copy keeps it.
            for ending in ["", "-wal"] {
                std::fs::copy(connection::beside(&path, ending), folder.path().join(format!("copy.db{ending}"))).unwrap();
            }
        }
        let path = folder.path().join("copy.db");
        harm.to(&connection::beside(&path, if in_log { "-wal" } else { "" }));

        let told = |from: i64| -> Result<Vec<Reading>, TestCaseError> {
            let Ok(reader) = StoreReader::open(&path) else { return Ok(Vec::new()) };
            let Ok(readings) = reader.readings("bore-1", Span::ALL) else { return Ok(Vec::new()) };
            let told: Vec<Reading> = readings.flatten().collect();
            for reading in told.iter().filter(|reading| reading.at.0 < from) {
                let place = usize::try_from(reading.at.0 / 1000).unwrap_or(usize::MAX);
                prop_assert_eq!(Some(reading), before.get(place));
            }
            Ok(told)
        };
        told(i64::MAX)?;
        let writer = Writer::open(&path, options()).map_err(|error| TestCaseError::fail(format!("{error}")))?;
        writer.begin_run(run("boot", LATER + 1));
        writer.append("bore-1", &plain(6_000_000, LATER + 6_000_000));
        prop_assert!(writer.flush(PATIENCE), "{:?}", writer.health());
        prop_assert_eq!(writer.close().readings_stored, 1);
        prop_assert!(told(6_000_000)?.contains(&plain(6_000_000, LATER + 6_000_000)));
    }
}

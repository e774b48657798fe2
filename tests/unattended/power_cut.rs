//! The power fails at random moments: the daemon is killed, and what a disk may make of writes that were not flushed is done
//! to the files. The store opens, nothing older than six seconds is missing ([`CUT_BOUND_MS`]), the tallies go on and find
//! the disagreement that there is, nothing is invented.
//!
//! What was flushed is left alone: SQLite flushes its log at each transaction, and before it copies pages into the database.
//! So the last transaction in the log may be cut, torn or filled with what was there before; and of a page that lies in a
//! whole transaction of the log, the copy in the database may be torn. The layout of log and index is that of
//! <https://sqlite.org/walformat.html>.
//!
//! `TALLYWELL_CUTS=200 cargo test --release --test unattended -- --nocapture power` is the long form; `TALLYWELL_SEED`
//! chooses other moments.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

use crate::kills::{BOUND_MS, Seen, last_life, look, steady_ms};
use crate::shed::Shed;

/// What a kill may take, and the last transaction besides: nobody outside can tell whether it was flushed already.
const CUT_BOUND_MS: i64 = BOUND_MS + 2_000;
const LOG_HEADER: usize = 32;
const FRAME_HEADER: usize = 24;

/// A simple generator with a known seed: x -> 48271 x mod (2^31 - 1), Park and Miller 1988.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0 * 48_271 % 2_147_483_647;
        usize::try_from(self.0).unwrap() % bound.max(1)
    }
}

/// The write-ahead log as far as it is valid.
struct Log {
    page: usize,
    /// For each transaction its frames: the page's number, and where the frame begins.
    transactions: Vec<Vec<(usize, usize)>>,
    /// Frames that the index says are in the database already.
    copied: usize,
}

fn word(bytes: &[u8], at: usize) -> usize {
    usize::try_from(u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap())).unwrap()
}

impl Log {
    /// Reads a log and its index; frames of an older round of the log have other salts.
    fn read(log: &[u8], index: &[u8]) -> Option<Self> {
        if log.len() < LOG_HEADER {
            return None;
        }
        let page = word(log, 8);
        let mut transactions = vec![Vec::new()];
        let mut at = LOG_HEADER;
        while at + FRAME_HEADER + page <= log.len() && log[at + 8..at + 16] == log[16..24] {
            transactions.last_mut().unwrap().push((word(log, at), at));
            // A frame that commits says how large the database is after it.
            if word(log, at + 4) > 0 {
                transactions.push(Vec::new());
            }
            at += FRAME_HEADER + page;
        }
        transactions.pop();
        // Two copies of 48 bytes, then how many frames are in the database, in the machine's own order of bytes.
        let copied = index
            .get(96..100)
            .map_or(usize::MAX, |bytes| usize::try_from(u32::from_ne_bytes(bytes.try_into().unwrap())).unwrap());
        Some(Self { page, transactions, copied })
    }
}

/// What was done to the files, by how often.
type Done = BTreeMap<&'static str, u32>;

/// Does to the files what a power cut may do.
fn harm(database: &Path, random: &mut Random, done: &mut Done) {
    let beside = |ending: &str| {
        let mut path = database.as_os_str().to_owned();
        path.push(ending);
        std::path::PathBuf::from(path)
    };
    let index = std::fs::read(beside("-shm")).unwrap_or_default();
    // The index is only ever in memory.
    let _ = std::fs::remove_file(beside("-shm"));
    let Ok(mut log) = std::fs::read(beside("-wal")) else { return };
    let Some(Log { page, transactions, copied }) = Log::read(&log, &index) else { return };
    let frames: usize = transactions.iter().map(Vec::len).sum();
    let Some(last) = transactions.last() else { return };
    let begins = last[0].1;
    let ends = last[last.len() - 1].1 + FRAME_HEADER + page;
    let is_only_in_the_log = copied <= frames - last.len();
    let what = match random.below(5) {
        0 if is_only_in_the_log => {
            log.truncate(begins + random.below(ends - begins));
            "last transaction cut"
        }
        1 if is_only_in_the_log => {
            // Sectors that were never written read as nothing.
            for _ in 0..1 + random.below(4) {
                let from = begins + random.below(ends - begins);
                let to = (from / 512 * 512 + 512).min(ends);
                log[from..to].fill(0);
            }
            "last transaction torn"
        }
        2 => {
            // Its end had reached the disk, and after it comes what lay there: a piece of something older.
            let piece: Vec<u8> = log[LOG_HEADER..].iter().copied().take(4_000 + random.below(4_000)).collect();
            log.truncate(ends);
            log.extend(piece);
            "old bytes behind the end"
        }
        3 => {
            let mut pages = std::fs::read(database).unwrap();
            for _ in 0..1 + random.below(3) {
                let (number, _) = transactions[random.below(transactions.len())][0];
                let from = (number - 1) * page;
                if let Some(copy) = pages.get_mut(from..from + page) {
                    copy[random.below(page)..].fill(0);
                }
            }
            std::fs::write(database, pages).unwrap();
            "pages of the database torn"
        }
        _ => "nothing unflushed",
    };
    std::fs::write(beside("-wal"), log).unwrap();
    *done.entry(what).or_default() += 1;
}

#[test]
fn a_power_cut_at_any_moment_costs_no_more_than_the_last_transactions() {
    let cuts = std::env::var("TALLYWELL_CUTS").map_or(6, |cuts| cuts.parse().unwrap());
    let shed = Shed::steady();
    let mut random = Random(std::env::var("TALLYWELL_SEED").map_or(20_261, |seed| seed.parse().unwrap()));
    let (mut seen, mut done) = (Seen::default(), Done::new());
    let begun = Instant::now();
    let first_born = steady_ms();
    for _ in 0..cuts {
        let life = Duration::from_millis(3_000 + u64::try_from(random.below(5_000)).unwrap());
        let born = steady_ms();
        let mut daemon = shed.daemon();
        std::thread::sleep(life);
        assert!(daemon.try_wait().unwrap().is_none(), "it ended by itself:\n{}", shed.log());
        daemon.kill().unwrap();
        let killed = steady_ms();
        daemon.wait().unwrap();
        assert!(!shed.log().contains("damaged"), "{}", shed.log());
        seen.kills += 1;
        harm(&shed.path("kestrel.db"), &mut random, &mut done);
        look(&shed, born, killed, CUT_BOUND_MS, &mut seen);
    }
    let opened = last_life(&shed, first_born, cuts, CUT_BOUND_MS, &mut seen);
    let set_aside = std::fs::read_dir(shed.folder.path()).unwrap().flatten();
    let set_aside = set_aside.filter(|entry| entry.file_name().to_string_lossy().contains("damaged")).count();
    assert_eq!(set_aside, 0, "a store was taken for damaged");
    assert!(!done.is_empty() && seen.readings > 0, "nothing was cut: {done:?} {seen:?}");
    println!(
        "{} cuts in {:.0} s, {done:?}: {seen}; the disagreement opened {} s after the beginning and is open still",
        seen.kills,
        begun.elapsed().as_secs_f64(),
        (opened - first_born) / 1_000,
    );
}

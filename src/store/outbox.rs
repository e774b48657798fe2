//! What waits for a message broker: numbered, in order, until the broker has taken it.
//!
//! The outbox is bounded. When it is full, readings grow thin first: of the older half every second goes, again and again,
//! so that the newest stay dense and the oldest still show the course of a day. Events go, the oldest first, only when no
//! readings are left; disagreements only when no events are left either.

use rusqlite::{Connection, params};

use super::connection::StoreReader;
use super::error::StoreError;

/// What a message weighs when room is short. The lightest go first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// A reading: another follows soon.
    Reading = 0,
    /// An event.
    Event = 1,
    /// A disagreement.
    Disagreement = 2,
}

/// A message on its way into the outbox.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// What it weighs.
    pub weight: Weight,
    /// Where it goes.
    pub topic: String,
    /// One JSON object.
    pub body: String,
}

/// A message that waits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waiting {
    /// Its place among all that ever waited. Numbers are never given twice.
    pub number: i64,
    /// Where it goes.
    pub topic: String,
    /// One JSON object.
    pub body: String,
}

/// With fewer readings than this there is nothing to thin out: they go.
const FEWEST_READINGS: i64 = 64;
/// The bytes that a message takes beside its text.
const OVERHEAD: i64 = 24;

pub(super) fn put(to: &Connection, it: &Outgoing) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT INTO outbox (weight, topic, body) VALUES (?, ?, ?)")?.execute(params![
        it.weight as i64,
        it.topic,
        it.body
    ])?;
    Ok(())
}

/// Takes out everything up to a number.
pub(super) fn taken(to: &Connection, through: i64) -> rusqlite::Result<()> {
    to.prepare_cached("DELETE FROM outbox WHERE number <= ?")?.execute([through])?;
    Ok(())
}

/// Lets messages go until what is left takes no more than `most` bytes. Returns how many went.
pub(super) fn shrink(connection: &mut Connection, most: u64) -> rusqlite::Result<usize> {
    let most = i64::try_from(most).unwrap_or(i64::MAX);
    let transaction = connection.transaction()?;
    let mut gone = 0;
    while bytes(&transaction)? > most {
        let went = lighten(&transaction)?;
        if went == 0 {
            break;
        }
        gone += went;
    }
    transaction.commit()?;
    Ok(gone)
}

fn bytes(of: &Connection) -> rusqlite::Result<i64> {
    of.prepare_cached("SELECT coalesce(sum(length(topic) + length(body) + ?), 0) FROM outbox")?
        .query_row([OVERHEAD], |row| row.get(0))
}

fn lighten(of: &Connection) -> rusqlite::Result<usize> {
    let count = |weight: Weight| {
        of.prepare_cached("SELECT count(*) FROM outbox WHERE weight = ?")?
            .query_row([weight as i64], |row| row.get::<_, i64>(0))
    };
    let oldest = |weight: Weight, most: i64| {
        of.prepare_cached(
            "DELETE FROM outbox WHERE number IN (SELECT number FROM outbox WHERE weight = ? ORDER BY number LIMIT ?)",
        )?
        .execute([weight as i64, most])
    };
    let readings = count(Weight::Reading)?;
    if readings >= FEWEST_READINGS {
        let went = of
            .prepare_cached(
                "DELETE FROM outbox WHERE number IN (
                     SELECT number FROM (
                         SELECT number, row_number() OVER (PARTITION BY topic ORDER BY number) AS place FROM (
                             SELECT number, topic FROM outbox WHERE weight = 0 ORDER BY number LIMIT ?))
                     WHERE place % 2 = 0)",
            )?
            .execute([readings / 2])?;
        if went > 0 {
            return Ok(went);
        }
    }
    if readings > 0 {
        return oldest(Weight::Reading, (readings / 2).max(1));
    }
    let events = count(Weight::Event)?;
    if events > 0 { oldest(Weight::Event, (events / 8).max(1)) } else { oldest(Weight::Disagreement, 1) }
}

impl StoreReader {
    /// The messages that wait after a number, at most so many, in their order. A number that was never given stands for
    /// none: the store was begun anew.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn outbox(&self, after: i64, most: u32) -> Result<Vec<Waiting>, StoreError> {
        let read = || {
            let mut query = self.connection.prepare_cached(
                "SELECT number, topic, body FROM outbox
                 WHERE number > iif(?1 > (SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'outbox'), 0, ?1)
                 ORDER BY number LIMIT ?2",
            )?;
            let found = query.query_map(params![after, most], |row| {
                Ok(Waiting { number: row.get(0)?, topic: row.get(1)?, body: row.get(2)? })
            })?;
            found.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }

    /// How many messages wait.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn outbox_count(&self) -> Result<u64, StoreError> {
        self.connection
            .query_row("SELECT count(*) FROM outbox", [], |row| row.get::<_, i64>(0))
            .map(i64::unsigned_abs)
            .map_err(|source| self.of(source))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Options, Writer};

    fn message(weight: Weight, topic: &str, number: usize) -> Outgoing {
        Outgoing { weight, topic: topic.to_owned(), body: format!("{{\"it\":{number},\"{}\":0}}", "x".repeat(60)) }
    }

    #[test]
    fn what_is_taken_goes_and_the_rest_stays_in_order() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        let writer = Writer::open(&path, Options::default()).unwrap();
        (0..10).for_each(|number| writer.outgoing(message(Weight::Event, "a", number)));
        assert!(writer.flush(std::time::Duration::from_secs(60)));
        writer.taken().through(4);
        assert_eq!(writer.close().trouble, None);
        let reader = StoreReader::open(&path).unwrap();
        let numbers = |after, most| -> Vec<i64> {
            reader.outbox(after, most).unwrap().iter().map(|waiting| waiting.number).collect()
        };
        assert_eq!(numbers(0, 100), [5, 6, 7, 8, 9, 10]);
        assert_eq!(numbers(7, 2), [8, 9]);
        assert_eq!(numbers(5_000, 1), [5], "of another store");

        // Numbers go on though nothing waits.
        drop(reader);
        let writer = Writer::open(&path, Options::default()).unwrap();
        writer.taken().through(10);
        writer.outgoing(message(Weight::Event, "a", 0));
        assert_eq!(writer.close().trouble, None);
        assert_eq!(StoreReader::open(&path).unwrap().outbox(0, 9).unwrap()[0].number, 11);
    }

    #[test]
    fn a_full_outbox_thins_its_old_readings_and_keeps_what_weighs_more() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        let options = Options { outbox: 40_000, tidy_every: std::time::Duration::ZERO, ..Options::default() };
        let writer = Writer::open(&path, options).unwrap();
        for number in 0..1_000 {
            writer.outgoing(message(Weight::Reading, ["a", "b"][number % 2], number));
            if number % 100 == 0 {
                writer.outgoing(message(Weight::Event, "event", number));
                writer.outgoing(message(Weight::Disagreement, "disagreement", number));
            }
        }
        assert_eq!(writer.close().trouble, None);
        let left = StoreReader::open(&path).unwrap().outbox(0, 10_000).unwrap();
        let of = |topic: &str| left.iter().filter(|it| it.topic == topic).map(|it| it.number).collect::<Vec<_>>();
        assert_eq!((of("event").len(), of("disagreement").len()), (10, 10));
        let bytes: usize = left.iter().map(|it| it.topic.len() + it.body.len() + 24).sum();
        assert!((20_000..=40_000).contains(&bytes), "{bytes}");
        // Still from the beginning to the end, the end denser than the beginning.
        for topic in ["a", "b"] {
            let numbers = of(topic);
            assert!(numbers[0] < 10 && *numbers.last().unwrap() > 1_010, "{numbers:?}");
            let late = numbers.iter().filter(|number| **number > 510).count();
            assert!(late > numbers.len() * 6 / 10, "{late} of {}", numbers.len());
        }
    }

    #[test]
    fn disagreements_go_last_and_the_newest_stay() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        let options = Options { outbox: 1_000, tidy_every: std::time::Duration::ZERO, ..Options::default() };
        let writer = Writer::open(&path, options).unwrap();
        for number in 0..30 {
            let weight = [Weight::Reading, Weight::Event, Weight::Disagreement][number % 3];
            writer.outgoing(message(weight, "all", number));
        }
        assert_eq!(writer.close().trouble, None);
        let left = StoreReader::open(&path).unwrap().outbox(0, 100).unwrap();
        assert!(!left.is_empty() && left.iter().all(|it| it.number % 3 == 0), "{left:?}");
        assert_eq!(left.last().unwrap().number, 30);
    }
}

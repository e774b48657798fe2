//! The hourly statistics of the lines: counts and histograms that can be added up over any stretch of time.

use std::io::Cursor;

use hdrhistogram::Histogram;
use hdrhistogram::serialization::{Deserializer, Serializer, V2Serializer};
use rusqlite::{Connection, OptionalExtension, params};
use serde::{Deserialize, Serialize};
use tallywell_witness::units::WallMillis;

use super::connection::StoreReader;
use super::error::StoreError;
use super::log::json;
use super::readings::Span;

const LONGEST_US: u64 = 60_000_000;

/// How often what happened with one device.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Counts {
    /// Sound answers.
    pub replies: u64,
    /// Nothing came.
    pub timeouts: u64,
    /// A whole reply with a wrong checksum.
    pub crc_errors: u64,
    /// The device said that it cannot.
    pub exceptions: u64,
    /// The line fell quiet before the reply was whole.
    pub short_replies: u64,
    /// More came than it should hold.
    pub long_replies: u64,
    /// Another address answered.
    pub wrong_unit: u64,
    /// Another function answered.
    pub wrong_function: u64,
    /// A reply began before it could.
    pub early_replies: u64,
    /// A reply came after another's turn.
    pub late_replies: u64,
    /// Bytes outside any reply.
    pub noise_bytes: u64,
}

impl Counts {
    /// Adds another's counts.
    pub const fn add(&mut self, other: &Self) {
        self.replies += other.replies;
        self.timeouts += other.timeouts;
        self.crc_errors += other.crc_errors;
        self.exceptions += other.exceptions;
        self.short_replies += other.short_replies;
        self.long_replies += other.long_replies;
        self.wrong_unit += other.wrong_unit;
        self.wrong_function += other.wrong_function;
        self.early_replies += other.early_replies;
        self.late_replies += other.late_replies;
        self.noise_bytes += other.noise_bytes;
    }
}

/// One hour of one device, or several added up. Histograms are in microseconds.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceHour {
    /// The line's name.
    pub line: String,
    /// The device's name.
    pub device: String,
    /// Its address.
    pub address: u8,
    /// The beginning of the hour.
    pub hour: WallMillis,
    /// What happened how often.
    pub counts: Counts,
    /// From the end of a request to the first byte of its reply.
    pub reply_us: Histogram<u64>,
    /// From the first byte of a reply to its last.
    pub duration_us: Histogram<u64>,
    /// From the moment at which a request was due to its start.
    pub lateness_us: Histogram<u64>,
}

/// An empty histogram as the hours hold them: 1 us to one minute, three figures; more is counted as a minute.
#[must_use]
pub fn histogram() -> Histogram<u64> {
    Histogram::new_with_bounds(1, LONGEST_US, 3).expect("1 < 60,000,000 / 2 and 3 <= 5 figures are what it asks for")
}

impl DeviceHour {
    /// Adds another hour of the same device.
    pub fn add(&mut self, other: &Self) {
        self.address = other.address;
        self.counts.add(&other.counts);
        for (mine, theirs) in [
            (&mut self.reply_us, &other.reply_us),
            (&mut self.duration_us, &other.duration_us),
            (&mut self.lateness_us, &other.lateness_us),
        ] {
            mine.auto(true);
            // A histogram that resizes itself takes every value.
            let _ = mine.add(theirs);
        }
    }
}

/// One hour of one line, or several added up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineHour {
    /// The line's name.
    pub line: String,
    /// The beginning of the hour.
    pub hour: WallMillis,
    /// Requests sent.
    pub transactions: u64,
    /// Time for which the line was busy.
    pub busy_us: u64,
    /// Time that passed.
    pub elapsed_us: u64,
}

/// Puts an hour of a line into the database, added to what is there of it.
pub(super) fn put_line_hour(to: &Connection, it: &LineHour) -> rusqlite::Result<()> {
    to.prepare_cached(
        "INSERT INTO line_hour (line, hour, transactions, busy_us, elapsed_us) VALUES (?, ?, ?, ?, ?)
         ON CONFLICT (line, hour) DO UPDATE SET transactions = transactions + excluded.transactions,
             busy_us = busy_us + excluded.busy_us, elapsed_us = elapsed_us + excluded.elapsed_us",
    )?
    .execute(params![it.line, it.hour.0, signed(it.transactions), signed(it.busy_us), signed(it.elapsed_us)])?;
    Ok(())
}

/// Puts an hour of a device into the database, added to what is there of it.
pub(super) fn put_device_hour(to: &Connection, it: &DeviceHour) -> rusqlite::Result<()> {
    let there = to
        .prepare_cached(
            "SELECT line, device, address, hour, counts, reply, duration, lateness FROM device_hour
             WHERE line = ? AND device = ? AND hour = ?",
        )?
        .query_row(params![it.line, it.device, it.hour.0], device_hour)
        .optional()?;
    let sum = match there {
        Some(mut there) => {
            there.add(it);
            there
        }
        None => it.clone(),
    };
    to.prepare_cached(
        "INSERT OR REPLACE INTO device_hour (line, device, hour, address, counts, reply, duration, lateness)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        sum.line,
        sum.device,
        sum.hour.0,
        sum.address,
        json(&sum.counts)?,
        bytes(&sum.reply_us)?,
        bytes(&sum.duration_us)?,
        bytes(&sum.lateness_us)?
    ])?;
    Ok(())
}

impl StoreReader {
    /// The hours of the lines that begin in `span`, by line and time.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn line_hours(&self, span: Span) -> Result<Vec<LineHour>, StoreError> {
        let read = || {
            let (from, to) = span.bounds();
            let mut query = self.connection.prepare_cached(
                "SELECT line, hour, transactions, busy_us, elapsed_us FROM line_hour
                 WHERE hour >= ? AND hour < ? ORDER BY line, hour",
            )?;
            let rows = query.query_map([from, to], |row| {
                Ok(LineHour {
                    line: row.get(0)?,
                    hour: WallMillis(row.get(1)?),
                    transactions: row.get::<_, i64>(2)?.unsigned_abs(),
                    busy_us: row.get::<_, i64>(3)?.unsigned_abs(),
                    elapsed_us: row.get::<_, i64>(4)?.unsigned_abs(),
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }

    /// The hours of the devices that begin in `span`, by line, device and time.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn device_hours(&self, span: Span) -> Result<Vec<DeviceHour>, StoreError> {
        let read = || {
            let (from, to) = span.bounds();
            let mut query = self.connection.prepare_cached(
                "SELECT line, device, address, hour, counts, reply, duration, lateness FROM device_hour
                 WHERE hour >= ? AND hour < ? ORDER BY line, device, hour",
            )?;
            let rows = query.query_map([from, to], device_hour)?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }
}

fn device_hour(row: &rusqlite::Row<'_>) -> rusqlite::Result<DeviceHour> {
    let counts: String = row.get(4)?;
    Ok(DeviceHour {
        line: row.get(0)?,
        device: row.get(1)?,
        address: row.get(2)?,
        hour: WallMillis(row.get(3)?),
        counts: serde_json::from_str(&counts).map_err(|error| not_understood(4, error))?,
        reply_us: stored_histogram(row, 5)?,
        duration_us: stored_histogram(row, 6)?,
        lateness_us: stored_histogram(row, 7)?,
    })
}

fn stored_histogram(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<Histogram<u64>> {
    let bytes: Vec<u8> = row.get(column)?;
    Deserializer::new().deserialize(&mut Cursor::new(bytes)).map_err(|error| not_understood(column, error))
}

fn not_understood(column: usize, error: impl std::error::Error + Send + Sync + 'static) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Blob, Box::new(error))
}

fn bytes(histogram: &Histogram<u64>) -> rusqlite::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    V2Serializer::new()
        .serialize(histogram, &mut bytes)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
    Ok(bytes)
}

/// SQLite has no unsigned integers; nothing counted here comes near the bound.
fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

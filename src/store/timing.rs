//! The hourly statistics of the lines, as the lines encode them: parts that can be added up over any stretch of time.

use rusqlite::{Connection, params};
use tallywell_witness::units::WallMillis;

use super::connection::StoreReader;
use super::error::StoreError;
use super::readings::Span;

/// What one line did for at most an hour. Put again with the same beginning, it takes the place of what was there, so that
/// the hour that runs can be kept now and then.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineHour {
    /// The line's name.
    pub line: String,
    /// When this stretch began.
    pub began: WallMillis,
    /// Requests sent.
    pub transactions: u64,
    /// Requests that somebody else sent, where this program polls.
    pub foreign_requests: u64,
    /// Time for which the line was busy.
    pub busy_us: u64,
    /// Time that passed.
    pub elapsed_us: u64,
    /// How another master polls it, as the line encodes it, where it is listened to.
    pub master: Option<Vec<u8>>,
    /// Its devices.
    pub devices: Vec<DeviceHour>,
}

/// The same stretch of one device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceHour {
    /// The device's name.
    pub device: String,
    /// Its address then.
    pub address: u8,
    /// Counts and histograms, as the line encodes them.
    pub timing: Vec<u8>,
}

pub(super) fn put_line_hour(to: &Connection, it: &LineHour) -> rusqlite::Result<()> {
    let part: i64 = to
        .prepare_cached(
            "INSERT INTO line_hour (line, began, transactions, foreign_requests, busy_us, elapsed_us, master)
             VALUES (?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT (line, began) DO UPDATE SET transactions = excluded.transactions,
                 foreign_requests = excluded.foreign_requests, busy_us = excluded.busy_us,
                 elapsed_us = excluded.elapsed_us, master = excluded.master
             RETURNING id",
        )?
        .query_row(
            params![
                it.line,
                it.began.0,
                signed(it.transactions),
                signed(it.foreign_requests),
                signed(it.busy_us),
                signed(it.elapsed_us),
                it.master
            ],
            |row| row.get(0),
        )?;
    for device in &it.devices {
        to.prepare_cached(
            "INSERT OR REPLACE INTO device_hour (line_hour, device, address, timing) VALUES (?, ?, ?, ?)",
        )?
        .execute(params![part, device.device, device.address, device.timing])?;
    }
    Ok(())
}

impl StoreReader {
    /// The hours of the lines that reach into `span`, by line and time.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn line_hours(&self, span: Span) -> Result<Vec<LineHour>, StoreError> {
        let read = || {
            let (from, to) = span.bounds();
            let mut lines = self.connection.prepare_cached(
                "SELECT id, line, began, transactions, busy_us, elapsed_us, master, foreign_requests FROM line_hour
                 WHERE began + elapsed_us / 1000 >= ? AND began < ? ORDER BY line, began",
            )?;
            let mut devices = self.connection.prepare_cached(
                "SELECT device, address, timing FROM device_hour WHERE line_hour = ? ORDER BY device",
            )?;
            let mut rows = lines.query([from, to])?;
            let mut hours = Vec::new();
            while let Some(row) = rows.next()? {
                let of_part = devices.query_map([row.get::<_, i64>(0)?], |row| {
                    Ok(DeviceHour { device: row.get(0)?, address: row.get(1)?, timing: row.get(2)? })
                })?;
                hours.push(LineHour {
                    line: row.get(1)?,
                    began: WallMillis(row.get(2)?),
                    transactions: row.get::<_, i64>(3)?.unsigned_abs(),
                    foreign_requests: row.get::<_, i64>(7)?.unsigned_abs(),
                    busy_us: row.get::<_, i64>(4)?.unsigned_abs(),
                    elapsed_us: row.get::<_, i64>(5)?.unsigned_abs(),
                    master: row.get(6)?,
                    devices: of_part.collect::<rusqlite::Result<_>>()?,
                });
            }
            Ok(hours)
        };
        read().map_err(|source| self.of(source))
    }
}

/// SQLite has no unsigned integers; nothing counted here comes near the bound.
fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

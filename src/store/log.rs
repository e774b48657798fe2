//! What is kept for ever: disagreements, events, steps, notes, settings, hourly summaries; and the tallies' own memory.

use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use tallywell_witness::declared::{Dimension, Setting};
use tallywell_witness::tally::{Between, Disagreement, Event, HourlySummary, Noted, NotedReading, Step};
use tallywell_witness::trial::record::Trial;
use tallywell_witness::units::{WallMillis, parse};

use super::connection::StoreReader;
use super::error::StoreError;
use super::readings::Span;

/// A disagreement and the cause that was found for it.
#[derive(Clone, Debug, PartialEq)]
pub struct LoggedDisagreement {
    /// As the tally told it last.
    pub disagreement: Disagreement,
    /// The code of the likeliest cause, once it was looked for.
    pub cause: Option<String>,
}

/// Something that a person wrote down about a meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// The meter's name.
    pub meter: String,
    /// The moment that it is about.
    pub at: WallMillis,
    /// When it was written.
    pub written: WallMillis,
    /// What it says.
    #[serde(flatten)]
    pub what: NoteKind,
}

impl Note {
    /// The figure that it holds of the receiver, if it is one that can be held against the signal.
    #[must_use]
    pub fn of_receiver(&self) -> Option<NotedReading> {
        let NoteKind::Reading { of: ReadBy::Receiver, value, unit, .. } = &self.what else { return None };
        let written = format!("{value} {unit}");
        let quantity = |dimension| parse::quantity(&written, dimension).ok();
        let (of, quantity) = match quantity(Dimension::Volume) {
            Some(volume) => (Noted::Total, volume),
            None => (Noted::Flow, quantity(Dimension::Flow)?),
        };
        Some(NotedReading::new(of, self.at, *value, quantity.unit.to_base))
    }
}

/// What a note says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum NoteKind {
    /// Words.
    Remark {
        /// The words.
        text: String,
    },
    /// A reading taken by hand.
    Reading {
        /// Where it was read.
        of: ReadBy,
        /// The figure, in `unit`.
        value: f64,
        /// As it was written, for instance `m3`.
        unit: String,
        /// Words beside it.
        text: String,
    },
    /// From here on readings are kept but judged by nothing.
    MaintenanceBegins {
        /// Words beside it.
        text: String,
    },
    /// Readings are judged again.
    MaintenanceEnds {
        /// Words beside it.
        text: String,
    },
    /// A trial run that was made, with all that it found.
    Trial {
        /// What it found.
        result: Box<Trial>,
    },
}

/// Where a person took a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReadBy {
    /// The meter's own display.
    Display,
    /// A bill.
    Invoice,
    /// A tank, scale or reference meter.
    Reference,
    /// The receiver: a controller's or biller's display.
    Receiver,
}

/// A file that left the store as an export or a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HandedOut {
    /// When.
    pub at: WallMillis,
    /// `export` or `report`, and what of.
    pub what: String,
    /// The meter's name.
    pub meter: String,
    /// The hash of its bytes, in hexadecimal.
    pub sha256: String,
}

pub(super) fn put_disagreement(to: &Connection, it: &Disagreement, cause: Option<&str>) -> rusqlite::Result<()> {
    to.prepare_cached(
        "INSERT INTO disagreement (meter, tally, opened, closed, cause, body) VALUES (?, ?, ?, ?, ?, ?)
         ON CONFLICT (meter, tally, opened) DO UPDATE SET
             closed = excluded.closed, cause = coalesce(excluded.cause, cause), body = excluded.body",
    )?
    .execute(params![
        it.meter,
        between_name(it.between),
        it.opened.wall.0,
        it.closed.map(|closed| closed.wall.0),
        cause,
        json(it)?
    ])?;
    Ok(())
}

/// By what an event is told from others that began at the same moment.
pub(super) fn kind_and_subject(it: &Event) -> rusqlite::Result<(String, String)> {
    let what = serde_json::to_value(&it.what).map_err(not_json)?;
    let word = |key: &str| what.get(key).and_then(serde_json::Value::as_str).unwrap_or_default();
    Ok((word("kind").to_owned(), ["name", "witness", "device", "setting", "state"].map(word).concat()))
}

pub(super) fn put_event(to: &Connection, it: &Event) -> rusqlite::Result<()> {
    let (kind, subject) = kind_and_subject(it)?;
    to.prepare_cached(
        "INSERT INTO event (meter, kind, subject, began, ended, body) VALUES (?, ?, ?, ?, ?, ?)
         ON CONFLICT (meter, kind, subject, began) DO UPDATE SET ended = excluded.ended, body = excluded.body",
    )?
    .execute(params![it.meter, kind, subject, it.began.wall.0, it.ended.map(|ended| ended.wall.0), json(it)?])?;
    Ok(())
}

pub(super) fn put_step(to: &Connection, meter: i64, it: &Step) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT INTO step (meter, tally, at, body) VALUES (?, ?, ?, ?)")?.execute(params![
        meter,
        between_name(it.between),
        it.at.wall.0,
        json(it)?
    ])?;
    Ok(())
}

pub(super) fn put_note(to: &Connection, it: &Note) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT INTO note (meter, at, written, body) VALUES (?, ?, ?, ?)")?.execute(params![
        it.meter,
        it.at.0,
        it.written.0,
        json(it)?
    ])?;
    Ok(())
}

pub(super) fn put_setting(
    to: &Connection,
    meter: &str,
    setting: Setting,
    at: WallMillis,
    value: f64,
) -> rusqlite::Result<()> {
    // The latest by its time is the one that holds: after the clock was set back, it has to come after the one before.
    to.prepare_cached(
        "INSERT OR REPLACE INTO setting (meter, setting, at, value)
         SELECT ?1, ?2, max(?3, coalesce(max(at) + 1, ?3)), ?4 FROM setting WHERE meter = ?1 AND setting = ?2",
    )?
    .execute(params![meter, json(&setting)?, at.0, value])?;
    Ok(())
}

/// Of an hour that was kept in part, this is the rest or the whole: see [`HourlySummary::joined`].
pub(super) fn put_hour(to: &Connection, it: &HourlySummary) -> rusqlite::Result<()> {
    let kept: Option<String> = to
        .prepare_cached("SELECT body FROM hour WHERE meter = ? AND hour = ?")?
        .query_row(params![it.meter, it.hour.0], |row| row.get(0))
        .optional()?;
    // What an older program kept and this one cannot read gives way.
    let kept: Option<HourlySummary> = kept.and_then(|body| serde_json::from_str(&body).ok());
    let it = &kept.map_or_else(|| it.clone(), |kept| kept.joined(it.clone()));
    to.prepare_cached("INSERT OR REPLACE INTO hour (meter, hour, body) VALUES (?, ?, ?)")?.execute(params![
        it.meter,
        it.hour.0,
        json(it)?
    ])?;
    Ok(())
}

pub(super) fn put_tally_state(
    to: &Connection,
    meter: &str,
    version: u32,
    at: WallMillis,
    body: &[u8],
) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT OR REPLACE INTO tally_state (meter, version, at, body) VALUES (?, ?, ?, ?)")?
        .execute(params![meter, version, at.0, body])?;
    Ok(())
}

pub(super) fn put_handed_out(to: &Connection, it: &HandedOut) -> rusqlite::Result<()> {
    to.prepare_cached("INSERT INTO handed_out (at, what, meter, sha256) VALUES (?, ?, ?, ?)")?
        .execute(params![it.at.0, it.what, it.meter, it.sha256])?;
    Ok(())
}

impl StoreReader {
    /// The disagreements that stood open at some moment of `span`, in the order in which they opened.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn disagreements(&self, meter: Option<&str>, span: Span) -> Result<Vec<LoggedDisagreement>, StoreError> {
        self.bodies(
            "SELECT body, cause FROM disagreement
             WHERE (?1 IS NULL OR meter = ?1) AND opened < ?3 AND coalesce(closed, 9223372036854775807) >= ?2
             ORDER BY opened, id",
            (meter, span),
            |disagreement, row| Ok(LoggedDisagreement { disagreement, cause: row.get(1)? }),
        )
    }

    /// The events that lasted into `span`, in the order in which they began.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn events(&self, meter: Option<&str>, span: Span) -> Result<Vec<Event>, StoreError> {
        self.bodies(
            "SELECT body FROM event
             WHERE (?1 IS NULL OR meter = ?1) AND began < ?3 AND coalesce(ended, 9223372036854775807) >= ?2
             ORDER BY began, id",
            (meter, span),
            |event, _| Ok(event),
        )
    }

    /// The single steps between counts in `span`, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn steps(&self, meter: Option<&str>, span: Span) -> Result<Vec<Step>, StoreError> {
        self.bodies(
            "SELECT step.body FROM step JOIN meter ON meter.id = step.meter
             WHERE (?1 IS NULL OR meter.name = ?1) AND step.at < ?3 AND step.at >= ?2 ORDER BY step.at, step.rowid",
            (meter, span),
            |step, _| Ok(step),
        )
    }

    /// The notes about moments in `span`, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn notes(&self, meter: Option<&str>, span: Span) -> Result<Vec<Note>, StoreError> {
        self.bodies(
            "SELECT body FROM note WHERE (?1 IS NULL OR meter = ?1) AND at < ?3 AND at >= ?2 ORDER BY at, id",
            (meter, span),
            |note, _| Ok(note),
        )
    }

    /// The stretches of maintenance that reach into `span`: begin, and end where it has ended.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn maintenance(&self, meter: &str, span: Span) -> Result<Vec<(WallMillis, Option<WallMillis>)>, StoreError> {
        let mut stretches: Vec<(WallMillis, Option<WallMillis>)> = Vec::new();
        for note in self.notes(Some(meter), Span { from: None, to: span.to })? {
            let open = stretches.last_mut().filter(|(_, ended)| ended.is_none());
            match (note.what, open) {
                (NoteKind::MaintenanceBegins { .. }, None) => stretches.push((note.at, None)),
                (NoteKind::MaintenanceEnds { .. }, Some((_, ended))) => *ended = Some(note.at),
                _ => {}
            }
        }
        stretches.retain(|(_, ended)| ended.is_none_or(|ended| span.from.is_none_or(|from| ended > from)));
        Ok(stretches)
    }

    /// The hourly summaries that begin in `span`, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn hours(&self, meter: Option<&str>, span: Span) -> Result<Vec<HourlySummary>, StoreError> {
        self.bodies(
            "SELECT body FROM hour WHERE (?1 IS NULL OR meter = ?1) AND hour < ?3 AND hour >= ?2 ORDER BY hour, meter",
            (meter, span),
            |hour, _| Ok(hour),
        )
    }

    /// What each setting of a meter was read as last, in the setting's base unit.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn settings(&self, meter: &str) -> Result<Vec<(Setting, f64)>, StoreError> {
        self.settings_before(meter, None)
    }

    /// The same for what was read before a moment.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn settings_before(&self, meter: &str, to: Option<WallMillis>) -> Result<Vec<(Setting, f64)>, StoreError> {
        let read = || {
            let mut query = self.connection.prepare_cached(
                "SELECT setting, value, max(at) FROM setting WHERE meter = ?1 AND at < ?2 GROUP BY setting ORDER BY setting",
            )?;
            let to = to.map_or(i64::MAX, |to| to.0);
            let rows = query.query_map(params![meter, to], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let rows = read().map_err(|source| self.of(source))?;
        // One that a disk has changed does not hide the others.
        let understood = rows.into_iter().map(|(setting, value)| (self.understood(setting.as_bytes()), value));
        Ok(understood.filter_map(|(setting, value)| Some((setting.ok()?, value))).collect())
    }

    /// What a meter's tallies remembered, and the version that wrote it.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn tally_state(&self, meter: &str) -> Result<Option<(u32, Vec<u8>)>, StoreError> {
        self.connection
            .query_row("SELECT version, body FROM tally_state WHERE meter = ?", [meter], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .optional()
            .map_err(|source| self.of(source))
    }

    /// The files that left the store, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn handed_out(&self) -> Result<Vec<HandedOut>, StoreError> {
        let read = || {
            let mut query =
                self.connection.prepare_cached("SELECT at, what, meter, sha256 FROM handed_out ORDER BY id")?;
            let rows = query.query_map([], |row| {
                Ok(HandedOut {
                    at: WallMillis(row.get(0)?),
                    what: row.get(1)?,
                    meter: row.get(2)?,
                    sha256: row.get(3)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }

    /// Reads rows whose first column is JSON; `?1` is the meter, `?2` and `?3` are the span. One that a disk has changed so
    /// that it cannot be understood is said and left out: the others are as good as before.
    fn bodies<T: DeserializeOwned, U>(
        &self,
        query: &str,
        (meter, span): (Option<&str>, Span),
        mut make: impl FnMut(T, &Row<'_>) -> rusqlite::Result<U>,
    ) -> Result<Vec<U>, StoreError> {
        let of = |source| self.of(source);
        let (from, to) = span.bounds();
        let mut query = self.connection.prepare_cached(query).map_err(of)?;
        let mut rows = query.query(params![meter, from, to]).map_err(of)?;
        let mut made = Vec::new();
        while let Some(row) = rows.next().map_err(of)? {
            let body = row.get_ref(0).map_err(of)?.as_bytes().unwrap_or_default();
            match self.understood(body) {
                Ok(understood) => made.push(make(understood, row).map_err(of)?),
                Err(error) => tracing::warn!("{error}"),
            }
        }
        Ok(made)
    }

    fn understood<T: DeserializeOwned>(&self, body: &[u8]) -> Result<T, StoreError> {
        serde_json::from_slice(body).map_err(|error| StoreError::Row {
            path: self.path.clone(),
            what: format!("an entry that cannot be understood ({error})"),
        })
    }
}

pub(super) fn json(value: &impl Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(value).map_err(not_json)
}

fn not_json(error: serde_json::Error) -> rusqlite::Error {
    rusqlite::Error::ToSqlConversionFailure(error.into())
}

/// The name of a tally as the store writes it.
#[must_use]
pub fn between_name(between: Between) -> String {
    between.words().join("/")
}

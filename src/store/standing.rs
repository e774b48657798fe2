//! What stands now: a database that is begun anew in the place of one that was damaged or deleted has to be told it, or what
//! is open would be forgotten, and with the next start the tallies too.

use std::collections::BTreeMap;

use rusqlite::{Connection, Row};
use serde::de::DeserializeOwned;
use tallywell_witness::declared::Setting;
use tallywell_witness::tally::{Between, Disagreement, Event};
use tallywell_witness::units::WallMillis;

use super::log::{self, Note, NoteKind};
use super::queue::Lasting;

/// The latest memory of a meter's tallies: version, time, body.
type TallyState = (u32, WallMillis, Vec<u8>);

/// Meter, witnesses, and when it opened.
type DisagreementKey = (String, Between, WallMillis);

/// Meter, kind, subject, and when it began.
type EventKey = (String, String, String, WallMillis);

/// What stands now, as far as it was put into a database.
#[derive(Debug, Default)]
pub(super) struct Standing {
    /// With their causes.
    disagreements: BTreeMap<DisagreementKey, (Box<Disagreement>, Option<String>)>,
    events: BTreeMap<EventKey, Box<Event>>,
    tally_states: BTreeMap<String, TallyState>,
    settings: BTreeMap<(String, Setting), (WallMillis, f64)>,
    /// The beginning of maintenance that has not ended, by meter.
    maintenance: BTreeMap<String, Note>,
}

impl Standing {
    /// What stands in a database. What cannot be understood is left out.
    pub(super) fn of(connection: &Connection) -> rusqlite::Result<Self> {
        let mut standing = Self::default();
        let disagreements = "SELECT body, cause FROM disagreement WHERE closed IS NULL";
        each(connection, disagreements, |row| {
            if let Some(it) = understood(row)? {
                standing.take(Lasting::Disagreement(Box::new(it), row.get(1)?));
            }
            Ok(())
        })?;
        each(connection, "SELECT body FROM event WHERE ended IS NULL", |row| {
            if let Some(it) = understood(row)? {
                standing.take(Lasting::Event(Box::new(it)));
            }
            Ok(())
        })?;
        each(connection, "SELECT body, meter, version, at FROM tally_state", |row| {
            let (body, meter, version, at) = (row.get(0)?, row.get(1)?, row.get(2)?, WallMillis(row.get(3)?));
            standing.take(Lasting::TallyState { meter, version, at, body });
            Ok(())
        })?;
        each(connection, "SELECT setting, meter, at, value FROM setting ORDER BY at", |row| {
            if let Some(setting) = understood(row)? {
                let (meter, at, value) = (row.get(1)?, WallMillis(row.get(2)?), row.get(3)?);
                standing.take(Lasting::Setting { meter, setting, at, value });
            }
            Ok(())
        })?;
        each(connection, "SELECT body FROM note ORDER BY at, id", |row| {
            if let Some(note) = understood(row)? {
                standing.take(Lasting::Note(note));
            }
            Ok(())
        })?;
        Ok(standing)
    }

    /// Takes what was put into the database.
    pub(super) fn take(&mut self, lasting: Lasting) {
        match lasting {
            Lasting::Disagreement(it, cause) => {
                let key = (it.meter.clone(), it.between, it.opened.wall);
                let known = self.disagreements.remove(&key);
                if it.closed.is_none() {
                    let cause = cause.or_else(|| known?.1);
                    self.disagreements.insert(key, (it, cause));
                }
            }
            Lasting::Event(it) => {
                // What has no name has no place in the database either.
                let Ok((kind, subject)) = log::kind_and_subject(&it) else { return };
                let key = (it.meter.clone(), kind, subject, it.began.wall);
                if it.ended.is_some() {
                    self.events.remove(&key);
                } else {
                    self.events.insert(key, it);
                }
            }
            Lasting::TallyState { meter, version, at, body } => {
                self.tally_states.insert(meter, (version, at, body));
            }
            Lasting::Setting { meter, setting, at, value } => {
                self.settings.insert((meter, setting), (at, value));
            }
            Lasting::Note(note) => match note.what {
                NoteKind::MaintenanceBegins { .. } => {
                    self.maintenance.entry(note.meter.clone()).or_insert(note);
                }
                NoteKind::MaintenanceEnds { .. } => {
                    self.maintenance.remove(&note.meter);
                }
                NoteKind::Remark { .. } | NoteKind::Reading { .. } | NoteKind::Trial { .. } => {}
            },
            Lasting::Run(_)
            | Lasting::Step(..)
            | Lasting::Hour(_)
            | Lasting::LineHour(_)
            | Lasting::HandedOut(_)
            | Lasting::Outgoing(_)
            | Lasting::Taken(_) => {}
        }
    }

    /// Puts all of it into a new database.
    pub(super) fn put(&self, to: &Connection) -> rusqlite::Result<()> {
        for (it, cause) in self.disagreements.values() {
            log::put_disagreement(to, it, cause.as_deref())?;
        }
        for it in self.events.values() {
            log::put_event(to, it)?;
        }
        for (meter, (version, at, body)) in &self.tally_states {
            log::put_tally_state(to, meter, *version, *at, body)?;
        }
        for ((meter, setting), (at, value)) in &self.settings {
            log::put_setting(to, meter, *setting, *at, *value)?;
        }
        self.maintenance.values().try_for_each(|note| log::put_note(to, note))
    }
}

fn each(
    connection: &Connection,
    query: &str,
    mut take: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut query = connection.prepare(query)?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        take(row)?;
    }
    Ok(())
}

/// The first column, read from JSON.
fn understood<T: DeserializeOwned>(row: &Row<'_>) -> rusqlite::Result<Option<T>> {
    Ok(row.get_ref(0)?.as_bytes().ok().and_then(|body| serde_json::from_slice(body).ok()))
}

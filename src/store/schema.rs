//! The layout of the database, and how an older one is brought up to date.

use std::collections::BTreeSet;

use rusqlite::Connection;

/// Marks a database as ours: "tlyw".
pub(super) const APPLICATION: i64 = 0x746C_7977;

/// The steps from an empty database to today's layout. A step that was ever released is never edited: changes are new
/// steps, and each step adds a table or a column: by them a number is known that a disk has changed. The layout's number is
/// how many steps a database has taken, its `user_version`.
const STEPS: [&str; 4] = [
    "
    -- Meters keep their number when the site file forgets them: their readings may be asked for.
    CREATE TABLE meter (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);

    -- One run is a stretch of the daemon with one set of declarations. Two runs of one boot share a steady clock.
    CREATE TABLE run (
        id INTEGER PRIMARY KEY,
        boot TEXT NOT NULL,
        began INTEGER NOT NULL,             -- wall ms
        program TEXT NOT NULL,
        clock_synchronised INTEGER          -- 0, 1, or NULL: not known
    );
    CREATE TABLE document (sha256 TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE declared (
        run INTEGER NOT NULL REFERENCES run,
        path TEXT NOT NULL,
        sha256 TEXT NOT NULL REFERENCES document,
        PRIMARY KEY (run, path)
    ) WITHOUT ROWID;

    -- Readings not yet sealed, in the order of their arrival; no index, so that a transaction touches few pages.
    CREATE TABLE reading (
        arrival INTEGER PRIMARY KEY,
        meter INTEGER NOT NULL,
        run INTEGER NOT NULL,
        sequence INTEGER NOT NULL,          -- of the meter, without gaps
        at INTEGER NOT NULL,                -- steady ms
        wall INTEGER NOT NULL,              -- wall ms
        witnesses BLOB NOT NULL
    );
    -- Sealed stretches of readings of one meter and one run, column by column.
    CREATE TABLE stretch (
        id INTEGER PRIMARY KEY,
        meter INTEGER NOT NULL,
        run INTEGER NOT NULL,
        first_sequence INTEGER NOT NULL,
        readings INTEGER NOT NULL,
        earliest INTEGER NOT NULL,          -- wall ms
        latest INTEGER NOT NULL,            -- wall ms
        ahead_least INTEGER NOT NULL,       -- wall less steady, ms
        ahead_most INTEGER NOT NULL,
        columns BLOB NOT NULL
    );
    CREATE UNIQUE INDEX stretch_of_meter ON stretch (meter, first_sequence);

    CREATE TABLE disagreement (
        id INTEGER PRIMARY KEY,
        meter TEXT NOT NULL,
        tally TEXT NOT NULL,              -- 'total/pulse'
        opened INTEGER NOT NULL,            -- wall ms
        closed INTEGER,                     -- wall ms
        cause TEXT,
        body TEXT NOT NULL,
        UNIQUE (meter, tally, opened)
    );
    CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        meter TEXT NOT NULL,
        kind TEXT NOT NULL,
        subject TEXT NOT NULL,              -- which status bit, witness or setting; may be empty
        began INTEGER NOT NULL,             -- wall ms
        ended INTEGER,                      -- wall ms
        body TEXT NOT NULL,
        UNIQUE (meter, kind, subject, began)
    );
    CREATE TABLE step (meter INTEGER NOT NULL, tally TEXT NOT NULL, at INTEGER NOT NULL, body TEXT NOT NULL);
    CREATE TABLE note (
        id INTEGER PRIMARY KEY,
        meter TEXT NOT NULL,
        at INTEGER NOT NULL,                -- wall ms: the moment that the note is about
        written INTEGER NOT NULL,           -- wall ms
        body TEXT NOT NULL
    );
    CREATE TABLE setting (
        meter TEXT NOT NULL,
        setting TEXT NOT NULL,
        at INTEGER NOT NULL,                -- wall ms
        value REAL NOT NULL,                -- in the setting's base unit
        PRIMARY KEY (meter, setting, at)
    ) WITHOUT ROWID;
    CREATE TABLE hour (
        meter TEXT NOT NULL,
        hour INTEGER NOT NULL,              -- wall ms
        body TEXT NOT NULL,
        PRIMARY KEY (meter, hour)
    ) WITHOUT ROWID;
    CREATE TABLE tally_state (
        meter TEXT PRIMARY KEY,
        version INTEGER NOT NULL,
        at INTEGER NOT NULL,                -- wall ms
        body BLOB NOT NULL
    );

    -- Stretches of at most an hour each: they add up.
    CREATE TABLE line_hour (
        id INTEGER PRIMARY KEY,
        line TEXT NOT NULL,
        began INTEGER NOT NULL,             -- wall ms
        transactions INTEGER NOT NULL,
        busy_us INTEGER NOT NULL,
        elapsed_us INTEGER NOT NULL,
        UNIQUE (line, began)
    );
    CREATE TABLE device_hour (
        line_hour INTEGER NOT NULL REFERENCES line_hour,
        device TEXT NOT NULL,
        address INTEGER NOT NULL,
        timing BLOB NOT NULL,               -- counts and HDR histograms, as the line encodes them
        PRIMARY KEY (line_hour, device)
    ) WITHOUT ROWID;

    -- The hash of each file that left the store as an export or a report.
    CREATE TABLE handed_out (
        id INTEGER PRIMARY KEY,
        at INTEGER NOT NULL,                -- wall ms
        what TEXT NOT NULL,
        meter TEXT NOT NULL,
        sha256 TEXT NOT NULL
    );
",
    "
    -- What waits for a message broker. Numbers are never given twice: whoever gets the messages tells by them what came
    -- before.
    CREATE TABLE outbox (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        weight INTEGER NOT NULL,            -- 0 reading, 1 event, 2 disagreement
        topic TEXT NOT NULL,
        body TEXT NOT NULL
    );
",
    "
    -- How another master polls a line that is only listened to, as the line encodes it.
    ALTER TABLE line_hour ADD COLUMN master BLOB;
",
    "
    -- Requests of somebody else, heard on a line that this program polls.
    ALTER TABLE line_hour ADD COLUMN foreign_requests INTEGER NOT NULL DEFAULT 0;
",
];

/// The layout that this version writes.
#[expect(clippy::cast_possible_wrap, reason = "there will never be that many steps")]
pub(super) const LAYOUT: i64 = STEPS.len() as i64;

/// A layout beyond this was never written by any version.
const PLAUSIBLE_LAYOUT: i64 = 1000;

/// Tables that no other program is likely to have, each with the beginning of the text that made it.
pub(super) fn tables() -> impl Iterator<Item = (&'static str, &'static str)> {
    let names = ["stretch", "disagreement", "tally_state", "line_hour", "device_hour", "handed_out"];
    names.into_iter().filter_map(|name| {
        let begins = STEPS[0].find(&format!("CREATE TABLE {name} ("))?;
        // Two columns: the whole text may go on behind another page.
        let length = STEPS[0][begins..].match_indices(',').nth(1)?.0;
        Some((name, &STEPS[0][begins..begins + length]))
    })
}

/// Whose database this is, and how far it has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Found {
    /// Nothing in it.
    Empty,
    /// Another program's.
    Foreign,
    /// Ours, with this layout.
    Ours(i64),
    /// Ours, with a layout that its tables do not have.
    Contradictory,
}

/// Looks whose database it is.
pub(super) fn look(connection: &Connection) -> rusqlite::Result<Found> {
    let number = |pragma: &str| connection.query_row(pragma, [], |row| row.get::<_, i64>(0));
    let layout = number("PRAGMA user_version")?;
    match number("PRAGMA application_id")? {
        APPLICATION if layout == LAYOUT || is_true(connection, layout)? => Ok(Found::Ours(layout)),
        APPLICATION => Ok(Found::Contradictory),
        0 if layout == 0 && number("SELECT count(*) FROM sqlite_schema")? == 0 => Ok(Found::Empty),
        _ => Ok(Found::Foreign),
    }
}

/// Holds another layout than today's against the tables and columns that there are.
fn is_true(connection: &Connection, layout: i64) -> rusqlite::Result<bool> {
    let found = columns(connection)?;
    let mut taken = Connection::open_in_memory()?;
    // The layouts that this version knows, whose columns are all there.
    let mut latest = 0;
    for (number, step) in (1_i64..).zip(STEPS) {
        take_step(&mut taken, number, step)?;
        if columns(&taken)?.is_subset(&found) {
            latest = number;
        }
    }
    let has_more = columns(&taken)? != found;
    Ok(layout == latest || (LAYOUT < layout && layout <= PLAUSIBLE_LAYOUT && has_more))
}

/// Each column with its table.
fn columns(connection: &Connection) -> rusqlite::Result<BTreeSet<(String, String)>> {
    let mut query = connection.prepare(
        "SELECT listed.name, held.name FROM sqlite_schema AS listed JOIN pragma_table_info(listed.name) AS held
         WHERE listed.type = 'table'",
    )?;
    query.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

/// Takes the steps that are missing, each in a transaction of its own.
pub(super) fn bring_up_to_date(connection: &mut Connection, layout: i64) -> rusqlite::Result<()> {
    for (number, step) in (1_i64..).zip(STEPS).filter(|(number, _)| *number > layout) {
        take_step(connection, number, step)?;
    }
    Ok(())
}

fn take_step(connection: &mut Connection, number: i64, step: &str) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(step)?;
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", number)?;
    transaction.commit()
}

//! What was declared when, by whose clock: what may be asked for when somebody doubts a figure years later.

use rusqlite::{Connection, params};
use sha2::{Digest, Sha256};
use tallywell_witness::units::WallMillis;

use super::connection::StoreReader;
use super::error::StoreError;

/// A stretch of the daemon with one set of declarations: it began, or it read its files again.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Run {
    /// Tells one start of the machine from another: two runs with the same have the same steady clock.
    pub boot: String,
    /// When it began.
    pub began: WallMillis,
    /// The program and its version.
    pub program: String,
    /// Whether the clock on the wall was held right by another, where known.
    pub clock_synchronised: Option<bool>,
    /// The site file and its maps: path and text.
    pub documents: Vec<(String, String)>,
}

/// A file as it was declared at some time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declared {
    /// Its path then.
    pub path: String,
    /// The hash of its text, in hexadecimal.
    pub sha256: String,
    /// Its text.
    pub text: String,
}

/// The hash of bytes, in hexadecimal.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// Bytes in hexadecimal.
#[must_use]
pub fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Puts a run into the database and returns its number.
pub(super) fn put_run(to: &Connection, run: &Run) -> rusqlite::Result<i64> {
    to.prepare_cached("INSERT INTO run (boot, began, program, clock_synchronised) VALUES (?, ?, ?, ?)")?
        .execute(params![run.boot, run.began.0, run.program, run.clock_synchronised])?;
    let id = to.last_insert_rowid();
    for (path, text) in &run.documents {
        let hash = sha256(text.as_bytes());
        to.prepare_cached("INSERT OR IGNORE INTO document (sha256, text) VALUES (?, ?)")?
            .execute(params![hash, text])?;
        to.prepare_cached("INSERT OR REPLACE INTO declared (run, path, sha256) VALUES (?, ?, ?)")?
            .execute(params![id, path, hash])?;
    }
    Ok(id)
}

impl StoreReader {
    /// Every run and what was declared in it, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn runs(&self) -> Result<Vec<(Run, Vec<Declared>)>, StoreError> {
        let read = || {
            let mut runs = self
                .connection
                .prepare_cached("SELECT id, boot, began, program, clock_synchronised FROM run ORDER BY id")?;
            let runs: Vec<(i64, Run)> = runs
                .query_map([], |row| {
                    let run = Run {
                        boot: row.get(1)?,
                        began: WallMillis(row.get(2)?),
                        program: row.get(3)?,
                        clock_synchronised: row.get(4)?,
                        documents: Vec::new(),
                    };
                    Ok((row.get(0)?, run))
                })?
                .collect::<rusqlite::Result<_>>()?;
            let mut declared = self.connection.prepare_cached(
                "SELECT path, sha256, text FROM declared JOIN document USING (sha256) WHERE run = ? ORDER BY path",
            )?;
            runs.into_iter()
                .map(|(id, mut run)| {
                    let declared: Vec<Declared> = declared
                        .query_map([id], |row| {
                            Ok(Declared { path: row.get(0)?, sha256: row.get(1)?, text: row.get(2)? })
                        })?
                        .collect::<rusqlite::Result<_>>()?;
                    run.documents = declared.iter().map(|it| (it.path.clone(), it.text.clone())).collect();
                    Ok((run, declared))
                })
                .collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|source| self.of(source))
    }
}

//! Opening the database, to write or to read.

use std::fs::{File, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use super::error::StoreError;
use super::schema::{self, Found, LAYOUT};
use super::standing::Standing;

/// How long one connection waits for another's transaction.
const PATIENCE: Duration = Duration::from_secs(5);
/// The write-ahead log is folded into the database at this length, and cut back to it: 256 pages are 1 MiB.
pub(super) const LOG_PAGES: i64 = 256;
/// What one connection may keep of the database in memory, in KiB.
const CACHE_KIB: i64 = 1024;

/// The right to be the store's one writer, held until dropped. It lies on a file beside the database, `PATH.lock`.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of the store at `path`.
    ///
    /// # Errors
    /// [`StoreError::Held`] where another process has it; what the system says where the file cannot be made.
    pub fn take(path: &Path) -> Result<Self, StoreError> {
        let beside = beside(path, ".lock");
        let opened = File::options().create(true).truncate(false).write(true).open(&beside);
        // One that is there already can be locked on a disk that may only be read.
        let file = opened.or_else(|source| match source.kind() {
            ErrorKind::ReadOnlyFilesystem => File::open(&beside).map_err(|_| source),
            _ => Err(source),
        });
        let file = file.map_err(|source| match source.kind() {
            ErrorKind::NotFound => StoreError::NoFolder(path.to_owned()),
            ErrorKind::ReadOnlyFilesystem | ErrorKind::PermissionDenied => StoreError::ReadOnly(path.to_owned()),
            ErrorKind::StorageFull => StoreError::Full(path.to_owned()),
            _ => StoreError::File { path: beside.clone(), source },
        })?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(StoreError::Held(path.to_owned())),
            Err(TryLockError::Error(source)) => Err(StoreError::File { path: beside, source }),
        }
    }
}

/// The path with something put behind its name.
pub(super) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// A database that can be written.
#[derive(Debug)]
pub(super) struct ToWrite {
    pub(super) connection: Connection,
    /// There was none, or nothing in it.
    pub(super) is_new: bool,
}

/// Opens the database to write, makes it if it is not there, and brings it up to date.
pub(super) fn open_to_write(path: &Path) -> Result<ToWrite, StoreError> {
    let of = |source| StoreError::of(path, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(of)?;
    connection.busy_timeout(PATIENCE).map_err(of)?;
    let found = schema::look(&connection).map_err(of)?;
    let is_new = found == Found::Empty;
    if is_new {
        // Before the first table, or it has no effect.
        connection.pragma_update(None, "auto_vacuum", "INCREMENTAL").map_err(of)?;
    }
    let layout = known_layout(path, found)?;
    connection.pragma_update(None, "journal_mode", "WAL").map_err(of)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(of)?;
    connection.pragma_update(None, "wal_autocheckpoint", LOG_PAGES).map_err(of)?;
    connection.pragma_update(None, "journal_size_limit", LOG_PAGES * 4096).map_err(of)?;
    connection.pragma_update(None, "cache_size", -CACHE_KIB).map_err(of)?;
    schema::bring_up_to_date(&mut connection, layout).map_err(of)?;
    Ok(ToWrite { connection, is_new })
}

/// Writes one page, and takes it as it was: a full disk is found at the start and not at the first reading.
pub(super) fn prove_writable(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(&format!("BEGIN IMMEDIATE; PRAGMA user_version = {LAYOUT}; COMMIT"))
}

fn known_layout(path: &Path, found: Found) -> Result<i64, StoreError> {
    match found {
        Found::Ours(layout) if layout > LAYOUT => {
            Err(StoreError::Newer { path: path.to_owned(), found: layout, known: LAYOUT })
        }
        Found::Ours(layout) => Ok(layout),
        Found::Empty => Ok(0),
        Found::Foreign => Err(StoreError::Foreign(path.to_owned())),
        Found::Contradictory => Err(StoreError::Damaged(path.to_owned())),
    }
}

/// Reads the store, also while the daemon writes to it.
#[derive(Debug)]
pub struct StoreReader {
    pub(super) path: PathBuf,
    pub(super) connection: Connection,
}

impl StoreReader {
    /// Opens the store at `path` to read. Works on a read-only file system too.
    ///
    /// # Errors
    /// There is none, it is no store of ours, it is damaged or newer, or the system does not let us.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let of = |source| StoreError::of(path, source);
        match std::fs::metadata(path) {
            Err(error) if error.kind() == ErrorKind::NotFound => {
                return Err(StoreError::Missing(path.to_owned()));
            }
            Err(error) if error.kind() == ErrorKind::PermissionDenied => {
                return Err(StoreError::Forbidden(path.to_owned()));
            }
            Err(source) => return Err(StoreError::File { path: path.to_owned(), source }),
            Ok(_) => {}
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(path, flags).map_err(of)?;
        connection.busy_timeout(PATIENCE).map_err(of)?;
        let found = match schema::look(&connection) {
            Ok(found) => found,
            Err(_) if !has_log(path) => {
                // Where nothing may be written beside the database, SQLite has to be told that nobody else writes either.
                connection = open_unchanging(path).map_err(of)?;
                schema::look(&connection).map_err(of)?
            }
            Err(error) => return Err(of(error)),
        };
        match known_layout(path, found)? {
            LAYOUT => {}
            _ if found == Found::Empty => return Err(StoreError::Missing(path.to_owned())),
            layout => return Err(StoreError::Older { path: path.to_owned(), found: layout }),
        }
        connection.pragma_update(None, "cache_size", -CACHE_KIB).map_err(of)?;
        Ok(Self { path: path.to_owned(), connection })
    }

    /// A store in which nothing is, in the place of one that cannot be read.
    pub(super) fn of_nothing(path: &Path) -> Result<Self, StoreError> {
        let of = |source| StoreError::of(path, source);
        let mut connection = Connection::open_in_memory().map_err(of)?;
        schema::bring_up_to_date(&mut connection, 0).map_err(of)?;
        Ok(Self { path: path.to_owned(), connection })
    }

    /// Itself, if all can be read of it that a start takes up.
    pub(super) fn whole(self) -> Result<Self, StoreError> {
        Standing::of(&self.connection).map_err(|source| self.of(source))?;
        Ok(self)
    }

    pub(super) fn of(&self, source: rusqlite::Error) -> StoreError {
        StoreError::of(&self.path, source)
    }
}

fn has_log(path: &Path) -> bool {
    std::fs::metadata(beside(path, "-wal")).is_ok_and(|log| log.len() > 0)
}

fn open_unchanging(path: &Path) -> rusqlite::Result<Connection> {
    let mut name = String::from("file:");
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'?' | b'#' | b'%' | 0x80.. => name.push_str(&format!("%{byte:02X}")),
            _ => name.push(char::from(*byte)),
        }
    }
    name.push_str("?immutable=1");
    Connection::open_with_flags(
        name,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
}

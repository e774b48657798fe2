//! What can be wrong with a store, said for the person who has to put it right.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// With less room than this, a failed write is put down to it.
const ROOM_FOR_ANYTHING_BYTES: u64 = 256 * 1024;

/// Why the store cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is none.
    #[error("there is no store at {}; `tallywell run` makes it", .0.display())]
    Missing(PathBuf),
    /// Its folder does not exist.
    #[error("the store {} cannot be made: its folder does not exist; make it, or set `path` under [store]", .0.display())]
    NoFolder(PathBuf),
    /// Another process writes to it.
    #[error("another tallywell already writes to the store {}; stop it first, or give this one another `path`", .0.display())]
    Held(PathBuf),
    /// It is busy for longer than anyone should be.
    #[error("the store {} is held by another program for too long; end what has it open", .0.display())]
    Busy(PathBuf),
    /// The file is something else.
    #[error("{} is not a database; move it away, or set another `path` under [store]", .0.display())]
    NotADatabase(PathBuf),
    /// A database, but of another program.
    #[error("{} is a database of another program; set another `path` under [store]", .0.display())]
    Foreign(PathBuf),
    /// Written by a later version.
    #[error(
        "the store {} has the layout {found}, and this version knows up to {known}; use the newer tallywell that wrote it",
        .path.display()
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// The layout found.
        found: i64,
        /// The latest layout known.
        known: i64,
    },
    /// Written by an earlier version, and not yet brought up to date.
    #[error(
        "the store {} has the older layout {found}; start `tallywell run` once, which brings it up to date",
        .path.display()
    )]
    Older {
        /// The file.
        path: PathBuf,
        /// The layout found.
        found: i64,
    },
    /// Its pages contradict each other.
    #[error(
        "the store {} is damaged; move it away and keep it: much of it can be read with the `.recover` command of the \
         sqlite3 shell",
        .0.display()
    )]
    Damaged(PathBuf),
    /// It may not be written to.
    #[error("the store {} cannot be written: the file, its folder or its file system is read-only, or belongs to another user", .0.display())]
    ReadOnly(PathBuf),
    /// It may not be opened.
    #[error("the store {} cannot be opened: no permission; run as the user who owns it", .0.display())]
    Forbidden(PathBuf),
    /// No room.
    #[error("no room is left for the store {}: free some space, or set `largest` or `keep_readings` under [store]", .0.display())]
    Full(PathBuf),
    /// A part of it that is damaged, while the rest is sound.
    #[error("the store {} holds {what}, damaged on the disk: left out", .path.display())]
    Row {
        /// The file.
        path: PathBuf,
        /// What it is.
        what: String,
    },
    /// The system refused something.
    #[error("the store {}", .path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Something else.
    #[error("the store {}", .path.display())]
    Database {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// What an error of SQLite means for the store at `path`.
    pub(super) fn of(path: &Path, source: rusqlite::Error) -> Self {
        let file = path.to_owned();
        match source.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => Self::NotADatabase(file),
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged(file),
            Some(ErrorCode::ReadOnly) => Self::ReadOnly(file),
            Some(ErrorCode::PermissionDenied) => Self::Forbidden(file),
            Some(ErrorCode::DiskFull) => Self::Full(file),
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy(file),
            Some(ErrorCode::CannotOpen) => Self::cannot_open(path, source),
            Some(ErrorCode::SystemIoFailure) => Self::input_output(path, source),
            _ => Self::Database { path: file, source },
        }
    }

    /// SQLite says no more than that it cannot open; the system can say why.
    fn cannot_open(path: &Path, source: rusqlite::Error) -> Self {
        let file = path.to_owned();
        if path.is_dir() {
            return Self::NotADatabase(file);
        }
        match std::fs::OpenOptions::new().read(true).write(true).open(path).map_err(|error| error.kind()) {
            Err(std::io::ErrorKind::PermissionDenied) => Self::Forbidden(file),
            Err(std::io::ErrorKind::ReadOnlyFilesystem) => Self::ReadOnly(file),
            Err(std::io::ErrorKind::NotFound) => {
                if path.parent().is_some_and(|folder| !folder.as_os_str().is_empty() && !folder.is_dir()) {
                    Self::NoFolder(file)
                } else {
                    Self::ReadOnly(file)
                }
            }
            _ => Self::Database { path: file, source },
        }
    }

    /// A read-only or a full file system shows as a failed write too.
    fn input_output(path: &Path, source: rusqlite::Error) -> Self {
        if path.is_dir() {
            return Self::NotADatabase(path.to_owned());
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        match rustix::fs::statvfs(folder) {
            Ok(system) if system.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY) => {
                Self::ReadOnly(path.to_owned())
            }
            Ok(system) if system.f_bavail * system.f_frsize < ROOM_FOR_ANYTHING_BYTES => Self::Full(path.to_owned()),
            _ => Self::Database { path: path.to_owned(), source },
        }
    }

    /// True where the same transaction may go through later: the disk is full, busy, read-only, gone; or somebody takes
    /// away the file of another program that came to lie there.
    pub(super) fn may_pass(&self) -> bool {
        match self {
            Self::Full(_)
            | Self::ReadOnly(_)
            | Self::Busy(_)
            | Self::Forbidden(_)
            | Self::NoFolder(_)
            | Self::Missing(_)
            | Self::NotADatabase(_)
            | Self::Foreign(_)
            | Self::Newer { .. }
            | Self::File { .. } => true,
            Self::Database { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen | ErrorCode::OutOfMemory)
            ),
            _ => false,
        }
    }
}

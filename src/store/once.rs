//! One entry at a time, for commands that run while no daemon does, or beside it: SQLite lets one transaction in after
//! another.

use std::path::Path;

use super::connection::open_to_write;
use super::error::StoreError;
use super::log::{self, HandedOut, Note};

/// Keeps a note; makes the store if it is not there.
///
/// # Errors
/// The store cannot be written.
pub fn keep_note(path: &Path, note: &Note) -> Result<(), StoreError> {
    log::put_note(&open_to_write(path)?.connection, note).map_err(|source| StoreError::of(path, source))
}

/// Keeps the hash of a file that leaves the store.
///
/// # Errors
/// The store cannot be written.
pub fn keep_handed_out(path: &Path, it: &HandedOut) -> Result<(), StoreError> {
    keep_all_handed_out(path, std::slice::from_ref(it))
}

/// Keeps the hashes of many, all in one transaction.
///
/// # Errors
/// The store cannot be written.
pub fn keep_all_handed_out(path: &Path, files: &[HandedOut]) -> Result<(), StoreError> {
    let mut connection = open_to_write(path)?.connection;
    let mut put_all = || {
        let transaction = connection.transaction()?;
        files.iter().try_for_each(|it| log::put_handed_out(&transaction, it))?;
        transaction.commit()
    };
    put_all().map_err(|source| StoreError::of(path, source))
}

//! How long readings are kept, and how much room they take.

use std::path::Path;

use rusqlite::Connection;

use super::writer::Options;

/// What the writer remembers of its tidying.
#[derive(Debug, Default)]
pub(super) struct Keep {}

impl Keep {
    /// To be called after each transaction.
    pub(super) fn after_commit(
        &mut self,
        _connection: &mut Connection,
        _path: &Path,
        _options: &Options,
    ) -> rusqlite::Result<()> {
        Ok(())
    }
}

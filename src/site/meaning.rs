//! From what was written in the site file to what is meant: what those that understand its parts share.

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tallywell_witness::units::parse::{self, QuantityError};
use toml::Spanned;

use super::mentioned::{Mention, MentionKind};
use super::problem::{File, Problem, Report};

/// The site file while it is being understood.
#[derive(Debug)]
pub(super) struct Meaning<'r> {
    /// The site file.
    pub(super) file: &'r File,
    /// What was found wrong so far.
    pub(super) report: &'r mut Report,
    /// Paths that are named besides the maps.
    pub(super) mentions: Vec<Mention>,
}

impl Meaning<'_> {
    /// Notes an error in the site file.
    pub(super) fn error(&mut self, span: Range<usize>, message: String) -> &mut Problem {
        self.report.error(self.file, span, message)
    }

    /// Notes a caution in the site file.
    pub(super) fn caution(&mut self, span: Range<usize>, message: String) -> &mut Problem {
        self.report.caution(self.file, span, message)
    }

    /// Reads a quantity where one is written; says what is wrong with it where it cannot be read.
    pub(super) fn quantity<T>(
        &mut self,
        written: Option<Spanned<&str>>,
        read: impl FnOnce(&str) -> Result<T, QuantityError>,
    ) -> Option<T> {
        let written = written?;
        match read(written.get_ref()) {
            Ok(quantity) => Some(quantity),
            Err(error) => {
                self.error(written.span(), error.to_string()).write(error.instead());
                None
            }
        }
    }

    /// Reads a time that may not be 0.
    pub(super) fn positive(&mut self, written: Option<Spanned<&str>>) -> Option<Duration> {
        let span = written.as_ref().map(Spanned::span)?;
        let duration = self.quantity(written, parse::duration)?;
        if duration.is_zero() {
            self.error(span, "a time of 0 makes no sense here".to_owned()).write("write as in `300ms`");
            return None;
        }
        Some(duration)
    }

    /// Reads a path that is relative to the site file, to be looked at once everything is understood.
    pub(super) fn path(&mut self, written: Option<Spanned<&str>>, kind: MentionKind) -> Option<PathBuf> {
        let written = written?;
        let path = self.beside_site_file(written.get_ref());
        self.mentions.push(Mention { kind, path: path.clone(), span: written.span() });
        Some(path)
    }

    /// A path as the site file means it: relative to its own folder.
    pub(super) fn beside_site_file(&self, path: &str) -> PathBuf {
        self.file.path.parent().unwrap_or(Path::new("")).join(path.trim())
    }
}

//! From what was written in the site file to what is meant: the frame that its parts share.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tallywell_witness::declared::Site;
use tallywell_witness::units::parse::{self, QuantityError};
use toml::Spanned;
use toml::de::DeTable;

use super::devices::{self, Maps};
use super::keys;
use super::mentioned::{Mention, MentionKind};
use super::problem::{File, Problem, Report};
use super::written::{Fields, parse_toml};
use super::{lines, meters};

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

/// Whether a document has the parts of a register map and none of a site file.
pub(super) fn is_register_map(document: &DeTable<'_>) -> bool {
    document.contains_key("entry") && !is_site_file(document)
}

/// Whether a document has the parts of a site file.
pub(super) fn is_site_file(document: &DeTable<'_>) -> bool {
    ["site", "line", "device", "meter"].iter().any(|key| document.contains_key(*key))
}

/// Understands a whole site file; `None` where its own parts are missing.
pub(super) fn site(file: &mut File, maps: &mut Maps<'_>, report: &mut Report) -> Option<(Site, Vec<Mention>)> {
    let text = file.text.clone();
    let document = parse_toml(&text, file, report);
    if is_register_map(document.get_ref()) {
        report
            .error(file, 0..0, "this is a register map, not a site file")
            .write("name the site file, whose devices name their maps");
        return None;
    }
    let fields = Fields::of_document(document.get_ref(), keys::SITE, file, report);
    let mut meaning = Meaning { file, report, mentions: Vec::new() };
    let lines = lines::lines(&fields, &mut meaning);
    let devices = devices::devices(&fields, maps, &mut meaning);
    let meters = meters::meters(&fields, &devices, &mut meaning);
    let site = Site {
        store: lines::store(&fields, &file.path, &mut meaning),
        notice: lines::notice(&fields, &mut meaning),
        page: lines::page(&fields, &mut meaning),
        broker: lines::broker(&fields, &mut meaning),
        name: (*fields.text("site")?.get_ref()).to_owned(),
        lines,
        devices: devices.into_iter().filter_map(|(name, read)| Some((name, read.device?))).collect::<BTreeMap<_, _>>(),
        meters,
    };
    Some((site, meaning.mentions))
}

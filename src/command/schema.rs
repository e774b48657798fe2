//! `schema`: what an editor needs to help with the site file and the register map while they are written.

use std::io::Write;

use clap::{Args, ValueEnum};

use super::{CommandResult, Outcome};
use crate::site::{FileKind, schema};

/// Print the JSON Schema of the site file or of the register map, for editors
#[derive(Debug, Args)]
#[command(after_help = "Example: tallywell schema site > site.schema.json\n\
                        A file names its schema in its first line: #:schema site.schema.json")]
pub struct Arguments {
    /// The kind of file
    #[arg(value_enum)]
    kind: Kind,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Kind {
    /// The site file
    Site,
    /// A register map
    Map,
}

/// The usual name of the site file's schema.
pub(super) const SITE: &str = "site.schema.json";
/// The usual name of the register map's schema.
pub(super) const MAP: &str = "map.schema.json";

/// Both schemas under their usual names, for whoever writes files that name them in their first line.
pub(super) fn files() -> [(&'static str, String); 2] {
    [(SITE, FileKind::Site), (MAP, FileKind::RegisterMap)].map(|(name, kind)| (name, format!("{:#}\n", schema(kind))))
}

/// Prints the schema to standard output.
///
/// # Errors
/// None of its own; a closed standard output ends it quietly.
pub fn run(arguments: &Arguments) -> CommandResult {
    let kind = match arguments.kind {
        Kind::Site => FileKind::Site,
        Kind::Map => FileKind::RegisterMap,
    };
    writeln!(std::io::stdout().lock(), "{:#}", schema(kind))?;
    Ok(Outcome::Good)
}

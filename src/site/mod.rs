//! What the user wrote: the site file and its register maps, read, checked, and reported on with the place of each error.
//!
//! In two stages: what was written, with the place of every value, and then what is meant. All errors are collected; no
//! file is touched between the stages, because maps come through a function that the caller gives.

mod devices;
mod facts;
mod keys;
mod lines;
mod map;
mod meaning;
mod mentioned;
mod meter_cautions;
mod meters;
mod names;
mod problem;
mod reference;
mod schema;
mod secrets;
mod sources;
#[cfg(test)]
mod tests;
mod whole;
mod written;

use std::io::{self, Read};
use std::path::{Path, PathBuf};

use tallywell_witness::declared::Site;

pub use facts::{UnknownMeter, instead_of, meter_facts};
pub use lines::{NoPort, read_port as port};
pub use names::nearest;
pub use problem::{Problem, Problems, Severity, render, wants_colour};
pub use schema::{FileKind, schema};

use devices::Maps;
use mentioned::{Mention, writable_by_all};
use problem::{File, Report};

/// A site file that can be used, with its maps.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// What is meant.
    pub site: Site,
    /// What is doubtful about it.
    pub cautions: Vec<Problem>,
    /// Path and text of the site file and of each map, in that order.
    pub sources: Vec<(PathBuf, String)>,
}

/// Reads a site file and its maps from disk, and looks whether the other paths that it names are there.
///
/// # Errors
/// Everything that is wrong with them, at once.
pub fn load(path: &Path) -> Result<Loaded, Problems> {
    load_or_say(path, "name a site file with `--config SITE.toml`")
}

/// The same for whoever read it before, under a name that is settled.
///
/// # Errors
/// Everything that is wrong with them, at once.
pub fn load_again(path: &Path) -> Result<Loaded, Problems> {
    load_or_say(path, "put the site file back, then have it read again")
}

fn load_or_say(path: &Path, instead: &str) -> Result<Loaded, Problems> {
    let text = read_text(path).map_err(|error| unreadable(path, &error, instead))?;
    let (mut loaded, mentions) = understand(&text, path, &mut read_text)?;
    let file = File::new(path, &text);
    loaded.cautions.extend(mentions.iter().filter_map(|mention| mention.look(&file)));
    loaded.cautions.extend(loaded.sources.iter().filter_map(|(path, _)| writable_by_all(path)));
    Ok(loaded)
}

/// Bytes: more than that nobody wrote, and a device that never ends is not read for ever.
const MOST_READ: u64 = 16 << 20;

fn read_text(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    std::fs::File::open(path)?.take(MOST_READ + 1).read_to_string(&mut text)?;
    if text.len() as u64 > MOST_READ {
        let words = format!("it does not end within {} MiB: this is no file that somebody wrote", MOST_READ >> 20);
        return Err(io::Error::other(words));
    }
    Ok(text)
}

/// Reads a site file from its text; `load_map` gives the text of the map at a path.
///
/// # Errors
/// Everything that is wrong with them, at once.
pub fn parse(
    text: &str,
    path: &Path,
    load_map: &mut dyn FnMut(&Path) -> io::Result<String>,
) -> Result<Loaded, Problems> {
    understand(text, path, load_map).map(|(loaded, _)| loaded)
}

fn understand(
    text: &str,
    path: &Path,
    load_map: &mut dyn FnMut(&Path) -> io::Result<String>,
) -> Result<(Loaded, Vec<Mention>), Problems> {
    let mut file = File::new(path, text);
    let mut report = Report::default();
    let mut maps = Maps::new(load_map);
    let understood = whole::site(&mut file, &mut maps, &mut report);
    let mut sources = vec![(path.to_owned(), text.to_owned())];
    sources.append(&mut maps.sources);
    let is_usable = report.is_usable();
    let files: Vec<PathBuf> = sources.iter().map(|(path, _)| path.clone()).collect();
    let problems = report.into_sorted(&files);
    match understood.filter(|_| is_usable) {
        Some((site, mentions)) => Ok((Loaded { site, cautions: problems.into_all(), sources }, mentions)),
        None => Err(problems),
    }
}

fn unreadable(path: &Path, error: &io::Error, instead: &str) -> Problems {
    let (why, instead) = match error.kind() {
        io::ErrorKind::NotFound => ("there is no such file".to_owned(), instead),
        io::ErrorKind::PermissionDenied => {
            ("this user may not read it".to_owned(), "look at its owner and mode with `ls -l`")
        }
        io::ErrorKind::IsADirectory => ("it is a folder".to_owned(), "name the site file inside it"),
        io::ErrorKind::InvalidData => ("it is not text in UTF-8".to_owned(), "save it as UTF-8"),
        _ => (error.to_string(), instead),
    };
    let mut problem =
        Problem::of_file(Severity::Error, path, format!("cannot read the site file {}: {why}", path.display()));
    problem.write(instead);
    Problems::of(problem)
}

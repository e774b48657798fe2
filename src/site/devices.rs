//! The devices of the site file, and the register maps that they name.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use tallywell_witness::declared::Device;
use tallywell_witness::units::parse;
use toml::Spanned;

use super::map::{self, MapRead};
use super::meaning::Meaning;
use super::names::Names;
use super::problem::{File, Report};
use super::written::Fields;

const DEFAULT_EVERY: Duration = Duration::from_secs(1);

/// The register maps, each read once however many devices name it.
pub(super) struct Maps<'l> {
    load: &'l mut dyn FnMut(&Path) -> io::Result<String>,
    read: BTreeMap<PathBuf, Option<Rc<MapRead>>>,
    /// Path and text of each, in the order in which the site file names them.
    pub(super) sources: Vec<(PathBuf, String)>,
}

impl<'l> Maps<'l> {
    /// No map yet; `load` gives the text of a file.
    pub(super) fn new(load: &'l mut dyn FnMut(&Path) -> io::Result<String>) -> Self {
        Self { load, read: BTreeMap::new(), sources: Vec::new() }
    }

    /// The map at `path`, or why it could not be had; a map that was refused before is `None`.
    fn get(&mut self, path: &Path, report: &mut Report) -> io::Result<Option<Rc<MapRead>>> {
        if let Some(read) = self.read.get(path) {
            return Ok(read.clone());
        }
        let loaded = (self.load)(path).map(|text| {
            let file = File::new(path, &text);
            self.sources.push((path.to_owned(), text));
            Rc::new(map::read(file, report))
        });
        let read = loaded.as_ref().ok().cloned();
        self.read.insert(path.to_owned(), read);
        loaded.map(Some)
    }
}

/// A device as far as it could be understood.
#[derive(Debug)]
pub(super) struct DeviceRead {
    /// What it means, unless something about it is wrong.
    pub(super) device: Option<Device>,
    /// Its map, if it could be had.
    pub(super) map: Option<Rc<MapRead>>,
}

/// Reads the devices.
pub(super) fn devices(
    site: &Fields<'_>,
    maps: &mut Maps<'_>,
    meaning: &mut Meaning<'_>,
) -> BTreeMap<String, DeviceRead> {
    let lines = Lines::of(site);
    let mut devices = BTreeMap::new();
    let mut taken: BTreeMap<(String, i64), Spanned<i64>> = BTreeMap::new();
    let mut used_lines: BTreeSet<String> = BTreeSet::new();
    let declared = site.named("device");
    let is_any = !declared.is_empty();
    for (name, fields) in declared {
        let line = line(&fields, &lines, meaning);
        let address = fields.whole("address");
        if let (Some(line), Some(address)) = (&line, &address) {
            used_lines.insert(line.clone());
            same_address(line, address, &mut taken, meaning);
        }
        let every = match fields.text("every") {
            None => Some(DEFAULT_EVERY),
            written => meaning.quantity(written, parse::duration),
        };
        let (map_path, map) = map_of(&fields, maps, meaning).unzip();
        let map = map.flatten();
        let device = || {
            Some(Device {
                name: (*name.get_ref()).to_owned(),
                line: line?,
                address: u8::try_from(address?.into_inner()).ok()?,
                map_path: map_path?,
                map: map.as_ref()?.map.clone(),
                every: every?,
            })
        };
        devices.insert((*name.get_ref()).to_owned(), DeviceRead { device: device(), map });
    }
    for name in lines.written.iter().filter(|name| !used_lines.contains(*name.get_ref())) {
        if !meaning.file.broken && is_any {
            meaning.caution(name.span(), format!("no device is on the line `{}`", name.get_ref()));
        }
    }
    devices
}

/// The names of the lines.
struct Lines<'a> {
    written: Vec<Spanned<&'a str>>,
    known: BTreeSet<&'a str>,
    names: Names<'a>,
}

impl<'a> Lines<'a> {
    fn of(site: &Fields<'a>) -> Self {
        let written: Vec<_> = site.named("line").into_iter().map(|(name, _)| name).collect();
        let names = || written.iter().map(|name| *name.get_ref());
        Self { known: names().collect(), names: Names::of(names()), written }
    }
}

fn line(fields: &Fields<'_>, lines: &Lines<'_>, meaning: &mut Meaning<'_>) -> Option<String> {
    let written = fields.text("line")?;
    let name = *written.get_ref();
    if lines.known.contains(name) {
        return Some(name.to_owned());
    }
    if !meaning.file.broken && !lines.written.is_empty() {
        let problem = meaning.error(written.span(), format!("there is no line `{name}`"));
        match lines.names.nearest(name) {
            Some(near) => problem.label(format!("did you mean `{near}`?")),
            None => problem.write(format!("the lines are {}", lines.names.listed())),
        };
    }
    None
}

fn same_address(
    line: &str,
    address: &Spanned<i64>,
    taken: &mut BTreeMap<(String, i64), Spanned<i64>>,
    meaning: &mut Meaning<'_>,
) {
    let key = (line.to_owned(), *address.get_ref());
    if let Some(first) = taken.get(&key) {
        let span = first.span();
        let file = meaning.file;
        meaning
            .error(address.span(), format!("two devices have address {} on line `{line}`", address.get_ref()))
            .label("the same again")
            .see(file, span, "the first of them")
            .write("both would answer at once: give one of them another address, on the device too");
    } else {
        taken.insert(key, address.clone());
    }
}

fn map_of(
    fields: &Fields<'_>,
    maps: &mut Maps<'_>,
    meaning: &mut Meaning<'_>,
) -> Option<(PathBuf, Option<Rc<MapRead>>)> {
    let written = fields.text("map")?;
    let path = meaning.beside_site_file(written.get_ref());
    if path == meaning.file.path {
        meaning
            .error(written.span(), "this is the site file itself, not a register map".to_owned())
            .write("name the file that has a table `[entry.NAME]` for each register");
        return None;
    }
    match maps.get(&path, meaning.report) {
        Ok(map) => Some((path, map)),
        Err(error) => {
            let why = match error.kind() {
                io::ErrorKind::NotFound => "there is no such file".to_owned(),
                io::ErrorKind::PermissionDenied => "it may not be read by this user".to_owned(),
                io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
                io::ErrorKind::InvalidData => "it is not text in UTF-8".to_owned(),
                _ => error.to_string(),
            };
            meaning
                .error(written.span(), format!("cannot read the register map: {why}"))
                .write(format!("looked for {}; the path is relative to the site file", path.display()));
            None
        }
    }
}

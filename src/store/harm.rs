//! A damaged store, told from a file that is somebody else's: whose it is, its content says. What is damaged and ours is
//! moved out of the way; what is not ours is never touched.
//!
//! Places in the header of a database, and the layout of a page: <https://sqlite.org/fileformat2.html>, 1.3 and 1.6.

use std::fs::File;
use std::io::{self, ErrorKind, Read};
use std::path::{Path, PathBuf};

use memchr::memmem::Finder;

use super::connection::{ToWrite, beside, open_to_write};
use super::error::StoreError;
use super::schema;
use crate::record::format_instant;
use crate::wall;

/// How a database begins.
const MAGIC: &[u8; 16] = b"SQLite format 3\0";
/// The database of this program has pages of so many bytes, which SQLite takes unless told otherwise.
const PAGE: usize = 4096;
/// No database is shorter than the smallest page that there is.
const SMALLEST_DATABASE: usize = 512;
/// The header on the first page, before what is on each.
const HEADER: usize = 100;
/// What a page begins with that holds rows of a table.
const LEAF_OF_TABLE: u8 = 0x0D;
/// The most bytes in which the number of a table's first page is kept, before the text that made the table.
const LONGEST_PAGE_NUMBER: usize = 8;

/// True where `error` says that the store at `path` is damaged, and what lies there is a store of ours: any byte of it may
/// have been hit, also those by which a database is known.
pub(super) fn is_damaged_and_ours(path: &Path, error: &StoreError) -> bool {
    let is_damage = match error {
        StoreError::Damaged(_) | StoreError::NotADatabase(_) | StoreError::Foreign(_) => true,
        // SQLite takes a format that it does not know for one that it may not write, or merely refuses it.
        StoreError::ReadOnly(_) | StoreError::Database { .. } => has_unknown_format(path).unwrap_or(false),
        _ => false,
    };
    // What cannot be read cannot be said to be ours.
    is_damage && is_ours(path).unwrap_or(false)
}

/// The header's version to write is 1 or 2, and the format of its list of tables at most 4.
fn has_unknown_format(path: &Path) -> io::Result<bool> {
    let mut header = [0; HEADER];
    File::open(path)?.read_exact(&mut header)?;
    let schema_format = u32::from_be_bytes([header[44], header[45], header[46], header[47]]);
    Ok(header.starts_with(MAGIC) && (header[18] > 2 || schema_format > 4))
}

/// True where the file's header has our mark, where one of its pages lists a table of ours, where there is nothing in it
/// but zeros, and where it is the mere beginning of a database.
fn is_ours(path: &Path) -> io::Result<bool> {
    let mut file = File::open(path)?;
    let tables: Vec<Listed> = schema::tables().map(Listed::new).collect();
    let mut page = vec![0; PAGE];
    let mut is_first = true;
    let mut is_all_zeros = true;
    loop {
        let length = fill(&mut file, &mut page)?;
        let page = &page[..length];
        if is_first && (has_mark(page) || is_stump(page)) {
            return Ok(true);
        }
        let kind = page.get(if is_first { HEADER } else { 0 });
        if kind == Some(&LEAF_OF_TABLE) && tables.iter().any(|table| table.is_on(page)) {
            return Ok(true);
        }
        is_all_zeros &= page.iter().all(|byte| *byte == 0);
        if length < PAGE {
            return Ok(is_all_zeros);
        }
        is_first = false;
    }
}

/// Reads until `page` is full or the file ends.
fn fill(file: &mut File, page: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < page.len() {
        match file.read(&mut page[filled..]) {
            Ok(0) => break,
            Ok(more) => filled += more,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

fn has_mark(first_page: &[u8]) -> bool {
    let mark = first_page.get(68..72).and_then(|mark| mark.try_into().ok()).map(u32::from_be_bytes);
    first_page.starts_with(MAGIC) && mark.map(i64::from) == Some(schema::APPLICATION)
}

/// So little is left of it that nobody's table is in it.
fn is_stump(file: &[u8]) -> bool {
    file.len() < SMALLEST_DATABASE && !file.is_empty() && MAGIC.starts_with(&file[..file.len().min(MAGIC.len())])
}

/// How a database lists a table: its name twice, the number of its first page, and the text that made it. A copy of that
/// text in another place, such as a dump of a store, lacks the rest.
struct Listed {
    names: Finder<'static>,
    text: &'static [u8],
}

impl Listed {
    fn new((name, text): (&'static str, &'static str)) -> Self {
        Self { names: Finder::new(format!("table{name}{name}").as_bytes()).into_owned(), text: text.as_bytes() }
    }

    fn is_on(&self, page: &[u8]) -> bool {
        let length = self.names.needle().len();
        self.names.find_iter(page).any(|place| {
            let after = &page[place + length..];
            (0..=LONGEST_PAGE_NUMBER).any(|number| after.get(number..).is_some_and(|text| text.starts_with(self.text)))
        })
    }
}

/// Puts a new database in the place of a damaged one, which is kept beside it. Returns where that lies now. Nothing is moved
/// unless the new one could be made: on a full disk the damaged one stays where it is found again.
pub(super) fn begin_anew(path: &Path) -> Result<PathBuf, StoreError> {
    let new = beside(path, ".new");
    let close = |made: ToWrite| made.connection.close().map_err(|(_, source)| StoreError::of(&new, source));
    remove(&new);
    if let Err(error) = open_to_write(&new).and_then(close) {
        remove(&new);
        return Err(match error {
            StoreError::Full(_) => StoreError::Full(path.to_owned()),
            StoreError::ReadOnly(_) | StoreError::Forbidden(_) => StoreError::ReadOnly(path.to_owned()),
            error => error,
        });
    }
    let aside = set_aside(path)?;
    std::fs::rename(&new, path).map_err(|source| StoreError::File { path: path.to_owned(), source })?;
    Ok(aside)
}

/// What is not there need not be removed, and what cannot be is found by whoever wants to write it.
fn remove(database: &Path) {
    for ending in ["-wal", "-shm", "-journal", ""] {
        let _ = std::fs::remove_file(beside(database, ending));
    }
}

/// Moves a damaged database and what belongs to it out of the way. Returns where it lies now.
fn set_aside(path: &Path) -> Result<PathBuf, StoreError> {
    let stamp: String = format_instant(wall::now()).chars().filter(char::is_ascii_alphanumeric).collect();
    let aside = beside(path, &format!(".damaged-{stamp}"));
    for ending in ["-wal", "-shm", ""] {
        match std::fs::rename(beside(path, ending), beside(&aside, ending)) {
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(source) => return Err(StoreError::File { path: path.to_owned(), source }),
            Ok(()) => {}
        }
    }
    Ok(aside)
}

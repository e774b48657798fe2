//! The folder: one file a day, each whole before it bears its name.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Gain, Gains};
use tallywell_witness::units::WallMillis;

use super::columns::Columns;
use super::file::{Form, ROWS_A_GROUP, write_group};
use crate::record::hashing::Hashing;
use crate::record::instant::format_instant;

/// Milliseconds of a day.
const DAY_MILLIS: i64 = 86_400_000;

/// Why readings could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ParquetError {
    /// The disk does not take them.
    #[error("{} cannot be written", .path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// They could not be put into the format.
    #[error("{} cannot be written as Parquet", .path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What the format's library said.
        source: parquet::errors::ParquetError,
    },
}

/// A file that is on the disk, or one that was there and holds more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The file.
    pub path: PathBuf,
    /// Readings of that day.
    pub readings: u64,
    /// The hash of the file's bytes; none where the file that was there holds more readings and was left.
    pub sha256: Option<[u8; 32]>,
}

/// Writes one meter's readings into a folder, a file a day.
#[derive(Debug)]
pub struct ParquetFolder {
    folder: PathBuf,
    form: Form,
    columns: Columns,
    gains: Gains,
    day: Option<Day>,
    /// How often each day was begun: more than once where the clock on the wall was set back over midnight.
    begun: HashMap<i64, u32>,
}

/// The file that is being written.
struct Day {
    number: i64,
    path: PathBuf,
    part: PathBuf,
    rows: u64,
    writer: SerializedFileWriter<Hashing<BufWriter<File>>>,
}

impl std::fmt::Debug for Day {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Day").field("path", &self.path).field("rows", &self.rows).finish_non_exhaustive()
    }
}

impl ParquetFolder {
    /// Begins to write a meter's readings under `root`; nothing is on the disk before the first reading.
    ///
    /// # Errors
    /// The columns do not fit the format, which would be a mistake of this program.
    pub fn new(root: &Path, site: &str, facts: &MeterFacts) -> Result<Self, ParquetError> {
        let folder = root.join(partition("site", site)).join(partition("meter", &facts.meter.name));
        let columns = Columns::of(facts);
        let form =
            Form::new(site, facts, &columns).map_err(|source| ParquetError::Format { path: folder.clone(), source })?;
        Ok(Self { folder, form, columns, gains: Gains::new(facts), day: None, begun: HashMap::new() })
    }

    /// Takes a reading that is not written, so that those after it know what they gained since.
    pub fn pass_over(&mut self, reading: &Reading) {
        self.gains.push(reading);
    }

    /// Writes the next reading. Returns the file of the day before, where one was finished.
    ///
    /// # Errors
    /// The disk does not take it.
    pub fn push(&mut self, reading: &Reading) -> Result<Option<Written>, ParquetError> {
        let gain = self.gains.push(reading);
        let day = reading.wall.0.div_euclid(DAY_MILLIS);
        let mut finished = None;
        if self.day.as_ref().is_none_or(|it| it.number != day) {
            finished = self.end_day()?;
            self.day = Some(self.begin_day(day)?);
        }
        self.push_row(reading, gain)?;
        Ok(finished)
    }

    /// Ends the last file.
    ///
    /// # Errors
    /// The disk does not take it.
    pub fn finish(mut self) -> Result<Option<Written>, ParquetError> {
        self.end_day()
    }

    fn push_row(&mut self, reading: &Reading, gain: Gain) -> Result<(), ParquetError> {
        self.columns.push(reading, gain);
        let Some(day) = &mut self.day else { return Ok(()) };
        day.rows += 1;
        if self.columns.rows() >= ROWS_A_GROUP {
            let path = &day.path;
            write_group(&mut day.writer, &mut self.columns).map_err(|source| format_error(path, source))?;
        }
        Ok(())
    }

    fn begin_day(&mut self, number: i64) -> Result<Day, ParquetError> {
        let date = format_instant(WallMillis(number * DAY_MILLIS))[..10].to_owned();
        let folder = self.folder.join(partition("date", &date));
        std::fs::create_dir_all(&folder).map_err(|source| ParquetError::File { path: folder.clone(), source })?;
        let begun = self.begun.entry(number).or_insert(0);
        *begun += 1;
        let name = if *begun == 1 { "readings.parquet".to_owned() } else { format!("readings-{begun}.parquet") };
        let path = folder.join(&name);
        // Not `*.parquet`: nobody may take a part for a whole.
        let part = folder.join(format!("{name}.part"));
        let file = File::create(&part).map_err(|source| ParquetError::File { path: part.clone(), source })?;
        let out = Hashing::new(BufWriter::with_capacity(1 << 16, file));
        let writer = self.form.begin(out, &self.columns, &date).map_err(|source| format_error(&path, source))?;
        Ok(Day { number, path, part, rows: 0, writer })
    }

    fn end_day(&mut self) -> Result<Option<Written>, ParquetError> {
        let Some(mut day) = self.day.take() else { return Ok(None) };
        let in_format = |source| format_error(&day.path, source);
        if self.columns.rows() > 0 {
            write_group(&mut day.writer, &mut self.columns).map_err(in_format)?;
        }
        let (out, sha256) = day.writer.into_inner().map_err(in_format)?.finish();
        let on_disk = |source| ParquetError::File { path: day.path.clone(), source };
        let file = out.into_inner().map_err(|error| on_disk(error.into_error()))?;
        if readings_in(&day.path).is_some_and(|there| there > day.rows) {
            std::fs::remove_file(&day.part).map_err(on_disk)?;
            return Ok(Some(Written { path: day.path, readings: day.rows, sha256: None }));
        }
        file.sync_all().map_err(on_disk)?;
        std::fs::rename(&day.part, &day.path).map_err(on_disk)?;
        Ok(Some(Written { path: day.path, readings: day.rows, sha256: Some(sha256) }))
    }
}

impl Drop for ParquetFolder {
    fn drop(&mut self) {
        if let Some(day) = &self.day {
            let _ = std::fs::remove_file(&day.part);
        }
    }
}

/// How many readings a file holds; none where there is none, or one that cannot be read.
fn readings_in(path: &Path) -> Option<u64> {
    let reader = SerializedFileReader::new(File::open(path).ok()?).ok()?;
    u64::try_from(reader.metadata().file_metadata().num_rows()).ok()
}

fn format_error(path: &Path, source: parquet::errors::ParquetError) -> ParquetError {
    ParquetError::Format { path: path.to_owned(), source }
}

/// `KEY=VALUE` as a folder's name: what is not a letter, a digit or one of `-_.` is percent-encoded, byte by byte.
fn partition(key: &str, value: &str) -> String {
    let mut name = format!("{key}=");
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.".contains(&byte) {
            name.push(char::from(byte));
        } else {
            name.push_str(&format!("%{byte:02X}"));
        }
    }
    name
}

//! `export`: the stored readings of a meter, in the format that `explain --csv` reads.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use sha2::{Digest, Sha256};
use tallywell_witness::reading::MeterFacts;

use super::period::{self, PeriodArguments};
use super::{CommandResult, Outcome, SiteArgument, hourly, whole_file};
use crate::record::{CsvWriter, Extent};
use crate::site;
use crate::store::evidence::hexadecimal;
use crate::store::log::HandedOut;
use crate::store::{self, Span, StoreError, StoreReader};

/// Write the stored readings of a meter, or its hours, as CSV
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 done; 2 could not be done.\n\
                        Example: tallywell export --config kestrel-creek.toml --meter bore-1 \\\n\
                        \x20        --format csv --from 2025-03-01 --to 2025-03-02 --out bore-1.csv\n\
                        Hours are kept for ever, however long readings are kept.")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter's name in the site file
    #[arg(long, value_name = "NAME")]
    meter: String,
    /// How the readings are written
    #[arg(long, value_enum, default_value_t = ExportFormat::Csv)]
    format: ExportFormat,
    /// The hours instead of the readings: what each witness says went by,
    /// how well that is known, the smallest and the largest flow
    #[arg(long)]
    hourly: bool,
    #[command(flatten)]
    period: PeriodArguments,
    /// The file to write; standard output if left out
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// How readings leave the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ExportFormat {
    /// A header and a line for each reading
    Csv,
}

/// Exports.
///
/// # Errors
/// The site file is wrong or has no such meter; the store cannot be read; the file cannot be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    let facts = site::meter_facts(&loaded.site, &arguments.meter)?;
    let span = arguments.period.span()?;
    let path = &loaded.site.store.path;
    let reader = StoreReader::open(path)?;
    let ExportFormat::Csv = arguments.format;
    let asked = Asked { span, hourly: arguments.hourly };
    let count = match &arguments.out {
        None => {
            let out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
            written(&reader, &facts, asked, out)?.0
        }
        Some(file) => {
            let (count, sha256) = to_file(&reader, &facts, asked, file)?;
            tracing::info!("{count} {} written to {}, SHA-256 {sha256}", asked.word(), file.display());
            let handed_out = HandedOut {
                at: period::now(),
                what: format!("export {}", file.display()),
                meter: arguments.meter.clone(),
                sha256,
            };
            if let Err(error) = store::keep_handed_out(path, &handed_out) {
                tracing::warn!("the file's hash could not be kept in the store: {error}");
            }
            count
        }
    };
    if count == 0 {
        let stored = reader.meters()?.join(", ");
        let of = if stored.is_empty() { "none".to_owned() } else { stored };
        tracing::warn!(
            "the store has no {} of {}{}; it has readings of: {of}",
            asked.word(),
            arguments.meter,
            period::in_words(span)
        );
    }
    Ok(Outcome::Good)
}

/// What is asked for.
#[derive(Clone, Copy, Debug)]
struct Asked {
    span: Span,
    hourly: bool,
}

impl Asked {
    const fn word(self) -> &'static str {
        if self.hourly { "hours" } else { "readings" }
    }
}

/// Returns how many readings or hours, and the file's hash.
fn to_file(
    reader: &StoreReader,
    facts: &MeterFacts,
    asked: Asked,
    file: &Path,
) -> Result<(u64, String), anyhow::Error> {
    whole_file::write(file, |out| {
        let (count, hashing) = written(reader, facts, asked, Hashing { out, hash: Sha256::new() })?;
        Ok((count, hexadecimal(&hashing.hash.finalize())))
    })
}

fn written<W: Write>(
    reader: &StoreReader,
    facts: &MeterFacts,
    Asked { span, hourly }: Asked,
    mut out: W,
) -> Result<(u64, W), anyhow::Error> {
    let name = &facts.meter.name;
    if hourly {
        let hours = reader.hours(Some(name), span)?;
        hourly::write(&hours, &mut out)?;
        out.flush()?;
        return Ok((hours.len() as u64, out));
    }
    let extent = Extent { steady: reader.clock_was_set(name, span)? };
    let mut writer = CsvWriter::new(out, facts, extent)?;
    let mut count = 0;
    for reading in reader.readings(name, span)? {
        match reading {
            Ok(reading) => {
                writer.write(&reading)?;
                count += 1;
            }
            // What was damaged on the disk is a reading that was missed; the rest is as good as ever.
            Err(error @ StoreError::Row { .. }) => tracing::warn!("{error}"),
            Err(error) => return Err(error.into()),
        }
    }
    Ok((count, writer.finish()?))
}

/// Hashes what passes through.
struct Hashing<W> {
    out: W,
    hash: Sha256,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = self.out.write(bytes)?;
        self.hash.update(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

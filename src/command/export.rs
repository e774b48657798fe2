//! `export`: the stored readings, as `explain --csv` reads them or as column engines do.

mod parquet;

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use tallywell_witness::declared::Site;
use tallywell_witness::reading::MeterFacts;

use super::period::{self, PeriodArguments};
use super::{CommandResult, Outcome, SiteArgument, hourly, whole_file};
use crate::record::{CsvWriter, Extent, Hashing};
use crate::site;
use crate::store::evidence::hexadecimal;
use crate::store::log::HandedOut;
use crate::store::{self, Span, StoreError, StoreReader};
use crate::wall;

/// Write the stored readings of a meter, or its hours, as CSV; or readings of all meters as Parquet
#[derive(Debug, Args)]
#[command(after_help = "Exit status: 0 done; 2 could not be done.\n\
                        Examples:\n\
                        \x20 tallywell export --config kestrel-creek.toml --meter bore-1 \\\n\
                        \x20     --format csv --from 2025-03-01 --to 2025-03-02 --out bore-1.csv\n\
                        \x20 tallywell export --config kestrel-creek.toml --format parquet --out office\n\
                        Hours are kept for ever, however long readings are kept.")]
pub struct Arguments {
    #[command(flatten)]
    site: SiteArgument,
    /// The meter's name in the site file; Parquet takes all if left out
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// How the readings are written
    #[arg(long, value_enum, default_value_t = ExportFormat::Csv)]
    format: ExportFormat,
    /// The hours instead of the readings: what each witness says went by,
    /// how well that is known, the smallest and the largest flow
    #[arg(long)]
    hourly: bool,
    #[command(flatten)]
    period: PeriodArguments,
    /// The file to write, standard output if left out; for Parquet the
    /// folder: DIR/site=.../meter=.../date=.../readings.parquet, whole days
    /// in UTC, written again where they are there already
    #[arg(long, value_name = "FILE|DIR")]
    out: Option<PathBuf>,
}

/// How readings leave the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ExportFormat {
    /// A header and a line for each reading
    Csv,
    /// A compressed file of columns for each day, with units and types
    Parquet,
}

/// Exports.
///
/// # Errors
/// The site file is wrong or has no such meter; the store cannot be read; the file cannot be written.
pub fn run(arguments: &Arguments) -> CommandResult {
    let loaded = site::load(&arguments.site.config)?;
    if let Some(meter) = &arguments.meter {
        site::meter_facts(&loaded.site, meter)?;
    }
    let asked = Asked { span: arguments.period.span()?, hourly: arguments.hourly };
    let reader = StoreReader::open(&loaded.site.store.path)?;
    let count = match (arguments.format, &arguments.meter, &arguments.out) {
        (ExportFormat::Csv, Some(meter), out) => export_csv(&reader, &loaded.site, meter, asked, out.as_deref())?,
        (ExportFormat::Parquet, meter, Some(out)) if !asked.hourly => {
            parquet::export(&reader, &loaded.site, meter.as_deref(), asked.span, out)?
        }
        (ExportFormat::Csv, None, _) => anyhow::bail!(
            "a CSV file holds one meter: write --meter NAME ({})",
            loaded.site.meters.keys().cloned().collect::<Vec<_>>().join(", ")
        ),
        (ExportFormat::Parquet, _, None) => anyhow::bail!("Parquet is written into a folder: write --out DIR"),
        (ExportFormat::Parquet, ..) => anyhow::bail!("hours are written as CSV only: write --format csv"),
    };
    if count == 0 {
        let stored = reader.meters()?.join(", ");
        let stored = if stored.is_empty() { "none".to_owned() } else { stored };
        tracing::warn!(
            "the store has no {} of {}{}; it has readings of: {stored}",
            asked.word(),
            arguments.meter.as_deref().unwrap_or("any meter"),
            period::in_words(asked.span)
        );
    }
    Ok(Outcome::Good)
}

fn export_csv(
    reader: &StoreReader,
    site: &Site,
    meter: &str,
    asked: Asked,
    out: Option<&Path>,
) -> Result<u64, anyhow::Error> {
    let facts = site::meter_facts(site, meter)?;
    let Some(file) = out else {
        let out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
        return Ok(written(reader, &facts, asked, out)?.0);
    };
    let (count, sha256) = to_file(reader, &facts, asked, file)?;
    tracing::info!("{count} {} written to {}, SHA-256 {sha256}", asked.word(), file.display());
    let handed_out =
        HandedOut { at: wall::now(), what: format!("export {}", file.display()), meter: meter.to_owned(), sha256 };
    if let Err(error) = store::keep_handed_out(&site.store.path, &handed_out) {
        tracing::warn!("the file's hash could not be kept in the store: {error}");
    }
    Ok(count)
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
        let (count, hashing) = written(reader, facts, asked, Hashing::new(out))?;
        Ok((count, hexadecimal(&hashing.finish().1)))
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

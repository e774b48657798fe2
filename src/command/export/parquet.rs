//! `export --format parquet`: whole days of every meter asked for, a file each.

use std::path::Path;

use anyhow::Context;
use tallywell_witness::declared::Site;
use tallywell_witness::units::WallMillis;

use crate::record::parquet::{ParquetFolder, Written};
use crate::site;
use crate::store::evidence::hexadecimal;
use crate::store::log::HandedOut;
use crate::store::{self, Span, StoreError, StoreReader};
use crate::wall;

const DAY_MILLIS: i64 = 86_400_000;

/// What was written of one meter.
#[derive(Debug, Default)]
struct Tally {
    readings: u64,
    files: u64,
    kept: u64,
}

/// Writes the days that `span` touches, of one meter or of all. Returns how many readings.
pub(super) fn export(
    reader: &StoreReader,
    site: &Site,
    meter: Option<&str>,
    span: Span,
    folder: &Path,
) -> Result<u64, anyhow::Error> {
    std::fs::create_dir_all(folder).with_context(|| format!("the folder {} cannot be made", folder.display()))?;
    let days = whole_days(span);
    let mut readings = 0;
    for name in site.meters.keys().filter(|name| meter.is_none_or(|meter| meter == *name)) {
        let Tally { readings: count, files, kept } = export_meter(reader, site, name, days, folder)?;
        readings += count;
        tracing::info!("{name}: {count} readings written to {files} files under {}", folder.display());
        if kept > 0 {
            tracing::warn!("{name}: {kept} files hold more readings than the store has left of their days, and stay");
        }
    }
    Ok(readings)
}

fn export_meter(
    reader: &StoreReader,
    site: &Site,
    name: &str,
    days: Span,
    folder: &Path,
) -> Result<Tally, anyhow::Error> {
    let facts = site::meter_facts(site, name)?;
    let mut out = ParquetFolder::new(folder, &site.name, &facts)?;
    let mut tally = Tally::default();
    let mut handed_out = Vec::new();
    // What the first reading gained is known from the day before.
    let before = Span { from: days.from.map(|from| WallMillis(from.0 - DAY_MILLIS)), to: days.to };
    for reading in reader.readings(name, before)? {
        match reading {
            Ok(reading) if days.from.is_some_and(|from| reading.wall < from) => out.pass_over(&reading),
            Ok(reading) => {
                if let Some(written) = out.push(&reading)? {
                    tally.add(name, &written, &mut handed_out);
                }
            }
            // What was damaged on the disk is a reading that was missed; the rest is as good as ever.
            Err(error @ StoreError::Row { .. }) => tracing::warn!("{error}"),
            Err(error) => return Err(error.into()),
        }
    }
    if let Some(written) = out.finish()? {
        tally.add(name, &written, &mut handed_out);
    }
    if let Err(error) = store::keep_all_handed_out(&site.store.path, &handed_out) {
        tracing::warn!("the files' hashes could not be kept in the store: {error}");
    }
    Ok(tally)
}

impl Tally {
    fn add(&mut self, meter: &str, written: &Written, handed_out: &mut Vec<HandedOut>) {
        let Some(sha256) = written.sha256 else {
            self.kept += 1;
            return;
        };
        self.readings += written.readings;
        self.files += 1;
        handed_out.push(HandedOut {
            at: wall::now(),
            what: format!("export {}", written.path.display()),
            meter: meter.to_owned(),
            sha256: hexadecimal(&sha256),
        });
    }
}

/// The days in UTC that a span touches.
fn whole_days(span: Span) -> Span {
    Span {
        from: span.from.map(|from| WallMillis(from.0.div_euclid(DAY_MILLIS) * DAY_MILLIS)),
        to: span.to.map(|to| WallMillis((to.0 - 1).div_euclid(DAY_MILLIS) * DAY_MILLIS + DAY_MILLIS)),
    }
}

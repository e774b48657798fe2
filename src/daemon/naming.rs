//! Naming the cause of what the store holds: reads a stretch of it and lets the explainer see it.

use tallywell_witness::cause::{Explainer, Explanation, OtherMeter};
use tallywell_witness::declared::Site;

use crate::site::{UnknownMeter, meter_facts};
use crate::store::log::Note;
use crate::store::{Span, StoreError, StoreReader};

/// Why a stretch of the store could not be explained.
#[derive(Debug, thiserror::Error)]
pub enum NamingError {
    /// There is no such meter.
    #[error(transparent)]
    UnknownMeter(#[from] UnknownMeter),
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is nothing to look at.
    #[error("the store holds no readings of {meter} in that time")]
    NoReadings {
        /// The meter's name.
        meter: String,
    },
}

/// Explains a stretch of a meter's stored readings, with the other meters of the site beside it: their signals may have
/// been crossed with this one's.
///
/// # Errors
/// The meter is unknown, the store cannot be read, or holds nothing of that time.
pub fn explain_stored(site: &Site, store: &StoreReader, meter: &str, span: Span) -> Result<Explanation, NamingError> {
    let facts = meter_facts(site, meter)?;
    let mut others = Vec::new();
    for name in site.meters.keys().filter(|name| *name != meter) {
        let mut other = OtherMeter::new(&meter_facts(site, name)?);
        for reading in store.readings(name, span)? {
            other.push(&reading?);
        }
        others.push(other);
    }
    let mut explainer =
        Explainer::new(&facts).with_others(others).with_settings(store.settings_before(meter, span.to)?);
    for noted in store.notes(Some(meter), span)?.iter().filter_map(Note::of_receiver) {
        explainer.note(noted);
    }
    let mut seen = false;
    let maintenance = store.maintenance(meter, span)?;
    for reading in store.readings(meter, span)? {
        let reading = reading?;
        let judged =
            !maintenance.iter().any(|(begin, end)| *begin <= reading.wall && end.is_none_or(|end| reading.wall < end));
        if judged {
            explainer.push(&reading);
            seen = true;
        }
    }
    if seen { Ok(explainer.finish()) } else { Err(NamingError::NoReadings { meter: meter.to_owned() }) }
}

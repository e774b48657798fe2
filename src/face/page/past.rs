//! What the store holds of a meter over a stretch of time, as a page shows it.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use maud::{Markup, html};
use tallywell_witness::cause::Code;
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::tally::Event;
use tallywell_witness::units::WallMillis;

use super::layout::time;
use crate::face::report::{Observer, Report, plots};
use crate::record::parse_instant;
use crate::store::log::{LoggedDisagreement, Note};
use crate::store::{Span, StoreError, StoreReader};
use crate::wall;

/// Reading for pictures stops after this; the pictures then end early, and say so.
const PATIENCE: Duration = Duration::from_secs(6);
/// How often it is looked whether that is over, in readings.
const LOOK_EVERY: u64 = 4096;

/// How far back a page looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Stretch {
    Hour,
    SixHours,
    Day,
    Week,
}

impl Stretch {
    pub(super) const ALL: [Self; 4] = [Self::Hour, Self::SixHours, Self::Day, Self::Week];

    /// By the word in an address; six hours where it is none of ours.
    pub(super) fn named(word: Option<&str>) -> Self {
        Self::ALL.into_iter().find(|stretch| Some(stretch.word()) == word).unwrap_or(Self::SixHours)
    }

    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Hour => "1h",
            Self::SixHours => "6h",
            Self::Day => "24h",
            Self::Week => "7d",
        }
    }

    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Hour => "1 hour",
            Self::SixHours => "6 hours",
            Self::Day => "24 hours",
            Self::Week => "7 days",
        }
    }

    const fn millis(self) -> i64 {
        let hours = match self {
            Self::Hour => 1,
            Self::SixHours => 6,
            Self::Day => 24,
            Self::Week => 168,
        };
        hours * 3_600_000
    }

    /// What was read so long ago is read again.
    const fn keeps(self) -> Duration {
        Duration::from_secs(match self {
            Self::Hour => 5,
            Self::SixHours => 15,
            Self::Day => 45,
            Self::Week => 240,
        })
    }
}

/// What was read.
#[derive(Clone, Debug)]
pub(super) struct Past {
    read: Instant,
    pub(super) stretch: Stretch,
    pub(super) readings: u64,
    /// Not all could be read in time.
    pub(super) is_cut: bool,
    pub(super) pictures: Arc<Markup>,
    pub(super) disagreements: Arc<[LoggedDisagreement]>,
    pub(super) events: Arc<[Event]>,
    pub(super) notes: Arc<[Note]>,
}

impl Past {
    pub(super) fn is_fresh(&self) -> bool {
        self.read.elapsed() < self.stretch.keeps()
    }
}

/// Reads it. May take a moment.
pub(super) fn read(store: &Path, site: &str, facts: &MeterFacts, stretch: Stretch) -> Result<Past, StoreError> {
    let began = Instant::now();
    let now = wall::now();
    let meter = facts.meter.name.as_str();
    let span = Span { from: Some(WallMillis(now.0 - stretch.millis())), to: None };
    let reader = StoreReader::open(store)?;
    let first = reader.extent(meter)?.map_or(now, |(first, _, _)| first);
    let from = WallMillis(first.0.max(now.0 - stretch.millis()));
    let mut observer = Observer::new(facts, from, WallMillis(now.0.max(from.0 + 1)));
    let (mut readings, mut is_cut) = (0, false);
    for reading in reader.readings(meter, span)? {
        match reading {
            Ok(reading) => observer.push(&reading),
            // Some are damaged on the disk: the others are shown.
            Err(StoreError::Row { .. }) => continue,
            Err(error) => return Err(error),
        }
        readings += 1;
        if readings % LOOK_EVERY == 0 && began.elapsed() > PATIENCE {
            is_cut = true;
            break;
        }
    }
    let report = Report {
        site,
        facts,
        span: (from, now),
        explanation: None,
        seen: observer.finish(),
        disagreements: reader.disagreements(Some(meter), span)?,
        events: reader.events(Some(meter), span)?,
        notes: reader.notes(Some(meter), span)?,
        maintenance: reader.maintenance(meter, span)?,
        settings: Vec::new(),
        lines: Vec::new(),
        declarations: Vec::new(),
        clock_synchronised: None,
        clock_was_set: false,
        prepared: now,
        program: String::new(),
    };
    Ok(Past {
        read: Instant::now(),
        stretch,
        readings,
        is_cut,
        pictures: Arc::new(plots::of_readings(&report)),
        disagreements: report.disagreements.into(),
        events: report.events.into(),
        notes: report.notes.into(),
    })
}

/// A moment that is told as text, to the second.
pub(super) fn moment(text: &str) -> Markup {
    match parse_instant(text) {
        Some(at) => time(at),
        None => html! { (text) },
    }
}

/// A cause by its code, with what it says.
pub(super) fn cause(code: Option<&str>) -> Markup {
    let says = code.and_then(|code| code.parse::<Code>().ok()).map(Code::says);
    html! {
        @match code {
            Some(code) => { "Likeliest cause: " code { (code) } @if let Some(says) = says { ", " (says) } "." }
            None => "Its cause was not looked for yet.",
        }
    }
}

/// With a large first letter.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().into_iter().flat_map(char::to_uppercase).chain(letters).collect()
}

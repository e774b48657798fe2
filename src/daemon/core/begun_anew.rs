//! Tallies begin anew where their meter is declared otherwise than before, or nothing of them could be taken up; and a meter
//! may be declared no more. What stood open then is ended in the log, on the faces and in the notices.

use serde_json::{Value, json};
use tallywell_witness::tally::{Change, EventKind, Moment, StandsOpen};

use super::Core;
use crate::face::told;
use crate::line::clock::steady;
use crate::store::{Span, StoreError, StoreReader};
use crate::wall;

/// What stands open in the log, but for what the settings' own watch takes up.
///
/// # Errors
/// The store cannot be read.
pub(super) fn logged_open(store: &StoreReader) -> Result<StandsOpen, StoreError> {
    let now = Span { from: Some(wall::now()), to: None };
    let disagreements = store.disagreements(None, now)?.into_iter().map(|logged| logged.disagreement);
    let events = store.events(None, now)?.into_iter();
    let is_of_tallies = |what: &EventKind| !matches!(what, EventKind::SettingDiffers { .. });
    Ok(StandsOpen {
        disagreements: disagreements.filter(|it| it.closed.is_none()).collect(),
        events: events.filter(|it| it.ended.is_none() && is_of_tallies(&it.what)).collect(),
    })
}

impl Core {
    /// What all tallies hold open.
    pub(super) fn held_open(&self) -> StandsOpen {
        let mut held = StandsOpen::default();
        for meter in self.stations.meters() {
            held.extend(meter.tallies.stands_open(meter.facts));
        }
        held
    }

    /// Ends what stood open before and is held by no tally any more.
    pub(super) fn end_what_nobody_holds(&mut self, stood_open: StandsOpen) {
        let now = Moment { steady: self.memory.continued(steady(self.clock.now())), wall: wall::now() };
        let mut over: Vec<Change> = stood_open.without(&self.held_open()).end(now).collect();
        over.extend(self.settings.follow(&self.site, now));
        for change in over {
            self.end_for_good(&change, now);
        }
    }

    /// It is over not because the witnesses agree again or the event ended, which is said with it.
    fn end_for_good(&mut self, change: &Change, now: Moment) {
        let (meter, notice, words, mut about) = match change {
            Change::Closed(it) => {
                (&it.meter, "disagreement-closed", told::disagreement_line(it), told::disagreement_json(it, None))
            }
            Change::EventEnded(it) => (&it.meter, "event-ended", told::event_words(&it.what), told::event_json(it)),
            _ => return,
        };
        let is_declared = self.site.meters.contains_key(meter);
        let why = if is_declared { "its watch begins anew" } else { "the meter is not declared any more" };
        if !is_declared {
            // Should it be declared again: what it holds open is over.
            let (version, nothing) = self.memory.forget(meter);
            self.writer.tally_state(meter, version, now.wall, nothing);
        }
        if let Change::Closed(it) = change {
            self.namer.forget(it);
        }
        tracing::info!("{meter}: not watched any further, since {why}: {words}");
        self.writer.change(meter, change);
        self.faces.change(meter, change);
        if let Value::Object(about) = &mut about {
            about.insert("why".to_owned(), json!(why));
        }
        self.notify(notice, &about);
    }
}

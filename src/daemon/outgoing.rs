//! What the daemon has to say to a broker: put into the outbox, from where the broker's own thread takes it.

use std::time::Duration;

use serde_json::Value;
use tallywell_witness::declared::Site;
use tallywell_witness::reading::{MeterFacts, Reading};

use crate::face::broker::BrokerFace;
use crate::store::{Options, Writer};
use crate::wall;

/// How long the goodbye may take.
const LAST_WORDS: Duration = Duration::from_secs(3);

/// The broker, if there is one.
#[derive(Debug, Default)]
pub(super) struct OutgoingMessages {
    broker: Option<BrokerFace>,
}

impl OutgoingMessages {
    /// Follows what the site declares. A connection that stood is let go; the new one takes its place.
    pub(super) fn follow(&mut self, site: &Site, facts: &[MeterFacts], writer: &Writer) {
        self.broker = site.broker.as_ref().and_then(|declared| {
            BrokerFace::start(declared, site, facts, writer.taken(), wall::now())
                .inspect_err(|error| tracing::error!("the system gives no thread for the broker: {error}"))
                .ok()
        });
    }

    /// Tells of a reading, where one is due.
    pub(super) fn reading(&mut self, meter: &str, reading: &Reading, writer: &Writer) {
        if let Some(message) = self.broker.as_mut().and_then(|broker| broker.reading(meter, reading)) {
            writer.outgoing(message);
        }
    }

    /// Tells what a notice program is told.
    pub(super) fn notice(&self, what: &str, about: &Value, writer: &Writer) {
        if let Some(broker) = &self.broker {
            writer.outgoing(broker.notice(what, about));
        }
    }

    /// Says goodbye.
    pub(super) async fn end(self) {
        if let Some(broker) = self.broker {
            broker.end(LAST_WORDS).await;
        }
    }
}

/// The store's options, as far as the broker decides them: how much may wait for it.
pub(super) fn store_options(site: &Site) -> Options {
    let usual = Options::default();
    Options { outbox: site.broker.as_ref().map_or(usual.outbox, |broker| broker.outbox), ..usual }
}

//! The broker: readings, events, disagreements and how the daemon is, by MQTT 5.
//!
//! | topic, behind the site's own | when | kept by the broker | holds |
//! | --- | --- | --- | --- |
//! | `state` | at each connection, at the end, and by the broker itself when the daemon is lost | yes | `state` (`running`, `stopped`, `lost`), `site`, and while it runs `program`, `since`, `waiting`, `meters` |
//! | `meters/NAME/readings` | one reading in `readings_every` | no | `time`, `flow`, `total`, `loop_ma`, `pulses`, `status` |
//! | `meters/NAME/events` | an event begins or ends | no | `notice`, and in `about` what a notice program gets |
//! | `meters/NAME/disagreements` | one opens or closes, or its cause is named | no | the same |
//!
//! Every message but `state` has a `number` that grows from message to message: a consumer that remembers the last knows
//! what came twice. Messages go through the outbox of the store and leave it when the broker has acknowledged them (quality
//! of service 1): at least once, in order, over any outage and restart that the outbox has room for.
//!
//! The connection has a thread of its own; nobody waits for it.

mod link;
mod message;
mod secret;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use serde_json::Value;
use tallywell_witness::declared::{Broker, Site};
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::units::WallMillis;

use crate::store::{Outgoing, Taken};
use link::{Link, Linked};

/// What a connected broker is told, and when.
#[derive(Debug)]
pub struct BrokerFace {
    declared: Broker,
    meters: BTreeMap<String, (MeterFacts, Option<WallMillis>)>,
    link: Link,
}

impl BrokerFace {
    /// Starts the connection; it is tried again for ever.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(
        declared: &Broker,
        site: &Site,
        facts: &[MeterFacts],
        taken: Taken,
        since: WallMillis,
    ) -> std::io::Result<Self> {
        let store: PathBuf = site.store.path.clone();
        let birth = message::birth(&site.name, facts, since);
        let linked = Linked { declared: declared.clone(), site: site.name.clone(), store, taken, birth };
        Ok(Self {
            declared: declared.clone(),
            meters: facts.iter().map(|facts| (facts.meter.name.clone(), (facts.clone(), None))).collect(),
            link: Link::start(linked)?,
        })
    }

    /// The message for a reading, where one is due.
    pub fn reading(&mut self, meter: &str, reading: &Reading) -> Option<Outgoing> {
        let every = i64::try_from(self.declared.readings_every.as_millis()).unwrap_or(i64::MAX);
        let (facts, last) = self.meters.get_mut(meter)?;
        // A clock that was set back makes one due too.
        if last.is_some_and(|last| (0..every).contains(&(reading.wall.0 - last.0))) {
            return None;
        }
        *last = Some(reading.wall);
        Some(message::reading(&self.declared.topic, facts, reading))
    }

    /// The message for what a notice program is told.
    #[must_use]
    pub fn notice(&self, what: &str, about: &Value) -> Outgoing {
        message::notice(&self.declared.topic, what, about)
    }

    /// Says goodbye to the broker, and waits until it has heard, at most so long.
    pub async fn end(self, patience: Duration) {
        self.link.end(patience).await;
    }
}

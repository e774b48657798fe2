//! The page: how things stand and what was logged, for a browser on the same machine or, where that is wanted, beyond it.
//!
//! It only reads: there is no route that changes anything. It runs on a thread of its own, sees the state that the daemon
//! publishes and a store connection that cannot write, and so never holds the polling up, whatever a browser does.
//!
//! - [`Page`] listens and ends with what publishes to it;
//! - every page has its JSON at the same address, for whoever accepts `application/json` before HTML;
//! - `/metrics` is for a scraper.

mod guard;
mod layout;
mod lines;
mod log;
mod meter;
mod negotiation;
mod overview;
mod past;
mod plumb;
mod routes;
mod server;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use tallywell_witness::reading::MeterFacts;
use tokio::sync::watch;

use super::state::State;

/// What the daemon tells the page.
#[derive(Clone, Debug, Default)]
pub struct Published {
    /// How things stand; absent in the first moment.
    pub state: Option<State>,
    /// What is declared.
    pub declared: Arc<Declared>,
}

/// What the page needs to know of what is declared.
#[derive(Clone, Debug, Default)]
pub struct Declared {
    /// The store.
    pub store: PathBuf,
    /// The meters by name.
    pub meters: BTreeMap<String, MeterFacts>,
}

/// A page that is served as long as somebody publishes to it.
#[derive(Debug)]
pub struct Page {
    listen: String,
}

impl Page {
    /// Serves at `listen` (`host:port`). An address that cannot be had yet is tried again: a daemon that starts with the
    /// machine may be there before the network is.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(listen: &str, published: watch::Receiver<Arc<Published>>) -> std::io::Result<Self> {
        let to = listen.to_owned();
        std::thread::Builder::new().name("page".to_owned()).spawn(move || server::serve(&to, published))?;
        Ok(Self { listen: listen.to_owned() })
    }

    /// Where it listens, as declared.
    #[must_use]
    pub fn listens(&self) -> &str {
        &self.listen
    }
}

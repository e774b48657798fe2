//! What can be asked of the poller or the listener that runs on a line's thread, and the times that both keep.

use std::io;
use std::time::Duration;

use tallywell_witness::schedule::Task;
use tallywell_witness::units::WallMillis;
use tokio::sync::oneshot;

use super::fault::Fault;
use super::port::PortError;
use super::request::{Answer, ReadRequest, UnitAddress};
use super::statistics::LineTiming;
use super::transaction::ReplyTimes;

/// A lost port is tried again after this, then after twice as long each time.
pub(super) const FIRST_RETRY: Duration = Duration::from_millis(100);
/// But never later than this: a person who has put the plug back watches.
pub(super) const LAST_RETRY: Duration = Duration::from_secs(5);
/// Figures are handed over once in an hour of the wall clock.
pub(super) const HOUR_MS: i64 = 3_600_000;

/// Why a line cannot be started.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// Its port cannot be used.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The system gave no thread or no timer.
    #[error("the line cannot have a thread of its own: {0}")]
    System(#[from] io::Error),
}

/// What can be asked of a running line.
#[derive(Debug)]
pub(super) enum Order {
    AskOnce(PersonsRequest),
    Replace(Vec<Task>),
    Timing(oneshot::Sender<(WallMillis, LineTiming)>),
    Stop,
}

/// A request outside the schedule, and where its answer goes.
#[derive(Debug)]
pub(super) struct PersonsRequest {
    pub(super) unit: UnitAddress,
    pub(super) request: ReadRequest,
    pub(super) reply: oneshot::Sender<Result<Once, String>>,
}

/// One answer outside the schedule, and its times.
pub type Once = Result<(Answer, ReplyTimes), Fault>;

//! What can be asked of the poller or the listener that runs on a line's thread.

use std::io;

use tallywell_witness::schedule::Task;
use tallywell_witness::units::WallMillis;
use tokio::sync::oneshot;

use super::fault::Fault;
use super::port::PortError;
use super::request::{Answer, ReadRequest, UnitAddress};
use super::statistics::LineTiming;
use super::transaction::ReplyTimes;

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

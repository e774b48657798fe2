//! The line's own thread: a `poller` runs on it for as long as the program does; where another master polls,
//! a [`listener`](super::listen) in its place.
//!
//! Nothing else runs here, and nothing here waits for anybody: events go into a queue that drops before it blocks,
//! requests from people wait between transactions. A port that vanishes is opened again by its name.

use std::io;
use std::thread::JoinHandle;

use tallywell_witness::declared::{Line, LineMode};
use tallywell_witness::schedule::Task;
use tallywell_witness::units::WallMillis;
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy, set_thread_priority_and_policy,
    thread_native_id,
};
use tokio::sync::{mpsc, oneshot};

use super::clock::Clock;
use super::event::EventSender;
use super::listen::Listener;
use super::orders::{Once, Order, PersonsRequest, StartError};
use super::poller::Poller;
use super::post::OnPost;
use super::request::{ReadRequest, UnitAddress};
use super::statistics::LineTiming;

/// A running line. Dropping it ends it after the transaction under way.
#[derive(Debug)]
pub struct LineThread {
    orders: mpsc::UnboundedSender<Order>,
    thread: Option<JoinHandle<()>>,
}

impl LineThread {
    /// Opens the line's port and begins to poll, or to listen.
    ///
    /// # Errors
    /// The port cannot be used now. Once it could, its loss is an event and no error.
    pub fn start(line: Line, tasks: Vec<Task>, clock: Clock, events: EventSender) -> Result<Self, StartError> {
        Self::spawn(line, tasks, clock, events, None)
    }

    /// The same for a line whose port cannot be used now, for this `reason`: it is told as lost, and tried again like one
    /// that was unplugged.
    ///
    /// # Errors
    /// The system gives no thread or no timer.
    pub fn start_without_port(
        line: Line,
        tasks: Vec<Task>,
        clock: Clock,
        events: EventSender,
        reason: String,
    ) -> Result<Self, StartError> {
        Self::spawn(line, tasks, clock, events, Some(reason))
    }

    fn spawn(
        line: Line,
        tasks: Vec<Task>,
        clock: Clock,
        events: EventSender,
        without_port: Option<String>,
    ) -> Result<Self, StartError> {
        let (orders, inbox) = mpsc::unbounded_channel();
        let (started, outcome) = std::sync::mpsc::channel();
        let thread = std::thread::Builder::new().name(format!("line {}", line.name)).spawn(move || {
            prefer_this_thread();
            let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                Ok(runtime) => runtime,
                Err(error) => return drop(started.send(Err(error.into()))),
            };
            // Whoever started the line waits for what is sent; if they are gone, so is their wish.
            runtime.block_on(async {
                if line.mode == LineMode::Listen {
                    stand(Listener::new(line, &tasks, clock, events, inbox), without_port, &started).await;
                } else {
                    stand(Poller::new(line, tasks, clock, events, inbox), without_port, &started).await;
                }
            });
        })?;
        match outcome.recv() {
            Ok(Ok(())) => Ok(Self { orders, thread: Some(thread) }),
            Ok(Err(error)) => Err(error),
            Err(_ended) => Err(StartError::System(io::Error::other("its thread ended at once"))),
        }
    }

    /// A way to ask this line from another task.
    #[must_use]
    pub fn handle(&self) -> LineHandle {
        LineHandle { orders: self.orders.clone() }
    }

    /// Polls by another plan from now on. What is known of the units is kept.
    pub fn replace(&self, tasks: Vec<Task>) {
        // A line that has ended has nothing to replace.
        let _ = self.orders.send(Order::Replace(tasks));
    }

    /// Ends the line after the transaction under way, and waits for that.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        let _ = self.orders.send(Order::Stop);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("a line's thread ended by a bug of this program");
        }
    }
}

/// A way to ask a running line, from any task.
#[derive(Clone, Debug)]
pub struct LineHandle {
    orders: mpsc::UnboundedSender<Order>,
}

impl LineHandle {
    /// Asks one unit once, between the transactions of the schedule.
    ///
    /// # Errors
    /// The port is gone, or the line ended; said for people.
    pub async fn ask_once(&self, unit: UnitAddress, request: ReadRequest) -> Result<Once, String> {
        let (reply, answer) = oneshot::channel();
        let ended = || "the line has ended".to_owned();
        let asked = PersonsRequest { unit, request, reply };
        self.orders.send(Order::AskOnce(asked)).map_err(|_| ended())?;
        answer.await.map_err(|_| ended())?
    }

    /// The figures of the stretch that runs and when it began; nothing once the line has ended.
    pub async fn timing(&self) -> Option<(WallMillis, LineTiming)> {
        let (reply, timing) = oneshot::channel();
        self.orders.send(Order::Timing(reply)).ok()?;
        timing.await.ok()
    }
}

impl Drop for LineThread {
    fn drop(&mut self) {
        self.end();
    }
}

/// Opens the port unless it is known to be of no use now, tells whoever started the line, and works for as long as they want.
async fn stand(
    mut worker: impl OnPost,
    without_port: Option<String>,
    started: &std::sync::mpsc::Sender<Result<(), StartError>>,
) {
    let open = match without_port {
        Some(reason) => Err(reason),
        None => match worker.open().await {
            Ok(open) => Ok(open),
            Err(error) => return drop(started.send(Err(error))),
        },
    };
    if started.send(Ok(())).is_ok() {
        worker.run(open).await;
    }
}

/// Has the system run this thread before others, where this user may ask for that.
fn prefer_this_thread() {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    match set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Min, policy) {
        Ok(()) => tracing::debug!("the line's thread runs before ordinary ones"),
        Err(error) => tracing::debug!("the line's thread runs like any other: {error:?}"),
    }
}

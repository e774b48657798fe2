//! What polling and listening have in common: the port is opened again by its name whenever it is lost, orders are obeyed
//! meanwhile, and figures are handed over once an hour.

use std::sync::Arc;
use std::time::Duration;

use tallywell_witness::declared::Line;
use tallywell_witness::moment::Moment;
use tallywell_witness::units::WallMillis;
use tokio::sync::mpsc;

use super::bus::PortLost;
use super::clock::Clock;
use super::event::{EventSender, LineEvent};
use super::orders::{Order, StartError};
use super::statistics::LineTiming;
use crate::wall;

/// A lost port is tried again after this, then after twice as long each time.
const FIRST_RETRY: Duration = Duration::from_millis(100);
/// But never later than this: a person who has put the plug back watches.
const LAST_RETRY: Duration = Duration::from_secs(5);
/// Figures are handed over once in an hour of the wall clock.
const HOUR_MS: i64 = 3_600_000;

/// Where a line's thread stands: which line, what time it is, who is told, and who gives orders.
pub(super) struct Post {
    pub(super) name: Arc<str>,
    pub(super) line: Line,
    pub(super) clock: Clock,
    pub(super) inbox: mpsc::UnboundedReceiver<Order>,
    /// Since when the figures that run are counted.
    pub(super) counted_from: (Moment, WallMillis),
    /// It was told to stop.
    pub(super) stopping: bool,
    events: EventSender,
}

impl Post {
    pub(super) fn new(line: Line, clock: Clock, events: EventSender, inbox: mpsc::UnboundedReceiver<Order>) -> Self {
        Self {
            name: line.name.as_str().into(),
            line,
            clock,
            inbox,
            counted_from: (clock.now(), wall::now()),
            stopping: false,
            events,
        }
    }

    pub(super) fn tell(&self, event: LineEvent) {
        self.events.send(&self.name, event);
    }
}

/// Who does something on a line's port for as long as the program runs.
pub(super) trait OnPost {
    /// An open port, as it is used here.
    type Open;

    fn post(&mut self) -> &mut Post;

    /// Opens the port.
    async fn open(&mut self) -> Result<Self::Open, StartError>;

    /// Does its work until it is told to stop or the port is lost.
    async fn work(&mut self, open: &mut Self::Open) -> Result<(), PortLost>;

    /// Obeys; no order comes any more once everybody has gone who could give one.
    fn obey(&mut self, order: Option<Order>);

    /// Nothing can be asked now.
    fn without_port(&mut self) {}

    /// The figures since they were handed over last.
    fn timing_so_far(&mut self) -> LineTiming;

    /// Counts from nought again.
    fn count_anew(&mut self);

    /// Works until it is told to stop, opening the port again whenever it is lost, as it may be from the beginning.
    async fn run(&mut self, open: Result<Self::Open, String>) {
        let mut now_open = open.map_err(|reason| self.post().tell(LineEvent::PortLost { reason })).ok();
        while !self.post().stopping {
            let Some(mut open) = now_open.take() else {
                now_open = self.reopen().await;
                continue;
            };
            if let Err(lost) = self.work(&mut open).await {
                // The old descriptor has to be gone before the name can be opened anew.
                drop(open);
                self.post().tell(LineEvent::PortLost { reason: lost.to_string() });
            }
        }
        self.hand_over_timing();
    }

    /// Tries to open the port again and again; nothing if it was told to stop meanwhile.
    async fn reopen(&mut self) -> Option<Self::Open> {
        let mut wait = FIRST_RETRY;
        while !self.post().stopping {
            let until = tokio::time::Instant::now() + wait;
            while let Ok(order) = tokio::time::timeout_at(until, self.post().inbox.recv()).await {
                self.obey(order);
                self.without_port();
                if self.post().stopping {
                    return None;
                }
            }
            self.hand_over_finished_hour();
            match self.open().await {
                Ok(open) => return Some(open),
                Err(error) => tracing::debug!(line = %self.post().name, "{error}"),
            }
            wait = (wait * 2).min(LAST_RETRY);
        }
        None
    }

    fn hand_over_finished_hour(&mut self) {
        if wall::now().0.div_euclid(HOUR_MS) != self.post().counted_from.1.0.div_euclid(HOUR_MS) {
            self.hand_over_timing();
        }
    }

    fn hand_over_timing(&mut self) {
        let timing = Box::new(self.timing_so_far());
        self.count_anew();
        let post = self.post();
        let to = wall::now();
        post.tell(LineEvent::Timing { from: post.counted_from.1, to, timing });
        post.counted_from = (post.clock.now(), to);
    }
}

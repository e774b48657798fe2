//! What a line tells the rest of the program, and the queue in which that waits.
//!
//! The line never waits for its listener. A queue that is full drops, in this order: faults (they stay counted in the
//! timing), then the oldest readings. Changes of the port, of a device and the hourly timing are never dropped; there are
//! few of them. What was dropped is counted and told.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tallywell_witness::moment::Moment;
use tallywell_witness::plan::Request;
use tallywell_witness::units::{SteadyMillis, WallMillis};
use tokio::sync::Notify;

use super::adapter::AdapterNote;
use super::fault::Fault;
use super::listen::exchange::Doubt;
use super::statistics::LineTiming;

/// So many events wait at most: half a minute of thirty devices at a second.
const MOST_WAITING: usize = 1024;

/// Something that happened on a line.
#[derive(Clone, Debug, PartialEq)]
pub enum LineEvent {
    /// A stretch of a table was read.
    Read(RegistersRead),
    /// A request got no value.
    Fault {
        /// The device's name.
        device: String,
        /// What was asked.
        request: Request,
        /// What was wrong.
        fault: Fault,
        /// When.
        wall: WallMillis,
    },
    /// A reply to another master's request that may have been the answer to an older one; it is not used.
    Doubtful {
        /// The device's name.
        device: String,
        /// What was asked.
        request: Request,
        /// Why.
        doubt: Doubt,
    },
    /// A line that is listened to is silent; told once until somebody polls again.
    NobodyPolls {
        /// For how long.
        since: Duration,
    },
    /// Another master polls again.
    SomebodyPolls,
    /// So many bytes came on a line that is listened to, and not one frame; told once until there is one.
    NotUnderstood {
        /// The bytes.
        bytes: usize,
    },
    /// A device has stopped giving good replies; it is tried less and less often.
    DeviceSilent {
        /// The device's name.
        device: String,
        /// What was wrong the last time.
        fault: Fault,
    },
    /// A silent device answers again.
    DeviceBack {
        /// The device's name.
        device: String,
    },
    /// A device refused a request, which is asked in pieces from now on.
    RequestSplit {
        /// The device's name.
        device: String,
        /// What it refused.
        request: Request,
        /// How many requests replace it.
        pieces: usize,
    },
    /// Periods of a device went by before its turn came: the line was taken up by what failed before, or this machine by
    /// something else.
    PeriodsMissed {
        /// The device's name.
        device: String,
        /// How many.
        periods: u64,
    },
    /// The port was opened, for the first time or again.
    PortOpened {
        /// What was found out about its adapter.
        notes: Vec<AdapterNote>,
    },
    /// The port is gone, or cannot be opened again yet; told once until it is back.
    PortLost {
        /// Why, for people.
        reason: String,
    },
    /// Bytes never stop coming, so nothing can be asked; told once until it is over.
    NeverQuiet {
        /// Why, for people.
        reason: String,
    },
    /// Requests came that are not this program's, on a line that allows one master; told once in an hour.
    AnotherMaster {
        /// How many, in the hour that runs.
        requests: u64,
    },
    /// The adapter returns what it sends, and is not declared to; told once until the port is opened again.
    EchoUndeclared,
    /// The figures of a stretch of at most an hour.
    Timing {
        /// Its beginning.
        from: WallMillis,
        /// Its end.
        to: WallMillis,
        /// The figures.
        timing: Box<LineTiming>,
    },
    /// Events that the queue had no room for.
    Dropped {
        /// Readings.
        readings: u64,
        /// Faults.
        faults: u64,
    },
}

/// A stretch of one table of one device, as it was read.
#[derive(Clone, Debug, PartialEq)]
pub struct RegistersRead {
    /// The device's name.
    pub device: String,
    /// What was asked.
    pub request: Request,
    /// The registers, lowest address first; for a table of bits each word is one bit.
    pub words: Vec<u16>,
    /// When the device most likely sampled them, on the line's time line.
    pub sampled_at: Moment,
    /// How far that may be off, either way.
    pub uncertainty: Duration,
    /// The same instant as readings carry it.
    pub steady: SteadyMillis,
    /// The same instant by the clock on the wall.
    pub wall: WallMillis,
}

/// An event and the line on which it happened.
#[derive(Clone, Debug, PartialEq)]
pub struct FromLine {
    /// The line's name.
    pub line: Arc<str>,
    /// What happened.
    pub event: LineEvent,
}

/// A queue into which lines put events, and the end at which they are taken out.
#[must_use]
pub fn event_queue() -> (EventSender, EventReceiver) {
    let shared = Arc::new(Shared::default());
    (EventSender { shared: Arc::clone(&shared) }, EventReceiver { shared })
}

/// Where lines put their events; never blocks.
#[derive(Clone, Debug)]
pub struct EventSender {
    shared: Arc<Shared>,
}

/// Where events are taken out.
#[derive(Debug)]
pub struct EventReceiver {
    shared: Arc<Shared>,
}

#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    arrived: Notify,
}

#[derive(Debug, Default)]
struct Waiting {
    events: VecDeque<FromLine>,
    dropped_readings: u64,
    dropped_faults: u64,
    senders_gone: bool,
}

impl EventSender {
    /// Puts an event in, and drops others if there is no room.
    pub fn send(&self, line: &Arc<str>, event: LineEvent) {
        let mut waiting = self.shared.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.events.push_back(FromLine { line: Arc::clone(line), event });
        if waiting.events.len() > MOST_WAITING {
            waiting.drop_one();
        }
        drop(waiting);
        self.shared.arrived.notify_one();
    }
}

impl Drop for EventSender {
    fn drop(&mut self) {
        // The receiver holds one reference, this sender another.
        if Arc::strong_count(&self.shared) == 2 {
            self.shared.waiting.lock().unwrap_or_else(PoisonError::into_inner).senders_gone = true;
            self.shared.arrived.notify_one();
        }
    }
}

impl Waiting {
    fn drop_one(&mut self) {
        let fault = self.events.iter().position(|waiting| matches!(waiting.event, LineEvent::Fault { .. }));
        let reading = || self.events.iter().position(|waiting| matches!(waiting.event, LineEvent::Read(_)));
        if let Some(index) = fault.or_else(reading) {
            match self.events.remove(index) {
                Some(FromLine { event: LineEvent::Read(_), .. }) => self.dropped_readings += 1,
                _ => self.dropped_faults += 1,
            }
        }
    }

    fn take(&mut self) -> Option<FromLine> {
        let next = self.events.pop_front()?;
        if self.dropped_readings + self.dropped_faults > 0 {
            let (readings, faults) =
                (std::mem::take(&mut self.dropped_readings), std::mem::take(&mut self.dropped_faults));
            let line = Arc::clone(&next.line);
            self.events.push_front(next);
            return Some(FromLine { line, event: LineEvent::Dropped { readings, faults } });
        }
        Some(next)
    }
}

impl EventReceiver {
    /// The next event, waiting for it; nothing once all lines are gone and everything was taken out.
    ///
    /// May be dropped while it waits without losing anything.
    pub async fn next(&mut self) -> Option<FromLine> {
        loop {
            {
                let mut waiting = self.shared.waiting.lock().unwrap_or_else(PoisonError::into_inner);
                if let Some(event) = waiting.take() {
                    return Some(event);
                }
                if waiting.senders_gone {
                    return None;
                }
            }
            self.shared.arrived.notified().await;
        }
    }

    /// The next event, if one waits.
    pub fn try_next(&mut self) -> Option<FromLine> {
        self.shared.waiting.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

#[cfg(test)]
mod tests {
    use tallywell_witness::declared::Table;

    use super::*;

    const REQUEST: Request = Request { table: Table::Holding, start: 0, count: 1 };

    fn reading(word: u16) -> LineEvent {
        LineEvent::Read(RegistersRead {
            device: "bore-1".to_owned(),
            request: REQUEST,
            words: vec![word],
            sampled_at: Moment(0),
            uncertainty: Duration::ZERO,
            steady: SteadyMillis(0),
            wall: WallMillis(0),
        })
    }

    #[test]
    fn a_full_queue_drops_faults_then_the_oldest_readings_and_says_so() {
        let (sender, mut receiver) = event_queue();
        let line: Arc<str> = "shed".into();
        sender.send(&line, LineEvent::PortOpened { notes: vec![] });
        let fault =
            LineEvent::Fault { device: "bore-1".to_owned(), request: REQUEST, fault: Fault::Crc, wall: WallMillis(0) };
        sender.send(&line, fault.clone());
        for word in 0..1100 {
            sender.send(&line, reading(word));
        }
        let mut taken = Vec::new();
        while let Some(found) = receiver.try_next() {
            taken.push(found.event);
        }
        assert_eq!(taken[0], LineEvent::Dropped { readings: 77, faults: 1 });
        assert_eq!(taken[1], LineEvent::PortOpened { notes: vec![] });
        assert_eq!(taken[2], reading(77), "the oldest readings went");
        assert_eq!(taken.last(), Some(&reading(1099)));
        assert_eq!(taken.len(), 1 + MOST_WAITING);
    }
}

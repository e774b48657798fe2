//! One device, read once: through a port of its own, or through a line that already runs.

use std::collections::{BTreeMap, VecDeque};
use std::time::Instant;

use serde::{Deserialize, Serialize};
use tallywell_witness::declared::{Line, RegisterMap, Table};
use tallywell_witness::moment::Moment;
use tallywell_witness::plan::{ASSUMED_DEVICE_LATENCY, PlanError, PlannedRequest, Request, WireTiming, cheapest_plan};

use super::bus::{AskError, Bus};
use super::clock::Clock;
use super::fault::Fault;
use super::orders::{Once, StartError};
use super::port;
use super::request::{Answer, ReadRequest, UnitAddress};
use super::scan::identity::{self, Identity};
use super::thread::LineHandle;

/// A broken or missing reply is asked for again so often: a person waits, and one disturbance should not be the answer.
const ATTEMPTS: u32 = 3;

/// What became of one request.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RequestRead {
    /// The table.
    pub table: Table,
    /// The protocol's address of the first register or bit.
    pub address: u16,
    /// How many.
    pub count: u16,
    /// What came, lowest address first (bits as 0 and 1); nothing if there was no sound reply.
    pub words: Option<Vec<u16>>,
    /// Why there was none, for people.
    pub fault: Option<String>,
    /// The code by which the device refused, if it did.
    #[serde(default)]
    pub exception: Option<u8>,
    /// From the end of the request to the beginning of the reply.
    pub reply_ms: Option<f64>,
}

/// Why a device could not be asked at all.
#[derive(Debug, thiserror::Error)]
pub enum OnceError {
    /// The port cannot be used.
    #[error(transparent)]
    Start(#[from] StartError),
    /// The map cannot be planned.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// Asking failed for a reason other than the device's reply.
    #[error("{0}")]
    Line(String),
}

/// What to read of one device.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted(VecDeque<Piece>);

/// One request, and where it came from a plan, how to cut it.
#[derive(Clone, Debug, PartialEq)]
struct Piece {
    request: Request,
    planned: Option<PlannedRequest>,
}

impl Wanted {
    /// All entries of a map, in as few requests as may be.
    ///
    /// # Errors
    /// The map cannot be planned.
    pub fn map(map: &RegisterMap, line: &Line) -> Result<Self, PlanError> {
        let timing = WireTiming::new(line.framing);
        let plan = cheapest_plan(map, map.entries.keys(), timing, timing.t3_5() + ASSUMED_DEVICE_LATENCY)?;
        let piece = |planned: PlannedRequest| Piece { request: planned.request, planned: Some(planned) };
        Ok(Self(plan.requests.into_iter().map(piece).collect()))
    }

    /// Exactly these stretches.
    #[must_use]
    pub fn exactly(requests: &[Request]) -> Self {
        Self(requests.iter().map(|&request| Piece { request, planned: None }).collect())
    }
}

/// A line whose port this program opened for itself, to read of it now and again.
#[derive(Debug)]
pub struct OwnLine {
    runtime: tokio::runtime::Runtime,
    bus: Bus,
    /// Units that may still answer an earlier request, and until when.
    resting: BTreeMap<UnitAddress, Moment>,
}

impl OwnLine {
    /// Opens the line's port.
    ///
    /// # Errors
    /// The port cannot be used.
    pub fn open(line: &Line) -> Result<Self, OnceError> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(StartError::System)?;
        let bus = runtime.block_on(async {
            let opened = port::open(line).await.map_err(StartError::Port)?;
            Bus::new(line, opened.connection, Clock::since(Instant::now())).map_err(StartError::System)
        })?;
        Ok(Self { runtime, bus, resting: BTreeMap::new() })
    }

    /// Reads one unit.
    ///
    /// # Errors
    /// The port is lost.
    pub fn read(&mut self, unit: UnitAddress, wanted: Wanted) -> Result<Vec<RequestRead>, OnceError> {
        let Self { runtime, bus, resting } = self;
        runtime.block_on(read(unit, wanted, async |unit, request| {
            if let Some(until) = resting.remove(&unit) {
                bus.listen_until(until).await.map_err(|lost| lost.to_string())?;
            }
            let asked = bus.ask(unit, request).await.map_err(|error: AskError| error.to_string())?;
            if let Err(fault) = &asked.outcome
                && fault.answer_may_follow()
            {
                resting.insert(unit, asked.ended.after(bus.worst_latency()));
            }
            Ok(asked.outcome)
        }))
    }
}

impl OwnLine {
    /// What a unit says of itself.
    ///
    /// # Errors
    /// The port is lost.
    pub fn identify(&mut self, unit: UnitAddress) -> Result<Identity, OnceError> {
        let Self { runtime, bus, .. } = self;
        let identity = runtime.block_on(identity::ask_all(async |request| {
            let asked = bus.ask(unit, request).await.map_err(|error: AskError| error.to_string())?;
            if let Err(fault) = &asked.outcome
                && fault.answer_may_follow()
            {
                // What comes late must not be taken for the next answer.
                bus.listen_until(asked.ended.after(bus.worst_latency())).await.map_err(|lost| lost.to_string())?;
            }
            Ok::<_, String>(asked.outcome.ok().map(|(answer, _)| answer))
        }));
        identity.map_err(OnceError::Line)
    }
}

/// What a unit says of itself, asked through a running line.
///
/// # Errors
/// The line has ended, or its port is gone.
pub async fn identify_through(line: &LineHandle, unit: UnitAddress) -> Result<Identity, OnceError> {
    let asked = identity::ask_all(async |request| {
        let once = line.ask_once(unit, request).await?;
        Ok::<_, String>(once.ok().map(|(answer, _)| answer))
    });
    asked.await.map_err(OnceError::Line)
}

/// Reads one unit through a running line, between the transactions of its schedule.
///
/// # Errors
/// The line has ended, or its port is gone.
pub async fn read_through(line: &LineHandle, unit: UnitAddress, wanted: Wanted) -> Result<Vec<RequestRead>, OnceError> {
    read(unit, wanted, async |unit, request| line.ask_once(unit, request).await).await
}

/// Asks piece by piece. A request that the device refuses for its addresses is cut, as the schedule would.
async fn read(
    unit: UnitAddress,
    wanted: Wanted,
    mut ask: impl AsyncFnMut(UnitAddress, ReadRequest) -> Result<Once, String>,
) -> Result<Vec<RequestRead>, OnceError> {
    let mut left = wanted.0;
    let mut done = Vec::new();
    while let Some(piece) = left.pop_front() {
        let Request { table, start, count } = piece.request;
        let request = ReadRequest::table(table, start, count).map_err(|error| OnceError::Line(error.to_string()))?;
        let mut attempt = 1;
        let outcome = loop {
            let outcome = ask(unit, request).await.map_err(OnceError::Line)?;
            let worth_another = outcome.as_ref().is_err_and(|fault| !matches!(fault, Fault::Exception(_)));
            if attempt == ATTEMPTS || !worth_another {
                break outcome;
            }
            attempt += 1;
        };
        let pieces = match (&outcome, &piece.planned) {
            (Err(Fault::Exception(0x02 | 0x03)), Some(planned)) => planned.pieces(),
            _ => Vec::new(),
        };
        if pieces.is_empty() {
            let silent = matches!(outcome, Err(Fault::Timeout));
            done.push(told(piece.request, outcome));
            if silent && done.len() == 1 {
                // Nobody is there: the other requests would only make a person wait.
                break;
            }
        }
        for planned in pieces.into_iter().rev() {
            left.push_front(Piece { request: planned.request, planned: Some(planned) });
        }
    }
    Ok(done)
}

fn told(request: Request, outcome: Once) -> RequestRead {
    let Request { table, start, count } = request;
    let mut read =
        RequestRead { table, address: start, count, words: None, fault: None, exception: None, reply_ms: None };
    match outcome {
        Ok((answer, times)) => {
            read.words = Some(match answer {
                Answer::Registers(words) => words,
                Answer::Bits(bits) => bits.into_iter().map(u16::from).collect(),
                // Tables are asked for, and the reply's function was checked.
                Answer::Diagnostic(_) | Answer::ServerId(_) | Answer::Identification { .. } => Vec::new(),
            });
            read.reply_ms = Some((times.latency().as_secs_f64() * 1e6).round() / 1e3);
        }
        Err(fault) => {
            read.exception = if let Fault::Exception(code) = fault { Some(code) } else { None };
            read.fault = Some(fault.to_string());
        }
    }
    read
}

//! What another master reads, drawn up by listening alone: nothing is sent.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use tallywell_witness::declared::{EarlyReplies, Framing, Line, LineMode, Port};
use tallywell_witness::decode::Observation;
use tallywell_witness::plan::WireTiming;
use tallywell_witness::units::Seconds;
use tokio::io::AsyncReadExt as _;

use super::super::bus::PortLost;
use super::super::clock::Clock;
use super::super::listen::arrival::Arrivals;
use super::super::listen::cutter::{Cut, Cutter};
use super::super::listen::exchange::Exchange;
use super::super::listen::follower::{Counted, FollowTiming, Follower};
use super::super::listen::master::PollKey;
use super::super::port::{self, Connection};
use super::super::quiet::QuietGap;
use super::listening::listen;
use super::overheard::Heard;
use super::{Progress, ScanError};

/// At each setting it is listened so long for a frame.
const FOR_A_FRAME: Duration = Duration::from_secs(3);
/// A busy machine hands over the rest of a frame within this.
const UNHURRIED: Duration = Duration::from_millis(100);
/// More observations of the same registers tell nothing new.
const MOST_OBSERVATIONS: usize = 120;
/// The most that is taken from the port at once.
const READ_AT_ONCE: usize = 1024;

/// What was heard.
#[derive(Clone, Debug)]
pub struct Followed {
    /// The settings at which frames were heard; nothing if there were none.
    pub framing: Option<Framing>,
    /// How long was listened at those.
    pub listened: Duration,
    /// Bytes heard at other settings, or as no frame.
    pub noise_bytes: usize,
    /// How the master polls, and how the devices answer.
    pub counted: Counted,
    /// What the registers of each request held.
    pub observations: BTreeMap<PollKey, Vec<Observation>>,
}

/// Listens at each setting until frames come, then for as long as `length`.
///
/// # Errors
/// The port cannot be used, or is lost meanwhile.
pub fn follow(
    port: &Port,
    settings: &[Framing],
    length: Duration,
    tell: &mut dyn FnMut(Progress),
) -> Result<Followed, ScanError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(ScanError::System)?;
    runtime.block_on(async {
        let first = *settings.first().ok_or(ScanError::Nothing)?;
        let mut connection = port::open(&line(port, first)).await?.connection;
        let mut noise_bytes = 0;
        for &framing in settings {
            if framing != first
                && let Port::Serial(path) = port
                && connection.set_framing(framing, path).is_err()
            {
                continue;
            }
            tell(Progress::Listening(framing));
            let (heard, bytes) = listen(&mut connection, framing, FOR_A_FRAME.min(length)).await?;
            noise_bytes += bytes;
            if matches!(heard, Heard::Frames(_)) {
                let line = line(port, framing);
                return Ok(Followed {
                    noise_bytes: noise_bytes - bytes,
                    ..draw_up(connection, &line, length, tell).await?
                });
            }
        }
        let (counted, observations) = Default::default();
        Ok(Followed { framing: None, listened: Duration::ZERO, noise_bytes, counted, observations })
    })
}

async fn draw_up(
    mut connection: Connection,
    line: &Line,
    length: Duration,
    tell: &mut dyn FnMut(Progress),
) -> Result<Followed, PortLost> {
    let wire = WireTiming::new(line.framing);
    let clock = Clock::since(Instant::now());
    let mut quiet_gap = QuietGap::new(line, wire.t3_5());
    let mut cutter = Cutter::new(wire.character());
    let timing = FollowTiming { character: wire.character(), silence: wire.t3_5(), worst_latency: line.worst_latency };
    let mut follower = Follower::new(timing);
    let mut observations: BTreeMap<PollKey, Vec<Observation>> = BTreeMap::new();
    let mut buffer = [0; READ_AT_ONCE];
    let ends = clock.now().after(length);
    let mut arrivals = Arrivals::default();
    while clock.now() < ends {
        let wait = quiet_gap.current().max(UNHURRIED).min(ends.since(clock.now()));
        let asked = clock.now();
        let cuts = match tokio::time::timeout(wait, connection.read(&mut buffer)).await {
            Ok(count) => {
                let bytes = &buffer[..count?];
                if bytes.is_empty() {
                    return Err(std::io::Error::from(std::io::ErrorKind::UnexpectedEof).into());
                }
                let all = bytes.len() < READ_AT_ONCE;
                let arrived = arrivals.read(asked, clock.now(), all, quiet_gap.held());
                arrived.map(|arrived| cutter.hear(bytes, arrived)).unwrap_or_default()
            }
            Err(_elapsed) => {
                tell(Progress::Listening(line.framing));
                arrivals.nothing(asked);
                cutter.quiet()
            }
        };
        let mut exchanges: Vec<Exchange> = cuts.into_iter().flat_map(|cut: Cut| follower.take(cut)).collect();
        exchanges.extend(follower.on_time(clock.now().before(quiet_gap.held())));
        for Exchange { unit, request, outcome } in exchanges {
            let Ok(values) = outcome else { continue };
            quiet_gap.learn(values.characters, values.largest_gap);
            let seen = observations.entry(PollKey::new(unit, request)).or_default();
            if seen.len() < MOST_OBSERVATIONS {
                seen.push(Observation { at: Seconds(values.sampled_at.0 as f64 / 1e6), words: values.words });
            }
        }
    }
    Ok(Followed {
        framing: Some(line.framing),
        listened: length,
        noise_bytes: 0,
        counted: follower.take_counted(),
        observations,
    })
}

fn line(port: &Port, framing: Framing) -> Line {
    Line {
        name: "line".to_owned(),
        port: port.clone(),
        framing,
        mode: LineMode::Listen,
        reply_timeout: Duration::from_millis(300),
        quiet_gap: None,
        worst_latency: Duration::from_secs(1),
        echo: false,
        early_replies: EarlyReplies::Refuse,
    }
}

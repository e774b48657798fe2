//! Listening before anything is sent.

use std::time::{Duration, Instant};

use tallywell_witness::declared::Framing;
use tallywell_witness::plan::WireTiming;
use tokio::io::AsyncReadExt as _;

use super::super::bus::PortLost;
use super::super::port::Connection;
use super::overheard::{Burst, Heard, judge};

/// USB adapters hold bytes back for up to 16 ms, so a shorter pause between two reads parts nothing.
const PAUSE: Duration = Duration::from_millis(20);

/// Listens for a while, and judges what came.
pub(super) async fn listen(
    connection: &mut Connection,
    framing: Framing,
    listen: Duration,
) -> Result<(Heard, usize), PortLost> {
    let timing = WireTiming::new(framing);
    let pause = timing.t3_5() + PAUSE;
    let begun = Instant::now();
    let mut bursts: Vec<Burst> = Vec::new();
    let mut last: Option<Instant> = None;
    let mut buffer = [0; 256];
    while let Some(left) = listen.checked_sub(begun.elapsed()) {
        let Ok(read) = tokio::time::timeout(left, connection.read(&mut buffer)).await else { break };
        let count = read?;
        if count == 0 {
            return Err(std::io::Error::from(std::io::ErrorKind::UnexpectedEof).into());
        }
        let now = Instant::now();
        match bursts.last_mut() {
            Some(burst) if last.is_some_and(|last| now - last < pause) => burst.0.extend_from_slice(&buffer[..count]),
            _ => bursts.push(Burst(buffer[..count].to_vec())),
        }
        last = Some(now);
    }
    let bytes = bursts.iter().map(|burst| burst.0.len()).sum();
    Ok((judge(&bursts, timing.character(), listen), bytes))
}

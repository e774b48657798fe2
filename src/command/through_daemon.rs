//! What commands have a running daemon read for them: it holds the port.

use std::path::Path;
use std::time::Duration;

use serde_json::Value;
use tallywell_witness::plan::Request;

use crate::daemon::socket::{self, SocketError};
use crate::line::once::RequestRead;

/// A running daemon answers within its own time-outs and retries.
const PATIENCE: Duration = Duration::from_secs(30);

/// Reads exactly this stretch of a device, or everything that its map names.
pub(super) fn read(socket: &Path, device: &str, stretch: Option<Request>) -> Result<Vec<RequestRead>, SocketError> {
    let raw = stretch.map(|Request { table, start, count }| (table, start, count));
    let request = socket::Request::Read { device: device.to_owned(), raw };
    let mut reads = Vec::new();
    let mut take = |value: Value| match serde_json::from_value(value) {
        Ok(read) => {
            reads.push(read);
            true
        }
        Err(_) => false,
    };
    socket::ask(socket, &request, Some(PATIENCE), &mut take)?;
    Ok(reads)
}

/// What a device says of itself, if it does.
pub(super) fn identify(socket: &Path, device: &str) -> Result<Option<String>, SocketError> {
    let request = socket::Request::Identify { device: device.to_owned() };
    let mut says = None;
    let mut take = |value: Value| {
        says = value.as_str().map(str::to_owned);
        true
    };
    socket::ask(socket, &request, Some(PATIENCE), &mut take)?;
    Ok(says)
}

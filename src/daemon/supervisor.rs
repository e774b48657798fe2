//! What a service manager is told: the sd_notify protocol, a datagram with `KEY=VALUE` lines to the socket in
//! `NOTIFY_SOCKET`. Without that variable nothing is told.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};

use rustix::time::{ClockId, clock_gettime};

/// Everything is polled and stored.
pub(super) fn ready() {
    tell("READY=1\nSTATUS=polling");
}

/// The site file is read again.
pub(super) fn reloading() {
    let now = clock_gettime(ClockId::Monotonic);
    tell(&format!("RELOADING=1\nMONOTONIC_USEC={}", now.tv_sec * 1_000_000 + now.tv_nsec / 1_000));
}

/// The daemon ends.
pub(super) fn stopping() {
    tell("STOPPING=1");
}

/// The daemon makes progress. To be told only when it does.
pub(super) fn alive() {
    tell("WATCHDOG=1");
}

fn tell(message: &str) {
    let Some(path) = std::env::var_os("NOTIFY_SOCKET") else { return };
    // A leading @ stands for the zero byte of an abstract name.
    let address = match path.as_bytes() {
        [b'@', name @ ..] => SocketAddr::from_abstract_name(name),
        _ => SocketAddr::from_pathname(&path),
    };
    let told = address.and_then(|address| UnixDatagram::unbound()?.send_to_addr(message.as_bytes(), &address));
    if let Err(error) = told {
        tracing::debug!("the service manager was not told: {error}");
    }
}

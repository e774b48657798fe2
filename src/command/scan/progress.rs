//! How far a scan is, on standard error.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use tallywell_witness::probing::Left;

use super::spoken;
use crate::line::scan::Progress;

/// On a terminal one line is written over and over; elsewhere a line now and then is enough.
const ON_TERMINAL: Duration = Duration::from_millis(200);
const ELSEWHERE: Duration = Duration::from_secs(5);

/// Shows progress, not too often.
pub(super) struct Shown {
    on_terminal: bool,
    last: Instant,
    addresses: usize,
}

impl Shown {
    pub(super) fn new(addresses: usize) -> Self {
        Self { on_terminal: std::io::stderr().is_terminal(), last: Instant::now(), addresses }
    }

    pub(super) fn show(&mut self, progress: Progress) {
        if self.last.elapsed() < if self.on_terminal { ON_TERMINAL } else { ELSEWHERE } {
            return;
        }
        self.last = Instant::now();
        let said = match progress {
            Progress::Listening(framing) => format!("listening at {}", spoken(framing)),
            Progress::Asking { probe, found, left } => {
                let found = if found == 0 { String::new() } else { format!("; {found} found") };
                let address = probe.address;
                let of = if self.addresses == 1 { String::new() } else { format!("; {}", remaining(left)) };
                format!("{}: address {address}{found}{of}", spoken(probe.framing))
            }
            Progress::Identifying(address) => format!("asking address {address} what it is"),
        };
        // Where standard error is gone, nobody misses this.
        let _ = if self.on_terminal {
            write!(std::io::stderr(), "\r\x1b[K{said}")
        } else {
            writeln!(std::io::stderr(), "{said}")
        };
    }

    /// Takes the line away.
    pub(super) fn end(&self) {
        if self.on_terminal {
            let _ = write!(std::io::stderr(), "\r\x1b[K");
        }
    }
}

/// How long the rest takes if nothing answers.
pub(super) fn remaining(left: Left) -> String {
    let seconds = left.time.as_secs_f64();
    if seconds < 90.0 { format!("{seconds:.0} s left") } else { format!("{:.0} min left", seconds / 60.0) }
}

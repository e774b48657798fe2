//! The simulated controller that polls the demonstration's shed where this program only listens.

use std::time::Duration;

use tallywell_sim::controller::Polling;
use tallywell_sim::wire::Ears;

/// What it reads, once a second: of each meter flow and totals, of the modules all channels; neither the status nor the
/// settings, so that there is something that is never read.
const READ: [(u8, u8, u16, u16); 5] =
    [(11, 0x03, 0, 6), (12, 0x03, 0, 6), (13, 0x03, 0, 6), (40, 0x04, 0, 4), (41, 0x04, 0, 6)];

pub(super) fn polling() -> Polling {
    let request = |(unit, function, start, count): (u8, u8, u16, u16)| {
        (unit, [&[function][..], &start.to_be_bytes(), &count.to_be_bytes()].concat())
    };
    Polling {
        requests: READ.map(request).to_vec(),
        every: Duration::from_secs(1),
        patience: Duration::from_millis(300),
        retries: 1,
        silence: Duration::from_millis(5),
    }
}

/// A USB adapter, which hands over what it hears in lumps.
pub(super) const fn ears() -> Ears {
    Ears { lumps: (1, 64), hold: Duration::from_millis(16), spoiled: 0.0, seed: 7 }
}

//! How long a silence ends a broken reply, where the site file leaves that to the program.

use std::path::Path;
use std::time::Duration;

use tallywell_witness::declared::{Line, Port};
use tallywell_witness::plan::WireTiming;

/// A UART of the machine itself passes bytes on within a few characters; the rest is for a busy machine.
const OWN_UART: Duration = Duration::from_millis(4);
/// And it may hold bytes for so many characters before that: 14 fill the 16 bytes of its queue to the highest level that it can be
/// set to, or it gives what it has 4 characters after the last (data sheet of the 16550D, from memory).
const OWN_UART_CHARACTERS: u32 = 18;
/// A USB adapter may hold bytes for 16 ms (a common default), and a pseudo-terminal's other end is a program.
const ADAPTER: Duration = Duration::from_millis(20);
/// A gateway's frames may come in several packets.
const GATEWAY: Duration = Duration::from_millis(100);
/// Whatever was seen, a broken reply ends after this.
const LONGEST: Duration = Duration::from_millis(250);
/// So many replies have to be seen before a shorter silence is trusted than the kind of port suggests.
const REPLIES_TO_TRUST: u32 = 500;
/// A reply of fewer characters comes in one piece and shows no gap.
const TELLING_CHARACTERS: usize = 20;

/// The silence that ends a broken reply: declared, or begun with what the kind of port may need and learned from the gaps
/// inside sound replies.
#[derive(Clone, Copy, Debug)]
pub struct QuietGap {
    silence: Duration,
    declared: Option<Duration>,
    assumed: Duration,
    queue: Duration,
    largest_seen: Duration,
    replies: u32,
}

impl QuietGap {
    /// For a line whose frames end with `silence`.
    #[must_use]
    pub fn new(line: &Line, silence: Duration) -> Self {
        let assumed = match &line.port {
            Port::Serial(path) if is_own_uart(path) => OWN_UART,
            Port::Serial(_) => ADAPTER,
            Port::Tcp(_) | Port::RtuOverTcp(_) => GATEWAY,
        };
        let queue =
            WireTiming::new(line.framing).character() * if assumed == OWN_UART { OWN_UART_CHARACTERS } else { 0 };
        Self { silence, declared: line.quiet_gap, assumed, queue, largest_seen: Duration::ZERO, replies: 0 }
    }

    /// The silence that ends a broken reply now; never less than the one that ends a frame.
    #[must_use]
    pub fn current(&self) -> Duration {
        if let Some(declared) = self.declared {
            return declared.max(self.silence);
        }
        let seen = 3 * self.largest_seen;
        let tolerance = if self.replies >= REPLIES_TO_TRUST { OWN_UART } else { self.assumed };
        (self.silence + tolerance.max(seen)).min(LONGEST)
    }

    /// How long an adapter may hold bytes before it gives them. That of none is trusted to be shorter than the kind of port
    /// suggests: one that gives each reply in one piece holds it, and shows no gap.
    #[must_use]
    pub fn held(&self) -> Duration {
        self.declared.unwrap_or_else(|| (self.assumed + self.queue).max(self.largest_seen.min(LONGEST)))
    }

    /// Learns from a sound reply of so many characters.
    pub fn learn(&mut self, characters: usize, largest_gap: Duration) {
        if characters >= TELLING_CHARACTERS {
            self.largest_seen = self.largest_seen.max(largest_gap);
            self.replies = self.replies.saturating_add(1);
        }
    }
}

/// Whether a port is one of the machine's own, by the driver's naming.
fn is_own_uart(path: &Path) -> bool {
    let real = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let name = real.file_name().unwrap_or_default().to_string_lossy().into_owned();
    name.starts_with("tty") && !name.starts_with("ttyUSB") && !name.starts_with("ttyACM")
}

#[cfg(test)]
mod tests {
    use tallywell_witness::declared::{EarlyReplies, Framing, LineMode, Parity};

    use super::*;

    const SILENCE: Duration = Duration::from_micros(1750);

    fn gap(port: Port, declared: Option<Duration>) -> QuietGap {
        let line = Line {
            name: "shed".to_owned(),
            port,
            framing: Framing { baud: 115_200, parity: Parity::None, stop_bits: 2 },
            mode: LineMode::Poll,
            reply_timeout: Duration::from_millis(300),
            quiet_gap: declared,
            worst_latency: Duration::from_secs(1),
            echo: false,
            early_replies: EarlyReplies::Refuse,
        };
        QuietGap::new(&line, SILENCE)
    }

    #[test]
    fn what_is_declared_holds_but_never_less_than_a_frames_end() {
        let port = || Port::Serial("/dev/ttyUSB0".into());
        assert_eq!(gap(port(), Some(Duration::from_millis(50))).current(), Duration::from_millis(50));
        assert_eq!(gap(port(), Some(Duration::from_micros(1))).current(), SILENCE);
    }

    #[test]
    fn a_usb_adapter_may_hold_bytes_until_it_has_shown_that_it_does_not() {
        let mut gap = gap(Port::Serial("/dev/ttyUSB0".into()), None);
        assert!(gap.current() > Duration::from_millis(16));
        for _ in 0..REPLIES_TO_TRUST {
            gap.learn(TELLING_CHARACTERS, Duration::from_micros(500));
        }
        assert_eq!(gap.current(), SILENCE + OWN_UART);
        // And one pause that was seen counts for ever.
        gap.learn(TELLING_CHARACTERS, Duration::from_millis(16));
        assert_eq!(gap.current(), SILENCE + Duration::from_millis(48));
    }

    #[test]
    fn a_uart_of_the_machine_holds_what_its_queue_takes() {
        // 115200 baud, 11 bits a character.
        let held = gap(Port::Serial("/dev/ttyS1".into()), None).held();
        assert_eq!(held.as_micros(), 4_000 + 18 * 11 * 1_000_000 / 115_200);
        assert_eq!(gap(Port::Serial("/dev/ttyS1".into()), Some(SILENCE)).held(), SILENCE);
    }

    #[test]
    fn the_kind_of_port_sets_the_beginning() {
        let begin = |port| gap(port, None).current() - SILENCE;
        assert_eq!(begin(Port::Serial("/dev/ttyS1".into())), OWN_UART);
        assert_eq!(begin(Port::Serial("/dev/pts/3".into())), ADAPTER);
        assert_eq!(begin(Port::RtuOverTcp("192.0.2.10:4001".to_owned())), GATEWAY);
    }
}

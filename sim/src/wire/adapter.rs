//! The master's adapter: it hears the wire, and gives what it heard in chunks.

use std::time::Duration;

/// A packet of a USB adapter holds so many bytes beside its two bytes of status; a full one goes at once.
const FULL_PACKET: usize = 62;

/// How the master's adapter passes on what it hears.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Adapter {
    /// Bytes are passed on in chunks of so many (1 to 64), and whatever is left at the end of a transmission.
    pub chunk: usize,
    /// Bytes are held until the next tick of a timer with this period, as USB adapters do; zero passes them on at once.
    pub latency: Duration,
    /// What the master sends comes back to it.
    pub echo: bool,
}

impl Default for Adapter {
    fn default() -> Self {
        Self { chunk: 1, latency: Duration::ZERO, echo: false }
    }
}

/// Bytes on their way to the master.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// When they should be there.
    pub due: Duration,
    /// What is given.
    pub bytes: Vec<u8>,
}

/// Bytes that the adapter holds back.
#[derive(Debug, Default)]
pub(super) struct Held {
    bytes: Vec<u8>,
    last_tick: Duration,
}

impl Held {
    /// Takes what was heard by `at`; gives what goes on at once, and when the rest is to be asked for.
    pub(super) fn take(&mut self, adapter: Adapter, bytes: Vec<u8>, at: Duration) -> (Vec<u8>, Option<Duration>) {
        if adapter.latency.is_zero() {
            return (bytes, None);
        }
        let was_empty = self.bytes.is_empty();
        self.bytes.extend(bytes);
        if self.bytes.len() >= FULL_PACKET {
            let rest = self.bytes.split_off(FULL_PACKET * (self.bytes.len() / FULL_PACKET));
            self.last_tick = at;
            let full = std::mem::replace(&mut self.bytes, rest);
            return (full, (!self.bytes.is_empty()).then(|| self.next_tick(adapter, at)));
        }
        (Vec::new(), was_empty.then(|| self.next_tick(adapter, at)))
    }

    /// What is given at a tick.
    pub(super) fn tick(&mut self, at: Duration) -> Vec<u8> {
        self.last_tick = at;
        std::mem::take(&mut self.bytes)
    }

    fn next_tick(&self, adapter: Adapter, at: Duration) -> Duration {
        let since = at.saturating_sub(self.last_tick).as_nanos();
        let periods = u32::try_from(since / adapter.latency.as_nanos()).unwrap_or(u32::MAX - 1);
        self.last_tick + adapter.latency * (periods + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_come_in_lumps_at_the_ticks_of_the_timer_or_when_a_packet_is_full() {
        let adapter = Adapter { latency: Duration::from_millis(16), ..Adapter::default() };
        let mut held = Held::default();
        let ms = Duration::from_millis;
        assert_eq!(held.take(adapter, vec![1], ms(20)), (vec![], Some(ms(32))));
        assert_eq!(held.take(adapter, vec![2], ms(21)), (vec![], None));
        assert_eq!(held.tick(ms(32)), vec![1, 2]);
        let (given, next) = held.take(adapter, vec![7; 70], ms(40));
        assert_eq!((given.len(), next), (62, Some(ms(56))));
        assert_eq!(held.tick(ms(56)).len(), 8);
    }
}

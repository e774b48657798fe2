//! A second port on the same pair, which only hears: what a listener beside the master gets.

use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::adapter::Delivery;
use super::{Event, Wire, count};

/// How a listening port passes on what it hears.
#[derive(Clone, Debug, PartialEq)]
pub struct Ears {
    /// Bytes are passed on in lumps of so many, drawn anew each time (1 to 64).
    pub lumps: (usize, usize),
    /// But none is held for longer than this.
    pub hold: Duration,
    /// The share of transmissions of which it hears some bits wrong, while everybody else hears them right.
    pub spoiled: f64,
    /// For what is drawn.
    pub seed: u64,
}

/// What a listening port holds.
#[derive(Debug)]
pub(super) struct Hearing {
    ears: Ears,
    held: Vec<u8>,
    /// Each time that something is held for the first time has its number, so that an older timer does nothing.
    holding: u64,
    lump: usize,
    random: ChaCha8Rng,
    deliveries: Vec<Delivery>,
}

impl Hearing {
    pub(super) fn new(ears: Ears) -> Self {
        let random = ChaCha8Rng::seed_from_u64(ears.seed);
        let mut hearing = Self { ears, held: Vec::new(), holding: 0, lump: 1, random, deliveries: Vec::new() };
        hearing.draw_lump();
        hearing
    }

    /// Bytes to turn in a transmission of so many, if it is one that is heard wrong.
    pub(super) fn spoil(&mut self, length: usize) -> Option<(usize, u8)> {
        let struck = self.random.random::<f64>() < self.ears.spoiled;
        struck.then(|| (self.random.random_range(0..length.max(1)), 1 << self.random.random_range(0..8_u8)))
    }

    /// Takes what was heard by `at`; says when and under which number the rest is to be asked for.
    pub(super) fn hear(&mut self, bytes: &[u8], at: Duration) -> Option<(Duration, u64)> {
        let was_empty = self.held.is_empty();
        self.held.extend_from_slice(bytes);
        while self.held.len() >= self.lump {
            let rest = self.held.split_off(self.lump);
            let lump = std::mem::replace(&mut self.held, rest);
            self.deliveries.push(Delivery { due: at, bytes: lump });
            self.draw_lump();
            self.holding += 1;
        }
        let begins_to_hold = !self.held.is_empty() && (was_empty || !self.deliveries.is_empty());
        begins_to_hold.then_some((at + self.ears.hold, self.holding))
    }

    /// What is held is given, if it is still the same holding.
    pub(super) fn release(&mut self, holding: u64, at: Duration) {
        if holding == self.holding && !self.held.is_empty() {
            self.deliveries.push(Delivery { due: at, bytes: std::mem::take(&mut self.held) });
            self.draw_lump();
            self.holding += 1;
        }
    }

    pub(super) fn take_deliveries(&mut self) -> Vec<Delivery> {
        std::mem::take(&mut self.deliveries)
    }

    fn draw_lump(&mut self) {
        let (least, most) = (self.ears.lumps.0.clamp(1, 64), self.ears.lumps.1.clamp(1, 64));
        self.lump = self.random.random_range(least..=most.max(least));
    }
}

impl Wire {
    /// Puts a port on the wire that hears everything and sends nothing.
    pub fn listen(&mut self, ears: Ears) {
        self.hearing = Some(Hearing::new(ears));
    }

    /// What has reached the listening port since the last time; call [`Wire::advance`] first.
    pub fn overheard(&mut self) -> Vec<Delivery> {
        self.hearing.as_mut().map(Hearing::take_deliveries).unwrap_or_default()
    }

    /// Notes bytes that came out of the listening port, where none should.
    pub fn listener_sends(&mut self, bytes: &[u8]) {
        self.witnessed.bytes_from_listener += count(bytes.len());
    }

    /// Gives the listening port what was heard of a talk, but for what it alone hears wrong.
    pub(super) fn overhear(&mut self, index: usize, heard: &[u8], at: Duration) {
        let Some(hearing) = self.hearing.as_mut().filter(|_| !heard.is_empty()) else { return };
        let mut bytes = heard.to_vec();
        let talk = &self.talks[index];
        if let Some((place, turned)) = talk.spoiled
            && let Some(byte) = (place + bytes.len()).checked_sub(talk.heard).and_then(|at| bytes.get_mut(at))
        {
            *byte ^= turned;
        }
        if let Some((until, holding)) = hearing.hear(&bytes, at) {
            self.plan(until, Event::Release { holding });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lumps_are_full_or_held_for_so_long_at_the_most() {
        let ears = Ears { lumps: (4, 4), hold: Duration::from_millis(16), spoiled: 0.0, seed: 1 };
        let ms = Duration::from_millis;
        let mut hearing = Hearing::new(ears);
        let (until, holding) = hearing.hear(&[1, 2], ms(10)).expect("two bytes are held");
        assert_eq!(until, ms(26));
        assert_eq!(hearing.hear(&[3], ms(11)), None, "the timer runs already");
        let again = hearing.hear(&[4, 5], ms(12));
        assert_eq!(again, Some((ms(28), holding + 1)));
        assert_eq!(hearing.take_deliveries(), [Delivery { due: ms(12), bytes: vec![1, 2, 3, 4] }]);
        hearing.release(holding, ms(26));
        assert_eq!(hearing.take_deliveries(), []);
        hearing.release(holding + 1, ms(28));
        assert_eq!(hearing.take_deliveries(), [Delivery { due: ms(28), bytes: vec![5] }]);
    }
}

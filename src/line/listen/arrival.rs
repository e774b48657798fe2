//! When bytes were on the wire, from when the system was asked for them: a reader that is kept waiting by a busy machine
//! finds bytes that may have waited as long.
//!
//! Nothing is taken for granted about how soon a reader wakes. Bytes came after the last time at which the system was asked
//! and had none, and before the read that brought them had ended; an adapter may have held them before that for as long as
//! its kind does. So whoever wants narrow bounds has to look often.

use std::time::Duration;

use super::super::moment::{Between, Moment};

/// When bytes that were read at once came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrived {
    /// Within what time the last of them was on the wire.
    pub on_wire: Between,
    /// Within what time the last of them reached this machine.
    pub at_machine: Between,
}

impl From<Between> for Arrived {
    /// Bytes that nothing held.
    fn from(arrived: Between) -> Self {
        Self { on_wire: arrived, at_machine: arrived }
    }
}

/// What a reader knows of its port.
#[derive(Clone, Copy, Debug)]
pub struct Arrivals {
    /// Until then an adapter gave all that it held: it gave the bytes before, and had not given them yet at this instant.
    given: Moment,
    /// Then the system had nothing.
    empty: Moment,
}

impl Arrivals {
    /// A port that has nothing at `now`.
    #[must_use]
    pub const fn new(now: Moment) -> Self {
        Self { given: now, empty: now }
    }

    /// The system was asked after `asked`, and had nothing.
    pub fn nothing(&mut self, asked: Moment) {
        self.empty = self.empty.max(asked);
    }

    /// Bytes came from a read that began after `asked` and had ended by `now`; `all` if it took everything that there was. An
    /// adapter holds bytes for up to `held`.
    pub fn read(&mut self, asked: Moment, now: Moment, all: bool, held: Duration) -> Arrived {
        let between = |earliest: Moment| Between { earliest: earliest.min(now), latest: now };
        let arrived =
            Arrived { on_wire: between(self.given.max(self.empty.before(held))), at_machine: between(self.empty) };
        if all {
            self.given = self.empty;
            self.empty = self.empty.max(asked);
        }
        arrived
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const HELD: Duration = Duration::from_millis(16);

    proptest! {
        /// Bytes one by one, an adapter that gives all that it holds when it likes, and a thread that is kept waiting for any
        /// time between any two things that it does: each byte was on the wire within the bounds of its lump.
        #[test]
        fn no_stall_makes_the_bounds_wrong(
            wire in proptest::collection::vec((1..40_000_i64, 0..16_000_i64), 1..60),
            reader in proptest::collection::vec((0..300_000_i64, 0..2_000_i64, 0..2_000_i64), 60),
        ) {
            let mut on_wire = 0;
            let mut given: Vec<(i64, i64)> = Vec::new();
            for (pause, hold) in wire {
                on_wire += pause;
                // What is held goes with what was held before it.
                let at = given.last().map(|&(_, at)| at).filter(|&at| at >= on_wire).unwrap_or(on_wire + hold);
                given.push((on_wire, at));
            }
            let (mut arrivals, mut now, mut read) = (Arrivals::new(Moment(0)), 0, 0);
            for (stall, before, after) in reader {
                let asked = now + stall;
                let in_kernel = given[read..].iter().take_while(|(_, at)| *at <= asked + before).count();
                now = asked + before + after;
                if in_kernel == 0 {
                    arrivals.nothing(Moment(asked));
                    continue;
                }
                let arrived = arrivals.read(Moment(asked), Moment(now), true, HELD);
                for &(on_wire, at) in &given[read..read + in_kernel] {
                    let within = |bounds: Between, at: i64| bounds.earliest.0 <= at && at <= bounds.latest.0;
                    prop_assert!(within(arrived.on_wire, on_wire), "{} in {:?}", on_wire, arrived);
                    prop_assert!(within(arrived.at_machine, at), "{} in {:?}", at, arrived);
                }
                read += in_kernel;
            }
        }
    }

    #[test]
    fn who_looks_often_knows_well() {
        let mut arrivals = Arrivals::new(Moment(0));
        (0..10).for_each(|look| arrivals.nothing(Moment(look * 10_000)));
        let arrived = arrivals.read(Moment(95_000), Moment(95_010), true, HELD);
        assert_eq!(arrived.on_wire, Between { earliest: Moment(74_000), latest: Moment(95_010) });
        // After a stall the bounds are as wide as it was.
        let arrived = arrivals.read(Moment(395_000), Moment(395_010), true, HELD);
        assert_eq!(arrived.at_machine, Between { earliest: Moment(95_000), latest: Moment(395_010) });
    }
}

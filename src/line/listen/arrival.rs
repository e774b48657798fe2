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
#[derive(Clone, Copy, Debug, Default)]
pub struct Arrivals {
    /// Then the system had nothing; unknown of a port that was just opened, which may hold bytes of any age.
    empty: Option<Moment>,
}

impl Arrivals {
    /// The system was asked after `asked`, and had nothing.
    pub fn nothing(&mut self, asked: Moment) {
        self.empty = self.empty.max(Some(asked));
    }

    /// Bytes came from a read that began after `asked` and had ended by `now`; `all` if it took everything that there was. An
    /// adapter holds no byte for longer than `held`, but may keep some of them back when it gives others. Gives nothing
    /// where nobody can say when they came: they waited in the port already, and are to be thrown away.
    pub fn read(&mut self, asked: Moment, now: Moment, all: bool, held: Duration) -> Option<Arrived> {
        let between = |earliest: Moment| Between { earliest: earliest.min(now), latest: now };
        let arrived =
            self.empty.map(|empty| Arrived { on_wire: between(empty.before(held)), at_machine: between(empty) });
        if all {
            self.nothing(asked);
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
        /// Bytes one by one, an adapter that gives of what it holds as much as it likes when it likes, and a thread that is kept
        /// waiting for any time between any two things that it does: each byte was on the wire within the bounds of its lump.
        #[test]
        fn no_stall_makes_the_bounds_wrong(
            wire in proptest::collection::vec((1..40_000_i64, 0..16_000_i64), 1..60),
            reader in proptest::collection::vec((0..300_000_i64, 0..2_000_i64, 0..2_000_i64), 60),
        ) {
            let mut on_wire = 0;
            let mut given: Vec<(i64, i64)> = Vec::new();
            for (pause, hold) in wire {
                on_wire += pause;
                // In order, but what is held does not have to go with what was held before it.
                let at = given.last().map_or(0, |&(_, at)| at).max(on_wire + hold);
                given.push((on_wire, at));
            }
            let (mut arrivals, mut now, mut read) = (Arrivals::default(), 0, 0);
            arrivals.nothing(Moment(0));
            for (stall, before, after) in reader {
                let asked = now + stall;
                let in_kernel = given[read..].iter().take_while(|(_, at)| *at <= asked + before).count();
                now = asked + before + after;
                if in_kernel == 0 {
                    arrivals.nothing(Moment(asked));
                    continue;
                }
                let arrived = arrivals.read(Moment(asked), Moment(now), true, HELD).expect("the port was empty once");
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
        let mut arrivals = Arrivals::default();
        (0..10).for_each(|look| arrivals.nothing(Moment(look * 10_000)));
        let mut read = |asked: i64| arrivals.read(Moment(asked), Moment(asked + 10), true, HELD).expect("it was empty");
        assert_eq!(read(95_000).on_wire, Between { earliest: Moment(74_000), latest: Moment(95_010) });
        // After a stall the bounds are as wide as it was.
        assert_eq!(read(395_000).at_machine, Between { earliest: Moment(95_000), latest: Moment(395_010) });
    }

    #[test]
    fn of_what_waits_in_a_port_that_is_opened_nobody_knows_when_it_came() {
        let mut arrivals = Arrivals::default();
        assert_eq!(arrivals.read(Moment(0), Moment(10), false, HELD), None);
        assert_eq!(arrivals.read(Moment(20), Moment(30), true, HELD), None);
        let after = arrivals.read(Moment(50), Moment(60), true, HELD).map(|arrived| arrived.at_machine);
        assert_eq!(after, Some(Between { earliest: Moment(20), latest: Moment(60) }));
    }
}

//! Exchanges that wait until they are beyond doubt, and those of the same unit behind them: a unit's values are told in
//! the order in which it gave them.

use std::collections::{BTreeMap, VecDeque};

use super::super::moment::Moment;
use super::exchange::{Doubt, Exchange, Unused};
use super::frame::function_of;

/// One that waits.
#[derive(Clone, Debug)]
struct Waiting {
    exchange: Exchange,
    /// Beyond doubt after this; nothing where it only stands behind another one.
    until: Option<Moment>,
}

/// Everything that waits, by unit.
#[derive(Clone, Debug, Default)]
pub(super) struct WaitingRoom(BTreeMap<u8, VecDeque<Waiting>>);

impl WaitingRoom {
    /// Lets one wait.
    pub(super) fn keep(&mut self, exchange: Exchange, until: Moment) {
        self.0.entry(exchange.unit).or_default().push_back(Waiting { exchange, until: Some(until) });
    }

    /// Gives what was told and stands behind nothing, and what waits no longer at `now`.
    pub(super) fn in_order(&mut self, told: Vec<Exchange>, now: Moment) -> Vec<Exchange> {
        let mut free = Vec::new();
        for exchange in told {
            match self.0.get_mut(&exchange.unit) {
                Some(queue) => queue.push_back(Waiting { exchange, until: None }),
                None => free.push(exchange),
            }
        }
        for queue in self.0.values_mut() {
            while let Some(first) = queue.pop_front_if(|first| first.until.is_none_or(|until| now > until)) {
                free.push(first.exchange);
            }
        }
        self.0.retain(|_, queue| !queue.is_empty());
        free
    }

    /// Whether something of this unit waits that is not beyond doubt.
    pub(super) fn holds(&self, unit: u8) -> bool {
        self.0.get(&unit).into_iter().flatten().any(|waiting| waiting.until.is_some())
    }

    /// The same, of what was answered with this function and so many data bytes.
    pub(super) fn holds_like(&self, unit: u8, function: u8, count: u8) -> bool {
        self.0.get(&unit).into_iter().flatten().filter(|waiting| waiting.until.is_some()).any(|waiting| {
            let request = waiting.exchange.request;
            function_of(request.table) == function && request.reply_bytes() == u16::from(count)
        })
    }

    /// What waits of this unit will not be used, nor what only stands behind that; says how much that was.
    pub(super) fn doubt(&mut self, unit: u8) -> usize {
        let queue = self.0.get_mut(&unit).into_iter().flatten();
        queue
            .filter_map(|waiting| {
                waiting.until = None;
                waiting.exchange.outcome.is_ok().then(|| {
                    waiting.exchange.outcome = Err(Unused::Doubtful(Doubt::LateMeanwhile));
                })
            })
            .count()
    }
}

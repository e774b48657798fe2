//! One reading taken to every tally of its meter.

use super::bias::{BiasChange, OpenBias};
use super::count_tally::{CountChange, CountObservation, CountTally, OpenCount};
use super::current_state::StateChange;
use super::extremes::{larger, smaller};
use super::finding::{Change, CurrentState, Disagreement, DisagreementKind, Event, EventKind, Moment, Witness};
use super::meter::{FLOW_LOOP, LOOP_PULSE, LOOP_RECEIVER, MeterTallies, PULSE_RECEIVER, Seen, TOTAL_FLOW, TOTAL_PULSE};
use super::pair::{Measure, PairTally};
use super::rules::{SKEW_KNOWN_S, SKEW_UNKNOWN_S};
use crate::declared::{PulseCounts, TotalCounts};
use crate::reading::{MeterFacts, Reading};
use crate::units::SteadyMillis;

/// A block of flows takes at least so many readings.
const BLOCK_READINGS: f64 = 5.0;
/// A silence of so many periods, or so many seconds, is a gap.
pub(super) const GAP_PERIODS: f64 = 3.5;
pub(super) const GAP_S: f64 = 5.0;
/// So long values have to be absurd before it counts, in seconds.
const ABSURD_LASTS_S: f64 = 10.0;
/// A break in a count without pulses to hold it against is over after so long, in seconds.
const BREAK_LASTS_S: f64 = 600.0;

/// What interrupted a count.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Break {
    /// Absurd values came and went; the last sound one was read then.
    Returned {
        /// Milliseconds.
        sound_at: i64,
        /// How far off they were, in the register's unit.
        by: f64,
    },
    /// It went back.
    WentBack {
        /// The last value before.
        from: f64,
        /// The first after.
        to: f64,
        /// Between these instants, in milliseconds.
        between: [i64; 2],
    },
    /// It shows nothing that fits.
    Absurd,
}

impl MeterTallies {
    pub(super) fn push_counts(
        &mut self,
        facts: &MeterFacts,
        reading: &Reading,
        seen: &Seen,
        gap: f64,
        changes: &mut Vec<Change>,
    ) {
        let flows = match (seen.flow, seen.loop_flow) {
            (Some(a), Some(b)) => Some((smaller(a, b), larger(a, b))),
            (Some(a), None) | (None, Some(a)) => Some((a, a)),
            (None, None) => None,
        };
        let (Some(pulses), Some(counter)) = (seen.pulses, reading.pulses.as_ref()) else { return };
        if let (Some(directions), Some(tally)) = (self.directions, self.counts[TOTAL_PULSE].as_mut())
            && let Some((litres, register_at)) = self.intake.volume(directions, seen.total, seen.slack, reading)
        {
            let instants = [reading.at, register_at, counter.at];
            let observation = observe(seen.moment, instants, pulses, litres, flows);
            let mut found = Vec::new();
            tally.push(observation, gap, &mut found);
            if !found.is_empty() {
                tell_counts(facts, tally, &found, changes);
            }
        }
        if let (Some(tally), Some(counted), Some(register)) =
            (self.counts[PULSE_RECEIVER].as_mut(), self.intake.receiver_total.as_ref(), reading.receiver_total.as_ref())
            && counted.is_settled()
        {
            let slack = counted.slack();
            let litres = (counted.position(), slack.low, slack.high);
            let instants = [reading.at, register.at, counter.at];
            let observation = observe(seen.moment, instants, pulses, litres, flows);
            let mut found = Vec::new();
            tally.push(observation, gap, &mut found);
            tell_counts(facts, tally, &found, changes);
        }
    }

    pub(super) fn push_pairs(&mut self, facts: &MeterFacts, seen: &Seen, gap: f64, changes: &mut Vec<Change>) {
        let shortest = self.pace.shortest_block_s.max(BLOCK_READINGS * self.period_s);
        for pair in self.pairs.iter_mut().flatten() {
            pair.test.rules.shortest_block_s = shortest;
            if self.span.is_none() {
                pair.test.rules.span = self.largest_flow;
            }
        }
        // The bias between flow and loop that is let pass at this flow, L/s.
        let let_pass = match (&self.pairs[FLOW_LOOP], seen.flow) {
            (Some(pair), Some(flow)) => pair.test.rules.let_pass(flow),
            _ => 0.0,
        };
        self.push_state(facts, seen, let_pass, changes);
        self.push_backwards(facts, seen, let_pass, gap, changes);
        self.push_absurd(facts, seen, changes);
        let moment = seen.moment;
        if let Some(pair) = self.pairs[FLOW_LOOP].as_mut()
            && let Some(flow) = seen.flow
        {
            match seen.loop_flow {
                Some(loop_flow) if below_range(flow, loop_flow, facts, let_pass) => pair.pause(),
                Some(loop_flow) if self.current == Some(CurrentState::Flow) => {
                    let change = pair.push(moment, [Measure::Flow(flow), Measure::Flow(loop_flow)], 0.0, gap);
                    tell_bias(facts, pair, change, changes);
                }
                None if seen.current.is_none() => {}
                _ => pair.interrupt(),
            }
        }
        let age = self.pace.register_age_s;
        if let Some(pair) = self.pairs[TOTAL_FLOW].as_mut()
            && let Some(flow) = seen.flow
        {
            let flow = match facts.meter.total_counts {
                TotalCounts::Net => flow,
                TotalCounts::Forward => flow.max(0.0),
                TotalCounts::Reverse => (-flow).max(0.0),
            };
            let rounding = seen.slack.high - seen.slack.low + (0.5 * age + SKEW_KNOWN_S) * flow.abs();
            // A register without a sign shows no flow while it goes backwards.
            match seen.total {
                Some(total) if pair.fell(total) && facts.may_hide_reverse(flow) => pair.pause(),
                Some(total) => {
                    let change = pair.push(moment, [Measure::Volume(total), Measure::Flow(flow)], rounding, gap);
                    tell_bias(facts, pair, change, changes);
                }
                None => pair.pass(moment, [0.0, flow], gap),
            }
        }
        let casting = self.has_bus();
        if let Some(pair) = self.pairs[LOOP_PULSE].as_mut()
            && let (Some(loop_flow), Some(pulses), Some(declared)) =
                (seen.loop_flow, seen.pulses, facts.meter.pulse.as_ref())
        {
            let rounding = declared.volume.0 + self.pace.pulse_instant_s * loop_flow.abs();
            let flow = match declared.counts {
                PulseCounts::Forward => loop_flow.max(0.0),
                PulseCounts::Reverse => (-loop_flow).max(0.0),
                PulseCounts::Both => loop_flow.abs(),
            };
            let volume = Measure::Volume(pulses * declared.volume.0);
            let change = pair.push(moment, [Measure::Flow(flow), volume], rounding, gap);
            if !casting {
                tell_bias(facts, pair, change, changes);
            }
        }
        if let Some(pair) = self.pairs[LOOP_RECEIVER].as_mut()
            && let Some(receiver) = seen.receiver_flow
        {
            match seen.loop_flow {
                Some(loop_flow) => {
                    let change = pair.push(moment, [Measure::Flow(loop_flow), Measure::Flow(receiver)], 0.0, gap);
                    tell_bias(facts, pair, change, changes);
                }
                None if seen.current.is_none() => {}
                None => pair.interrupt(),
            }
        }
    }

    /// A silence longer than this is a gap, in seconds.
    pub(super) fn gap_s(&self) -> f64 {
        (GAP_PERIODS * self.period_s).max(GAP_S)
    }

    fn push_state(&mut self, facts: &MeterFacts, seen: &Seen, let_pass: f64, changes: &mut Vec<Change>) {
        let (Some(declared), Some(shown)) = (facts.meter.current_loop.as_ref(), &seen.current) else { return };
        let Some(pair) = self.pairs[FLOW_LOOP].as_mut() else {
            self.current = Some(shown.state);
            return;
        };
        // What a register without a sign shows of a flow backwards is no more than that: the current may know better.
        let (flow, let_pass) = match seen.flow {
            Some(flow) if facts.may_hide_reverse(flow) => {
                let flow = flow.min(shown.flow);
                (Some(flow), pair.test.rules.let_pass(flow))
            }
            flow => (flow, let_pass),
        };
        let (state, change) = self.watch.push(seen.moment, shown, flow, let_pass, declared);
        self.current = Some(state);
        match change {
            Some(StateChange::Contradicts(current, since)) => {
                let flows = [flow.unwrap_or(0.0), shown.flow];
                if pair.test.contradict(DisagreementKind::State { current }, since, seen.moment, flows) {
                    tell_bias(facts, pair, Some(BiasChange::Opened), changes);
                }
            }
            Some(StateChange::Over) => {
                if let Some(open) = pair.test.open
                    && matches!(open.kind, DisagreementKind::State { .. })
                    && pair.test.contradiction_over(open.kind, seen.moment)
                {
                    tell_bias(facts, pair, Some(BiasChange::Closed), changes);
                }
            }
            None => {}
        }
    }

    /// A current that shows reverse flow as forward.
    fn push_backwards(
        &mut self,
        facts: &MeterFacts,
        seen: &Seen,
        let_pass: f64,
        gap_s: f64,
        changes: &mut Vec<Change>,
    ) {
        let Some(pair) = self.pairs[FLOW_LOOP].as_mut() else { return };
        let (Some(flow), Some(by_loop)) = (seen.flow, seen.loop_flow) else { return };
        if let Some(since) = self.backwards.push(seen.moment, flow, by_loop, let_pass, gap_s)
            && pair.test.contradict(pair.test.rules.kind, since, seen.moment, [flow, by_loop])
        {
            tell_bias(facts, pair, Some(BiasChange::Opened), changes);
        }
    }

    /// A flow register that shows no number, or no flow that the pipe can carry, for longer than a moment.
    fn push_absurd(&mut self, facts: &MeterFacts, seen: &Seen, changes: &mut Vec<Change>) {
        if seen.flow_is_absurd || self.absurd_flow_since.is_some() || self.sound_flow_since.is_some() {
            self.judge_absurd(facts, seen, changes);
        }
    }

    #[cold]
    fn judge_absurd(&mut self, facts: &MeterFacts, seen: &Seen, changes: &mut Vec<Change>) {
        let kind = DisagreementKind::Absurd { witness: Witness::Flow };
        let place = if self.pairs[FLOW_LOOP].is_some() { FLOW_LOOP } else { TOTAL_FLOW };
        let Some(pair) = self.pairs[place].as_mut() else { return };
        let now = seen.moment;
        if seen.flow_is_absurd {
            self.sound_flow_since = None;
            let since = *self.absurd_flow_since.get_or_insert(now);
            if now.steady.since(since.steady).0 >= ABSURD_LASTS_S && pair.test.contradict(kind, since, now, [0.0; 2]) {
                tell_bias(facts, pair, Some(BiasChange::Opened), changes);
            }
        } else if seen.flow.is_some() {
            self.absurd_flow_since = None;
            let since = *self.sound_flow_since.get_or_insert(now);
            if now.steady.since(since.steady).0 >= ABSURD_LASTS_S {
                self.sound_flow_since = None;
                if pair.test.contradiction_over(kind, now) {
                    tell_bias(facts, pair, Some(BiasChange::Closed), changes);
                }
            }
        }
    }

    /// What interrupted counts is told, and what it means for the tallies of counts.
    pub(super) fn tell_breaks(
        &mut self,
        facts: &MeterFacts,
        moment: Moment,
        breaks: &[(Witness, Break)],
        changes: &mut Vec<Change>,
    ) {
        self.end_break(facts, moment, changes);
        if !breaks.is_empty() {
            self.take_breaks(facts, moment, breaks, changes);
        }
    }

    #[cold]
    fn take_breaks(
        &mut self,
        facts: &MeterFacts,
        moment: Moment,
        breaks: &[(Witness, Break)],
        changes: &mut Vec<Change>,
    ) {
        for (witness, event) in breaks {
            let witness = *witness;
            if let Break::WentBack { from, to, .. } = *event {
                changes.push(Change::EventEnded(Event {
                    meter: facts.meter.name.clone(),
                    what: EventKind::WentBack { witness, from, to },
                    began: moment,
                    ended: Some(moment),
                }));
            }
            let kind = match event {
                Break::WentBack { .. } => DisagreementKind::WentBack { witness },
                Break::Returned { .. } | Break::Absurd => DisagreementKind::Absurd { witness },
            };
            let by = match event {
                Break::WentBack { from, to, .. } => to - from,
                Break::Returned { by, .. } => *by,
                Break::Absurd => 0.0,
            };
            let mut told = false;
            for (place, second) in [(TOTAL_PULSE, Witness::Pulse), (PULSE_RECEIVER, Witness::ReceiverTotal)] {
                let concerned = match witness {
                    Witness::Pulse => true,
                    Witness::ReceiverTotal => place == PULSE_RECEIVER,
                    _ => place == TOTAL_PULSE,
                };
                let Some(tally) = self.counts[place].as_mut().filter(|_| concerned) else { continue };
                let pulses = match witness {
                    Witness::Pulse => by,
                    _ => by * facts_litres(facts, witness) / tally.rules.pulse_volume,
                };
                let pulses = if witness == second { pulses } else { -pulses };
                if let Break::Returned { sound_at, .. } = event {
                    tally.drop_after(*sound_at);
                }
                let mut found = Vec::new();
                tally.broke(kind, moment, pulses, &mut found);
                tell_counts(facts, tally, &found, changes);
                told = true;
            }
            if !told && let Some(pair) = self.pairs[TOTAL_FLOW].as_mut().filter(|_| witness == Witness::Total) {
                let litres = by * facts_litres(facts, witness);
                if pair.test.contradict(kind, moment, moment, [litres, 0.0]) {
                    tell_bias(facts, pair, Some(BiasChange::Opened), changes);
                }
            }
        }
    }

    /// A break of the total that only the flow could witness is over after a while.
    fn end_break(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        let Some(pair) = self.pairs[TOTAL_FLOW].as_mut() else { return };
        let Some(open) = pair.test.open else { return };
        let lasted = now.steady.since(open.opened.steady).0 >= BREAK_LASTS_S;
        let of_total = DisagreementKind::WentBack { witness: Witness::Total } == open.kind
            || DisagreementKind::Absurd { witness: Witness::Total } == open.kind;
        if lasted && of_total && pair.test.contradiction_over(open.kind, now) {
            tell_bias(facts, pair, Some(BiasChange::Closed), changes);
        }
    }
}

/// Litres in one declared unit of a witness's total.
fn facts_litres(facts: &MeterFacts, witness: Witness) -> f64 {
    let declared = match witness {
        Witness::Total => &facts.total,
        Witness::ReverseTotal => &facts.reverse_total,
        Witness::ReceiverTotal => &facts.receiver_total,
        _ => &None,
    };
    declared.as_ref().map_or(1.0, |declared| declared.entry.unit.to_base)
}

/// The flow is below what an output for one direction can show, and the current shows no more than that; or below what a
/// register without a sign can show, and the current goes on falling.
fn below_range(flow: f64, loop_flow: f64, facts: &MeterFacts, let_pass: f64) -> bool {
    let lowest = facts.meter.current_loop.as_ref().map_or(0.0, |declared| declared.at_4_ma.0);
    (facts.may_hide_reverse(flow) && loop_flow < flow - let_pass) || (flow < lowest && loop_flow <= lowest + let_pass)
}

/// Both counts in one reading; the instants are those of its row, of the register and of the counter.
fn observe(
    moment: Moment,
    [row, register_at, counter_at]: [SteadyMillis; 3],
    pulses: f64,
    (litres, register_low, register_high): (f64, f64, f64),
    flows: Option<(f64, f64)>,
) -> CountObservation {
    // Where no instants were told, all samples bear the row's.
    let known = register_at != row || counter_at != row;
    CountObservation {
        moment,
        pulses,
        litres,
        register_low,
        register_high,
        register_at: moment.steady.since(SteadyMillis(0)).0 + register_at.since(row).0,
        skew_s: counter_at.since(register_at).0,
        skew_uncertainty_s: if known { SKEW_KNOWN_S } else { SKEW_UNKNOWN_S },
        flows,
    }
}

#[cold]
fn tell_counts(facts: &MeterFacts, tally: &CountTally, found: &[CountChange], changes: &mut Vec<Change>) {
    for change in found {
        let open = match change {
            CountChange::Step(step) => {
                changes.push(Change::Step(*step));
                continue;
            }
            CountChange::Closed => tally.last_closed,
            CountChange::Opened | CountChange::Grew => tally.open,
        };
        let Some(open) = open else { continue };
        let disagreement = count_disagreement(facts, tally, &open);
        changes.push(match change {
            CountChange::Opened => Change::Opened(disagreement),
            CountChange::Closed => Change::Closed(disagreement),
            _ => Change::Grew(disagreement),
        });
    }
}

#[inline]
fn tell_bias(facts: &MeterFacts, pair: &PairTally, change: Option<BiasChange>, changes: &mut Vec<Change>) {
    if let Some(change) = change {
        tell_change(facts, pair, change, changes);
    }
}

#[cold]
fn tell_change(facts: &MeterFacts, pair: &PairTally, change: BiasChange, changes: &mut Vec<Change>) {
    let open = if change == BiasChange::Closed { pair.test.last_closed } else { pair.test.open };
    let Some(open) = open else { return };
    let disagreement = bias_disagreement(facts, pair, &open);
    changes.push(match change {
        BiasChange::Opened => Change::Opened(disagreement),
        BiasChange::Closed => Change::Closed(disagreement),
        BiasChange::Grew => Change::Grew(disagreement),
    });
}

/// A disagreement between counts as it is told.
pub(super) fn count_disagreement(facts: &MeterFacts, tally: &CountTally, open: &OpenCount) -> Disagreement {
    Disagreement {
        meter: facts.meter.name.clone(),
        between: tally.rules.between,
        kind: open.kind,
        opened: open.opened,
        began: open.began,
        closed: open.closed,
        largest: open.largest,
        step_count: open.step_count,
    }
}

/// A disagreement between flows as it is told.
pub(super) fn bias_disagreement(facts: &MeterFacts, pair: &PairTally, open: &OpenBias) -> Disagreement {
    Disagreement {
        meter: facts.meter.name.clone(),
        between: pair.test.rules.between,
        kind: open.kind,
        opened: open.opened,
        began: open.began,
        closed: open.closed,
        largest: open.largest,
        step_count: 0,
    }
}

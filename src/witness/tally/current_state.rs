//! What a loop current says before it says a flow (NAMUR NE 43), and whether that contradicts the flow register.

use serde::{Deserialize, Serialize};

use super::finding::{CurrentState, Moment};
use crate::declared::CurrentLoop;
use crate::units::{LitresPerSecond, Milliamperes};

/// A live transmitter draws more than this; below it the loop is open or without supply.
const NO_CURRENT_MA: f64 = 1.0;
/// A current this near the end of the measuring band is at its end, as far as an input can tell.
const SATURATION_MARGIN_MA: f64 = 0.05;
/// A state has to last so long before it counts.
const LASTS_S: f64 = 10.0;
/// A disagreement is over after as much time without contradiction as it stood, but no more than this.
const LONGEST_TO_CLOSE_S: f64 = 600.0;
/// A current that keeps within this of one value stands still.
const STANDS_STILL_MA: f64 = 0.04;
/// The flow moves if it ought to have moved the current by this.
const FLOW_MOVES_MA: f64 = 0.32;
/// A current has to stand still so long before the flow's moves are held against it: a register that is damped more than
/// the current goes on moving for a while.
const SETTLES_S: f64 = 40.0;
/// What the flow ought to have done to the current is smoothed over at least so long, so that turbulence does not count.
const SMOOTHING_S: f64 = 10.0;
/// A saturated output may stay so for this many time constants after the flow came back.
const TIME_CONSTANTS: f64 = 3.0;

impl CurrentState {
    /// The state of a current by its level alone. Limits belong to the fault signals and to the measuring band.
    #[must_use]
    pub fn of(current_ma: f64, declared: &CurrentLoop) -> Self {
        let (fault_low, fault_high) = (declared.fault.0.0, declared.fault.1.0);
        let (band_low, band_high) = (declared.saturates.0.0, declared.saturates.1.0);
        if current_ma < NO_CURRENT_MA {
            Self::Open
        } else if current_ma <= fault_low {
            Self::FaultLow
        } else if current_ma >= fault_high {
            Self::FaultHigh
        } else if current_ma < band_low || current_ma > band_high {
            Self::Guard
        } else {
            Self::Flow
        }
    }

    /// The same, but a current at the end of the band (to what an input can tell) is saturated.
    #[must_use]
    pub fn with_saturation(current_ma: f64, declared: &CurrentLoop) -> Self {
        let near = |limit: f64| (current_ma - limit).abs() <= SATURATION_MARGIN_MA;
        match Self::of(current_ma, declared) {
            Self::Guard | Self::Flow if near(declared.saturates.0.0) => Self::SaturatedLow,
            Self::Guard | Self::Flow if near(declared.saturates.1.0) => Self::SaturatedHigh,
            state => state,
        }
    }

    /// The current means no flow, whatever the flow is.
    #[must_use]
    pub const fn is_no_flow(self) -> bool {
        matches!(self, Self::Guard | Self::FaultLow | Self::FaultHigh | Self::Open)
    }
}

/// What a reading did to the watch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StateChange {
    /// A state began to contradict the flow at the moment told.
    Contradicts(CurrentState, Moment),
    /// No state contradicts the flow any more.
    Over,
}

/// Watches the current's states against the flow register.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StateWatch {
    contradicting: Option<(CurrentState, Moment)>,
    agreeing_since: Option<Moment>,
    open: Option<(CurrentState, Moment)>,
    still: Option<Still>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Still {
    current: f64,
    since: Moment,
    last: Moment,
    moves: Option<Moves>,
}

/// What the flow ought to have done to a current that stands still, as it is and smoothed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Moves {
    smooth: f64,
    lowest: [f64; 2],
    highest: [f64; 2],
}

impl StateWatch {
    /// Takes the current and, where it was read, the flow in L/s; `let_pass` is the bias that is let pass, L/s. Returns the
    /// state to show, and what changed.
    pub fn push(
        &mut self,
        moment: Moment,
        current_ma: f64,
        flow: Option<f64>,
        let_pass: f64,
        declared: &CurrentLoop,
    ) -> (CurrentState, Option<StateChange>) {
        let mut state = CurrentState::with_saturation(current_ma, declared);
        let damping = declared.damping.map_or(0.0, |damping| damping.as_secs_f64());
        let contradicts = match (state, flow) {
            (_, None) => return (state, None),
            (CurrentState::Flow, Some(flow)) => {
                let held = self.is_held(moment, current_ma, flow, let_pass, declared);
                if held {
                    state = CurrentState::Held;
                }
                held
            }
            (CurrentState::SaturatedLow, Some(flow)) => {
                // Less flow than the current can show is no contradiction: it says "no more than this".
                let direction = declared.span().0.signum();
                direction * (flow - declared.flow_of(Milliamperes(current_ma)).0) > let_pass
            }
            (CurrentState::SaturatedHigh, Some(flow)) => {
                (flow - declared.flow_of(Milliamperes(current_ma)).0).abs() > let_pass
            }
            (CurrentState::Held, Some(_)) => false,
            _ => true,
        };
        (state, self.settle(moment, contradicts.then_some(state), damping))
    }

    /// Readings that do not follow from the last: durations begin anew.
    pub fn interrupt(&mut self) {
        self.contradicting = None;
        self.agreeing_since = None;
        self.still = None;
    }

    fn settle(&mut self, moment: Moment, contradicts: Option<CurrentState>, damping: f64) -> Option<StateChange> {
        let Some(state) = contradicts else {
            self.contradicting = None;
            let since = *self.agreeing_since.get_or_insert(moment);
            let (_, opened) = self.open?;
            let stood = since.steady.since(opened.steady).0.clamp(LASTS_S, LONGEST_TO_CLOSE_S);
            if moment.steady.since(since.steady).0 < stood {
                return None;
            }
            self.open = None;
            return Some(StateChange::Over);
        };
        self.agreeing_since = None;
        let lasts = match state {
            CurrentState::SaturatedHigh | CurrentState::SaturatedLow => LASTS_S + TIME_CONSTANTS * damping,
            _ => LASTS_S,
        };
        let since = match self.contradicting {
            Some((before, since)) if before == state => since,
            // Between guard, fault and no current a sinking supply wanders: still no flow.
            Some((before, since)) if before.is_no_flow() && state.is_no_flow() => since,
            _ => moment,
        };
        self.contradicting = Some((state, since));
        if self.open.is_some() || moment.steady.since(since.steady).0 < lasts {
            return None;
        }
        self.open = Some((state, since));
        Some(StateChange::Contradicts(state, since))
    }

    fn is_held(&mut self, moment: Moment, current_ma: f64, flow: f64, let_pass: f64, declared: &CurrentLoop) -> bool {
        let damping = declared.damping.map_or(0.0, |damping| damping.as_secs_f64());
        let ought = declared.current_of(LitresPerSecond(flow)).0.clamp(declared.saturates.0.0, declared.saturates.1.0);
        let still = match &mut self.still {
            Some(still) if (current_ma - still.current).abs() <= STANDS_STILL_MA => still,
            slot => slot.insert(Still { current: current_ma, since: moment, last: moment, moves: None }),
        };
        let elapsed = moment.steady.since(still.last.steady).0.max(0.0);
        still.last = moment;
        if moment.steady.since(still.since.steady).0 < SETTLES_S + TIME_CONSTANTS * damping {
            return false;
        }
        let moves = still.moves.get_or_insert(Moves { smooth: ought, lowest: [ought; 2], highest: [ought; 2] });
        moves.smooth = ought + (moves.smooth - ought) * (-elapsed / SMOOTHING_S.max(2.0 * damping)).exp();
        let shown = declared.flow_of(Milliamperes(current_ma)).0;
        let mut held = true;
        for (place, value) in [ought, moves.smooth].into_iter().enumerate() {
            moves.lowest[place] = moves.lowest[place].min(value);
            moves.highest[place] = moves.highest[place].max(value);
            held &= moves.highest[place] - moves.lowest[place] > FLOW_MOVES_MA;
            held &= (declared.flow_of(Milliamperes(value)).0 - shown).abs() > let_pass;
        }
        held
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;
    use std::time::Duration;

    use super::*;
    use crate::declared::Source;
    use crate::units::{SteadyMillis, WallMillis};

    fn declared() -> CurrentLoop {
        CurrentLoop {
            current: Source::File(PathBuf::from("current")),
            full_scale: LitresPerSecond(36.0),
            at_4_ma: LitresPerSecond(0.0),
            damping: Some(Duration::ZERO),
            accuracy: 0.001,
            saturates: (Milliamperes(3.8), Milliamperes(20.5)),
            fault: (Milliamperes(3.6), Milliamperes(21.0)),
            receiver_flow: None,
        }
    }

    fn at(seconds: i64) -> Moment {
        Moment { steady: SteadyMillis(seconds * 1000), wall: WallMillis(seconds * 1000) }
    }

    /// NAMUR NE 43: measuring information from 3.8 to 20.5 mA, failure at 3.6 mA and below and at 21.0 mA and above.
    #[test]
    fn bands_at_their_edges() {
        for (current, state) in [
            (0.0, CurrentState::Open),
            (3.599, CurrentState::FaultLow),
            (3.6, CurrentState::FaultLow),
            (3.601, CurrentState::Guard),
            (3.799, CurrentState::Guard),
            (3.8, CurrentState::Flow),
            (20.5, CurrentState::Flow),
            (20.501, CurrentState::Guard),
            (20.999, CurrentState::Guard),
            (21.0, CurrentState::FaultHigh),
        ] {
            assert_eq!(CurrentState::of(current, &declared()), state, "{current} mA");
        }
    }

    #[test]
    fn ten_seconds_of_fault_current_contradict_a_flow_and_nine_do_not() {
        let mut watch = StateWatch::default();
        for second in 0..10 {
            assert_eq!(watch.push(at(second), 3.5, Some(12.0), 0.1, &declared()).1, None);
        }
        let opened = watch.push(at(10), 3.5, Some(12.0), 0.1, &declared()).1;
        assert_eq!(opened, Some(StateChange::Contradicts(CurrentState::FaultLow, at(0))));
        let over = (11..60).find(|second| watch.push(at(*second), 9.333, Some(12.0), 0.1, &declared()).1.is_some());
        assert_eq!(over, Some(22));
    }

    #[test]
    fn reverse_flow_below_the_band_is_no_contradiction_and_flow_beyond_it_is() {
        let mut watch = StateWatch::default();
        for second in 0..60 {
            assert_eq!(watch.push(at(second), 3.8, Some(-5.0), 0.1, &declared()).1, None);
        }
        let opened = (60..90).find_map(|second| watch.push(at(second), 20.5, Some(41.0), 0.1, &declared()).1);
        assert_eq!(opened, Some(StateChange::Contradicts(CurrentState::SaturatedHigh, at(60))));
    }

    #[test]
    fn a_current_that_stands_still_while_the_flow_moves_is_held() {
        let mut watch = StateWatch::default();
        let opened = (0..120).find_map(|second| {
            let flow = if second < 50 { 12.0 } else { 14.0 };
            watch.push(at(second), 9.333, Some(flow), 0.1, &declared()).1
        });
        assert_eq!(opened, Some(StateChange::Contradicts(CurrentState::Held, at(54))));
    }
}

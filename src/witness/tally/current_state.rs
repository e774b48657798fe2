//! What a loop current says before it says a flow (NAMUR NE 43), and whether that contradicts the flow register.

use serde::{Deserialize, Serialize};

use super::finding::{CurrentState, Moment};
use super::lately::LONGEST_LAG_S;
use super::rules::{QUIET_TO_CLOSE, SAME_TROUBLE_S};
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
/// A current has to stand still so long before the flow's moves are held against it: a register that is damped by the
/// longest lag more than the current goes on moving, until after four time constants 2 % of any change are left.
const SETTLES_S: f64 = 4.0 * LONGEST_LAG_S;
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
    fn saturated(self, current_ma: f64, declared: &CurrentLoop) -> Self {
        let near = |limit: f64| (current_ma - limit).abs() <= SATURATION_MARGIN_MA;
        match self {
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

/// A current and what it says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShownCurrent {
    /// Milliamperes.
    pub current_ma: f64,
    /// Its state by its level alone.
    pub level: CurrentState,
    /// Its state, saturated at the ends of the band.
    pub state: CurrentState,
    /// The flow that it stands for, whatever its state, L/s.
    pub flow: f64,
}

impl ShownCurrent {
    /// What a current says as declared.
    #[must_use]
    pub fn of(current_ma: f64, declared: &CurrentLoop) -> Self {
        let level = CurrentState::of(current_ma, declared);
        let flow = declared.flow_of(Milliamperes(current_ma)).0;
        Self { current_ma, level, state: level.saturated(current_ma, declared), flow }
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
    contradicting: Option<Contradicting>,
    agreeing_since: Option<Moment>,
    open: Option<(CurrentState, Moment)>,
    still: Option<Still>,
    /// The end of the band at which the current stands, and since when.
    saturated: Option<(CurrentState, Moment)>,
    /// What was open last, and since when the current agreed.
    last_over: Option<(CurrentState, Moment)>,
    /// The longest quiet so far between two spells of the open trouble, in seconds.
    longest_quiet_s: f64,
}

/// A state that contradicts the flow just now.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Contradicting {
    state: CurrentState,
    since: Moment,
    /// How far the flow is from what the current can mean, L/s, and how far it was at most since then.
    gap: f64,
    largest_gap: f64,
    /// The flow came back to where the current can follow, or never left.
    came_back: bool,
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
        shown: &ShownCurrent,
        flow: Option<f64>,
        let_pass: f64,
        declared: &CurrentLoop,
    ) -> (CurrentState, Option<StateChange>) {
        let mut state = shown.state;
        let Some(flow) = flow else { return (state, None) };
        // How far the flow lies beyond what the current shows, in the direction of the current.
        let beyond = declared.span().0.signum() * (flow - shown.flow);
        let (contradicts, came_back) = match state {
            CurrentState::Flow => {
                if self.is_held(moment, shown, flow, let_pass, declared) {
                    state = CurrentState::Held;
                }
                (state == CurrentState::Held, false)
            }
            // Less flow than the current can show is no contradiction: it says "no more than this".
            CurrentState::SaturatedLow => (beyond > let_pass, true),
            CurrentState::SaturatedHigh => (beyond.abs() > let_pass, beyond < 0.0),
            CurrentState::Held => (false, false),
            CurrentState::Guard | CurrentState::FaultLow | CurrentState::FaultHigh | CurrentState::Open => {
                (true, false)
            }
        };
        let is_saturated = matches!(state, CurrentState::SaturatedLow | CurrentState::SaturatedHigh);
        if !is_saturated {
            self.saturated = None;
        } else if self.saturated.is_none_or(|(before, _)| before != state) {
            self.saturated = Some((state, moment));
        }
        if !contradicts {
            let stands = |since: Moment| self.still.is_some_and(|still| still.since.steady <= since.steady);
            if let Some((CurrentState::Held, since)) = self.open
                && state == CurrentState::Flow
                && stands(since)
            {
                // The flow came by where the current stands: that is no sign that it moves again.
                return (CurrentState::Held, None);
            }
            return (state, self.agree(moment));
        }
        let damping = declared.damping.map_or(0.0, |damping| damping.as_secs_f64());
        let now = Contradicting { state, since: moment, gap: beyond.abs(), largest_gap: beyond.abs(), came_back };
        (state, self.contradict(moment, now, let_pass, damping))
    }

    /// Readings that do not follow from the last: durations begin anew.
    pub fn interrupt(&mut self) {
        self.contradicting = None;
        self.agreeing_since = None;
        self.still = None;
    }

    fn agree(&mut self, moment: Moment) -> Option<StateChange> {
        self.contradicting = None;
        let since = *self.agreeing_since.get_or_insert(moment);
        let (state, opened) = self.open?;
        let stood = since.steady.since(opened.steady).0.clamp(LASTS_S, LONGEST_TO_CLOSE_S);
        if moment.steady.since(since.steady).0 < stood.max(QUIET_TO_CLOSE * self.longest_quiet_s) {
            return None;
        }
        self.open = None;
        self.last_over = Some((state, since));
        Some(StateChange::Over)
    }

    #[cold]
    fn contradict(&mut self, moment: Moment, now: Contradicting, let_pass: f64, damping: f64) -> Option<StateChange> {
        let quiet = self.agreeing_since.take();
        if let (Some(quiet), Some(_)) = (quiet, self.open) {
            self.longest_quiet_s = self.longest_quiet_s.max(moment.steady.since(quiet.steady).0);
        }
        let seen = match self.contradicting {
            Some(before) if is_same(before.state, now.state) => Contradicting {
                since: before.since,
                largest_gap: before.largest_gap.max(now.gap),
                came_back: before.came_back && now.came_back,
                ..now
            },
            _ => now,
        };
        self.contradicting = Some(seen);
        let Contradicting { state, since, .. } = seen;
        if self.open.is_some() || moment.steady.since(since.steady).0 < self.lasts(&seen, damping) {
            return None;
        }
        if seen.came_back && self.is_decaying(&seen, moment, let_pass) {
            return None;
        }
        self.longest_quiet_s = match self.last_over {
            Some((before, quiet)) if is_same(before, state) => {
                let quiet_s = since.steady.since(quiet.steady).0;
                if quiet_s > SAME_TROUBLE_S { 0.0 } else { quiet_s.max(self.longest_quiet_s) }
            }
            _ => 0.0,
        };
        self.open = Some((state, since));
        Some(StateChange::Contradicts(state, since))
    }

    /// Seconds that a contradiction has to last.
    fn lasts(&self, seen: &Contradicting, damping: f64) -> f64 {
        match seen.state {
            CurrentState::SaturatedHigh | CurrentState::SaturatedLow => {
                // A damped output that was driven far beyond its end stays there for a while when the flow is back.
                let was_there = self.saturated.is_some_and(|(_, since)| since.steady < seen.since.steady);
                let stays = if seen.came_back && was_there { LONGEST_LAG_S } else { 0.0 };
                LASTS_S + TIME_CONSTANTS * damping + stays
            }
            CurrentState::Held => LASTS_S + LONGEST_LAG_S,
            _ => LASTS_S,
        }
    }

    /// A register or an output that is damped by the longest lag at most closes the gap at least as fast as this.
    fn is_decaying(&self, seen: &Contradicting, moment: Moment, let_pass: f64) -> bool {
        let elapsed = moment.steady.since(seen.since.steady).0;
        seen.gap <= seen.largest_gap * (-elapsed / LONGEST_LAG_S).exp() + let_pass
    }

    fn is_held(
        &mut self,
        moment: Moment,
        shown: &ShownCurrent,
        flow: f64,
        let_pass: f64,
        declared: &CurrentLoop,
    ) -> bool {
        let still = match &mut self.still {
            Some(still) if (shown.current_ma - still.current).abs() <= STANDS_STILL_MA => still,
            slot => slot.insert(Still { current: shown.current_ma, since: moment, last: moment, moves: None }),
        };
        let elapsed = moment.steady.since(still.last.steady).0.max(0.0);
        still.last = moment;
        let lasts = moment.steady.since(still.since.steady).0;
        if lasts < SETTLES_S {
            return false;
        }
        let damping = declared.damping.map_or(0.0, |damping| damping.as_secs_f64());
        if lasts < SETTLES_S + TIME_CONSTANTS * damping {
            return false;
        }
        let ought = declared.current_of(LitresPerSecond(flow)).0.clamp(declared.saturates.0.0, declared.saturates.1.0);
        let moves = still.moves.get_or_insert(Moves { smooth: ought, lowest: [ought; 2], highest: [ought; 2] });
        moves.smooth = ought + (moves.smooth - ought) * (-elapsed / SMOOTHING_S.max(2.0 * damping)).exp();
        let mut held = true;
        for (place, value) in [ought, moves.smooth].into_iter().enumerate() {
            moves.lowest[place] = moves.lowest[place].min(value);
            moves.highest[place] = moves.highest[place].max(value);
            held &= moves.highest[place] - moves.lowest[place] > FLOW_MOVES_MA;
            held &= (declared.flow_of(Milliamperes(value)).0 - shown.flow).abs() > let_pass;
        }
        held
    }
}

/// Between guard, fault and no current a sinking supply wanders: still no flow.
fn is_same(one: CurrentState, other: CurrentState) -> bool {
    one == other || (one.is_no_flow() && other.is_no_flow())
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

    fn shown(current_ma: f64) -> ShownCurrent {
        ShownCurrent::of(current_ma, &declared())
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
            assert_eq!(watch.push(at(second), &shown(3.5), Some(12.0), 0.1, &declared()).1, None);
        }
        let opened = watch.push(at(10), &shown(3.5), Some(12.0), 0.1, &declared()).1;
        assert_eq!(opened, Some(StateChange::Contradicts(CurrentState::FaultLow, at(0))));
        let over =
            (11..60).find(|second| watch.push(at(*second), &shown(9.333), Some(12.0), 0.1, &declared()).1.is_some());
        assert_eq!(over, Some(22));
    }

    #[test]
    fn reverse_flow_below_the_band_is_no_contradiction_and_flow_beyond_it_is() {
        let mut watch = StateWatch::default();
        for second in 0..60 {
            assert_eq!(watch.push(at(second), &shown(3.8), Some(-5.0), 0.1, &declared()).1, None);
        }
        let opened = (60..90).find_map(|second| watch.push(at(second), &shown(20.5), Some(41.0), 0.1, &declared()).1);
        assert_eq!(opened, Some(StateChange::Contradicts(CurrentState::SaturatedHigh, at(60))));
    }

    #[test]
    fn a_current_that_stands_still_while_the_flow_moves_is_held() {
        let mut watch = StateWatch::default();
        let mut seen = (0..600).filter_map(|second| {
            let flow = if second < 300 { 12.0 } else { 14.0 };
            watch.push(at(second), &shown(9.333), Some(flow), 0.1, &declared()).1
        });
        assert_eq!(seen.next(), Some(StateChange::Contradicts(CurrentState::Held, at(304))));
        drop(seen);
        // That the flow comes by where the current stands is no sign that the current moves again.
        assert!(
            (600..2000).all(|second| watch.push(at(second), &shown(9.333), Some(12.0), 0.1, &declared()).1.is_none())
        );
        let over = (2000..3000)
            .find(|second| watch.push(at(*second), &shown(10.222), Some(14.0), 0.1, &declared()).1.is_some());
        assert_eq!(over, Some(2600));
    }

    /// From nought to 30 L/s, and from there to a little backwards, where the current is at its end: either the register
    /// or the current is damped by a minute, or a minute late.
    #[test]
    fn a_lag_of_a_minute_is_no_contradiction() {
        let truth = |second: i64| if (400..1200).contains(&second) { 30.0 } else { -0.4 };
        for register_lags in [true, false] {
            for damped in [true, false] {
                let mut watch = StateWatch::default();
                let mut lagging = truth(0);
                for second in 0..3000 {
                    lagging =
                        if damped { lagging + (truth(second) - lagging) / 60.5 } else { truth((second - 60).max(0)) };
                    let [flow, current] =
                        if register_lags { [lagging, truth(second)] } else { [truth(second), lagging] };
                    let current = declared().current_of(LitresPerSecond(current)).0.clamp(3.8, 20.5);
                    let told = watch.push(at(second), &shown(current), Some(flow), 0.1, &declared()).1;
                    // A register that is a minute late shows no decay: nothing tells it from an output that is stuck.
                    let stuck = register_lags && !damped && (1200..1400).contains(&second);
                    assert!(told.is_none() || stuck, "{register_lags} {damped}: {told:?} at {second} s");
                }
            }
        }
    }

    /// The flow is beyond full scale in each run of a pump.
    #[test]
    fn what_comes_again_at_each_start_is_not_one_trouble_a_start() {
        let mut watch = StateWatch::default();
        let changes = (0..86_400).filter_map(|second| {
            let (flow, current) = if second % 7200 < 600 { (41.0, 20.5) } else { (18.0, 12.0) };
            watch.push(at(second), &shown(current), Some(flow), 0.1, &declared()).1
        });
        let opened = changes.filter(|change| matches!(change, StateChange::Contradicts(..))).count();
        assert_eq!(opened, 2, "in twelve runs");
    }
}

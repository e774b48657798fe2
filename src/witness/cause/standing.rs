//! What the tallies say bears on the causes: what held is not to be explained away, and what did not is to be explained.

use super::candidate::Candidate;
use super::code::{Code, Part};
use crate::tally::{Between, TallyStanding, Verdict};

/// The verdicts of the tallies that bear on causes; `Undecided` where there is none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Standings {
    pub flow_loop: Verdict,
    pub total_pulse: Verdict,
    pub total_flow: Verdict,
    pub receiver_flow: Verdict,
    pub receiver_total: Verdict,
}

/// What it costs a cause that every tally which it would disturb held.
const HELD: f64 = 1e6;
/// What it costs a hypothesis to leave a broken tally without a cause.
const BROKEN: f64 = 60.0;
/// What it costs to take a disagreement of flow and loop for mere lateness.
const MERELY_LATE: f64 = 1e5;
/// What it costs a hypothesis to name a cause beside others that already explain every broken tally which it disturbs.
const REDUNDANT: f64 = 1e6;

/// A tally, as one bit of a set.
const FLOW_LOOP: u8 = 1;
const TOTAL_PULSE: u8 = 2;
const TOTAL_FLOW: u8 = 4;
const RECEIVER_FLOW: u8 = 8;
const RECEIVER_TOTAL: u8 = 16;

/// The tallies that a cause can disturb.
const fn disturbs(code: Code, part: Part) -> u8 {
    match code {
        Code::Agreement | Code::LoopLag => 0,
        Code::Unexplained => match part {
            Part::Loop => FLOW_LOOP,
            Part::Pulse => TOTAL_PULSE,
            Part::Bus => TOTAL_FLOW,
            Part::Receiver => RECEIVER_FLOW | RECEIVER_TOTAL,
            Part::None => 0,
        },
        Code::PulseWeight
        | Code::PulseDouble
        | Code::PulseNarrow
        | Code::PulseRateLimit
        | Code::PulseCrossed
        | Code::PulseExtra
        | Code::PulseGaps
        | Code::PulseSilent
        | Code::PulseRestart
        | Code::PulseDirection => TOTAL_PULSE,
        Code::LoopSpan
        | Code::LoopZero
        | Code::LoopSaturated
        | Code::LoopClipped
        | Code::LoopCrossed
        | Code::LoopFault
        | Code::LoopOpen
        | Code::LoopHeld
        | Code::LoopDirection => FLOW_LOOP,
        Code::BusUnit => FLOW_LOOP | TOTAL_FLOW,
        Code::BusTotalUnit | Code::BusTotalCoarse | Code::BusTotalRestart => TOTAL_PULSE | TOTAL_FLOW,
        Code::BusWords | Code::BusFrozen | Code::BusTorn => FLOW_LOOP | TOTAL_PULSE | TOTAL_FLOW,
        Code::ReceiverSpan => RECEIVER_FLOW,
        Code::ReceiverWeight => RECEIVER_TOTAL,
        Code::LowFlowCutoff => TOTAL_FLOW,
    }
}

/// Whether a cause, seen in its own part, can be what these two witnesses disagree by.
pub(super) fn can_part(between: Between, code: Code) -> bool {
    let tallies = match between {
        Between::FlowLoop => FLOW_LOOP,
        Between::TotalPulse => TOTAL_PULSE,
        Between::TotalFlow => TOTAL_FLOW,
        // Without the bus, what disturbs either signal parts the two.
        Between::LoopPulse => FLOW_LOOP | TOTAL_PULSE,
        Between::LoopReceiverFlow => RECEIVER_FLOW,
        Between::PulseReceiverTotal => RECEIVER_TOTAL,
    };
    code == Code::Unexplained || disturbs(code, code.part()) & tallies != 0
}

/// Causes that the hard rules prove by themselves, whatever the tallies made of them.
const fn proves_itself(code: Code) -> bool {
    matches!(
        code,
        Code::BusWords
            | Code::BusFrozen
            | Code::BusTorn
            | Code::BusTotalRestart
            | Code::PulseRestart
            | Code::LoopFault
            | Code::LoopOpen
            | Code::LoopSaturated
            | Code::LoopLag
    )
}

/// Proven causes whose marks are taken out of the readings by the repairs.
const fn part_of_the_readings(code: Code) -> bool {
    matches!(code, Code::BusWords | Code::BusFrozen | Code::BusTorn | Code::BusTotalRestart | Code::PulseRestart)
}

impl Standings {
    /// The verdicts of a meter's tallies; one that disagreed at any time disagreed.
    pub fn of(tallies: &[TallyStanding]) -> Self {
        let verdict = |between| {
            let standing = tallies.iter().find(|standing| standing.between == between);
            standing.map_or(Verdict::Undecided, |it| if it.disagreements > 0 { Verdict::Disagree } else { it.verdict })
        };
        Self {
            flow_loop: verdict(Between::FlowLoop),
            total_pulse: verdict(Between::TotalPulse),
            total_flow: verdict(Between::TotalFlow),
            receiver_flow: verdict(Between::LoopReceiverFlow),
            receiver_total: verdict(Between::PulseReceiverTotal),
        }
    }

    /// Whether flow and loop disagree although none of these causes disturbs them.
    pub fn leaves_flow_loop(&self, causes: &[Candidate]) -> bool {
        let disturbed = causes.iter().fold(0, |set, cause| set | disturbs(cause.code, cause.part));
        self.flow_loop == Verdict::Disagree && disturbed & FLOW_LOOP == 0
    }

    fn sets(&self) -> (u8, u8) {
        let all = [
            (FLOW_LOOP, self.flow_loop),
            (TOTAL_PULSE, self.total_pulse),
            (TOTAL_FLOW, self.total_flow),
            (RECEIVER_FLOW, self.receiver_flow),
            (RECEIVER_TOTAL, self.receiver_total),
        ];
        let of =
            |wanted: Verdict| all.iter().filter(|(_, verdict)| *verdict == wanted).fold(0, |set, (bit, _)| set | bit);
        (of(Verdict::Agree), of(Verdict::Disagree))
    }

    /// What a set of causes gains or loses by what the tallies say.
    pub fn weigh(&self, causes: &[Candidate]) -> f64 {
        let (held, broken) = self.sets();
        let mut explained = 0;
        let mut weight = 0.0;
        for (place, cause) in causes.iter().enumerate() {
            let disturbed = disturbs(cause.code, cause.part);
            // What a proven cause spoiled is taken out before the rest is looked at: what is left then stands on its own.
            let known = cause.code != Code::Unexplained;
            let elsewhere = causes
                .iter()
                .enumerate()
                .filter(|(other, it)| *other != place && !(known && part_of_the_readings(it.code)));
            let by_others = elsewhere.fold(0, |set, (_, other)| set | disturbs(other.code, other.part));
            if causes.len() > 1 && disturbed & broken & !by_others == 0 && !proves_itself(cause.code) {
                weight -= REDUNDANT;
            }
            explained |= disturbed;
            let judged = disturbed & (held | broken);
            if judged != 0 && judged & broken == 0 && !proves_itself(cause.code) {
                weight -= HELD;
            }
        }
        // A loop that is merely late agrees: it cannot be what flow and loop disagree by.
        let merely_late = causes.iter().any(|cause| cause.code == Code::LoopLag);
        if merely_late && broken & FLOW_LOOP & !explained != 0 {
            weight -= MERELY_LATE;
        }
        weight - BROKEN * f64::from((broken & !explained).count_ones())
    }
}

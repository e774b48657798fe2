//! What the tallies say bears on the causes: a tally that held is not to be explained away, and one that did not is.

use super::candidate::Candidate;
use super::code::Code;
use crate::tally::Verdict;

/// The verdict of each tally that bears on a part; `None` where it is not declared.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Standings {
    pub flow_loop: Option<Verdict>,
    pub total_pulse: Option<Verdict>,
    pub total_flow: Option<Verdict>,
    pub receiver_flow: Option<Verdict>,
    pub receiver_total: Option<Verdict>,
}

/// What it costs a cause that its tally held.
const HELD: f64 = 7.0;
/// What it costs a part being sound that its tally did not hold.
const BROKEN: f64 = 9.0;

fn weigh(verdict: Option<Verdict>, candidates: &mut [Candidate], silent: &[Code]) {
    for candidate in candidates {
        let quiet = candidate.code == Code::Agreement || silent.contains(&candidate.code);
        match verdict {
            Some(Verdict::Agree) if !quiet => candidate.weight -= HELD,
            Some(Verdict::Disagree) if quiet => candidate.weight -= BROKEN,
            _ => {}
        }
    }
}

impl Standings {
    pub fn weigh_loop(&self, candidates: &mut [Candidate]) {
        weigh(self.flow_loop, candidates, &[Code::LoopLag]);
    }

    pub fn weigh_pulses(&self, candidates: &mut [Candidate]) {
        weigh(self.total_pulse, candidates, &[]);
    }

    pub fn weigh_bus(&self, candidates: &mut [Candidate]) {
        weigh(self.total_flow, candidates, &[]);
    }

    pub fn weigh_receiver_flow(&self, candidates: &mut [Candidate]) {
        weigh(self.receiver_flow, candidates, &[]);
    }

    pub fn weigh_receiver_total(&self, candidates: &mut [Candidate]) {
        weigh(self.receiver_total, candidates, &[]);
    }
}

//! From readings to an explanation, in one pass.

use crate::declared::TotalCounts;
use crate::reading::{MeterFacts, Reading};
use crate::units::WallMillis;

use super::candidate::Candidate;
use super::civil::CivilMoment;
use super::code::Code;
use super::crossing::OtherMeter;
use super::dispute;
use super::explanation::{Cause, Explanation};
use super::gather::{Gather, Gathered};
use super::ranking::{Hypothesis, rank};
use super::wording;
use crate::tally::Verdict;

/// Takes readings one by one in bounded memory and says at the end whether the witnesses agree, and if not, why.
#[derive(Clone, Debug)]
pub struct Explainer {
    gather: Gather,
    others: Vec<OtherMeter>,
    from: Option<WallMillis>,
}

impl Explainer {
    /// An explainer for one meter.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        Self { gather: Gather::new(facts), others: Vec::new(), from: None }
    }

    /// Other meters of the same site, whose signals may have been crossed with this one's.
    #[must_use]
    pub fn with_others(mut self, others: Vec<OtherMeter>) -> Self {
        self.others = others;
        self
    }

    /// The next reading.
    pub fn push(&mut self, reading: &Reading) {
        self.from.get_or_insert(reading.wall);
        self.gather.push(reading);
    }

    /// The answer.
    #[must_use]
    pub fn finish(self) -> Explanation {
        let gathered = self.gather.finish();
        let standings = super::rough::standings(&gathered);
        let hypotheses = rank(&gathered, &self.others, &standings);
        let verdict = verdict(&gathered, &hypotheses);
        let main = hypotheses.first().map(|hypothesis| &hypothesis.causes[0]);
        let disputed =
            main.filter(|_| verdict == Verdict::Disagree).and_then(|cause| dispute::volume(&gathered, cause));
        Explanation {
            meter: gathered.facts.meter.name.clone(),
            from: CivilMoment(gathered.first_wall),
            to: CivilMoment(gathered.last_wall),
            verdict,
            tallies: Vec::new(),
            next_test: wording::next_test(&hypotheses),
            causes: hypotheses.iter().map(|hypothesis| cause(&gathered, hypothesis)).collect(),
            disputed_volume_l: disputed,
            assumptions: assumptions(&gathered),
        }
    }
}

fn verdict(gathered: &Gathered, hypotheses: &[Hypothesis]) -> Verdict {
    let witnesses = [
        gathered.facts.flow.is_some(),
        gathered.total.is_some(),
        gathered.facts.loop_ma.is_some(),
        gathered.pulses.is_some(),
    ];
    if witnesses.into_iter().filter(|there| *there).count() < 2 || gathered.blocks.len() < 3 {
        return Verdict::Undecided;
    }
    match hypotheses.first().map(Hypothesis::codes) {
        Some(codes) if codes.iter().all(|code| matches!(code, Code::Agreement | Code::LoopLag)) => Verdict::Agree,
        Some(_) => Verdict::Disagree,
        None => Verdict::Undecided,
    }
}

fn cause(gathered: &Gathered, hypothesis: &Hypothesis) -> Cause {
    let main: &Candidate = &hypothesis.causes[0];
    let mut parameters = main.parameters.clone();
    parameters.onset = main.onset.map(CivilMoment);
    let mut evidence: Vec<String> = main.evidence.clone();
    let mut check = wording::checks(main.code);
    let mut says = wording::sentence(gathered, main);
    for further in &hypothesis.causes[1..] {
        says.push(' ');
        says.push_str(&wording::sentence(gathered, further));
        evidence.extend(further.evidence.iter().map(|text| format!("{}: {text}", further.code)));
        for text in wording::checks(further.code) {
            if !check.contains(&text) {
                check.push(text);
            }
        }
    }
    Cause {
        code: main.code,
        with: hypothesis.causes[1..].iter().map(|cause| cause.code).collect(),
        probability: hypothesis.probability,
        parameters,
        says,
        evidence,
        check,
    }
}

fn assumptions(gathered: &Gathered) -> Vec<String> {
    let mut all = vec![
        "Agreement is not accuracy: all witnesses share one sensor, and what it gets wrong moves them all alike."
            .to_owned(),
    ];
    if let Some((counting, _)) = &gathered.total {
        if counting.witness.entry.value_type.is_float() {
            all.push("The total is kept exactly inside the meter, even though it is shown as a float.".to_owned());
        }
        if gathered.facts.meter.total_counts == TotalCounts::Net && gathered.facts.reverse_total.is_none() {
            all.push("Reverse volume is taken from the flow register, since no reverse total is declared.".to_owned());
        }
        if gathered.pulses.is_some() {
            all.push("The meter does not set its total back at a power loss after pulses have left.".to_owned());
        }
    }
    all.push(format!(
        "The readings' times are those of sampling, within what the registers' refresh and a poll of {:.1} s leave open.",
        gathered.poll
    ));
    all
}

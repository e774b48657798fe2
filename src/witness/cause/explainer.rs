//! From readings to an explanation, in one pass.

use crate::declared::{Setting, TotalCounts};
use crate::reading::{MeterFacts, Reading};
use crate::units::WallMillis;

use super::candidate::Candidate;
use super::civil::CivilMoment;
use super::crossing::OtherMeter;
use super::dispute;
use super::explanation::{Cause, Explanation};
use super::gather::{Gather, Gathered};
use super::ranking::{Hypothesis, rank};
use super::settings::KnownSettings;
use super::wording;
use crate::tally::{Change, MeterTallies, NotedReading, Verdict, VolumeJudged};

/// Takes readings one by one in bounded memory and says at the end whether the witnesses agree, and if not, why.
#[derive(Clone, Debug)]
pub struct Explainer {
    facts: MeterFacts,
    /// The very state machine of the daemon, over the stretch as a whole.
    tallies: MeterTallies,
    changes: Vec<Change>,
    gather: Gather,
    others: Vec<OtherMeter>,
    settings: KnownSettings,
    from: Option<WallMillis>,
}

impl Explainer {
    /// An explainer for one meter.
    #[must_use]
    pub fn new(facts: &MeterFacts) -> Self {
        Self {
            facts: facts.clone(),
            tallies: MeterTallies::new(facts, VolumeJudged::Whole),
            changes: Vec::new(),
            gather: Gather::new(facts),
            others: Vec::new(),
            settings: KnownSettings::default(),
            from: None,
        }
    }

    /// Other meters of the same site, whose signals may have been crossed with this one's.
    #[must_use]
    pub fn with_others(mut self, others: Vec<OtherMeter>) -> Self {
        self.others = others;
        self
    }

    /// The meter's own settings as they were read last, each in its base unit.
    #[must_use]
    pub fn with_settings(mut self, settings: Vec<(Setting, f64)>) -> Self {
        self.settings = KnownSettings(settings);
        self
    }

    /// A figure that was read off a receiver's display, to be told before the readings of its time.
    pub fn note(&mut self, noted: NotedReading) {
        self.tallies.note(noted);
    }

    /// The next reading.
    pub fn push(&mut self, reading: &Reading) {
        self.from.get_or_insert(reading.wall);
        self.tallies.push(&self.facts, reading, &mut self.changes);
        // Where each tally stands at the end says all that is asked here.
        self.changes.clear();
        self.gather.push(reading);
    }

    /// The answer.
    #[must_use]
    pub fn finish(self) -> Explanation {
        let gathered = self.gather.finish();
        let tallies = self.tallies.standing();
        let verdict = self.tallies.overall();
        let hypotheses = rank(&gathered, &self.others, &self.settings, &tallies, verdict);
        let main = hypotheses.first().map(|hypothesis| &hypothesis.causes[0]);
        let disputed =
            main.filter(|_| verdict == Verdict::Disagree).and_then(|cause| dispute::volume(&gathered, cause));
        Explanation {
            meter: gathered.facts.meter.name.clone(),
            from: CivilMoment(gathered.first_wall),
            to: CivilMoment(gathered.last_wall),
            verdict,
            tallies,
            next_test: wording::next_test(&hypotheses),
            causes: hypotheses.iter().map(|hypothesis| cause(&gathered, hypothesis, verdict)).collect(),
            disputed_volume_l: disputed,
            assumptions: assumptions(&gathered),
        }
    }
}

fn cause(gathered: &Gathered, hypothesis: &Hypothesis, verdict: Verdict) -> Cause {
    let main: &Candidate = &hypothesis.causes[0];
    let mut parameters = main.parameters.clone();
    parameters.onset = main.onset.map(CivilMoment);
    let mut evidence: Vec<String> = main.evidence.clone();
    let mut check = wording::checks(main.code);
    let mut says = wording::sentence(gathered, main, verdict);
    for further in &hypothesis.causes[1..] {
        says.push(' ');
        says.push_str(&wording::sentence(gathered, further, verdict));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cause::Code;
    use crate::tally::{Between, specimen};
    use crate::units::Litres;

    /// The answer to readings of every second: 24 L/s, and the litres that one pulse stood for at that second.
    fn explained(seconds: impl Iterator<Item = i64>, litres_a_pulse: impl Fn(i64) -> f64) -> Explanation {
        let mut facts = specimen::meter();
        facts.meter.pulse.as_mut().unwrap().volume = Litres(5.0);
        let mut explainer = Explainer::new(&facts);
        let (mut sent, mut before) = (1000.0, 0);
        for second in seconds {
            sent += (before..second).map(|second| 24.0 / litres_a_pulse(second)).sum::<f64>();
            before = second;
            #[expect(clippy::cast_precision_loss, reason = "a minute")]
            let total = 50_000.0 + 24.0 * second as f64;
            explainer.push(&specimen::reading(second * 1000, 24.0, total, 4.0 + 16.0 * 24.0 / 36.0, sent.floor()));
        }
        explainer.finish()
    }

    /// Somebody asks while it has just begun.
    #[test]
    fn a_fault_of_a_few_seconds_has_its_own_suspects() {
        let explained = explained(0..32, |second| if second < 16 { 5.0 } else { 10.0 });
        assert_eq!(explained.verdict, Verdict::Disagree);
        assert_eq!(explained.main().map(|cause| cause.code), Some(Code::PulseWeight), "{:?}", explained.causes);
        assert_eq!(explained.cause_between(Between::TotalPulse), Some(Code::PulseWeight));
        // Nothing of it can be what flow and current would disagree by.
        assert!(explained.cause_between(Between::FlowLoop).is_none_or(|code| code == Code::Unexplained));
    }

    /// Nobody read for a while, and pulses were lost meanwhile: that is proven, and no agreement.
    #[test]
    fn what_was_lost_while_nobody_read_is_not_explained_by_agreement() {
        for rests in [10, 20, 40] {
            let seconds = (0..rests).chain(60..60 + rests);
            let explained = explained(seconds, |second| if (40..55).contains(&second) { 1e9 } else { 5.0 });
            assert_eq!(explained.verdict, Verdict::Disagree, "{rests} s");
            let says_sound = explained.causes.iter().any(|cause| cause.code == Code::Agreement);
            assert!(!says_sound, "{rests} s: {:?}", explained.causes);
            assert!(explained.cause_between(Between::TotalPulse).is_some());
        }
    }
}

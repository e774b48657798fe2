//! Whole hypotheses: one candidate for each part of the plant, weighed together.
//!
//! Given what is thought of the registers, loop, pulses and receiver are independent, so that a hypothesis weighs the sum
//! of its parts. A second cause costs its own prior; nothing is averaged.

use super::candidate::{Candidate, log_sum};
use super::code::{Code, Part};
use super::crossing::OtherMeter;
use super::current::{self, pairs::FlowScale};
use super::drift::{Drift, Reference};
use super::facts;
use super::gather::Gathered;
use super::prior::log_prior;
use super::pulse;
use super::receiver;
use super::settings::KnownSettings;
use super::standing::Standings;
use super::volume::{self, VolumeSeries};
use crate::tally::{Between, TallyStanding, Verdict};

/// One whole hypothesis before it is put into words.
#[derive(Clone, Debug)]
pub(super) struct Hypothesis {
    /// Its causes, the weightiest first; one `Agreement` where all parts are sound.
    pub causes: Vec<Candidate>,
    pub weight: f64,
    pub probability: f64,
}

impl Hypothesis {
    pub fn codes(&self) -> Vec<Code> {
        let mut codes: Vec<Code> = self.causes.iter().map(|cause| cause.code).collect();
        codes.sort_unstable();
        codes
    }
}

/// Candidates of a part that are carried into whole hypotheses.
const CARRIED: usize = 5;
/// Hypotheses about the registers this much lighter than the best are not followed up.
const HOPELESS: f64 = 45.0;
/// Models are only models: before they become probabilities, log weights are divided by the first temperature, and for a
/// small share by the second one, since a model that is wrong is wrong by more than its likelihoods say.
const TEMPERATURES: [(f64, f64); 2] = [(0.96, 3.0), (0.04, 60.0)];
/// The weight of soundness where the readings leave none that is a number.
const NO_NUMBER: f64 = -1e12;
/// The most hypotheses that are told.
const TOLD: usize = 8;

/// All hypotheses, the likeliest first; probabilities sum to 1.
pub(super) fn rank(
    gathered: &Gathered,
    others: &[OtherMeter],
    settings: &KnownSettings,
    tallies: &[TallyStanding],
    verdict: Verdict,
) -> Vec<Hypothesis> {
    let standings = &Standings::of(tallies);
    let mut bus = VolumeSeries::new(gathered)
        .map_or_else(|| vec![Candidate::sound(0.0)], |series| volume::candidates(gathered, &series));
    hold_back_the_unexplained(&mut bus);
    leave_open(&mut bus, Part::Bus, standings.total_flow);
    in_order(&mut bus);
    let best = bus.first().map_or(0.0, |candidate| candidate.weight);
    bus.retain(|candidate| candidate.weight > best - HOPELESS || candidate.code == Code::Agreement);

    let facts = facts::found(gathered);
    let or_noted = |read: Vec<Candidate>, between| {
        if read.is_empty() { receiver::noted_candidates(gathered, tallies, between) } else { read }
    };
    let mut receiver_span = or_noted(receiver::span_candidates(gathered), Between::LoopReceiverFlow);
    leave_open(&mut receiver_span, Part::Receiver, standings.receiver_flow);
    let mut receiver_weight = or_noted(receiver::weight_candidates(gathered), Between::PulseReceiverTotal);
    leave_open(&mut receiver_weight, Part::Receiver, standings.receiver_total);
    let mut cache = Cache {
        gathered,
        others,
        proven: !facts.is_empty(),
        flow_loop_broken: standings.leaves_flow_loop(&facts),
        by_total: None,
        loops: Vec::new(),
        pulses: Vec::new(),
    };
    let mut hypotheses: Vec<Hypothesis> = Vec::new();
    for registers in &bus {
        let mut loops = cache.loops(flow_scale(registers));
        leave_open(&mut loops, Part::Loop, standings.flow_loop);
        let mut pulses = cache.pulses(reference(gathered, registers));
        leave_open(&mut pulses, Part::Pulse, standings.total_pulse);
        let parts = [
            vec![(registers.clone(), 0.0)],
            gains(&loops),
            gains(&pulses),
            gains(&receiver_span),
            gains(&receiver_weight),
        ];
        combine(gathered, &facts, &parts, &bus, standings, &mut hypotheses);
    }
    for hypothesis in &mut hypotheses {
        for cause in &mut hypothesis.causes {
            let (weight, text) = settings.weigh(&gathered.facts.meter, cause);
            hypothesis.weight += weight;
            cause.evidence.extend(text);
        }
    }
    normalise(hypotheses, verdict)
}

/// The flow register as a hypothesis about the registers has it.
fn flow_scale(registers: &Candidate) -> FlowScale {
    match (registers.code, registers.parameters.ratio) {
        (Code::BusUnit, Some(ratio)) => FlowScale { ratio, since: registers.since },
        _ => FlowScale::TRUE,
    }
}

/// What the pulses are to be held against under a hypothesis about the registers.
fn reference(gathered: &Gathered, registers: &Candidate) -> Reference {
    if gathered.total.is_none() {
        return Reference::Flow { ratio: 1.0, since: 0 };
    }
    match (registers.code, registers.parameters.ratio) {
        (Code::BusTotalUnit, Some(ratio)) => Reference::Total { ratio, since: registers.since },
        (Code::BusTotalCoarse | Code::Unexplained, _) => Reference::Flow { ratio: 1.0, since: 0 },
        _ => Reference::Total { ratio: 1.0, since: 0 },
    }
}

struct Cache<'a> {
    gathered: &'a Gathered,
    others: &'a [OtherMeter],
    /// The readings themselves prove a cause.
    proven: bool,
    /// The current strays from the flow, and no proven cause accounts for it.
    flow_loop_broken: bool,
    /// How sharply the total tells the counts, whatever drifts.
    by_total: Option<f64>,
    loops: Vec<(FlowScale, Vec<Candidate>)>,
    pulses: Vec<(Reference, Vec<Candidate>)>,
}

impl Cache<'_> {
    fn loops(&mut self, scale: FlowScale) -> Vec<Candidate> {
        if let Some((_, known)) = self.loops.iter().find(|(known, _)| *known == scale) {
            return known.clone();
        }
        let mut found = current::candidates(self.gathered, scale, self.others);
        hold_back_the_unexplained(&mut found);
        if self.proven && !self.flow_loop_broken && !current::strays(self.gathered) {
            found.retain(|candidate| candidate.code == Code::Agreement);
        }
        keep_best(&mut found);
        self.loops.push((scale, found.clone()));
        found
    }

    fn by_total(&mut self) -> Option<f64> {
        if self.by_total.is_none() {
            let total = Reference::Total { ratio: 1.0, since: 0 };
            self.by_total = Drift::new(self.gathered, total).map(|drift| drift.sharpness);
        }
        self.by_total
    }

    fn pulses(&mut self, reference: Reference) -> Vec<Candidate> {
        if let Some((_, known)) = self.pulses.iter().find(|(known, _)| *known == reference) {
            return known.clone();
        }
        let mut found = Drift::new(self.gathered, reference).map_or_else(Vec::new, |drift| {
            let mut found = pulse::candidates(self.gathered, &drift, self.others);
            if matches!(reference, Reference::Flow { .. }) && self.gathered.total.is_some() {
                // The flow may tell single counts more sharply than the total does, or less: that speaks for no cause.
                let sharper = self.by_total().map_or(0.0, |by_total| drift.sharpness - by_total);
                for candidate in &mut found {
                    candidate.weight -= sharper;
                }
            }
            // Beside a proven cause, another one must show in what the repairs left.
            if self.proven && !drift.strays(self.gathered.facts.meter.tolerance.volume) {
                found.retain(|candidate| candidate.code == Code::Agreement);
            }
            found
        });
        hold_back_the_unexplained(&mut found);
        keep_best(&mut found);
        self.pulses.push((reference, found.clone()));
        found
    }
}

/// A tally can be broken by what is too short or too small for any likelihood of a part to see: then that part at least has
/// a deviation that nothing explains, and it is neither sound nor made up for by another part.
fn leave_open(candidates: &mut Vec<Candidate>, part: Part, verdict: Verdict) {
    if verdict != Verdict::Disagree || candidates.iter().any(|candidate| candidate.code != Code::Agreement) {
        return;
    }
    let sound = candidates.first().map_or(0.0, |sound| sound.weight);
    if candidates.is_empty() {
        candidates.push(Candidate::sound(sound));
    }
    candidates.push(Candidate::new(Code::Unexplained, sound + log_prior(Code::Unexplained)).seen_in(part));
}

/// The heaviest candidates first; those whose weight is no number are left out.
fn in_order(candidates: &mut Vec<Candidate>) {
    // Readings may be so absurd that no likelihood of theirs is a number: then soundness is merely hopeless.
    for candidate in candidates.iter_mut().filter(|candidate| candidate.code == Code::Agreement) {
        if !candidate.weight.is_finite() {
            candidate.weight = NO_NUMBER;
        }
    }
    candidates.retain(|candidate| candidate.weight.is_finite());
    candidates.sort_by(|a, b| b.weight.total_cmp(&a.weight));
}

/// The heaviest candidates, one for each code; the sound one is always among them.
fn keep_best(candidates: &mut Vec<Candidate>) {
    in_order(candidates);
    let mut codes: Vec<Code> = Vec::new();
    candidates.retain(|candidate| {
        let new = !codes.contains(&candidate.code);
        codes.push(candidate.code);
        new && (codes.len() <= CARRIED + 2 || candidate.code == Code::Agreement)
    });
}

/// Each candidate with what it gains over the part being sound.
fn gains(candidates: &[Candidate]) -> Vec<(Candidate, f64)> {
    let sound = candidates.iter().find(|candidate| candidate.code == Code::Agreement).map_or(0.0, |sound| sound.weight);
    candidates.iter().map(|candidate| (candidate.clone(), candidate.weight - sound)).collect()
}

/// A cause of the catalogue that accounts for this share of what can be accounted for at all is the better answer than
/// none: models are rough, and what little each step misfits must not add up to a reason outside the catalogue.
const ACCOUNTS: f64 = 0.7;
/// How far below such a cause the unexplained stands, in nats.
const BELOW: f64 = 5.0;

/// Holds the unexplained back where a cause of the catalogue accounts for most of what is not sound.
fn hold_back_the_unexplained(candidates: &mut [Candidate]) {
    let weight_of = |wanted: fn(Code) -> bool| {
        candidates
            .iter()
            .filter(|candidate| wanted(candidate.code))
            .map(|candidate| candidate.weight)
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let sound = weight_of(|code| code == Code::Agreement);
    let known = weight_of(|code| !matches!(code, Code::Agreement | Code::Unexplained | Code::LoopLag));
    for candidate in candidates.iter_mut().filter(|candidate| candidate.code == Code::Unexplained) {
        if known > sound && known - sound > ACCOUNTS * (candidate.weight - sound) {
            candidate.weight = candidate.weight.min(known - BELOW);
        }
    }
}

fn combine(
    gathered: &Gathered,
    facts: &[Candidate],
    parts: &[Vec<(Candidate, f64)>; 5],
    bus: &[Candidate],
    standings: &Standings,
    out: &mut Vec<Hypothesis>,
) {
    let bus_sound = bus.iter().find(|candidate| candidate.code == Code::Agreement).map_or(0.0, |sound| sound.weight);
    let mut partial: Vec<(Vec<(Candidate, f64)>, f64)> = vec![(Vec::new(), 0.0)];
    for (place, part) in parts.iter().enumerate() {
        if part.is_empty() {
            continue;
        }
        partial = partial
            .iter()
            .flat_map(|(causes, weight)| {
                part.iter().map(move |(candidate, gain)| {
                    let gain = if place == 0 { candidate.weight - bus_sound } else { *gain };
                    let mut causes = causes.clone();
                    if candidate.code != Code::Agreement {
                        causes.push((candidate.clone(), gain));
                    }
                    (causes, weight + candidate.weight)
                })
            })
            .collect();
        partial.sort_by(|a, b| b.1.total_cmp(&a.1));
        partial.truncate(200);
    }
    for (mut causes, weight) in partial {
        causes.extend(facts.iter().map(|fact| (fact.clone(), fact.weight)));
        // What is known comes before what is not; then what weighs most.
        causes.sort_by(|(a, a_gain), (b, b_gain)| {
            let unknown = |candidate: &Candidate| candidate.code == Code::Unexplained;
            unknown(a).cmp(&unknown(b)).then(b_gain.total_cmp(a_gain))
        });
        let mut causes: Vec<Candidate> = causes.into_iter().map(|(candidate, _)| candidate).collect();
        if causes.is_empty() {
            causes.push(Candidate::sound(weight));
        }
        causes.dedup_by(|a, b| a.code == b.code && a.part == b.part);
        absorb(gathered, &mut causes);
        let weight = weight + standings.weigh(&causes);
        // Being late is no disagreement: it is not worth a word beside one.
        if causes.len() > 1 {
            causes.retain(|cause| cause.code != Code::LoopLag);
        }
        // To people, what is unexplained is so in whatever part it is seen.
        causes.dedup_by(|a, b| a.code == b.code);
        out.push(Hypothesis { causes, weight, probability: 0.0 });
    }
}

/// Drops what a proven cause brings about by itself: registers taken in the wrong order, or read in halves, make a total
/// that jumps, goes back, and fits nothing.
fn absorb(gathered: &Gathered, causes: &mut Vec<Candidate>) {
    let there = |causes: &[Candidate], code| causes.iter().any(|cause| cause.code == code);
    if there(causes, Code::BusWords) {
        causes.retain(|cause| {
            !matches!(
                cause.code,
                Code::BusTorn
                    | Code::BusTotalRestart
                    | Code::BusTotalUnit
                    | Code::BusTotalCoarse
                    | Code::BusUnit
                    | Code::BusFrozen
                    | Code::Unexplained
            )
        });
        causes.sort_by_key(|cause| cause.code != Code::BusWords);
    } else if there(causes, Code::BusTorn) {
        causes.retain(|cause| cause.code != Code::BusTotalRestart);
    }
    let jumps_by_unit =
        causes.iter().any(|cause| cause.code == Code::BusTotalUnit && makes_the_step(gathered, cause.parameters.ratio));
    if jumps_by_unit {
        causes.retain(|cause| cause.code != Code::BusTotalRestart);
    }
}

/// A total that is read in another unit from some moment on jumps at that moment by the same factor by which it then runs.
fn makes_the_step(gathered: &Gathered, ratio: Option<f64>) -> bool {
    let (Some((_, repair)), Some(ratio)) = (gathered.total.as_ref(), ratio) else { return false };
    let Some(step) = repair.steps.first().filter(|_| repair.step_count == 1) else { return false };
    let jumped = step.to / step.from;
    (jumped - ratio).abs() < 0.02 * ratio || (jumped - 1.0 - (ratio - 1.0)).abs() < 0.25 * (ratio - 1.0).abs()
}

/// The same for whole hypotheses: those that leave anything unexplained stand below the best one that does not, where that
/// one accounts for most of what is not sound.
fn hold_back_whole(hypotheses: &mut [Hypothesis], sound: f64) {
    let open = |hypothesis: &Hypothesis| hypothesis.causes.iter().any(|cause| cause.code == Code::Unexplained);
    let best = |wanted: bool, hypotheses: &[Hypothesis]| {
        hypotheses.iter().filter(|it| open(it) == wanted).map(|it| it.weight).fold(f64::NEG_INFINITY, f64::max)
    };
    let (known, unknown) = (best(false, hypotheses), best(true, hypotheses));
    if known.is_finite() && known > sound && known - sound > ACCOUNTS * (unknown - sound) {
        let excess = (unknown - known + BELOW).max(0.0);
        for hypothesis in hypotheses.iter_mut().filter(|hypothesis| open(hypothesis)) {
            hypothesis.weight -= excess;
        }
    }
}

fn normalise(mut hypotheses: Vec<Hypothesis>, verdict: Verdict) -> Vec<Hypothesis> {
    let sound = hypotheses
        .iter()
        .filter(|hypothesis| hypothesis.causes.iter().all(|cause| cause.code == Code::Agreement))
        .map(|hypothesis| hypothesis.weight)
        .fold(f64::NEG_INFINITY, f64::max);
    // What the tallies decided with bounded error is not for a likelihood to overrule: a cause that moved no tally is none,
    // and agreement is none where a tally moved. What the registers prove by themselves stands in every hypothesis.
    let agrees = |hypothesis: &Hypothesis| {
        hypothesis.causes.iter().all(|cause| matches!(cause.code, Code::Agreement | Code::LoopLag))
    };
    let fits = |hypothesis: &Hypothesis| match verdict {
        Verdict::Agree => agrees(hypothesis),
        Verdict::Disagree => !agrees(hypothesis),
        Verdict::Undecided => true,
    };
    if hypotheses.iter().any(fits) {
        hypotheses.retain(fits);
    }
    hold_back_whole(&mut hypotheses, sound);
    hypotheses.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    // The same causes by two ways are one hypothesis; the heavier way tells the figures.
    let mut merged: Vec<Hypothesis> = Vec::new();
    for hypothesis in hypotheses {
        match merged.iter_mut().find(|known| known.codes() == hypothesis.codes()) {
            Some(known) => known.weight = log_sum([known.weight, hypothesis.weight]),
            None => merged.push(hypothesis),
        }
    }
    merged.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    let best = merged.first().map_or(0.0, |first| first.weight);
    let told = merged.len().min(TOLD);
    merged.truncate(told);
    for (share, temperature) in TEMPERATURES {
        let tempered = |hypothesis: &Hypothesis| ((hypothesis.weight - best) / temperature).exp();
        let total: f64 = merged.iter().map(tempered).sum();
        for hypothesis in &mut merged {
            hypothesis.probability += share * tempered(hypothesis) / total;
        }
    }
    merged
}

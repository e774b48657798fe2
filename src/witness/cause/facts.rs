//! Causes that need no weighing: what the repairs of the series found by hard rules.

use super::candidate::Candidate;
use super::code::Code;
use super::gather::Gathered;
use super::repair::words::WordOrderRepair;

/// What a hard rule is worth against doubt, in nats.
const CERTAIN: f64 = 25.0;

/// Every cause that the hard rules found.
pub(super) fn found(gathered: &Gathered) -> Vec<Candidate> {
    let mut found = Vec::new();
    found.extend(words(gathered));
    found.extend(torn(gathered));
    found.extend(total_restart(gathered));
    found.extend(pulse_restart(gathered));
    found.extend(frozen(gathered));
    found
}

fn words(gathered: &Gathered) -> Option<Candidate> {
    let told = |what: &str, repair: &WordOrderRepair| {
        (repair.swapped_count > 0).then(|| {
            format!(
                "the {what} makes sense only with its halves swapped: {} of {} values are absurd as declared, {} when swapped",
                repair.absurd_declared, repair.count, repair.absurd_kept
            )
        })
    };
    let (flow, total) = (&gathered.flow_words, &gathered.total_words);
    let texts: Vec<String> = told("flow", flow).into_iter().chain(told("total", total)).collect();
    if texts.is_empty() {
        return None;
    }
    let mut candidate = Candidate::new(Code::BusWords, CERTAIN);
    let part_way = [flow, total].into_iter().filter(|repair| repair.swapped_count > 0).all(|repair| repair.part_way);
    if part_way {
        candidate.onset = flow.since.into_iter().chain(total.since).min();
    }
    candidate.evidence = texts;
    Some(candidate)
}

fn torn(gathered: &Gathered) -> Option<Candidate> {
    let mut spikes = 0;
    let mut halves = 0;
    let mut first = None;
    let mut of = Vec::new();
    for (name, series) in [("total", &gathered.total), ("pulse counter", &gathered.pulses)] {
        if let Some((_, repair)) = series
            && repair.spikes > 0
        {
            spikes += repair.spikes;
            halves += repair.half_spikes;
            of.push(name);
            first = first.into_iter().chain(repair.spike_at.map(|(first, _)| first)).min();
        }
    }
    // One value that comes and goes, and not by the worth of the upper half, may be a slip of any kind.
    if spikes == 0 || (spikes == 1 && halves == 0) {
        return None;
    }
    let mut candidate = Candidate::new(Code::BusTorn, CERTAIN);
    candidate.onset = first;
    candidate.evidence.push(format!(
        "{spikes} value{} of the {} jumped away and came back at the next reading, {halves} of them by 65,536 counts",
        if spikes == 1 { "" } else { "s" },
        of.join(" and the ")
    ));
    Some(candidate)
}

fn total_restart(gathered: &Gathered) -> Option<Candidate> {
    let (counting, repair) = gathered.total.as_ref()?;
    let step = repair.steps.first()?;
    let mut candidate = Candidate::new(Code::BusTotalRestart, CERTAIN);
    candidate.onset = Some(step.wall);
    let scale = if counting.count > 0.0 { counting.count } else { counting.factor };
    let modulus = step.modulus(scale, gathered.largest * 60.0 + 100.0 * scale);
    candidate.evidence.push(match modulus {
        Some(modulus) => format!(
            "the total went from {:.1} L to {:.1} L: it rolled over at {modulus:.0} counts, which its entry does not declare",
            step.from, step.to
        ),
        None => format!("the total went from {:.1} L to {:.1} L and counted on from there", step.from, step.to),
    });
    if repair.step_count > 1 {
        candidate.evidence.push(format!("{} such steps in all", repair.step_count));
    }
    Some(candidate)
}

fn pulse_restart(gathered: &Gathered) -> Option<Candidate> {
    let (_, repair) = gathered.pulses.as_ref()?;
    let step = repair.steps.iter().find(|step| step.to < step.from)?;
    let mut candidate = Candidate::new(Code::PulseRestart, CERTAIN);
    candidate.onset = Some(step.wall);
    candidate.evidence.push(match step.modulus(1.0, 200.0) {
        Some(modulus) => format!(
            "the counter went from {:.0} back to {:.0}: it wraps at {modulus:.0}, which its entry does not declare",
            step.from, step.to
        ),
        None => format!("the counter went from {:.0} back to {:.0} and counted on from there", step.from, step.to),
    });
    if repair.step_count > 1 {
        candidate.evidence.push(format!("{} such steps in all", repair.step_count));
    }
    Some(candidate)
}

fn frozen(gathered: &Gathered) -> Option<Candidate> {
    let longest = gathered.standstill.found.iter().max_by(|a, b| (a.to - a.from).total_cmp(&(b.to - b.from)))?;
    let first = gathered.standstill.found.iter().min_by(|a, b| a.from.total_cmp(&b.from))?;
    let mut candidate = Candidate::new(Code::BusFrozen, CERTAIN);
    candidate.onset = (first.from > 30.0).then_some(first.wall);
    candidate.evidence.push(format!(
        "flow and total did not change by a bit for {:.0} s (the flow showed {:.2} L/s), while {:.0} pulses were counted and the current \
         moved by {:.2} mA",
        longest.to - longest.from,
        longest.flow,
        longest.pulses,
        longest.current_range
    ));
    Some(candidate)
}

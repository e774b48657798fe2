//! One cause in one part of the plant, weighed against the part being sound.

use super::code::{Code, Part};
use super::explanation::Parameters;
use crate::units::WallMillis;

/// A cause as a candidate.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Candidate {
    /// The cause; `Agreement` for the sound part.
    pub code: Code,
    /// The part of the plant that it is about; that of the code, unless the code is of none.
    pub part: Part,
    /// Natural logarithm of likelihood times prior.
    pub weight: f64,
    /// What it implies.
    pub parameters: Parameters,
    /// When it began; `None` from the first reading on.
    pub onset: Option<WallMillis>,
    /// The first block that it concerns.
    pub since: usize,
    /// The figures that speak for it.
    pub evidence: Vec<String>,
}

impl Candidate {
    pub fn new(code: Code, weight: f64) -> Self {
        Self {
            code,
            part: code.part(),
            weight,
            parameters: Parameters::default(),
            onset: None,
            since: 0,
            evidence: Vec::new(),
        }
    }

    pub fn sound(weight: f64) -> Self {
        Self::new(Code::Agreement, weight)
    }

    /// The part that an unexplained deviation is seen in.
    pub const fn seen_in(mut self, part: Part) -> Self {
        self.part = part;
        self
    }

    pub fn with_evidence(mut self, text: String) -> Self {
        self.evidence.push(text);
        self
    }
}

/// The logarithm of a sum of exponentials.
pub(super) fn log_sum(weights: impl IntoIterator<Item = f64> + Clone) -> f64 {
    let largest = weights.clone().into_iter().fold(f64::NEG_INFINITY, f64::max);
    if largest == f64::NEG_INFINITY {
        return largest;
    }
    largest + weights.into_iter().map(|weight| (weight - largest).exp()).sum::<f64>().ln()
}

/// The best beginning among `length` steps: from the first step on, or part way. `weigh` gives the evidence for an onset.
///
/// A beginning part way costs the logarithm of how many there could have been.
pub(super) fn best_onset<T>(
    length: usize,
    mut weigh: impl FnMut(usize) -> Option<(f64, T)>,
) -> Option<(f64, usize, T)> {
    let mut best: Option<(f64, usize, T)> = None;
    let mut coarse: Option<(f64, usize)> = None;
    if let Some((weight, found)) = weigh(0) {
        best = Some((weight + log_onset(0, length), 0, found));
    }
    let charge = log_onset(1, length);
    let mut consider = |at: usize, best: &mut Option<(f64, usize, T)>, coarse: &mut Option<(f64, usize)>| {
        if at == 0 || at >= length {
            return;
        }
        if let Some((weight, found)) = weigh(at) {
            if coarse.is_none_or(|(most, _)| weight > most) {
                *coarse = Some((weight, at));
            }
            if best.as_ref().is_none_or(|(most, ..)| weight + charge > *most) {
                *best = Some((weight + charge, at, found));
            }
        }
    };
    let mut stride = (length / 24).max(1);
    let mut at = stride;
    while at < length {
        consider(at, &mut best, &mut coarse);
        at += stride;
    }
    while stride > 1 {
        let Some((_, middle)) = coarse else { break };
        let finer = (stride / 4).max(1);
        let low = middle.saturating_sub(stride).max(1);
        let high = (middle + stride).min(length - 1);
        let mut at = low;
        while at <= high {
            consider(at, &mut best, &mut coarse);
            at += finer;
        }
        stride = if finer == 1 { 1 } else { finer };
    }
    best
}

/// The logarithm of how likely a beginning at step `onset` of `length` is before looking: at the first one, or at any other.
#[expect(clippy::cast_precision_loss, reason = "a few thousand steps")]
pub(super) fn log_onset(onset: usize, length: usize) -> f64 {
    if onset == 0 { FROM_THE_START.ln() } else { (1.0 - FROM_THE_START).ln() - (length.clamp(2, 200) as f64).ln() }
}

/// The share of causes that hold from the first reading on.
const FROM_THE_START: f64 = 0.5;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_a_change_and_charges_for_looking() {
        let peak =
            |at: usize| Some((if at < 137 { 0.0 } else { 300.0 - f64::from(u32::try_from(at).expect("small")) }, ()));
        let (weight, at, ()) = best_onset(500, peak).expect("some");
        assert_eq!(at, 137);
        assert!(weight < 163.0 - 5.0);
    }
}

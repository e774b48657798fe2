//! Currents and pulses that the meter simulates, against what was read of them.

use serde::{Deserialize, Serialize};

use super::Verdict;
use super::budget::{Budget, Contribution, Spread};
use super::fit::Fit;
use crate::declared::{CurrentLoop, Entry, FlowTolerance};
use crate::decode::resolution;
use crate::units::{LitresPerSecond, Milliamperes};

/// The points of the span at which a loop is tried, in per cent: 4, 8, 12, 16 and 20 mA.
pub const PERCENTS: [u8; 5] = [0, 25, 50, 75, 100];

/// Span of the signal between 0 and 100 %, in mA.
const SPAN_MA: f64 = 16.0;

/// The current that stands for a share of the span: I = 4 mA + 16 mA x share.
#[must_use]
pub fn current_at(percent: u8) -> Milliamperes {
    Milliamperes(4.0 + SPAN_MA * f64::from(percent) / 100.0)
}

/// How far a current may be off at a point of the span, in mA, where no limit was stated: what the meter's tolerance
/// between flows lets pass, and never less than twice the input's own accuracy, which no test could tell.
#[must_use]
pub fn tolerated_ma(current_loop: &CurrentLoop, tolerance: FlowTolerance, percent: u8) -> f64 {
    let passed = match tolerance {
        FlowTolerance::OfSpan(share) => share * SPAN_MA,
        FlowTolerance::OfReading(share) => {
            let flow = current_loop.flow_of(current_at(percent));
            share * (flow / current_loop.span()).abs() * SPAN_MA
        }
    };
    passed.max(2.0 * current_loop.accuracy * SPAN_MA)
}

/// One simulated current.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LoopPoint {
    /// Of the span.
    pub percent: u8,
    /// What the meter was to drive.
    pub expected_ma: f64,
    /// The mean of what was read.
    pub read_ma: f64,
    /// Read less expected.
    pub deviation_ma: f64,
    /// The deviation's expanded uncertainty.
    pub expanded_ma: f64,
    /// What is let pass.
    pub limit_ma: f64,
    /// The flow that the current means to the receiver.
    pub flow_l_s: f64,
    /// What the receiver showed.
    pub receiver: Option<ReceiverFigure>,
    /// Of the current alone.
    pub verdict: Verdict,
}

/// What a receiver made of a signal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReceiverFigure {
    /// What it showed, in L/s.
    pub shown_l_s: f64,
    /// Shown less expected.
    pub deviation_l_s: f64,
    /// What is let pass.
    pub limit_l_s: f64,
    /// Whether it is within.
    pub verdict: Verdict,
}

/// The loop over its span.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LoopCheck {
    /// Every point that was read.
    pub points: Vec<LoopPoint>,
    /// The budget of one point's deviation, in mA; the point with the largest.
    pub budget: Budget,
    /// The deviation in mA as a straight line over the current in mA, from 4 mA on: offset, and gain error as its slope.
    pub line: Option<Fit>,
    /// All points together, and what the receiver showed at them.
    pub verdict: Verdict,
}

/// A point from the readings of its current. None without readings.
#[must_use]
pub fn loop_point(
    current_loop: &CurrentLoop,
    entry: &Entry,
    percent: u8,
    readings: &[f64],
    limit_ma: f64,
) -> Option<(LoopPoint, Budget)> {
    if readings.is_empty() {
        return None;
    }
    let count = readings.len() as f64;
    let read_ma = readings.iter().sum::<f64>() / count;
    let budget = current_budget(current_loop, entry, readings, read_ma);
    let expected = current_at(percent);
    let deviation_ma = read_ma - expected.0;
    let point = LoopPoint {
        percent,
        expected_ma: expected.0,
        read_ma,
        deviation_ma,
        expanded_ma: budget.expanded,
        limit_ma,
        flow_l_s: current_loop.flow_of(expected).0,
        receiver: None,
        verdict: Verdict::of(deviation_ma, budget.expanded, limit_ma),
    };
    Some((point, budget))
}

/// How well the mean of some readings of a current is known.
fn current_budget(current_loop: &CurrentLoop, entry: &Entry, readings: &[f64], mean: f64) -> Budget {
    let count = readings.len() as f64;
    // The step of a file's number is not known; its accuracy holds it.
    let step_ma = resolution(entry, mean / entry.unit.to_base) * entry.unit.to_base;
    let mut lines = vec![
        Contribution::new(
            "accuracy of the current input",
            current_loop.accuracy * SPAN_MA,
            "mA",
            Spread::Rectangular,
            1.0,
        ),
        Contribution::new("resolution of the current input", step_ma / 2.0, "mA", Spread::Rectangular, 1.0),
    ];
    if readings.len() > 1 {
        let squares: f64 = readings.iter().map(|reading| (reading - mean).powi(2)).sum();
        let of_the_mean = (squares / (count - 1.0) / count).sqrt();
        lines.push(Contribution::new("scatter of the readings, of their mean", of_the_mean, "mA", Spread::Normal, 1.0));
    }
    Budget::of(lines)
}

impl LoopPoint {
    /// Adds what the receiver showed, to `last_digit`.
    pub fn receiver_showed(&mut self, shown: LitresPerSecond, last_digit: f64, current_loop: &CurrentLoop) {
        let limit_l_s = self.limit_ma / SPAN_MA * current_loop.span().0.abs();
        // It is to show what the current means, not what the meter meant by it.
        let expected = current_loop.flow_of(Milliamperes(self.read_ma));
        let deviation_l_s = shown.0 - expected.0;
        let of_reading = self.expanded_ma / SPAN_MA * current_loop.span().0.abs();
        let expanded = of_reading.hypot(last_digit / 2.0 / Spread::Rectangular.divisor() * super::budget::COVERAGE);
        let verdict = Verdict::of(deviation_l_s, expanded, limit_l_s);
        self.receiver = Some(ReceiverFigure { shown_l_s: shown.0, deviation_l_s, limit_l_s, verdict });
    }
}

impl LoopCheck {
    /// The points together; none if there are none.
    #[must_use]
    pub fn of(points: Vec<(LoopPoint, Budget)>, current_loop: &CurrentLoop) -> Option<Self> {
        let largest =
            points.iter().map(|(_, budget)| budget).max_by(|one, other| one.standard.total_cmp(&other.standard));
        let budget = largest?.clone();
        let points: Vec<LoopPoint> = points.into_iter().map(|(point, _)| point).collect();
        let deviations: Vec<(f64, f64)> = points.iter().map(|it| (it.expected_ma, it.deviation_ma)).collect();
        let shared = Contribution::new("", current_loop.accuracy * SPAN_MA, "mA", Spread::Rectangular, 1.0).standard;
        let line = Fit::through(&deviations, 4.0).map(|line| line.with_shared(shared));
        let of_receivers = points.iter().filter_map(|it| it.receiver.as_ref()).map(|it| it.verdict);
        let verdict = Verdict::together(points.iter().map(|it| it.verdict).chain(of_receivers));
        Some(Self { points, budget, line, verdict })
    }
}

/// Pulses that the meter simulated.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PulseCheck {
    /// What the meter says that it sent.
    pub sent: u64,
    /// What the counter gained.
    pub counted: f64,
    /// What the receiver gained, in litres, by its own display.
    pub receiver_l: Option<f64>,
    /// What the receiver should have gained.
    pub expected_l: f64,
    /// Every pulse is to be counted, and none more: counts have no uncertainty.
    pub verdict: Verdict,
}

impl PulseCheck {
    /// Sent against counted, and against what the receiver made of it, told to `last_digit` litres.
    #[must_use]
    pub fn of(sent: u64, counted: f64, volume_l: f64, receiver: Option<(f64, f64)>) -> Self {
        let expected_l = sent as f64 * volume_l;
        let exact = |same: bool| if same { Verdict::Pass } else { Verdict::Fail };
        // Two figures, each cut to its last digit, differ by up to one of them from the truth.
        let of_receiver = receiver.map(|(gained, last_digit)| exact((gained - expected_l).abs() <= last_digit + 1e-9));
        let of_counter = exact((counted - sent as f64).abs() < 0.5);
        let verdict = Verdict::together([of_counter].into_iter().chain(of_receiver));
        Self { sent, counted, receiver_l: receiver.map(|(gained, _)| gained), expected_l, verdict }
    }
}

/// Whether the current is the flow's again.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OffCheck {
    /// The mean current.
    pub read_ma: f64,
    /// The current that the flow register means; nothing where there is none.
    pub implied_ma: Option<f64>,
    /// The current that was simulated last, if any was.
    pub simulated_ma: Option<f64>,
    /// What is let pass.
    pub limit_ma: f64,
    /// Pass: it follows the flow. Fail: it does not. Undecided: nothing here tells.
    pub verdict: Verdict,
}

/// A current so near to a simulated one, in mA, is taken for it.
const STANDS_AT_MA: f64 = 0.1;

impl OffCheck {
    /// Judges pairs of flow register and current, read while the meter is said to measure again.
    #[must_use]
    pub fn of(
        current_loop: &CurrentLoop,
        pairs: &[(Option<LitresPerSecond>, Milliamperes)],
        simulated_ma: Option<f64>,
        limit_ma: f64,
    ) -> Option<Self> {
        if pairs.is_empty() {
            return None;
        }
        let count = pairs.len() as f64;
        let read_ma = pairs.iter().map(|(_, current)| current.0).sum::<f64>() / count;
        let flows: Vec<f64> = pairs.iter().filter_map(|(flow, _)| flow.map(|flow| flow.0)).collect();
        let (low, high) = current_loop.saturates;
        let implied_ma = (flows.len() == pairs.len()).then(|| {
            let implied = |flow: &f64| current_loop.current_of(LitresPerSecond(*flow)).0.clamp(low.0, high.0);
            flows.iter().map(implied).sum::<f64>() / count
        });
        // Flow that moves meanwhile reaches register and current at different times.
        let moves = flows.iter().copied().fold(0.0, f64::max) - flows.iter().copied().fold(f64::INFINITY, f64::min);
        let moves_ma = if moves.is_finite() { (moves / current_loop.span().0).abs() * SPAN_MA } else { 0.0 };
        let stands = simulated_ma.is_some_and(|simulated| (read_ma - simulated).abs() < STANDS_AT_MA);
        let unsure = 2.0 * current_loop.accuracy * SPAN_MA + moves_ma;
        let verdict = match implied_ma {
            Some(implied) if (read_ma - implied).abs() > limit_ma + unsure => Verdict::Fail,
            // The flow happens to be the one that was simulated.
            Some(_) if stands => Verdict::Undecided,
            Some(_) => Verdict::Pass,
            None if stands => Verdict::Fail,
            None if simulated_ma.is_some() => Verdict::Pass,
            None => Verdict::Undecided,
        };
        Some(Self { read_ma, implied_ma, simulated_ma, limit_ma, verdict })
    }
}

//! The site test that is expected to take the most doubt away.

use crate::cause::code::Code;
use crate::cause::ranking::Hypothesis;

/// A test: what to do, and which outcome a cause would have.
struct SiteTest {
    says: &'static str,
    outcome: fn(Code) -> u8,
}

/// Doubt below this is not worth a trip, in nats of entropy.
const SMALL_DOUBT: f64 = 0.25;

const TESTS: &[SiteTest] = &[
    SiteTest {
        says: "Read the meter's own setting of litres a pulse: if it differs from the receiver's, it is the setting; if not, pulses are \
               lost or added on the way.",
        outcome: |code| u8::from(code == Code::PulseWeight),
    },
    SiteTest {
        says: "Close the valve and watch the counter for ten minutes: counts without flow are extra ones.",
        outcome: |code| u8::from(code == Code::PulseExtra),
    },
    SiteTest {
        says: "Log the counter ten times a second for ten minutes at a steady flow, beside the meter's display: evenly lost pulses are \
               too short, bursts are a loose connection.",
        outcome: |code| match code {
            Code::PulseGaps => 1,
            Code::PulseNarrow => 2,
            Code::PulseDouble => 3,
            _ => 0,
        },
    },
    SiteTest {
        says: "Count pulses against the displayed total once at a low and once at a high steady flow: a ceiling loses only at the high \
               one.",
        outcome: |code| match code {
            Code::PulseRateLimit => 1,
            Code::PulseWeight | Code::PulseNarrow | Code::PulseDouble => 2,
            Code::PulseExtra => 3,
            _ => 0,
        },
    },
    SiteTest {
        says: "Read current and displayed flow at two steady flows, one of them at rest: the same shift at both is the zero, a shift \
               that grows with the flow is the span.",
        outcome: |code| match code {
            Code::LoopZero => 1,
            Code::LoopSpan => 2,
            Code::LoopClipped | Code::LoopSaturated => 3,
            Code::LoopHeld | Code::LoopCrossed => 4,
            _ => 0,
        },
    },
    SiteTest {
        says: "Read the meter's own setting of the flow at 20 mA and compare it with the receiver's.",
        outcome: |code| u8::from(code == Code::LoopSpan),
    },
    SiteTest {
        says: "Change the flow by a step and watch current and display until both stand: if they meet, it is only damping.",
        outcome: |code| match code {
            Code::LoopLag | Code::Agreement => 1,
            Code::LoopHeld => 2,
            _ => 0,
        },
    },
    SiteTest {
        says: "Compare flow and total on the meter's display, with their units, with the registers as decoded.",
        outcome: |code| match code {
            Code::BusUnit => 1,
            Code::BusTotalUnit | Code::BusTotalRestart | Code::BusTotalCoarse => 2,
            Code::BusWords | Code::BusFrozen | Code::BusTorn => 3,
            Code::LowFlowCutoff => 4,
            _ => 0,
        },
    },
    SiteTest {
        says: "Stop one meter's flow alone, if the plant allows it, and see which counter and which current follow.",
        outcome: |code| match code {
            Code::PulseCrossed => 1,
            Code::LoopCrossed => 2,
            Code::LoopHeld | Code::PulseSilent => 3,
            _ => 0,
        },
    },
    SiteTest {
        says: "Read the receiver's own scale and litres a pulse.",
        outcome: |code| match code {
            Code::ReceiverSpan => 1,
            Code::ReceiverWeight => 2,
            _ => 0,
        },
    },
    SiteTest {
        says: "Run a steady flow for as long as a hundred pulses take and read all three witnesses at both ends: whether they differ at \
               all is the first question.",
        outcome: |code| u8::from(code == Code::Agreement),
    },
];

fn entropy(shares: impl Iterator<Item = f64>) -> f64 {
    shares.filter(|share| *share > 0.0).map(|share| -share * share.ln()).sum()
}

/// The test whose outcome is expected to leave the least doubt; none where there is little.
pub(crate) fn next_test(hypotheses: &[Hypothesis]) -> Option<String> {
    if entropy(hypotheses.iter().map(|hypothesis| hypothesis.probability)) < SMALL_DOUBT {
        return None;
    }
    let gain = |test: &SiteTest| {
        // What a test takes away is the entropy of its outcome: its outcomes are certain given the cause.
        let mut outcomes = std::collections::BTreeMap::new();
        for hypothesis in hypotheses {
            let outcome: Vec<u8> = hypothesis.codes().into_iter().map(test.outcome).collect();
            *outcomes.entry(outcome.into_iter().max()).or_insert(0.0) += hypothesis.probability;
        }
        entropy(outcomes.into_values())
    };
    let mut best: Option<(f64, &SiteTest)> = None;
    for test in TESTS {
        let gain = gain(test);
        if gain > 0.05 && best.as_ref().is_none_or(|(most, _)| gain > *most) {
            best = Some((gain, test));
        }
    }
    best.map(|(_, test)| test.says.to_owned())
}

//! How much volume is in dispute since a cause began.

use super::block::{Block, CurrentState};
use super::candidate::Candidate;
use super::code::{Code, Part};
use super::drift::{Drift, Reference};
use super::explanation::VolumeInterval;
use super::gather::Gathered;

/// Sums of one stretch.
struct Sums {
    value: f64,
    /// Half the width of the bounds.
    doubt: f64,
}

/// The disputed volume of a cause; `None` where there is none, or none can be told.
pub(super) fn volume(gathered: &Gathered, cause: &Candidate) -> Option<VolumeInterval> {
    let blocks = gathered.blocks.get(cause.since..)?;
    let sums = match cause.code {
        Code::Agreement | Code::LoopLag | Code::BusWords | Code::BusTorn | Code::Unexplained => return None,
        Code::BusUnit | Code::BusTotalUnit | Code::LowFlowCutoff | Code::BusTotalCoarse => {
            total_against_flow(gathered, blocks)
        }
        Code::ReceiverWeight => receiver_total(gathered, blocks),
        Code::ReceiverSpan => receiver_flow(blocks),
        code => match code.part() {
            Part::Pulse => pulses(gathered, cause.since),
            Part::Loop => current(gathered, blocks),
            _ => pulses(gathered, cause.since),
        },
    }?;
    let value = sums.value.abs();
    Some(VolumeInterval { value, low: (value - sums.doubt).max(0.0), high: value + sums.doubt })
}

fn pulses(gathered: &Gathered, since: usize) -> Option<Sums> {
    let reference = if gathered.total.is_some() {
        Reference::Total { ratio: 1.0, since: 0 }
    } else {
        Reference::Flow { ratio: 1.0, since: 0 }
    };
    let drift = Drift::new(gathered, reference)?;
    let (mut value, mut variance, mut edge) = (0.0, 0.0, 0.0_f64);
    for step in drift.steps.iter().filter(|step| step.block >= since && !step.broken) {
        value += step.counted - step.expected;
        variance += step.wander;
        edge = edge.max(step.error);
    }
    Some(Sums { value: value * drift.volume, doubt: (1.0 + 2.0 * (2.0 * edge + variance).sqrt()) * drift.volume })
}

fn total_against_flow(gathered: &Gathered, blocks: &[Block]) -> Option<Sums> {
    use crate::declared::TotalCounts;
    let mut flow = 0.0;
    let mut variance = 0.0;
    for block in blocks.iter().skip(1) {
        flow += match gathered.facts.meter.total_counts {
            TotalCounts::Forward => block.forward,
            TotalCounts::Reverse => block.reverse,
            TotalCounts::Net => block.forward - block.reverse,
        };
        variance += block.sampling_variance;
    }
    let totals: Vec<f64> = blocks.iter().filter_map(|block| block.total).collect();
    let total = totals.last()? - totals.first()?;
    let resolution = blocks.iter().map(|block| block.total_resolution).fold(0.0, f64::max);
    let edge = blocks.iter().map(|block| block.flow_high.abs()).fold(0.0, f64::max);
    Some(Sums { value: total - flow, doubt: 2.0 * variance.sqrt() + resolution + 3.0 * edge + 0.001 * flow.abs() })
}

fn current(gathered: &Gathered, blocks: &[Block]) -> Option<Sums> {
    let declared = gathered.facts.meter.current_loop.as_ref()?;
    let span = declared.span().0;
    let (mut value, mut seconds) = (0.0, 0.0);
    for block in blocks.iter().filter(|block| block.current_samples > 0.0 && !block.still) {
        let shown = if block.current_state == CurrentState::Signal {
            declared.at_4_ma.0 + (block.current_mean() - 4.0) / 16.0 * span
        } else {
            // A fault current is no flow: the receiver has nothing.
            0.0
        };
        let flow = block.flow_lagged[0] / block.current_samples;
        value += (shown - flow) * block.seconds();
        seconds += block.seconds();
    }
    Some(Sums { value, doubt: declared.accuracy * span.abs() * seconds + 0.002 * value.abs() })
}

fn receiver_total(gathered: &Gathered, blocks: &[Block]) -> Option<Sums> {
    let volume = gathered.facts.meter.pulse.as_ref()?.volume.0;
    let seen: Vec<(f64, f64)> =
        blocks.iter().filter_map(|block| Some((block.pulses?, block.receiver_total?))).collect();
    let (first, last) = (seen.first()?, seen.last()?);
    Some(Sums { value: (last.1 - first.1) - (last.0 - first.0) * volume, doubt: 2.0 * volume })
}

fn receiver_flow(blocks: &[Block]) -> Option<Sums> {
    let (mut value, mut size) = (0.0, 0.0);
    for block in blocks.iter().filter(|block| block.receiver_samples > 0.0) {
        let shown = block.receiver_sum / block.receiver_samples;
        value += (shown - block.flow_mean()) * block.seconds();
        size += shown.abs() * block.seconds();
    }
    Some(Sums { value, doubt: 0.003 * size })
}

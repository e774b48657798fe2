//! Registers that stand still while another witness moves.

use crate::units::WallMillis;

/// A stretch in which flow and total were bit-identical.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::cause) struct Standstill {
    pub from: f64,
    pub to: f64,
    pub wall: WallMillis,
    /// The flow that was shown.
    pub flow: f64,
    /// Pulses counted meanwhile.
    pub pulses: f64,
    /// How far the current wandered meanwhile, in milliamperes.
    pub current_range: f64,
    /// The volume that the shown flow would have made, in resolutions of the total.
    pub missing_steps: f64,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    flow: Option<f64>,
    total: Option<f64>,
    from: f64,
    to: f64,
    wall: WallMillis,
    rows: u32,
    pulses: Option<(f64, f64)>,
    /// The current was read at all, however short the run.
    has_current: bool,
    current: Option<(f64, f64)>,
    slow_current: f64,
    /// Since when, and between which currents, the latest few seconds; they count once they are past.
    latest: Option<(f64, f64, f64)>,
}

/// What the standstill watch needs of one row.
#[derive(Clone, Copy, Debug)]
pub(in crate::cause) struct Glance {
    pub at: f64,
    pub wall: WallMillis,
    pub flow: Option<f64>,
    pub total: Option<f64>,
    pub pulses: Option<f64>,
    pub current: Option<f64>,
}

/// The shortest standstill that is looked at, in seconds.
const SHORTEST: f64 = 10.0;
/// A damped current still comes to rest for so long after the registers have, in seconds.
const SETTLES: f64 = 45.0;
/// The current may be ahead of the registers by their renewal and a few readings, in seconds.
const RENEWS: f64 = 12.0;
/// The most that are remembered; longer ones displace shorter ones.
const KEPT: usize = 64;

/// Watches for registers that stand still.
#[derive(Clone, Debug, Default)]
pub(in crate::cause) struct StandstillWatch {
    run: Option<Run>,
    /// The total counts forward flow alone.
    forward_only: bool,
    /// Stretches in which the registers contradict another witness by standing still.
    pub found: Vec<Standstill>,
}

impl StandstillWatch {
    /// A watch over registers whose total counts forward flow alone, or not.
    pub fn new(forward_only: bool) -> Self {
        Self { forward_only, ..Self::default() }
    }

    /// Looks at the next row; true while the registers have stood still for long enough to be suspicious.
    pub fn push(&mut self, glance: Glance, total_resolution: f64) -> bool {
        let same = self.run.as_ref().is_some_and(|run| {
            let flow_same = glance.flow.is_none() || glance.flow == run.flow;
            let total_same = glance.total.is_none() || glance.total == run.total;
            flow_same && total_same
        });
        if !same {
            self.end(total_resolution);
            self.run = Some(Run {
                flow: glance.flow,
                total: glance.total,
                from: glance.at,
                to: glance.at,
                wall: glance.wall,
                rows: 0,
                pulses: None,
                has_current: false,
                current: None,
                slow_current: 0.0,
                latest: None,
            });
        }
        let Some(run) = self.run.as_mut() else { return false };
        if glance.flow.is_none() && glance.total.is_none() {
            // Registers that were not read cannot stand still.
            return run.rows >= 4 && run.to - run.from >= SHORTEST;
        }
        run.rows += 1;
        run.to = glance.at;
        if let Some(pulses) = glance.pulses {
            let first = run.pulses.map_or(pulses, |(first, _)| first);
            run.pulses = Some((first, pulses));
        }
        run.has_current |= glance.current.is_some();
        if let Some(current) = glance.current.filter(|_| glance.at - run.from >= SETTLES) {
            // Smoothed over a few readings, so that the input's noise does not count as movement.
            run.slow_current += if run.latest.is_none() { current } else { 0.3 * (current - run.slow_current) };
            let now = run.slow_current;
            let (since, low, high) = run.latest.unwrap_or((glance.at, now, now));
            run.latest = Some((since, low.min(now), high.max(now)));
            if glance.at - since >= RENEWS {
                let (known_low, known_high) = run.current.unwrap_or((low, high));
                run.current = Some((known_low.min(low), known_high.max(high)));
                run.latest = Some((glance.at, now, now));
            }
        }
        run.rows >= 4 && run.to - run.from >= SHORTEST
    }

    /// Ends the run and keeps it if another witness contradicts it.
    pub fn end(&mut self, total_resolution: f64) {
        let Some(run) = self.run.take() else { return };
        let length = run.to - run.from;
        if run.rows < 4 || length < SHORTEST || (run.flow.is_none() && run.total.is_none()) {
            return;
        }
        let flow = run.flow.unwrap_or(0.0);
        let standstill = Standstill {
            from: run.from,
            to: run.to,
            wall: run.wall,
            flow,
            pulses: run.pulses.map_or(0.0, |(first, last)| (last - first).abs()),
            current_range: run.current.map_or(0.0, |(low, high)| high - low),
            missing_steps: if run.total.is_some() { flow.abs() * length / total_resolution.max(1e-9) } else { 0.0 },
        };
        let moved = standstill.current_range > 0.12;
        let counted = standstill.pulses >= 4.0;
        let starved = standstill.missing_steps > 5.0;
        // A forward total rests while the flow runs backwards, whatever pulses that makes elsewhere.
        let counted = counted && (flow > 0.0 || !self.forward_only);
        let contradicted = (moved && (counted || starved || run.pulses.is_none()))
            || (counted && (starved || !run.has_current))
            // Registers at rest beside a counter at rest contradict no current: then it is the current that is odd.
            || (standstill.current_range > 0.8 && (starved || run.pulses.is_none() || standstill.pulses >= 1.0));
        if !contradicted {
            return;
        }
        if self.found.len() < KEPT {
            self.found.push(standstill);
        } else if let Some(shortest) = self.found.iter_mut().min_by(|a, b| (a.to - a.from).total_cmp(&(b.to - b.from)))
            && shortest.to - shortest.from < length
        {
            *shortest = standstill;
        }
    }
}

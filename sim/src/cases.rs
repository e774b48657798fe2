//! Labelled cases: readings of a random meter with a known trouble, or with none, and the files that declare the site.
//!
//! Every case is one that readings can decide: what is wrong leaves marks beyond the tolerances that hold by default
//! (0.25 % of the span between flows; 0.1 % and three pulses between volumes).

mod bus;
mod current;
mod flows;
mod healthy;
mod pulse;
mod site;
mod surroundings;

use std::io::{self, Write};

use crate::csv::{Columns, CsvWriter};
use crate::direct::{Direct, Sampling};
use crate::plant::{PointPlan, Shed};

pub use flows::{Network, network};
pub use healthy::{HEALTHY_KINDS, HealthyKind};
use surroundings::{Asked, Draft};

/// The codes of all troubles that a case can have.
pub const CODES: [&str; 30] = [
    "pulse-weight",
    "pulse-double",
    "pulse-narrow",
    "pulse-rate-limit",
    "pulse-crossed",
    "pulse-extra",
    "pulse-gaps",
    "pulse-silent",
    "pulse-restart",
    "pulse-direction",
    "loop-span",
    "loop-zero",
    "loop-saturated",
    "loop-clipped",
    "loop-crossed",
    "loop-fault",
    "loop-open",
    "loop-held",
    "loop-lag",
    "loop-direction",
    "bus-unit",
    "bus-total-unit",
    "bus-words",
    "bus-frozen",
    "bus-total-restart",
    "bus-total-coarse",
    "bus-torn",
    "receiver-span",
    "receiver-weight",
    "low-flow-cutoff",
];

/// Pairs of codes that leave separate marks when they are there at once, and are both told: a mere lag beside another cause
/// is not.
pub const DOUBLES: [(&str, &str); 21] = [
    ("pulse-weight", "loop-span"),
    ("pulse-weight", "loop-zero"),
    ("pulse-weight", "bus-words"),
    ("pulse-weight", "loop-open"),
    ("pulse-narrow", "loop-span"),
    ("pulse-narrow", "loop-fault"),
    ("pulse-double", "loop-zero"),
    ("pulse-rate-limit", "loop-clipped"),
    ("pulse-gaps", "loop-held"),
    ("pulse-extra", "loop-span"),
    ("pulse-silent", "loop-open"),
    ("pulse-restart", "bus-total-restart"),
    ("bus-total-unit", "loop-span"),
    ("bus-unit", "pulse-weight"),
    ("bus-total-restart", "pulse-narrow"),
    ("pulse-narrow", "loop-zero"),
    ("pulse-narrow", "loop-saturated"),
    ("pulse-extra", "loop-held"),
    ("pulse-gaps", "bus-torn"),
    ("bus-total-restart", "loop-zero"),
    ("low-flow-cutoff", "loop-span"),
];

/// How strong a trouble is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Severity {
    /// As a technician finds it.
    Ordinary,
    /// 1.5 to 2 times what is let pass; where there is no such measure, short or late.
    NearLimit,
}

/// The name of the meter that a case is about.
pub const METER: &str = "meter-1";
/// The name of the other meter of the site, where there is one.
pub const OTHER_METER: &str = "meter-2";

/// One labelled case.
#[derive(Clone, Debug)]
pub struct Case {
    /// What is wrong, the main thing first; `agreement` if nothing is.
    pub codes: Vec<&'static str>,
    /// How much.
    pub severity: Severity,
    /// What makes it again.
    pub seed: u64,
    /// The stretch of readings in seconds.
    pub duration: f64,
    /// The seconds from one row to the next.
    pub poll: f64,
    /// The figures behind the trouble, by the names that an answer gives them, and `onset_s` from the first row.
    pub parameters: Vec<(&'static str, f64)>,
    /// The site file.
    pub site_toml: String,
    /// The register maps: path beside the site file, text.
    pub maps: Vec<(String, String)>,
    /// The meter, and perhaps another one of the site.
    pub plans: Vec<PointPlan>,
    /// How it is polled.
    pub sampling: Sampling,
    /// The columns of its table.
    pub columns: Columns,
}

impl Case {
    /// A case with this trouble; nothing if the code is unknown. The same arguments give the same case.
    #[must_use]
    pub fn faulty(code: &str, severity: Severity, seed: u64) -> Option<Self> {
        let code = known(code)?;
        Self::with_troubles(&[code], severity, seed, &asked(code, severity))
    }

    /// A case with two troubles at once, both of ordinary severity.
    #[must_use]
    pub fn double(first: &str, second: &str, seed: u64) -> Option<Self> {
        let codes = [known(first)?, known(second)?];
        let asked = codes.iter().map(|code| asked(code, Severity::Ordinary)).reduce(both)?;
        Self::with_troubles(&codes, Severity::Ordinary, seed, &asked)
    }

    /// A case with this trouble of ordinary severity on a day's flow that nobody here made up; nothing if the code is
    /// unknown, or needs a flow of its own: reverse flow, flow beyond full scale, long times of little flow.
    #[must_use]
    pub fn on_network(code: &str, pipe: Network, seed: u64) -> Option<Self> {
        let code = known(code)?;
        if matches!(code, "pulse-direction" | "loop-direction" | "loop-saturated" | "low-flow-cutoff") {
            return None;
        }
        let mut asked = asked(code, Severity::Ordinary);
        asked.flow.network = Some(pipe);
        asked.hours = (20.0, 24.0);
        Self::with_troubles(&[code], Severity::Ordinary, seed, &asked)
    }

    /// A case in which nothing is wrong, though it may look odd.
    #[must_use]
    pub fn healthy(kind: HealthyKind, seed: u64) -> Self {
        let draft = healthy::draft(kind, seed);
        Self::finish(draft, vec!["agreement"], Severity::Ordinary, seed)
    }

    /// Meters that somebody else planned, with the site file that would have been written for them.
    pub(crate) fn of_plans(
        names: &[String],
        plans: Vec<PointPlan>,
        duration: f64,
        sampling: Sampling,
        seed: u64,
    ) -> Self {
        let is_net = |plan: &PointPlan| plan.sound.bus.total_counts == crate::meter::Counts::Both;
        let named: Vec<site::Named> = names
            .iter()
            .zip(&plans)
            .map(|(name, plan)| site::Named {
                name,
                plan,
                reverse_total: is_net(plan),
                poll: sampling.poll,
                declare_damping: false,
            })
            .collect();
        let (site_toml, maps) = site::site(&named);
        let troubles = plans[0].troubles.iter().map(|spell| spell.trouble.code()).collect::<Vec<_>>();
        Self {
            codes: if troubles.is_empty() { vec!["agreement"] } else { troubles },
            severity: Severity::Ordinary,
            seed,
            duration,
            poll: sampling.poll,
            parameters: Vec::new(),
            site_toml,
            maps,
            columns: Columns {
                own_times: true,
                reverse_total: is_net(&plans[0]),
                receiver: plans[0].sound.controller.is_some(),
                running: false,
            },
            plans,
            sampling,
        }
    }

    /// The rows of the meter.
    #[must_use]
    pub fn rows(&self) -> Direct {
        self.rows_of(0)
    }

    /// The rows of the other meter, if the site has one.
    #[must_use]
    pub fn other_rows(&self) -> Option<Direct> {
        (self.plans.len() > 1).then(|| self.rows_of(1))
    }

    /// Write the rows of the meter as text.
    ///
    /// # Errors
    /// Whatever `out` reports.
    pub fn write_csv(&self, out: impl Write) -> io::Result<()> {
        self.write(0, out)
    }

    /// Write the rows of the other meter as text; nothing if there is none.
    ///
    /// # Errors
    /// Whatever `out` reports.
    pub fn write_other_csv(&self, out: impl Write) -> io::Result<()> {
        if self.plans.len() > 1 { self.write(1, out) } else { Ok(()) }
    }

    fn write(&self, place: usize, out: impl Write) -> io::Result<()> {
        let bus = self.plans[place].sound.bus;
        let columns = Columns { receiver: self.columns.receiver && place == 0, ..self.columns };
        let mut writer = CsvWriter::new(io::BufWriter::new(out), columns, bus.flow, bus.total)?;
        for row in self.rows_of(place) {
            writer.write(&row)?;
        }
        writer.into_inner().flush()
    }

    fn rows_of(&self, place: usize) -> Direct {
        let shed = Shed::new(self.plans.clone(), self.seed);
        Direct::new(shed, place, self.sampling, self.duration, self.seed)
    }

    fn with_troubles(codes: &[&'static str], severity: Severity, seed: u64, asked: &Asked) -> Option<Self> {
        // Most drafts show their trouble; one that does not (a flow that never reaches it, say) is thrown away.
        (0..200_u64).find_map(|attempt| {
            let mut draft = Draft::new(&codes.concat(), seed, attempt, asked);
            let whole = codes.iter().all(|code| apply(code, &mut draft, severity).is_some());
            (whole && draft.shows(codes, seed)).then(|| Self::finish(draft, codes.to_vec(), severity, seed))
        })
    }

    fn finish(draft: Draft, codes: Vec<&'static str>, severity: Severity, seed: u64) -> Self {
        let mut plans = vec![draft.plan];
        plans.extend(draft.other);
        let names = [METER, OTHER_METER];
        let named: Vec<site::Named> = plans
            .iter()
            .zip(names)
            .map(|(plan, name)| site::Named {
                name,
                plan,
                reverse_total: draft.reverse_total,
                poll: draft.sampling.poll,
                declare_damping: draft.declare_damping,
            })
            .collect();
        let (site_toml, maps) = site::site(&named);
        Self {
            codes,
            severity,
            seed,
            duration: draft.duration,
            poll: draft.sampling.poll,
            parameters: draft.parameters,
            site_toml,
            maps,
            columns: Columns {
                own_times: draft.own_times,
                reverse_total: draft.reverse_total,
                receiver: plans[0].sound.controller.is_some(),
                running: false,
            },
            plans,
            sampling: draft.sampling,
        }
    }
}

fn known(code: &str) -> Option<&'static str> {
    CODES.into_iter().find(|known| *known == code)
}

fn asked(code: &str, severity: Severity) -> Asked {
    match code.split_once('-') {
        Some(("pulse", _)) => pulse::asked(code, severity),
        Some(("loop", _)) => current::asked(code, severity),
        Some(("receiver", _)) => Asked { controller: true, ..receiver_asked(code, severity) },
        _ => bus::asked(code, severity),
    }
}

fn receiver_asked(code: &str, severity: Severity) -> Asked {
    if code == "receiver-span" { current::asked("loop-span", severity) } else { pulse::asked("pulse-weight", severity) }
}

fn apply(code: &'static str, draft: &mut Draft, severity: Severity) -> Option<()> {
    match code.split_once('-') {
        Some(("pulse", _)) | Some(("receiver", "weight")) => pulse::apply(code, draft, severity),
        Some(("loop", _)) | Some(("receiver", "span")) => current::apply(code, draft, severity),
        _ => bus::apply(code, draft, severity),
    }
}

/// What serves both.
fn both(one: Asked, other: Asked) -> Asked {
    let mut asked = one;
    asked.flow.varied |= other.flow.varied;
    asked.flow.rest |= other.flow.rest;
    asked.flow.reverse = one.flow.reverse.or(other.flow.reverse);
    if other.flow.peak.1 > 1.0 {
        asked.flow.peak = other.flow.peak;
    }
    asked.pulses = one.pulses.max(other.pulses);
    asked.hours = (one.hours.0.max(other.hours.0), one.hours.1.max(other.hours.1));
    asked.calm |= other.calm;
    asked.controller |= other.controller;
    asked.fine_registers |= other.fine_registers;
    asked
}

#[cfg(test)]
mod tests;

//! The cheapest set of requests that reads a set of entries.

use std::collections::BTreeMap;
use std::time::Duration;

use super::request::{Cost, Span, request_over};
use super::{Gap, Gaps, Plan, PlanError, PlannedRequest, WireTiming};
use crate::declared::{RegisterMap, Table};

/// The most bits that one request may ask for (MODBUS Application Protocol V1.1b3 §6.1, §6.2).
const MOST_BITS: u16 = 2000;

/// The most registers that one request may ask for (MODBUS Application Protocol V1.1b3 §6.3, §6.4).
const MOST_REGISTERS: u16 = 125;

/// The requests that read all `wanted` entries of a map in the least wire time.
///
/// `reply_delay` is the time from the end of a request to the beginning of its reply. Unmapped registers are read only if
/// the map allows it and only where that is cheaper; no request is longer than `max_registers`; no value is split over two
/// requests.
///
/// # Errors
///
/// A name that the map does not have, or a value wider than any request.
pub fn cheapest_plan(
    map: &RegisterMap,
    wanted: impl IntoIterator<Item = impl AsRef<str>>,
    timing: WireTiming,
    reply_delay: Duration,
) -> Result<Plan, PlanError> {
    cheapest_plan_around(map, wanted, timing, reply_delay, &Gaps::new())
}

/// As [`cheapest_plan`], with gaps that the device has shown it cannot read.
///
/// # Errors
///
/// As [`cheapest_plan`].
pub fn cheapest_plan_around(
    map: &RegisterMap,
    wanted: impl IntoIterator<Item = impl AsRef<str>>,
    timing: WireTiming,
    reply_delay: Duration,
    unreadable: &Gaps,
) -> Result<Plan, PlanError> {
    let cost = Cost { timing, reply_delay };
    let mut by_table: BTreeMap<Table, BTreeMap<(u32, u32, String), Span>> = BTreeMap::new();
    for name in wanted {
        let (table, span) = span_of(map, name.as_ref())?;
        by_table.entry(table).or_default().insert((span.start, span.end, name.as_ref().to_owned()), span);
    }
    let mut requests = Vec::new();
    for (table, sorted) in by_table {
        let entries: Vec<(String, Span)> = sorted.into_iter().map(|((_, _, name), span)| (name, span)).collect();
        let ground = Ground::of(map, table, unreadable);
        for run in cheapest_runs(table, &entries, &ground, cost) {
            let covering = PlannedRequest::covering(table, run, Vec::new(), cost);
            let bridged = ground.gaps_within(covering.request.start.into(), covering.request.end());
            requests.push(PlannedRequest { bridged, ..covering });
        }
    }
    Ok(Plan { requests })
}

fn span_of(map: &RegisterMap, name: &str) -> Result<(Table, Span), PlanError> {
    let entry = map.entries.get(name).ok_or_else(|| PlanError::UnknownEntry { name: name.to_owned() })?;
    let width = entry.value_type.width();
    let largest = largest_request(map, entry.table);
    if width > largest {
        return Err(PlanError::TooWide { name: name.to_owned(), width, largest });
    }
    let start = u32::from(entry.address);
    let end = start + u32::from(width);
    if end > END_OF_TABLE {
        return Err(PlanError::BeyondTheTable { name: name.to_owned() });
    }
    Ok((entry.table, Span { start, end }))
}

const END_OF_TABLE: u32 = 65_536;

fn largest_request(map: &RegisterMap, table: Table) -> u16 {
    if table.is_bits() { MOST_BITS } else { map.max_registers.clamp(1, MOST_REGISTERS) }
}

/// What of a table may be read.
struct Ground {
    table: Table,
    largest: u32,
    /// Where no entry lies, in order.
    unmapped: Vec<Span>,
    /// What no request may touch, in order.
    forbidden: Vec<Span>,
}

impl Ground {
    fn of(map: &RegisterMap, table: Table, unreadable: &Gaps) -> Self {
        let mapped = map
            .entries
            .values()
            .filter(|entry| entry.table == table)
            .map(|entry| {
                let start = u32::from(entry.address);
                Span { start, end: start + u32::from(entry.value_type.width()) }
            })
            .collect();
        let mut unmapped = Vec::new();
        let mut reached = 0;
        for span in joined(mapped) {
            if span.start > reached {
                unmapped.push(Span { start: reached, end: span.start });
            }
            reached = span.end;
        }
        let forbidden = if map.gaps_readable {
            let of_table = unreadable.iter().filter(|gap| gap.table == table);
            joined(of_table.map(|gap| Span { start: gap.start, end: gap.end }).collect())
        } else {
            unmapped.clone()
        };
        Self { table, largest: largest_request(map, table).into(), unmapped, forbidden }
    }

    fn may_be_read_at_once(&self, start: u32, end: u32) -> bool {
        end - start <= self.largest && within(&self.forbidden, start, end).is_empty()
    }

    fn gaps_within(&self, start: u32, end: u32) -> Vec<Gap> {
        within(&self.unmapped, start, end)
            .iter()
            .map(|span| Gap { table: self.table, start: span.start.max(start), end: span.end.min(end) })
            .collect()
    }
}

/// These spans in order, those that overlap or touch as one.
fn joined(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_by_key(|span| span.start);
    spans.dedup_by(|next, before| {
        let touches = next.start <= before.end;
        if touches {
            before.end = before.end.max(next.end);
        }
        touches
    });
    spans
}

/// Of spans in order, those that have something between `start` and `end`.
fn within(spans: &[Span], start: u32, end: u32) -> &[Span] {
    let from = spans.partition_point(|span| span.end <= start);
    let to = spans.partition_point(|span| span.start < end);
    &spans[from.min(to)..to]
}

/// Cuts entries, sorted by address, into the runs whose requests cost least together.
///
/// A shortest path: `best[j]` is the least cost of the first `j` entries. Runs of neighbours suffice even where entries
/// overlap: if one request holds an entry that lies behind the beginning of a later-ending one, then that one holds it too,
/// and taking it from the first makes the first no longer. Entries at one place go together, so that there are no more
/// places than a request has registers, however many entries a map has.
fn cheapest_runs<'a>(
    table: Table,
    entries: &'a [(String, Span)],
    ground: &Ground,
    cost: Cost,
) -> Vec<&'a [(String, Span)]> {
    let places: Vec<&[(String, Span)]> = entries.chunk_by(|(_, one), (_, other)| one == other).collect();
    let mut best = vec![(Duration::MAX, 0_usize); places.len() + 1];
    best[0].0 = Duration::ZERO;
    for first in 0..places.len() {
        let start = places[first][0].1.start;
        let mut end = start;
        for last in first..places.len() {
            end = end.max(places[last][0].1.end);
            // One place alone is asked for whatever was remembered about gaps.
            if last > first && !ground.may_be_read_at_once(start, end) {
                break;
            }
            let total = best[first].0 + cost.of(request_over(table, Span { start, end }));
            if total < best[last + 1].0 {
                best[last + 1] = (total, first);
            }
        }
    }
    let mut runs = Vec::new();
    let mut end_of_run = places.len();
    let mut entries_left = entries.len();
    while end_of_run > 0 {
        let first = best[end_of_run].1;
        let held: usize = places[first..end_of_run].iter().map(|place| place.len()).sum();
        runs.push(&entries[entries_left - held..entries_left]);
        entries_left -= held;
        end_of_run = first;
    }
    runs.reverse();
    runs
}

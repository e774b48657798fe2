//! Which of all decodings of unknown registers look like something an instrument shows.
//!
//! One reading cannot tell much; a few seconds can. A value taken in its right order moves a little at a time; in a wrong
//! one it jumps by powers of two, because its quick bits stand where its slow ones should. A flow moves about a mean, a
//! total never falls and climbs as fast as the flow says, a setting stands still on a plain number.

use std::collections::{BTreeMap, BTreeSet};

use super::plausible::{TYPES, is_plausible, unscaled};
use super::{Candidate, decode, pattern};
use crate::declared::{ByteOrder, ValueType, WordOrder};
use crate::units::Seconds;

/// The same registers, read again.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// When, since some beginning.
    pub at: Seconds,
    /// What they held, lowest address first.
    pub words: Vec<u16>,
}

/// What a decoding looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Likeness {
    /// It moves about a mean.
    Flow,
    /// It never falls.
    Total,
    /// It stands still.
    Setting,
}

/// A decoding and what it looks like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ranked {
    /// The decoding, with the value last read.
    pub candidate: Candidate,
    /// What it looks like.
    pub likeness: Likeness,
    /// How much, from 0 to 1.
    pub score: f64,
    /// The rise a second of a total, in its own unit; 0 for others.
    pub rise_per_second: f64,
}

impl Ranked {
    const fn order(&self) -> Order {
        (self.candidate.word_order, self.candidate.byte_order)
    }

    /// True if it shares no register with another.
    fn is_beside(&self, other: &Self) -> bool {
        let (mine, its) = (self.words(), other.words());
        mine.end <= its.start || its.end <= mine.start
    }

    /// The words that it takes, of those observed.
    fn words(&self) -> std::ops::Range<usize> {
        let first = self.candidate.word;
        first..first + usize::from(self.candidate.value_type.width())
    }
}

/// Every decoding that looks like something, the likeliest first. Two observations at least are needed to see anything
/// move; ten over ten seconds tell most.
#[must_use]
pub fn rank(observations: &[Observation]) -> Vec<Ranked> {
    let width = observations.iter().map(|observation| observation.words.len()).min().unwrap_or(0);
    let mut ranked = Vec::new();
    for word in 0..width {
        for value_type in TYPES {
            for (word_order, byte_order) in orders(value_type) {
                let shape = Candidate { word, value_type, word_order, byte_order, value: f64::NAN };
                let judged = series(observations, width, shape).and_then(|series| judged(shape, &series));
                ranked.extend(judged.map(|it| it.with_halves_looked_at(observations)));
            }
        }
    }
    let flows: Vec<Ranked> =
        ranked.iter().filter(|it| it.likeness == Likeness::Flow && it.score > 0.3).copied().collect();
    let lasted =
        observations.last().map_or(0.0, |last| last.at.0) - observations.first().map_or(0.0, |first| first.at.0);
    for total in ranked.iter_mut().filter(|it| it.likeness == Likeness::Total) {
        let seen_to =
            SEEN_TO + if total.candidate.value_type.is_float() { 0.0 } else { 1.0 / (total.rise_per_second * lasted) };
        let is_its_flow =
            |flow: &&Ranked| flow.is_beside(total) && (in_order(total, flow.order()) || in_order(flow, total.order()));
        if flows
            .iter()
            .filter(is_its_flow)
            .any(|flow| climbs_with(total.rise_per_second, flow.candidate.value, seen_to))
        {
            total.score += 0.2;
        }
    }
    for it in &mut ranked {
        it.score = it.score.clamp(0.0, 1.0);
    }
    if let Some(order) = likeliest_order(&ranked) {
        for it in ranked.iter_mut().filter(|it| !in_order(it, order)) {
            it.score *= OF_ANOTHER_ORDER;
        }
    }
    ranked.sort_by(|one, other| other.score.total_cmp(&one.score));
    ranked
}

/// A device has one order for all its values: what looks right in another one looks so by chance.
const OF_ANOTHER_ORDER: f64 = 0.4;

/// The order of a device's registers, and of the bytes in each.
type Order = (WordOrder, ByteOrder);

/// True if a decoding goes with a device's order; one register has no order of registers.
fn in_order(it: &Ranked, (word_order, byte_order): Order) -> bool {
    let shape = it.candidate;
    shape.byte_order == byte_order && (shape.word_order == word_order || shape.value_type.width() == 1)
}

/// The best division in one order, and how much it is worth.
fn division_in(ranked: &[Ranked], order: Order) -> (f64, Vec<Ranked>) {
    let (worth, layout) = best_division(ranked.iter().filter(|it| in_order(it, order)));
    (if order.0 == WordOrder::LowFirst { worth * LOW_FIRST_IS_RARER } else { worth }, layout)
}

/// The order in which the registers, divided as well as can be, look most like something; nothing if two do alike.
fn likeliest_order(ranked: &[Ranked]) -> Option<Order> {
    let mut worth: Vec<(f64, Order)> =
        orders(ValueType::U32).map(|order| (division_in(ranked, order).0, order)).collect();
    worth.sort_by(|(one, _), (other, _)| other.total_cmp(one));
    let (best, next) = (worth.first()?, worth.get(1)?);
    (best.0 > next.0).then_some(best.1)
}

/// The likeliest decodings that do not share registers, by address: a first map.
///
/// A device has one order for all its values. For each order the registers are divided so that what they look like adds up
/// to most, each register counting as much as its value's score; the order with the most is taken. One value alone can look
/// right in a wrong place; a whole map hardly can.
#[must_use]
pub fn likely_layout(ranked: &[Ranked]) -> Vec<Ranked> {
    let all_orders = orders(ValueType::U32);
    let layouts = all_orders.map(|order| division_in(ranked, order));
    let best = layouts.max_by(|(one, _), (other, _)| one.total_cmp(other));
    best.map(|(_, layout)| layout).unwrap_or_default()
}

/// Counters that stand side by side with the same small high half can be divided in both orders: the low half of one and
/// the high half of the next climb as the true pair does. Only then does this decide (common practice, no source).
const LOW_FIRST_IS_RARER: f64 = 0.93;

/// The division of the registers whose scores add up to most, and how much that is.
fn best_division<'a>(candidates: impl Iterator<Item = &'a Ranked>) -> (f64, Vec<Ranked>) {
    let mut by_end: BTreeMap<usize, Vec<&Ranked>> = BTreeMap::new();
    for candidate in candidates {
        by_end.entry(candidate.words().end).or_default().push(candidate);
    }
    let width = by_end.keys().next_back().copied().unwrap_or_default();
    let mut best: Vec<(f64, Option<&Ranked>)> = vec![(0.0, None)];
    for end in 1..=width {
        let mut here = (best[end - 1].0, None);
        for candidate in by_end.get(&end).into_iter().flatten() {
            let words = candidate.words();
            let worth = best[words.start].0 + candidate.score * words.len() as f64;
            if worth > here.0 {
                here = (worth, Some(*candidate));
            }
        }
        best.push(here);
    }
    let mut layout = Vec::new();
    let mut end = width;
    while end > 0 {
        match best[end].1 {
            Some(candidate) => {
                layout.push(*candidate);
                end = candidate.words().start;
            }
            None => end -= 1,
        }
    }
    layout.reverse();
    (best[width].0, layout)
}

fn orders(value_type: ValueType) -> impl Iterator<Item = Order> {
    let both = [WordOrder::HighFirst, WordOrder::LowFirst];
    let words = if value_type.width() == 1 { &both[..1] } else { &both[..] }.to_vec();
    words.into_iter().flat_map(|words| [ByteOrder::Big, ByteOrder::Little].map(|bytes| (words, bytes)))
}

/// The values over time, if all are plausible.
fn series(observations: &[Observation], width: usize, shape: Candidate) -> Option<Vec<(f64, f64)>> {
    let entry = unscaled(shape.value_type, shape.word_order, shape.byte_order);
    let words = shape.word..shape.word + usize::from(shape.value_type.width());
    if words.end > width {
        return None;
    }
    let value_at = |observation: &Observation| {
        let value = decode(&entry, &observation.words[words.clone()]);
        // A signed number is only worth a mention where it was negative once.
        let signed = matches!(shape.value_type, ValueType::I16 | ValueType::I32 | ValueType::I64);
        (is_plausible(shape.value_type, value) || (signed && value.abs() < SIGNED_MAGNITUDE))
            .then_some((observation.at.0, value))
    };
    let series: Vec<(f64, f64)> = observations.iter().map(value_at).collect::<Option<_>>()?;
    let is_signed_in_vain = matches!(shape.value_type, ValueType::I16 | ValueType::I32 | ValueType::I64)
        && series.iter().all(|(_, value)| *value >= 0.0);
    (!is_signed_in_vain).then_some(series)
}

/// Signed whole numbers of an instrument stay well inside.
const SIGNED_MAGNITUDE: f64 = 1e9;

/// A total that grows by more than this share of itself within a few seconds is none, or was just reset.
const LARGEST_GROWTH: f64 = 0.3;

/// A flow does not move by more than this share of its largest value within a few seconds, but in starts and stops.
const LARGEST_SPREAD: f64 = 0.5;

fn judged(shape: Candidate, series: &[(f64, f64)]) -> Option<Ranked> {
    let (first_at, first) = *series.first()?;
    let (last_at, last) = *series.last()?;
    let candidate = Candidate { value: last, ..shape };
    let steps: Vec<f64> = series.windows(2).map(|pair| pair[1].1 - pair[0].1).collect();
    let moves = steps.iter().filter(|step| **step != 0.0).count();
    let largest = series.iter().map(|(_, value)| value.abs()).fold(0.0, f64::max);
    let smallest = series.iter().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
    let highest = series.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
    let trust = order_and_width(shape, &steps) * if upper_half_is_unused(shape, largest) { 0.4 } else { 1.0 };
    let looks = |likeness, score: f64, rise_per_second| {
        Some(Ranked { candidate, likeness, score: score * trust, rise_per_second })
    };
    if moves == 0 {
        return looks(Likeness::Setting, stands_on_a_plain_number(shape.value_type, last), 0.0);
    }
    let growth = (last - first) / largest;
    if steps.iter().all(|step| *step >= 0.0) && moves >= 2 && growth < LARGEST_GROWTH && first >= 0.0 {
        let rise = (last - first) / (last_at - first_at).max(f64::MIN_POSITIVE);
        let magnitude = if rise < FASTEST_CLIMB { 1.0 } else { 0.2 };
        return looks(Likeness::Total, magnitude * (0.45 + 0.35 * steadiness(series)), rise);
    }
    let spread = (highest - smallest) / largest;
    if spread > LARGEST_SPREAD {
        return None;
    }
    let kind = if shape.value_type.is_float() { 1.0 } else { 0.5 };
    let backwards = if highest < 0.0 { 0.8 } else { 1.0 };
    let magnitude = if FLOW_MAGNITUDES.contains(&largest) { backwards } else { 0.3 };
    let borrowed = if shape.value_type == ValueType::F32 && lower_half_is_empty(series) { 0.5 } else { 1.0 };
    looks(Likeness::Flow, kind * magnitude * borrowed * (0.6 + 0.2 * (1.0 - spread / LARGEST_SPREAD)), 0.0)
}

/// A total climbs no faster a second, even in small units.
const FASTEST_CLIMB: f64 = 1e5;

/// A flow lies between these in any unit that people use.
const FLOW_MAGNITUDES: std::ops::Range<f64> = 1e-3..1e6;

/// True if a float moves in its upper half only: its lower half is then a zero that belongs to something else.
fn lower_half_is_empty(series: &[(f64, f64)]) -> bool {
    series.iter().all(|(_, value)| (*value as f32).to_bits().trailing_zeros() >= 16)
}

impl Ranked {
    /// A wide value is doubtful where its halves are better explained one by one.
    fn with_halves_looked_at(mut self, observations: &[Observation]) -> Self {
        let shape = self.candidate;
        let entry = unscaled(shape.value_type, shape.word_order, shape.byte_order);
        let mut patterns = observations.iter().filter_map(|it| pattern(&entry, &it.words[self.words()]));
        self.score *= match shape.value_type {
            ValueType::F64 => {
                // The low bits of a float that moves move all; those of a neighbour that moves keep its sign and exponent.
                let tops: BTreeSet<u64> = patterns.map(|bits| (bits >> 24) & 0xFF).collect();
                if tops.len() >= TOPS_OF_A_MOVING_FLOAT.min(observations.len()) { 1.8 } else { 0.7 }
            }
            ValueType::U64 | ValueType::I64 => {
                let highs: BTreeSet<u64> = patterns.map(|bits| bits >> 32).collect();
                if highs.len() == 1 && !highs.contains(&0) { 0.4 } else { 1.0 }
            }
            ValueType::U32 | ValueType::I32 => {
                #[expect(clippy::cast_possible_truncation, reason = "two registers")]
                let is_float = |bits: u64| FLOATS_OF_INSTRUMENTS.contains(&f32::from_bits(bits as u32));
                if patterns.all(is_float) { 0.5 } else { 1.0 }
            }
            _ => 1.0,
        };
        self
    }
}

/// So many different bytes are in the middle of a 64-bit float that moved as often or more.
const TOPS_OF_A_MOVING_FLOAT: usize = 4;

/// Whole numbers with the bits of such a float are beyond a thousand million, where few totals are.
const FLOATS_OF_INSTRUMENTS: std::ops::Range<f32> = 0.01..1e7;

/// True if a 64-bit whole number would do with 32: it is then one of 32, and its neighbours are something else.
fn upper_half_is_unused(shape: Candidate, largest: f64) -> bool {
    matches!(shape.value_type, ValueType::U64 | ValueType::I64) && largest < 4_294_967_296.0
}

/// How far an order is to be believed: less if bytes are swapped, which is rare, or if all steps are whole turns of a lower
/// half, which is what a wrong order of registers makes of a count.
fn order_and_width(shape: Candidate, steps: &[f64]) -> f64 {
    let bytes = if shape.byte_order == ByteOrder::Little { 0.8 } else { 1.0 };
    let turns = match shape.value_type {
        ValueType::U32 | ValueType::I32 | ValueType::U64 | ValueType::I64 => 65_536.0,
        ValueType::U16 | ValueType::I16 => 256.0,
        ValueType::Bit | ValueType::F32 | ValueType::F64 => f64::INFINITY,
    };
    let moved = steps.iter().any(|step| *step != 0.0);
    let wrong_half = moved && steps.iter().all(|step| step % turns == 0.0);
    // A narrow number is often half of a wider one, and a very wide one several neighbours.
    let width = match shape.value_type.width() {
        1 => 0.85,
        2 => 1.0,
        _ => 0.6,
    };
    bytes * width * if wrong_half { 0.2 } else { 1.0 }
}

/// 1 for a straight climb, 0 for one in a single leap: the largest distance from the line between first and last, as a
/// share of the climb.
fn steadiness(series: &[(f64, f64)]) -> f64 {
    let (Some((first_at, first)), Some((last_at, last))) = (series.first(), series.last()) else { return 0.0 };
    let on_line = |at: f64| first + (last - first) * (at - first_at) / (last_at - first_at);
    let farthest = series.iter().map(|(at, value)| (value - on_line(*at)).abs()).fold(0.0, f64::max);
    (1.0 - 2.0 * farthest / (last - first)).clamp(0.0, 1.0)
}

/// People set plain numbers: few digits, of a middling magnitude.
fn stands_on_a_plain_number(value_type: ValueType, value: f64) -> f64 {
    if value == 0.0 {
        return 0.02;
    }
    if !value_type.is_float() {
        return if value.abs() < 10_000.0 { 0.2 } else { 0.1 };
    }
    let shortest = if value_type == ValueType::F32 { format!("{:e}", value as f32) } else { format!("{value:e}") };
    let digits = shortest.split('e').next().unwrap_or_default().chars().filter(char::is_ascii_digit).count();
    let middling = (1e-4..1e6).contains(&value);
    match (digits, middling) {
        (0..=4, true) => 0.6,
        (5..=6, true) => 0.35,
        (_, true) => 0.15,
        (_, false) => 0.05,
    }
}

/// What a flow in one unit makes a total in another climb by, per second: L/s, m3/h, L/min with L or m3, and either in
/// tenths or hundredths.
const RISE_PER_FLOW: [f64; 10] =
    [1.0, 0.001, 1.0 / 3.6, 1.0 / 3600.0, 1.0 / 60.0, 1.0 / 60_000.0, 10.0, 100.0, 0.1, 0.01];

/// A climb in a few seconds tells a flow that moves within this share; a whole number, to a count more.
const SEEN_TO: f64 = 0.1;

/// True if a total's climb is what a flow makes, within a share of it.
fn climbs_with(rise_per_second: f64, flow: f64, seen_to: f64) -> bool {
    RISE_PER_FLOW.iter().any(|factor| (rise_per_second / (factor * flow) - 1.0).abs() < seen_to)
}

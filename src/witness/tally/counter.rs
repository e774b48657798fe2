//! One register that counts: wraps undone, resets and absurd values told apart from what flowed.

use serde::{Deserialize, Serialize};

use crate::declared::{Entry, ValueType};

/// A change faster than this many times the plausible rate, and a moment longer, is not believed at once.
const RATE_MARGIN: f64 = 2.0;
/// Seconds added to the time between two values before the plausible change is taken from the rate.
const RATE_GRACE_S: f64 = 1.5;
/// Counts that are always plausible.
const COUNT_GRACE: f64 = 3.0;
/// After a change that is hard to believe, so many values may still show that it was an absurd value.
const VALUES_TO_RETURN: u8 = 3;
/// So many values that fit nothing make the register absurd.
const VALUES_UNTIL_ABSURD: u8 = 3;
/// The coarsest step in which a register is thought to count, in its own counts, until finer values are seen.
const COARSEST_GRAIN: f64 = 1e6;

/// The widths of counters that nobody declared: of 16, 32 and 64 bits.
pub(crate) const USUAL_WIDTHS: [f64; 3] = [65_536.0, 4_294_967_296.0, 18_446_744_073_709_551_616.0];
/// The share of its width that a counter may gain where it wraps, unless rate and width are known: more is rather a restart.
pub(crate) const LEAST_SHARE: f64 = 0.01;

/// What a value of a counting register means after those before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Advance {
    /// The first value, or the first after a fresh start.
    First,
    /// So many counts went by; negative only for a register that may fall.
    Moved(f64),
    /// Not believed yet: the next values decide.
    Suspect,
    /// The values since then were absurd, and the register is where it ought to be.
    Returned {
        /// The last sound value's instant, in milliseconds.
        sound_at: i64,
        /// How far off they were, in the register's unit.
        by: f64,
    },
    /// The register went back from one value to another and counts on from there.
    WentBack {
        /// The last value before, as read.
        from: f64,
        /// The first value after, as read.
        to: f64,
        /// It happened between these instants of reading, in milliseconds.
        between: [i64; 2],
    },
    /// One of many values that fit nothing, or are no numbers.
    Absurd,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Sound {
    count: f64,
    position: f64,
    at: i64,
    left: u8,
}

/// The unwrapped position of one counting register.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Counter {
    scale: f64,
    offset: f64,
    modulus: Option<f64>,
    is_width_declared: bool,
    value_type: ValueType,
    may_fall: bool,
    fastest: Option<f64>,
    grain: f64,
    position: f64,
    last: Option<(f64, i64)>,
    before_jump: Option<Sound>,
    suspect: Option<(f64, i64)>,
    unfitting: u8,
}

impl Counter {
    /// A counter for an entry. `fastest` is the most counts a second that are plausible, if that can be said; `may_fall`
    /// holds for a net total.
    #[must_use]
    pub fn new(entry: &Entry, fastest: Option<f64>, may_fall: bool) -> Self {
        let full = match entry.value_type {
            ValueType::Bit => Some(2.0),
            ValueType::U16 | ValueType::I16 => Some(65_536.0),
            ValueType::U32 | ValueType::I32 => Some(4_294_967_296.0),
            ValueType::U64 | ValueType::I64 => Some(18_446_744_073_709_551_616.0),
            ValueType::F32 | ValueType::F64 => None,
        };
        #[expect(clippy::cast_precision_loss, reason = "a modulus beyond 2^53 is never reached by counting")]
        let declared = entry.wraps_at.map(|at| at as f64);
        Self {
            scale: entry.scale,
            offset: entry.offset,
            modulus: declared.or(full),
            is_width_declared: true,
            value_type: entry.value_type,
            may_fall,
            fastest,
            grain: COARSEST_GRAIN,
            position: 0.0,
            last: None,
            before_jump: None,
            suspect: None,
            unfitting: 0,
        }
    }

    /// The same for a counter whose width nobody declared, as that of a file: it wraps at the usual width that is next above
    /// its values, if a gain within what is plausible leads across.
    #[must_use]
    pub const fn of_undeclared_width(self) -> Self {
        Self { modulus: None, is_width_declared: false, ..self }
    }

    /// Counts since the first value, wraps undone. Counts of a float are its units.
    #[must_use]
    pub const fn position(&self) -> f64 {
        self.position
    }

    /// The step in which the register counts, in counts: its declared resolution, or coarser if no finer value was seen.
    #[must_use]
    pub const fn grain(&self) -> f64 {
        self.grain
    }

    /// The distance between neighbouring values of the register at its last value, in counts; nought for an integer.
    #[must_use]
    pub fn spacing(&self) -> f64 {
        let Some((count, _)) = self.last else { return 0.0 };
        match self.value_type {
            #[expect(clippy::cast_possible_truncation, reason = "the register held this float")]
            ValueType::F32 => {
                let single = (count as f32).abs();
                f64::from(single.next_up() - single)
            }
            ValueType::F64 => count.abs().next_up() - count.abs(),
            _ => 0.0,
        }
    }

    /// Whether the last value was believed.
    #[must_use]
    pub const fn is_settled(&self) -> bool {
        self.last.is_some() && self.suspect.is_none()
    }

    /// Takes a value as decoded (scale and offset applied) and its instant in milliseconds.
    pub fn push(&mut self, value: f64, at: i64) -> Advance {
        self.step(value, at).map_or_else(|| self.look_closer(value, at), Advance::Moved)
    }

    /// Takes a value if it is a plain step forward, as nearly all are, and says how far.
    #[inline]
    pub fn step(&mut self, value: f64, at: i64) -> Option<f64> {
        let (last, last_at) = self.last?;
        let count = self.count_of(value);
        let change = count - last;
        let is_plain = self.suspect.is_none()
            && self.before_jump.is_none()
            && change >= 0.0
            && change.is_finite()
            && (change <= self.largest_change(0) || change <= self.largest_change(at - last_at));
        if !is_plain {
            return None;
        }
        self.unfitting = 0;
        self.move_to(count, change, at);
        Some(change)
    }

    #[inline]
    fn count_of(&self, value: f64) -> f64 {
        let exact = (value - self.offset) / self.scale;
        if self.value_type.is_float() { exact } else { whole(exact) }
    }

    /// What is not a plain step forward.
    fn look_closer(&mut self, value: f64, at: i64) -> Advance {
        if !value.is_finite() {
            return self.does_not_fit(None);
        }
        let count = self.count_of(value);
        let Some((last, last_at)) = self.last else {
            self.last = Some((count, at));
            self.refine(count);
            return Advance::First;
        };
        let change = count - last;
        if change == 0.0 && self.suspect.is_none() {
            self.last = Some((count, at));
            self.settled();
            return Advance::Moved(0.0);
        }
        if let Some(advance) = self.returned(count, at, change, last_at) {
            return advance;
        }
        let unwrapped = self.unwrap(change, at - last_at);
        if unwrapped < self.lowest_change(at - last_at) {
            return self.fell(count, at);
        }
        if !self.is_plausible(unwrapped, at - last_at) && self.before_jump.is_none() {
            self.before_jump =
                Some(Sound { count: last, position: self.position, at: last_at, left: VALUES_TO_RETURN + 1 });
        }
        self.settled();
        self.move_to(count, unwrapped, at);
        Advance::Moved(unwrapped)
    }

    #[inline]
    fn move_to(&mut self, count: f64, change: f64, at: i64) {
        self.position += change;
        self.last = Some((count, at));
        self.refine(count);
    }

    fn settled(&mut self) {
        self.suspect = None;
        self.unfitting = 0;
        if let Some(sound) = &mut self.before_jump {
            sound.left -= 1;
            if sound.left == 0 {
                self.before_jump = None;
            }
        }
    }

    fn largest_change(&self, elapsed_ms: i64) -> f64 {
        let seconds = elapsed_seconds(elapsed_ms) + RATE_GRACE_S;
        self.fastest
            .map_or(f64::INFINITY, |rate| RATE_MARGIN * rate * seconds + COUNT_GRACE * self.grain.clamp(1.0, 1e3))
    }

    fn lowest_change(&self, elapsed_ms: i64) -> f64 {
        if self.may_fall { -self.largest_change(elapsed_ms) } else { -0.5 * self.spacing() }
    }

    fn is_plausible(&self, change: f64, elapsed_ms: i64) -> bool {
        change >= self.lowest_change(elapsed_ms) && change <= self.largest_change(elapsed_ms)
    }

    /// The change with a wrap undone where a wrap explains it and nothing else does.
    fn unwrap(&self, change: f64, elapsed_ms: i64) -> f64 {
        let last = self.last.map_or(0.0, |(last, _)| last);
        let usual = USUAL_WIDTHS.into_iter().find(|width| !self.is_width_declared && last <= *width);
        let Some(modulus) = self.modulus.or(usual) else { return change };
        if self.is_plausible(change, elapsed_ms) {
            return change;
        }
        // In a long silence a counter may go far round; in a short one it was rather restarted.
        let share = match self.fastest {
            Some(_) if !self.is_width_declared => LEAST_SHARE,
            Some(rate) if rate * elapsed_seconds(elapsed_ms) >= 0.25 * modulus => 1.0,
            Some(_) => 0.25,
            None => LEAST_SHARE,
        };
        let most = self.largest_change(elapsed_ms).min(share * modulus);
        if change < 0.0 && change + modulus >= 0.0 && change + modulus <= most {
            change + modulus
        } else if self.may_fall && change > 0.0 && change - modulus >= -most && change <= modulus {
            change - modulus
        } else {
            change
        }
    }

    /// A value that continues from before the last jump or the last suspect shows that what came between was absurd.
    fn returned(&mut self, count: f64, at: i64, change: f64, last_at: i64) -> Option<Advance> {
        if let Some(sound) = self.before_jump {
            let since = count - sound.count;
            let continues = !self.is_plausible(change, at - last_at) && self.is_plausible(since, at - sound.at);
            if continues && change < 0.0 {
                self.position = sound.position + since;
                self.last = Some((count, at));
                self.before_jump = None;
                self.suspect = None;
                return Some(Advance::Returned { sound_at: sound.at, by: -change * self.scale });
            }
        }
        if let Some((suspect, _)) = self.suspect
            && self.is_plausible(change, at - last_at)
        {
            self.position += change;
            self.last = Some((count, at));
            self.suspect = None;
            self.unfitting = 0;
            self.refine(count);
            return Some(Advance::Returned { sound_at: last_at, by: (suspect - count) * self.scale });
        }
        None
    }

    /// The value is below the last one. Only if it counts on from there did the register go back.
    fn fell(&mut self, count: f64, at: i64) -> Advance {
        let Some((first, first_at)) = self.suspect else {
            self.suspect = Some((count, at));
            return Advance::Suspect;
        };
        let since = count - first;
        if self.is_plausible(since, at - first_at) {
            let (from, from_at) = self.last.unwrap_or((0.0, first_at));
            self.position += since;
            self.last = Some((count, at));
            self.suspect = None;
            self.before_jump = None;
            self.unfitting = 0;
            let (from, to) = (self.value_of(from), self.value_of(first));
            return Advance::WentBack { from, to, between: [from_at, first_at] };
        }
        self.does_not_fit(Some((count, at)))
    }

    fn does_not_fit(&mut self, suspect: Option<(f64, i64)>) -> Advance {
        self.suspect = suspect.or(self.suspect);
        self.unfitting = self.unfitting.saturating_add(1);
        if self.unfitting >= VALUES_UNTIL_ABSURD { Advance::Absurd } else { Advance::Suspect }
    }

    fn value_of(&self, count: f64) -> f64 {
        count * self.scale + self.offset
    }

    /// Lowers the grain until the value is a multiple of it.
    #[inline]
    fn refine(&mut self, count: f64) {
        if self.grain > if self.value_type.is_float() { 0.0 } else { 1.0 } {
            self.refine_to(count);
        }
    }

    fn refine_to(&mut self, count: f64) {
        let spacing = self.spacing();
        let finest = if self.value_type.is_float() { spacing } else { 1.0 };
        while self.grain > finest {
            let multiples = count / self.grain;
            if (multiples - whole(multiples)).abs() * self.grain <= spacing + 1e-9 * self.grain {
                return;
            }
            self.grain /= 10.0;
        }
        self.grain = if self.value_type.is_float() { 0.0 } else { 1.0 };
    }
}

/// The nearest whole number. Beyond 2^52 a double has no fraction left, so that adding and taking away some such number
/// rounds: a call of the rounding function would take ten times as long.
fn whole(count: f64) -> f64 {
    const NO_FRACTION: f64 = 1.5 * (1_u64 << 52) as f64;
    const SMALL: f64 = (1_u64 << 51) as f64;
    if count.abs() < SMALL { (count + NO_FRACTION) - NO_FRACTION } else { count.round() }
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds of a million years fit a double exactly")]
fn elapsed_seconds(milliseconds: i64) -> f64 {
    milliseconds.max(0) as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::super::specimen;
    use super::*;

    /// A counter of this type that is read once a second and counts no faster than ten a second.
    fn told(value_type: ValueType, wraps_at: Option<u64>, values: &[f64]) -> (Vec<Advance>, f64) {
        let entry = Entry { value_type, wraps_at, ..specimen::meter().pulses.unwrap().entry };
        let mut counter = Counter::new(&entry, Some(10.0), false);
        let told = (0..).zip(values).map(|(second, value)| counter.push(*value, second * 1000)).collect();
        (told, counter.position())
    }

    /// The first two are arithmetic modulo 2^16 and 2^32.
    #[test]
    fn a_wrap_is_counted_through() {
        for (value_type, wraps_at, from, to, by) in [
            (ValueType::U16, None, 65_533.0, 3.0, 6.0),
            (ValueType::U32, None, 4_294_967_290.0, 4.0, 10.0),
            (ValueType::U32, Some(1_000_000), 999_995.0, 2.0, 7.0),
            (ValueType::F64, Some(10_000), 9_999.0, 1.0, 2.0),
        ] {
            let (told, position) = told(value_type, wraps_at, &[from, to]);
            assert_eq!((told[1], position), (Advance::Moved(by), by), "{value_type:?} {wraps_at:?}");
        }
    }

    /// The third would be a wrap of 16 bits if so much could be gained within a second; the fourth is an hour later, in which
    /// it could, but so far from the width it is rather a restart.
    #[test]
    fn a_counter_of_undeclared_width_wraps_where_a_usual_width_is_near() {
        let entry = Entry { value_type: ValueType::U64, ..specimen::meter().pulses.unwrap().entry };
        for (from, to, silence_ms, gained) in [
            (65_533.0, 3.0, 1000, Some(6.0)),
            (4_294_967_294.0, 0.0, 1000, Some(2.0)),
            (65_399.0, 2.0, 1000, None),
            (60_001.0, 2.0, 3_600_000, None),
            (65_540.0, 3.0, 1000, None),
        ] {
            let expected = gained.map_or(Advance::Suspect, Advance::Moved);
            let mut counter = Counter::new(&entry, Some(10.0), false).of_undeclared_width();
            counter.push(from, 0);
            assert_eq!(counter.push(to, silence_ms), expected, "{from} to {to} in {silence_ms} ms");
            let mut counter = Counter::new(&entry, Some(10.0), false);
            counter.push(from, 0);
            assert_eq!(counter.push(to, silence_ms), Advance::Suspect, "a register of 64 bits");
        }
    }

    #[test]
    fn in_a_long_silence_it_may_go_far_round() {
        let entry = Entry { value_type: ValueType::U16, ..specimen::meter().pulses.unwrap().entry };
        for (silence_ms, moved) in [(3_600_000, Advance::Moved(25_536.0)), (60_000, Advance::Suspect)] {
            let mut counter = Counter::new(&entry, Some(10.0), false);
            assert_eq!(counter.push(60_000.0, 0), Advance::First);
            assert_eq!(counter.push(20_000.0, silence_ms), moved, "{silence_ms} ms");
        }
    }

    #[test]
    fn a_restart_is_told_once_it_counts_on_from_there() {
        let (told, position) = told(ValueType::U32, None, &[5_000.0, 5_004.0, 2.0, 6.0, 9.0]);
        let went_back = Advance::WentBack { from: 5_004.0, to: 2.0, between: [1000, 2000] };
        assert_eq!(told[1..], [Advance::Moved(4.0), Advance::Suspect, went_back, Advance::Moved(3.0)]);
        assert_eq!(position, 4.0 + 4.0 + 3.0, "what came before the restart is not lost");
    }

    #[test]
    fn a_value_that_comes_and_goes_was_absurd() {
        let (told, position) = told(ValueType::U32, None, &[5_000.0, 5_004.0, 70_540.0, 5_012.0, 5_016.0]);
        assert!(matches!(told[3], Advance::Returned { sound_at: 1000, .. }), "{told:?}");
        assert_eq!(position, 16.0);
    }

    #[test]
    fn three_values_in_a_row_that_are_no_numbers_are_absurd() {
        let (told, _) = told(ValueType::F32, None, &[1.0, f64::NAN, f64::INFINITY, f64::NAN]);
        assert_eq!(told[1..], [Advance::Suspect, Advance::Suspect, Advance::Absurd]);
    }
}

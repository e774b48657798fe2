//! Halves of a register pair in the wrong order: re-encode, swap, and compare how much of either reading is absurd.

use crate::units::WallMillis;

/// One value both ways, in base units.
#[derive(Clone, Copy, Debug)]
pub(in crate::cause) struct BothWays {
    pub at: f64,
    pub wall: WallMillis,
    pub declared: f64,
    pub swapped: f64,
}

/// What a register pair may plausibly hold.
#[derive(Clone, Copy, Debug)]
pub(in crate::cause) enum Plausible {
    /// A flow: not above 20 times the largest; no float that is a vanishing fraction of it.
    Flow {
        /// The largest flow to be expected.
        largest: f64,
        /// It is a float: one that is next to nothing may be another's halves, while a small integer is a small flow.
        is_float: bool,
    },
    /// A total: its steps are what the meter can pass.
    Total {
        /// Units a second that are surely not exceeded.
        rate: f64,
        /// What rounding may add to a step.
        slack: f64,
        /// May fall.
        falls: bool,
        /// A step smaller than this says nothing: a float whose halves are swapped may be next to nothing.
        hardly: f64,
    },
}

impl Plausible {
    /// Whether the step from `before` to `now` (or `now` alone, for a flow) is absurd; `None` where it tells nothing.
    fn absurd(self, before: Option<(f64, f64)>, now: (f64, f64)) -> Option<bool> {
        let (at, value) = now;
        match self {
            Self::Flow { largest, is_float } => {
                if value == 0.0 {
                    return None;
                }
                let vanishes = is_float && value.abs() < 1e-7 * largest;
                Some(!value.is_finite() || value.abs() > 20.0 * largest || vanishes)
            }
            Self::Total { rate, slack, falls, hardly } => {
                if !value.is_finite() {
                    return Some(true);
                }
                let (before_at, before) = before?;
                if !before.is_finite() {
                    return Some(true);
                }
                let step = value - before;
                if step.abs() < hardly || step == 0.0 {
                    return None;
                }
                let allowed = rate * (at - before_at + 1.5) + slack;
                Some(step > allowed || step < if falls { -allowed } else { -slack })
            }
        }
    }
}

/// One value that jumps away and is back at the next reading was read in halves: it says nothing about their order.
fn forgive_returns(values: &[(f64, f64)], absurd: &mut [u32], plausible: Plausible) {
    for index in 1..values.len().saturating_sub(1) {
        let away_and_back = absurd[index] > 0 && absurd[index + 1] > 0;
        if away_and_back && plausible.absurd(Some(values[index - 1]), values[index + 1]) != Some(true) {
            absurd[index] = 0;
            absurd[index + 1] = 0;
        }
    }
}

/// Decides, for stretches of readings, which order the halves are in.
#[derive(Clone, Debug, Default)]
pub(in crate::cause) struct WordOrderRepair {
    swapped: bool,
    decided: bool,
    last: Option<BothWays>,
    /// Values taken with their halves swapped.
    pub swapped_count: u64,
    /// Values in all.
    pub count: u64,
    /// Absurd values as declared.
    pub absurd_declared: u64,
    /// Absurd values among those kept.
    pub absurd_kept: u64,
    /// When the swapped stretch began.
    pub since: Option<WallMillis>,
    /// Not from the first reading on.
    pub part_way: bool,
}

impl WordOrderRepair {
    /// For each value: is it to be taken swapped?
    pub fn decide(&mut self, values: &[BothWays], plausible: Plausible) -> Vec<bool> {
        let mut declared_absurd = vec![0_u32; values.len()];
        let mut swapped_absurd = vec![0_u32; values.len()];
        let (mut declared_sound, mut swapped_sound) = (0_u32, 0_u32);
        let mut before = self.last;
        for (index, now) in values.iter().enumerate() {
            let declared = plausible.absurd(before.map(|b| (b.at, b.declared)), (now.at, now.declared));
            let swapped = plausible.absurd(before.map(|b| (b.at, b.swapped)), (now.at, now.swapped));
            declared_absurd[index] = u32::from(declared == Some(true));
            swapped_absurd[index] = u32::from(swapped == Some(true));
            declared_sound += u32::from(declared == Some(false));
            swapped_sound += u32::from(swapped == Some(false));
            before = Some(*now);
        }
        if matches!(plausible, Plausible::Total { .. }) {
            let declared: Vec<(f64, f64)> = values.iter().map(|both| (both.at, both.declared)).collect();
            let swapped: Vec<(f64, f64)> = values.iter().map(|both| (both.at, both.swapped)).collect();
            forgive_returns(&declared, &mut declared_absurd, plausible);
            forgive_returns(&swapped, &mut swapped_absurd, plausible);
        }
        self.last = before;
        let other_sound = if self.swapped { declared_sound } else { swapped_sound };
        let choice = self.choose(&declared_absurd, &swapped_absurd, other_sound);
        for (index, swapped) in choice.iter().enumerate() {
            self.count += 1;
            self.absurd_declared += u64::from(declared_absurd[index]);
            self.absurd_kept += u64::from(if *swapped { swapped_absurd[index] } else { declared_absurd[index] });
            if *swapped {
                if self.swapped_count == 0 {
                    self.since = Some(values[index].wall);
                    self.part_way = self.decided && self.count > 1;
                }
                self.swapped_count += 1;
            }
        }
        self.decided = true;
        choice
    }

    /// Stays with the order in force unless the other one is clearly less absurd; then changes at the point that leaves
    /// the fewest absurd values.
    fn choose(&mut self, declared: &[u32], swapped: &[u32], other_sound: u32) -> Vec<bool> {
        let (now, other) = if self.swapped { (swapped, declared) } else { (declared, swapped) };
        let now_absurd: u32 = now.iter().sum();
        // An order in which hardly anything moves makes no sense of what moves: it is only not contradicted.
        if now_absurd < 2 || 3 * other_sound < now_absurd {
            return vec![self.swapped; declared.len()];
        }
        let other_absurd: u32 = other.iter().sum();
        let mut best = (now_absurd, now.len());
        let mut cost = other_absurd;
        for split in 0..now.len() {
            // Everything before `split` stays; a change inside the stretch makes one absurd step by itself.
            let charge = u32::from(split > 0);
            if cost + charge < best.0 {
                best = (cost + charge, split);
            }
            cost = cost + now[split] - other[split];
        }
        if 3 * best.0 > now_absurd {
            return vec![self.swapped; declared.len()];
        }
        let before = self.swapped;
        self.swapped = !before;
        (0..declared.len()).map(|index| if index < best.1 { before } else { !before }).collect()
    }
}

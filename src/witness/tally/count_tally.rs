//! Two counts of the same volume held against each other, to the pulse: total/pulse and pulse/receiver total.
//!
//! Every observation allows an interval for the constant difference between the counts; while all intervals since the
//! last step have a point in common, one true flow explains both. Once they have none, pulses were lost or gained: no
//! noise, rounding or delay within the stated bounds can do it.

use serde::{Deserialize, Serialize};

use super::around::{Around, Surrounded};
use super::band::{Allowance, Band};
use super::finding::{Between, DisagreementKind, Largest, Moment, Step};
use super::window::{Marks, Place};
use crate::units::Litres;

/// Steps up to so many pulses are never a disagreement.
const PULSES_LET_PASS: f64 = 3.0;
/// A disagreement is over after at least so many pulses without a step...
const PULSES_TO_CLOSE: f64 = 100.0;
/// ...and so many seconds.
const SECONDS_TO_CLOSE: f64 = 600.0;
/// An open disagreement is told again when it doubled...
const GROWN_AT_ONCE: f64 = 2.0;
/// ...when it grew by a tenth in so many seconds...
const GROWN: f64 = 1.1;
const SECONDS_TO_GROW: f64 = 5.0;
/// ...or grew at all in so many.
const SECONDS_TO_TELL_AGAIN: f64 = 3600.0;
/// No counter has lost so many pulses: nothing is known of how many at most.
const UNKNOWN_PULSES: f64 = 1e12;
/// A counter that takes only what is above nought makes a flow of so many standard deviations of zero noise: the mean of
/// the positive half of a normal distribution, 1 / sqrt(2 pi).
const RECTIFIED: f64 = 0.4;
/// A flow of so many of these standard deviations has no noise below nought.
const NO_NOISE_FROM: f64 = 2.0;

/// More pulses than any tolerance: what stands beyond doubt.
const CERTAIN: f64 = 1e300;

/// What is declared about the two counts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CountRules {
    /// Total/pulse or pulse/receiver total.
    pub between: Between,
    /// Litres for one pulse.
    pub pulse_volume: f64,
    /// The register's age at most, in seconds.
    pub register_age_s: f64,
    /// A pulse is counted so late at most while none waits, in seconds.
    pub pulse_delay_s: f64,
    /// Pulses a second that the output can make.
    pub fastest_pulses: f64,
    /// Let pass, as a share of the volume judged.
    pub volume_share: f64,
    /// Litres that the counter may gain for each litre of reverse flow that no register shows.
    pub unseen_reverse: f64,
    /// The standard deviation of zero noise at most, L/s.
    pub near_zero: f64,
}

/// Both counts at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CountObservation {
    /// The reading.
    pub moment: Moment,
    /// Pulses since the beginning.
    pub pulses: f64,
    /// Litres since the beginning, by the register.
    pub litres: f64,
    /// The true volume lies between `litres` + `register_low` and `litres` + `register_high`.
    pub register_low: f64,
    /// See `register_low`.
    pub register_high: f64,
    /// The register was sampled at this time, in seconds.
    pub register_at: f64,
    /// The counter was sampled so many seconds after the register.
    pub skew_s: f64,
    /// To this, one way or the other.
    pub skew_uncertainty_s: f64,
    /// The smallest flow that another witness shows at this moment, L/s; `None` if none does.
    pub flows: Option<(f64, f64)>,
}

/// What one observation did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CountChange {
    /// Pulses were lost or gained.
    Step(Step),
    /// A disagreement began.
    Opened,
    /// The open one is larger than when last told.
    Grew,
    /// The open one is over.
    Closed,
}

/// An open disagreement between counts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenCount {
    /// What began it.
    pub kind: DisagreementKind,
    /// When it was certain.
    pub opened: Moment,
    /// The last reading that fitted before.
    pub began: Moment,
    /// When it was over.
    pub closed: Option<Moment>,
    /// At its largest.
    pub largest: Largest,
    /// Steps in it.
    pub step_count: u64,
    from: Place,
    carried: Moved,
    volume_to_open: f64,
    told_at: Moment,
    told_pulses: f64,
}

/// How far the difference moved, in pulses of the second less the first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Moved {
    /// Certainly.
    certain: f64,
    /// At most, the same way.
    most: f64,
}

impl Moved {
    fn and(self, more: Self) -> Self {
        Self { certain: self.certain + more.certain, most: self.most + more.most }
    }
}

/// The state of one tally of counts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CountTally {
    /// What is declared.
    pub rules: CountRules,
    around: Around,
    band: Band,
    /// What the latest observation alone allows while a disagreement is open: losses that go on fit each other, one by one.
    alone: Band,
    epoch: u32,
    fitted: Moment,
    moved_register: f64,
    moved_pulses: f64,
    marks: Marks,
    first_step: Option<(Moment, f64)>,
    last_step: Option<(Moment, f64)>,
    /// The open disagreement.
    pub open: Option<OpenCount>,
    /// The last that was closed.
    pub last_closed: Option<OpenCount>,
    /// Steps so far.
    pub step_count: u64,
    /// Disagreements so far.
    pub disagreements: u64,
    /// Observations judged so far.
    pub judged: u64,
    /// The time that they span, in seconds.
    pub judged_s: f64,
    /// The signed pulses, in the sense second - first, that were certainly lost or gained since the beginning.
    pub certain: f64,
    carried: f64,
    provisional: f64,
}

impl CountTally {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(rules: CountRules) -> Self {
        Self {
            rules,
            around: Around::default(),
            band: Band::ANYTHING,
            alone: Band::ANYTHING,
            epoch: 0,
            fitted: Moment::default(),
            moved_register: 0.0,
            moved_pulses: 0.0,
            marks: Marks::default(),
            first_step: None,
            last_step: None,
            open: None,
            last_closed: None,
            step_count: 0,
            disagreements: 0,
            judged: 0,
            judged_s: 0.0,
            certain: 0.0,
            carried: 0.0,
            provisional: 0.0,
        }
    }

    /// Takes the next observation and judges those before it whose surroundings are known now. Readings farther apart than
    /// `gap_s` say nothing of what flowed between them.
    #[inline]
    pub fn push(&mut self, next: CountObservation, gap_s: f64, changes: &mut Vec<CountChange>) {
        if self.around.is_empty() {
            self.fitted = next.moment;
        }
        if self.around.take(next, &self.rules) {
            self.judge_surrounded(gap_s, changes);
        }
    }

    #[inline(never)]
    fn judge_surrounded(&mut self, gap_s: f64, changes: &mut Vec<CountChange>) {
        while let Some(surrounded) = self.around.surrounded(&self.rules, gap_s) {
            self.judge(&surrounded, changes);
        }
    }

    /// Drops what was read after an instant (in milliseconds of the steady clock) and not judged yet.
    pub fn drop_after(&mut self, sound_at: i64) {
        self.around.drop_after(sound_at);
    }

    /// What comes after cannot be compared with what came before: a break, or maintenance.
    pub fn interrupt(&mut self) {
        if let Some(open) = self.open {
            let moved = self.moved_since(&open.from, open.largest.difference > 0.0);
            self.open = Some(OpenCount { carried: open.carried.and(moved), ..open });
        }
        self.around.clear();
        self.carried = self.certain;
        self.band = Band::ANYTHING;
        self.epoch += 1;
        self.marks.clear();
        if let Some(open) = &mut self.open {
            open.from = Place { band: self.band, epoch: self.epoch, ..open.from };
        }
    }

    /// One count went back, or showed absurd values: what came before cannot be compared with what comes after. Opens a
    /// disagreement of this kind, or belongs to the open one. `pulses` is how far the second moved against the first.
    pub fn broke(&mut self, kind: DisagreementKind, at: Moment, pulses: f64, changes: &mut Vec<CountChange>) {
        if !matches!(kind, DisagreementKind::Absurd { .. }) {
            self.interrupt();
        }
        self.step_count += 1;
        let volume = self.volume();
        self.last_step = Some((at, volume));
        let difference = pulses * self.rules.pulse_volume;
        if let Some(open) = &mut self.open {
            open.step_count += 1;
            if difference.abs() > open.largest.difference.abs() {
                open.largest.difference = difference;
                open.largest.at = at;
            }
            return;
        }
        self.disagreements += 1;
        self.provisional = CERTAIN;
        self.open = Some(OpenCount {
            kind,
            opened: at,
            began: self.fitted,
            closed: None,
            largest: Largest {
                at,
                difference,
                difference_most: None,
                unit: self.rules.between.unit(),
                ratio: None,
                tolerance: self.tolerance(0.0),
                pulses: None,
                pulses_most: None,
            },
            step_count: 1,
            from: self.place(at),
            carried: Moved::default(),
            volume_to_open: 0.0,
            told_at: at,
            told_pulses: 0.0,
        });
        changes.push(CountChange::Opened);
    }

    /// The difference that is let pass over a volume, in litres.
    #[must_use]
    pub fn tolerance(&self, volume: f64) -> f64 {
        (self.rules.volume_share * volume).max(PULSES_LET_PASS * self.rules.pulse_volume)
    }

    /// The volume that went by, in litres: the smaller of what the two counts say.
    #[must_use]
    pub fn volume(&self) -> f64 {
        self.moved_register.abs().min(self.moved_pulses.abs())
    }

    /// Litres by the register and by the pulses since the beginning.
    #[must_use]
    pub const fn moved(&self) -> (f64, f64) {
        (self.moved_register, self.moved_pulses)
    }

    /// Whole pulses that were certainly lost (-) or gained (+) since the beginning, in the sense second - first.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "saturates, which is as good as true")]
    pub fn certain_pulses(&self) -> i64 {
        (self.certain.signum() * self.certain.abs().ceil()) as i64
    }

    /// Whether the certain steps are beyond what is let pass over all that was seen.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        self.exceeds(self.certain, self.volume())
    }

    /// Whether a disagreement counts: one that opened before a day was seen is weighed against all that was seen of it.
    #[must_use]
    pub fn disagreed(&self) -> bool {
        self.disagreements > 0 && self.exceeds(self.provisional, self.volume().min(self.marks.first_day_volume()))
    }

    fn exceeds(&self, pulses: f64, volume: f64) -> bool {
        let whole = pulses.abs().ceil();
        whole > PULSES_LET_PASS && whole * self.rules.pulse_volume > self.rules.volume_share * volume
    }

    fn judge(&mut self, surrounded: &Surrounded, changes: &mut Vec<CountChange>) {
        let Surrounded { middle, elapsed_s, .. } = surrounded;
        let rules = &self.rules;
        self.moved_register += surrounded.moved_litres;
        self.moved_pulses += surrounded.moved_pulses * rules.pulse_volume;
        let mut allowance = Allowance {
            pulse_volume: rules.pulse_volume,
            register_low: middle.register_low,
            register_high: middle.register_high,
            skew_s: middle.skew_s,
            skew_uncertainty_s: middle.skew_uncertainty_s,
            register_age_s: rules.register_age_s,
            pulse_delay_s: rules.pulse_delay_s,
            queued: surrounded.queued,
            rate: surrounded.rate,
            least: surrounded.least,
            most: surrounded.most,
        };
        if rules.unseen_reverse > 0.0 {
            // What the counter gained within the surroundings, too, is told by no register.
            let gained = rules.unseen_reverse * self.unseen_reverse(surrounded, surrounded.window_s);
            allowance.least -= gained;
            allowance.most += gained;
            if self.judged > 0 {
                let gained = rules.unseen_reverse * self.unseen_reverse(surrounded, *elapsed_s);
                self.band.high += gained / rules.pulse_volume;
            }
        }
        let band = allowance.band(middle.pulses, middle.litres);
        self.judged += 1;
        self.judged_s += elapsed_s;
        self.take(band, middle, changes);
    }

    /// Litres that can have run back, or been counted as zero noise, in so many seconds without any register showing it.
    fn unseen_reverse(&self, surrounded: &Surrounded, seconds: f64) -> f64 {
        let Surrounded { middle, moved_litres, elapsed_s, flows_before, .. } = surrounded;
        let lowest_flow = [*flows_before, middle.flows].into_iter().flatten().map(|(low, _)| low).reduce(f64::min);
        let noisy = NO_NOISE_FROM * self.rules.near_zero;
        // A damped flow is still shown when there is none any more: it has to be steady, or the total has to move, too.
        let step = middle.register_high - middle.register_low;
        let moves = moved_litres - step > noisy * (elapsed_s + self.rules.register_age_s);
        let flows = lowest_flow.is_some_and(|low| low > noisy) && (moves || surrounded.rate.is_some());
        let noise = if flows { 0.0 } else { RECTIFIED * self.rules.near_zero };
        let back = lowest_flow.map_or(0.0, |low| (-1.5 * low).max(0.0));
        (-moved_litres).max(back * seconds) + noise * seconds
    }

    fn take(&mut self, band: Band, middle: &CountObservation, changes: &mut Vec<CountChange>) {
        let moment = middle.moment;
        if let Some(both) = self.band.intersection(band) {
            // Most observations tell nothing new.
            if both == self.band && self.open.is_none() && !self.marks.is_due(moment) {
                self.fitted = moment;
                return;
            }
            self.band = both;
        } else {
            self.step(band, moment, changes);
        }
        self.alone = band;
        self.settle(moment, changes);
    }

    /// The band has nothing in common with those before it.
    #[cold]
    fn step(&mut self, band: Band, moment: Moment, changes: &mut Vec<CountChange>) {
        let (least, most) = self.band.whole_pulses_to(band);
        self.marks.epoch_ended(self.epoch, self.band);
        let volume = self.volume();
        if self.first_step.is_none() {
            self.first_step = Some((moment, volume));
        }
        self.last_step = Some((moment, volume));
        self.step_count += 1;
        let sense = self.sense();
        if let Some(open) = &mut self.open {
            open.step_count += 1;
            if open.from.epoch == self.epoch {
                open.from.band = self.band;
            }
        } else {
            let (least, most) = if sense < 0.0 { (-least, -most) } else { (least, most) };
            changes.push(CountChange::Step(Step {
                between: self.rules.between,
                at: moment,
                fitted: self.fitted,
                least,
                most,
                pulse_volume: Litres(self.rules.pulse_volume),
            }));
        }
        self.epoch += 1;
        self.band = band;
    }

    /// Where the tally stands now, and what that opens or closes.
    #[inline(never)]
    fn settle(&mut self, moment: Moment, changes: &mut Vec<CountChange>) {
        self.fitted = moment;
        let place = self.place(moment);
        let forgot = self.marks.keep(place);
        if forgot && self.marks.all_of_epoch(self.epoch) && self.open.is_none() {
            self.first_step = None;
        }
        self.certain =
            self.carried + self.sense() * self.marks.start_band(self.epoch, self.band).certain_move_to(self.band);
        self.open_or_close(place, changes);
    }

    fn open_or_close(&mut self, place: Place, changes: &mut Vec<CountChange>) {
        let sense = self.sense();
        let pulse_volume = self.rules.pulse_volume;
        let Some(mut open) = self.open else {
            if self.marks.all_of_epoch(self.epoch) {
                return;
            }
            let (from, moved) = self.marks.largest_move(place);
            let volume = self.marks.volume_in_window(place);
            if !self.exceeds(moved, volume) {
                return;
            }
            let (began, at_first) = self.first_step.unwrap_or((place.moment, self.volume()));
            self.last_step = Some((place.moment, self.volume()));
            self.disagreements += 1;
            let weighed = if self.marks.is_first_day() { moved.abs() } else { CERTAIN };
            self.provisional = self.provisional.max(weighed);
            self.open = Some(OpenCount {
                kind: DisagreementKind::Steps,
                opened: place.moment,
                began,
                closed: None,
                largest: self.largest(place, &from, self.moved_since(&from, sense * moved > 0.0), volume),
                step_count: self.marks.steps_in_window().max(1),
                from,
                carried: Moved::default(),
                volume_to_open: self.volume() - at_first,
                told_at: place.moment,
                told_pulses: moved.abs(),
            });
            changes.push(CountChange::Opened);
            return;
        };
        let moved = open.carried.and(self.moved_since(&open.from, open.largest.difference > 0.0));
        let pulses = moved.certain;
        if (pulses * pulse_volume).abs() > open.largest.difference.abs() {
            // More pulses are certain now than were: as good as a step.
            #[expect(clippy::cast_precision_loss, reason = "pulses of one disagreement")]
            let told = open.largest.pulses.map_or(0.0, |told| told.unsigned_abs() as f64);
            if pulses.abs().ceil() > told {
                self.last_step = Some((place.moment, self.volume()));
            }
            let volume = (place.register - open.from.register).min(place.pulses - open.from.pulses);
            open.largest = self.largest(place, &open.from, moved, volume);
            let weighed = if self.marks.is_first_day() { pulses.abs() } else { CERTAIN };
            self.provisional = self.provisional.abs().max(weighed);
            let waited = place.moment.steady.since(open.told_at.steady).0;
            let grown = pulses.abs() / open.told_pulses;
            if grown >= GROWN_AT_ONCE || waited >= SECONDS_TO_GROW && grown >= GROWN || waited >= SECONDS_TO_TELL_AGAIN
            {
                open.told_at = place.moment;
                open.told_pulses = pulses.abs();
                self.open = Some(open);
                changes.push(CountChange::Grew);
            }
        }
        self.open = Some(open);
        let (stepped_at, stepped_volume) = self.last_step.unwrap_or((open.opened, 0.0));
        let quiet_volume = self.volume() - stepped_volume;
        let quiet_time = place.moment.steady.since(stepped_at.steady).0;
        if quiet_volume >= open.volume_to_open.max(PULSES_TO_CLOSE * pulse_volume) && quiet_time >= SECONDS_TO_CLOSE {
            open.closed = Some(place.moment);
            self.last_closed = Some(open);
            self.open = None;
            self.first_step = None;
            self.marks.restart(place);
            changes.push(CountChange::Closed);
        }
    }

    /// How far the difference moved since the last observation of a place's stretch; nothing while all fits.
    fn moved_since(&self, from: &Place, is_gained: bool) -> Moved {
        if from.epoch == self.epoch {
            return Moved::default();
        }
        let sense = self.sense();
        Moved {
            certain: sense * from.band.certain_move_to(self.band),
            most: sense * from.band.farthest_move_to(self.alone, is_gained == (sense > 0.0)),
        }
    }

    fn largest(&self, place: Place, from: &Place, moved: Moved, volume: f64) -> Largest {
        let register = place.register - from.register;
        let counted = place.pulses - from.pulses;
        let (first, second) = if self.sense() > 0.0 { (register, counted) } else { (counted, register) };
        #[expect(clippy::cast_possible_truncation, reason = "saturates, which is as good as true")]
        let whole = |pulses: f64| (pulses.signum() * pulses.abs().ceil()) as i64;
        let pulses = moved.certain;
        let most = (moved.most.abs() < UNKNOWN_PULSES).then_some(moved.most);
        Largest {
            at: place.moment,
            difference: pulses * self.rules.pulse_volume,
            difference_most: most.map(|most| most * self.rules.pulse_volume),
            unit: self.rules.between.unit(),
            ratio: (first > 0.0).then(|| second / first),
            tolerance: self.tolerance(volume),
            pulses: Some(whole(pulses)),
            // No fewer than are certain, rounded as those are: a part of a pulse is none.
            pulses_most: most.map(|most| whole(pulses.signum() * most.abs().floor().max(pulses.abs().ceil()))),
        }
    }

    fn place(&self, moment: Moment) -> Place {
        Place {
            moment,
            band: self.band,
            epoch: self.epoch,
            register: self.moved_register,
            pulses: self.moved_pulses,
            steps: self.step_count,
        }
    }

    /// +1 where the counter is the second witness, -1 where the register is.
    const fn sense(&self) -> f64 {
        if matches!(self.rules.between, Between::PulseReceiverTotal) { -1.0 } else { 1.0 }
    }
}

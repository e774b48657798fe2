//! All tallies of one meter.

use serde::{Deserialize, Serialize};

use super::backwards::BackwardsWatch;
use super::count_tally::CountTally;
use super::counter::Advance;
use super::current_state::{ShownCurrent, StateWatch};
use super::events::{EventWatch, Glance};
use super::extremes::{larger, smaller};
use super::finding::{Between, Change, CurrentState, DisagreementKind, HourlySummary, Moment, Witness};
use super::hourly::{HourBook, HourGlance};
use super::intake::{Counted, Directions, Intake, Slack};
use super::judging::Break;
use super::noted::{Noted, NotedReading, NotedTallies};
use super::pair::PairTally;
use super::rules::{Pace, RECEIVER_AGE_S, bias_rules, count_rules};
use super::silence::Silence;
use super::{VolumeJudged, declared_tallies};
use crate::reading::{MeterFacts, Reading, Sample};
use crate::units::SteadyMillis;

/// A flow register beyond so many spans shows no flow.
const ABSURD_SPANS: f64 = 20.0;

/// Everything that is remembered of one meter between two readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterTallies {
    pub(super) judged: VolumeJudged,
    pub(super) maintenance: bool,
    pub(super) intake: Intake,
    pub(super) directions: Option<Directions>,
    bus: bool,
    pulse_volume: f64,
    pub(super) pace: Pace,
    pub(super) counts: [Option<CountTally>; 2],
    pub(super) pairs: [Option<PairTally>; 4],
    pub(super) watch: StateWatch,
    pub(super) backwards: BackwardsWatch,
    pub(super) current: Option<CurrentState>,
    pub(super) span: Option<f64>,
    pub(super) largest_flow: f64,
    pub(super) absurd_flow_since: Option<Moment>,
    pub(super) sound_flow_since: Option<Moment>,
    last: Option<Moment>,
    pub(super) period_s: f64,
    pub(super) shift_ms: i64,
    pub(super) events: EventWatch,
    pub(super) silence: Silence,
    hours: HourBook,
    pub(super) noted: NotedTallies,
}

pub(super) const TOTAL_PULSE: usize = 0;
pub(super) const PULSE_RECEIVER: usize = 1;
pub(super) const FLOW_LOOP: usize = 0;
pub(super) const TOTAL_FLOW: usize = 1;
pub(super) const LOOP_PULSE: usize = 2;
pub(super) const LOOP_RECEIVER: usize = 3;

/// What the witnesses of one reading say, in litres and seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub(super) moment: Moment,
    pub(super) flow: Option<f64>,
    pub(super) flow_is_absurd: bool,
    pub(super) current: Option<ShownCurrent>,
    pub(super) loop_flow: Option<f64>,
    pub(super) receiver_flow: Option<f64>,
    pub(super) total: Option<f64>,
    /// How well the total register's last value is known.
    pub(super) slack: Slack,
    pub(super) pulses: Option<f64>,
}

impl MeterTallies {
    /// A fresh state for a meter.
    #[must_use]
    pub fn new(facts: &MeterFacts, judged: VolumeJudged) -> Self {
        let tallies = declared_tallies(facts);
        let meter = &facts.meter;
        let directions = meter
            .pulse
            .as_ref()
            .and_then(|pulse| Directions::of(meter.total_counts, pulse.counts, facts.reverse_total.is_some()));
        let declared = |between| tallies.contains(&between);
        let count = |between, age, directions: Directions| {
            (declared(between)).then(|| CountTally::new(count_rules(facts, between, age, directions)))
        };
        let pair = |between, kind| declared(between).then(|| PairTally::new(bias_rules(facts, between, kind)));
        let alike = Directions { total: true, reverse: 0.0, unseen: 0.0 };
        Self {
            judged,
            maintenance: false,
            intake: Intake::new(facts),
            directions,
            bus: facts.flow.is_some() || facts.total.is_some(),
            pulse_volume: meter.pulse.as_ref().map_or(0.0, |pulse| pulse.volume.0),
            pace: Pace::of(facts),
            counts: [
                directions.and_then(|directions| count(Between::TotalPulse, meter.refresh.as_secs_f64(), directions)),
                count(Between::PulseReceiverTotal, RECEIVER_AGE_S, alike),
            ],
            pairs: [
                pair(Between::FlowLoop, DisagreementKind::Bias),
                pair(Between::TotalFlow, DisagreementKind::Volume),
                pair(Between::LoopPulse, DisagreementKind::Volume),
                pair(Between::LoopReceiverFlow, DisagreementKind::Bias),
            ],
            watch: StateWatch::default(),
            backwards: BackwardsWatch::default(),
            current: None,
            span: meter.current_loop.as_ref().map(|declared| declared.span().0.abs()),
            largest_flow: 0.0,
            absurd_flow_since: None,
            sound_flow_since: None,
            last: None,
            period_s: 0.0,
            shift_ms: 0,
            events: EventWatch::default(),
            silence: Silence::new(facts),
            hours: HourBook::default(),
            noted: NotedTallies::default(),
        }
    }

    /// Takes the next reading; what it changed is appended to `changes`.
    pub fn push(&mut self, facts: &MeterFacts, reading: &Reading, changes: &mut Vec<Change>) {
        let moment = Moment { steady: SteadyMillis(reading.at.0 + self.shift_ms), wall: reading.wall };
        self.take_time(moment);
        let mut breaks = Vec::new();
        let seen = self.see(facts, reading, moment, &mut breaks);
        self.push_hour(facts, &seen, changes);
        if self.maintenance {
            self.silence.hear(facts, reading, moment, changes);
            return;
        }
        self.push_events(facts, reading, &seen, &breaks, changes);
        self.tell_breaks(facts, moment, &breaks, changes);
        let gap = self.gap_s();
        self.push_counts(facts, reading, &seen, gap, changes);
        self.push_pairs(facts, &seen, gap, changes);
        if breaks.iter().any(|(witness, it)| *witness == Witness::Pulse && !matches!(it, Break::Returned { .. })) {
            self.noted.interrupt();
        }
        let litres = seen.pulses.map(|pulses| pulses * self.pulse_volume);
        self.noted.push(facts, moment, litres, seen.loop_flow, changes);
    }

    /// Takes a figure that was read off the receiver's display, to be held against the signal once its minute has passed.
    /// Where the receiver's own register is declared, that says more and the figure is left alone.
    pub fn note(&mut self, noted: NotedReading) {
        let is_declared = match noted.of {
            Noted::Total => self.counts[PULSE_RECEIVER].is_some(),
            Noted::Flow => self.pairs[LOOP_RECEIVER].is_some(),
        };
        if !is_declared {
            self.noted.note(noted);
        }
    }

    /// During maintenance readings are kept but judged by nothing. Open disagreements and events stay as they are, but that
    /// a device is silent is over when it answers: that is no judgement.
    pub fn set_maintenance(&mut self, maintenance: bool) {
        if maintenance && !self.maintenance {
            for tally in self.counts.iter_mut().flatten() {
                tally.interrupt();
            }
            for tally in self.pairs.iter_mut().flatten() {
                tally.interrupt();
            }
            self.watch.interrupt();
            self.backwards.interrupt();
            self.events.interrupt();
        }
        if maintenance != self.maintenance {
            // What is switched off for the work is not silent, and what restarts in it tells nothing of the power.
            self.silence.pause();
        }
        self.maintenance = maintenance;
    }

    /// Whether readings are judged by nothing just now.
    #[must_use]
    pub const fn is_maintained(&self) -> bool {
        self.maintenance
    }

    /// Nothing was heard of the meter until now: says so once that lasts.
    pub fn quiet(&mut self, facts: &MeterFacts, now: Moment, changes: &mut Vec<Change>) {
        if !self.maintenance {
            let now = Moment { steady: SteadyMillis(now.steady.0 + self.shift_ms), ..now };
            self.silence.quiet(facts, now, changes);
        }
    }

    /// The watch goes on after a time in which nobody watched. `restarted` is when the machine was found to have
    /// restarted since, if it had.
    pub fn resumed(&mut self, restarted: Option<Moment>) {
        self.silence.resume(restarted);
    }

    fn push_events(
        &mut self,
        facts: &MeterFacts,
        reading: &Reading,
        seen: &Seen,
        breaks: &[(Witness, Break)],
        changes: &mut Vec<Change>,
    ) {
        let glance = Glance {
            moment: seen.moment,
            flow: seen.flow,
            status: reading.status,
            running: reading.running,
            current: seen.current.map(|shown| shown.level),
            total_spacing: seen.total.map(|_| seen.slack.float_spacing),
        };
        self.events.push(facts, glance, changes);
        let went_back = breaks.iter().filter_map(|(witness, it)| match it {
            Break::WentBack { between: [since, until], .. } => {
                Some((*witness, SteadyMillis(*since), SteadyMillis(*until)))
            }
            Break::Returned { .. } | Break::Absurd => None,
        });
        self.silence.push(facts, reading, seen.moment, went_back, changes);
    }

    /// The hour that runs, as far as it has come; none before the first reading.
    #[must_use]
    pub fn running_hour(&self, facts: &MeterFacts) -> Option<HourlySummary> {
        self.hours.summary(facts)
    }

    /// The last reading that was taken.
    #[must_use]
    pub const fn last_reading(&self) -> Option<Moment> {
        self.last
    }

    fn push_hour(&mut self, facts: &MeterFacts, seen: &Seen, changes: &mut Vec<Change>) {
        let glance = HourGlance {
            moment: seen.moment,
            maintenance: self.maintenance,
            period_s: self.period_s,
            total: seen.total,
            total_slack: seen.slack.high - seen.slack.low,
            pulses: seen.pulses,
            flow: seen.flow,
            loop_flow: seen.loop_flow,
        };
        self.hours.push(facts, &glance, changes);
    }

    /// The flow register or the total is declared.
    pub(super) const fn has_bus(&self) -> bool {
        self.bus
    }

    /// Litres for one pulse.
    pub(super) const fn pulse_volume(&self) -> f64 {
        self.pulse_volume
    }

    /// Total and pulses are declared, and nothing ties what they count together.
    pub(super) const fn total_and_pulses_differ_in_direction(&self) -> bool {
        self.directions.is_none() && self.intake.total.is_some() && self.intake.pulses.is_some()
    }

    fn take_time(&mut self, moment: Moment) {
        if let Some(last) = self.last {
            let elapsed = moment.steady.since(last.steady).0;
            if elapsed > 0.0 {
                // The usual period: down at once, up slowly.
                self.period_s = if self.period_s == 0.0 || elapsed < self.period_s {
                    elapsed
                } else {
                    self.period_s + 0.05 * (smaller(elapsed, 1.5 * self.period_s) - self.period_s)
                };
            }
        }
        self.last = Some(moment);
    }

    fn see(
        &mut self,
        facts: &MeterFacts,
        reading: &Reading,
        moment: Moment,
        breaks: &mut Vec<(Witness, Break)>,
    ) -> Seen {
        let shift = self.shift_ms;
        let mut count = |counted: &mut Option<Counted>, sample: &Option<Sample>, witness| {
            let (counted, sample) = (counted.as_mut()?, sample.as_ref()?);
            if counted.step(sample, shift) {
                return Some(counted.position());
            }
            match counted.push(sample, shift) {
                Advance::First | Advance::Moved(_) => Some(counted.position()),
                Advance::Suspect => None,
                Advance::Returned { sound_at, by } => {
                    breaks.push((witness, Break::Returned { sound_at, by }));
                    Some(counted.position())
                }
                Advance::WentBack { from, to, between } => {
                    breaks.push((witness, Break::WentBack { from, to, between }));
                    None
                }
                Advance::Absurd => {
                    breaks.push((witness, Break::Absurd));
                    None
                }
            }
        };
        let total = count(&mut self.intake.total, &reading.total, Witness::Total);
        let pulses = count(&mut self.intake.pulses, &reading.pulses, Witness::Pulse);
        count(&mut self.intake.reverse_total, &reading.reverse_total, Witness::ReverseTotal);
        count(&mut self.intake.receiver_total, &reading.receiver_total, Witness::ReceiverTotal);
        let flow = reading.flow.as_ref().map(|sample| self.intake.flow(sample));
        let sound = flow.filter(|flow| self.is_sound(*flow));
        if let Some(flow) = sound {
            self.largest_flow = larger(self.largest_flow, flow.abs());
        }
        let current_ma = reading.loop_ma.map(|sample| sample.value).filter(|current| current.is_finite());
        let current = facts.meter.current_loop.as_ref().zip(current_ma);
        let current = current.map(|(declared, current)| ShownCurrent::of(current, declared));
        let receiver_flow = reading.receiver_flow.as_ref().map(|sample| self.intake.receiver_flow(sample));
        Seen {
            moment,
            flow: sound,
            flow_is_absurd: flow.is_some() && sound.is_none(),
            current,
            loop_flow: current.filter(|shown| shown.state == CurrentState::Flow).map(|shown| shown.flow),
            receiver_flow: receiver_flow.filter(|flow| flow.is_finite()),
            total,
            slack: self.intake.total.as_ref().map_or(Slack::default(), Counted::slack),
            pulses,
        }
    }

    fn is_sound(&self, flow: f64) -> bool {
        flow.is_finite() && self.span.is_none_or(|span| flow.abs() <= ABSURD_SPANS * span)
    }
}

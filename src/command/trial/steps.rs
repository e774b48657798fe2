//! The steps of a trial, one after the other: what is asked, what is read, what is made of it.

use std::time::{Duration, Instant};

use tallywell_witness::reading::MeterFacts;
use tallywell_witness::trial::Verdict;
use tallywell_witness::trial::differences::differences;
use tallywell_witness::trial::meter_error::{Class, Indicated, Rating, Reference, ReferenceCheck};
use tallywell_witness::trial::points::{
    LoopCheck, OffCheck, PERCENTS, PulseCheck, current_at, loop_point, tolerated_ma,
};
use tallywell_witness::trial::record::{RunCheck, Trial};
use tallywell_witness::trial::volumes::{Look, volumes};
use tallywell_witness::units::{LitresPerSecond, Milliamperes, WallMillis, figure, parse, without_signed_zero};

use super::Limits;
use super::console::{Console, Stopped};
use super::looking::Looking;
use crate::wall;

/// Between two looks of a run; quicker would only read the same registers twice.
const PACE: Duration = Duration::from_millis(250);
/// Between two readings of a current that stands.
const QUICK_PACE: Duration = Duration::from_millis(100);
/// Readings that make a point.
const READINGS: usize = 8;
/// A current that moves by less than this between some readings stands still, in mA.
const STEADY_MA: f64 = 0.03;
/// Readings that have to agree for that.
const STEADY_READINGS: usize = 4;
/// A current that has not settled by then never will.
const LONGEST_SETTLING: Duration = Duration::from_secs(40);
/// A damped signal has come to within 1 % of its end after so many time constants.
const TIME_CONSTANTS: f64 = 5.0;
/// A current so far off a point, in mA, was probably never set.
const NOT_SET_MA: f64 = 0.5;
/// The run that is proposed.
const USUAL_RUN: &str = "10min";
/// A run longer than this by Enter alone has been forgotten.
const LONGEST_RUN: Duration = Duration::from_secs(12 * 3600);
/// Readings over which a current is to follow its flow again.
const FOLLOWING: usize = 5;

/// A trial under way.
pub(super) struct Steps<'a> {
    facts: &'a MeterFacts,
    looking: Looking<'a>,
    limits: Limits,
    console: &'a mut Console,
    /// What was found so far.
    pub parts: Trial,
    /// The current that was simulated last, while nothing has shown that simulation is off.
    pub simulated_ma: Option<f64>,
}

impl<'a> Steps<'a> {
    pub(super) fn new(facts: &'a MeterFacts, looking: Looking<'a>, limits: Limits, console: &'a mut Console) -> Self {
        let parts = Trial {
            meter: String::new(),
            began: WallMillis(0),
            ended: WallMillis(0),
            through: looking.through(),
            by: None,
            devices: Vec::new(),
            settings: Vec::new(),
            current_loop: None,
            pulses: None,
            run: None,
            simulation_off: None,
            remarks: Vec::new(),
            verdict: Verdict::Undecided,
        };
        Self { facts, looking, limits, console, parts, simulated_ma: None }
    }

    /// All of them.
    pub(super) fn all(&mut self) -> Result<(), Stopped> {
        self.first_look()?;
        self.parts.devices = self.looking.identities().map_err(Stopped::Reading)?;
        self.parts.settings = self.looking.settings(self.facts).map_err(Stopped::Reading)?;
        self.loop_points()?;
        self.pulses()?;
        self.back_to_measuring()?;
        self.run()?;
        self.last_check()
    }

    /// That everything answers, before anybody sets anything.
    fn first_look(&mut self) -> Result<(), Stopped> {
        let look = self.whole_look()?;
        let mut shown = Vec::new();
        for (name, seen, unit) in [
            ("flow", look.flow, "L/s"),
            ("total", look.total, "L"),
            ("current", look.current, "mA"),
            ("pulse counter", look.count, ""),
        ] {
            match seen {
                Some(seen) => shown.push(format!("{name} {} {unit}", figure(seen.value, 7)).trim_end().to_owned()),
                None if self.is_declared(name) => shown.push(format!("{name}: no answer")),
                None => {}
            }
        }
        self.console.say(&format!("Read now: {}.\n", shown.join(", ")));
        if look.at().is_none() {
            return Err(Stopped::Reading(anyhow::anyhow!(
                "nothing answers: see whether it is powered, and `tallywell read` for each device"
            )));
        }
        Ok(())
    }

    fn is_declared(&self, name: &str) -> bool {
        match name {
            "flow" => self.facts.flow.is_some(),
            "total" => self.facts.total.is_some(),
            "current" => self.facts.loop_ma.is_some(),
            _ => self.facts.pulses.is_some(),
        }
    }

    fn loop_points(&mut self) -> Result<(), Stopped> {
        let Some(declared) = self.facts.meter.current_loop.clone() else { return Ok(()) };
        let Some(entry) = self.facts.loop_ma.as_ref().map(|it| it.entry.clone()) else { return Ok(()) };
        self.console.say("1. The loop: simulate its current at the meter, point by point.");
        if !self.console.agrees("loop", "Can the meter simulate its current?", Some(true))? {
            self.parts.remarks.push("the loop's points were left out".to_owned());
            return Ok(());
        }
        let mut points = Vec::new();
        for percent in PERCENTS {
            let expected = current_at(percent);
            let question = format!(
                "Set {percent} %: {} mA, which the receiver takes for {} L/s. Enter when set, or skip",
                figure(expected.0, 4),
                figure(declared.flow_of(expected).0, 5)
            );
            if self.console.ask(&format!("loop_{percent}"), &question, Some(""))? == "skip" {
                self.parts.remarks.push(format!("the loop's point at {percent} % was left out"));
                continue;
            }
            self.simulated_ma = Some(expected.0);
            let readings = self.settled_currents(&format!("loop_{percent}_again"), expected)?;
            let limit = self.limit_ma(percent);
            let Some((mut point, budget)) = loop_point(&declared, &entry, percent, &readings, limit) else {
                self.parts.remarks.push(format!("no current was read at {percent} %"));
                continue;
            };
            self.console.say(&format!(
                "   {} mA read, {:+.3} mA, within {} mA of the truth: {}",
                figure(point.read_ma, 5),
                without_signed_zero(point.deviation_ma, 3),
                figure(point.expanded_ma, 2),
                point.verdict.word()
            ));
            if let Some((shown, last_digit)) = self.receiver_flow(percent)? {
                point.receiver_showed(shown, last_digit, &declared);
            }
            points.push((point, budget));
        }
        self.parts.current_loop = LoopCheck::of(points, &declared);
        Ok(())
    }

    fn limit_ma(&self, percent: u8) -> f64 {
        let of_tolerance = self
            .facts
            .meter
            .current_loop
            .as_ref()
            .map(|declared| tolerated_ma(declared, self.facts.meter.tolerance.flow, percent));
        self.limits.current_ma.or(of_tolerance).unwrap_or_default()
    }

    /// The readings of a current once it stands; a person may set it again where it is not what was asked for.
    fn settled_currents(&mut self, key: &str, expected: Milliamperes) -> Result<Vec<f64>, Stopped> {
        loop {
            let readings = self.standing_currents(expected)?;
            let mean = readings.iter().sum::<f64>() / readings.len().max(1) as f64;
            if readings.is_empty() || (mean - expected.0).abs() < NOT_SET_MA {
                return Ok(readings);
            }
            let question = format!(
                "   {} mA is read, not {} mA. Enter to read again, or keep if that is what comes",
                figure(mean, 5),
                figure(expected.0, 4)
            );
            let default = if self.console.is_a_person() { "" } else { "keep" };
            if self.console.ask(key, &question, Some(default))? == "keep" {
                return Ok(readings);
            }
        }
    }

    /// Waits until the current neither moves nor, while that may still come, is far from what is expected.
    fn standing_currents(&mut self, expected: Milliamperes) -> Result<Vec<f64>, Stopped> {
        let damping = self.facts.meter.current_loop.as_ref().and_then(|declared| declared.damping).unwrap_or_default();
        let begun = Instant::now();
        let settles = damping.mul_f64(TIME_CONSTANTS);
        let mut last: Vec<f64> = Vec::new();
        while begun.elapsed() < LONGEST_SETTLING {
            last.extend(self.look()?.current.map(|seen| seen.value));
            let recent = &last[last.len().saturating_sub(STEADY_READINGS)..];
            let high = recent.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let low = recent.iter().copied().fold(f64::INFINITY, f64::min);
            let stands = recent.len() == STEADY_READINGS && high - low < STEADY_MA;
            let arrived = (high - expected.0).abs() < NOT_SET_MA || begun.elapsed() > settles + Duration::from_secs(4);
            if stands && arrived && begun.elapsed() >= settles {
                break;
            }
            self.pause(QUICK_PACE)?;
        }
        let mut readings = Vec::new();
        for _ in 0..READINGS {
            readings.extend(self.look()?.current.map(|seen| seen.value));
            self.pause(QUICK_PACE)?;
        }
        Ok(readings)
    }

    /// What the receiver shows: read where it is declared, asked for otherwise.
    fn receiver_flow(&mut self, percent: u8) -> Result<Option<(LitresPerSecond, f64)>, Stopped> {
        if let Some(receiver) = self.facts.receiver_flow.clone() {
            let Some(seen) = self.look()?.receiver_flow else { return Ok(None) };
            let step = tallywell_witness::decode::resolution(&receiver.entry, seen.value / receiver.entry.unit.to_base);
            return Ok(Some((LitresPerSecond(seen.value), step * receiver.entry.unit.to_base)));
        }
        self.console.understood(
            &format!("receiver_{percent}"),
            "   What flow does the receiver show? (with its unit; Enter if nobody looks)",
            Some(""),
            |answer| match answer {
                "" => Ok(None),
                _ => parse::flow(answer)
                    .map(|flow| {
                        let unit = unit_after(answer);
                        let step = parse::flow(&format!("{} {unit}", last_digit(answer))).map_or(0.0, |step| step.0);
                        Some((flow, step))
                    })
                    .map_err(|error| format!("{error}; {}", error.instead())),
            },
        )
    }

    fn pulses(&mut self) -> Result<(), Stopped> {
        let Some(declared) = self.facts.meter.pulse.clone() else { return Ok(()) };
        self.console.say("2. The pulses: let the meter send some, and count them.");
        if !self.console.agrees("pulses", "Can the meter simulate pulses, while no real flow makes any?", Some(true))? {
            self.parts.remarks.push("simulated pulses were left out".to_owned());
            return Ok(());
        }
        let Some(before) = self.whole_look()?.count else {
            self.parts.remarks.push("the pulse counter did not answer".to_owned());
            return Ok(());
        };
        let sent = self.console.understood(
            "pulses_sent",
            "Let it send, 100 or more, and wait until it has. How many did it send?",
            None,
            |answer| match answer.parse::<u64>() {
                Ok(sent) if sent > 0 => Ok(sent),
                _ => Err("a whole number above 0".to_owned()),
            },
        )?;
        // The last pulse ends before its counter is read.
        self.pause(declared.on_time + declared.off_time + PACE)?;
        let Some(after) = self.whole_look()?.count else {
            self.parts.remarks.push("the pulse counter did not answer".to_owned());
            return Ok(());
        };
        let modulus = self.facts.pulses.as_ref().and_then(|it| tallywell_witness::decode::modulus(&it.entry));
        let counted = tallywell_witness::decode::unwrap_step(before.value, after.value, modulus);
        self.console.say(&format!("   {sent} sent, {} counted", figure(counted, 9)));
        let receiver = self.console.understood(
            "receiver_volume",
            "   What volume did the receiver's total gain? (with its unit; Enter if nobody looks)",
            Some(""),
            |answer| match answer {
                "" => Ok(None),
                _ => parse::volume(answer)
                    .map(|volume| {
                        let step = format!("{} {}", last_digit(answer), unit_after(answer));
                        Some((volume.0, parse::volume(&step).map_or(0.0, |step| step.0)))
                    })
                    .map_err(|error| format!("{error}; {}", error.instead())),
            },
        )?;
        self.parts.pulses = Some(PulseCheck::of(sent, counted, declared.volume.0, receiver));
        Ok(())
    }

    /// Out of simulation, before real flow is measured.
    fn back_to_measuring(&mut self) -> Result<(), Stopped> {
        if self.parts.current_loop.is_none() && self.parts.pulses.is_none() {
            return Ok(());
        }
        self.console.ask("measuring", "Set the meter to measure again: no simulation. Enter when it does", Some(""))?;
        loop {
            let Some(check) = self.follows_flow()? else { return Ok(()) };
            self.tell_off(&check);
            if check.verdict != Verdict::Fail || !self.console.is_a_person() {
                return Ok(());
            }
            let question = "Set the meter to measure. Enter to look again, or keep to go on as it is";
            if self.console.ask("measuring_again", question, Some(""))? == "keep" {
                return Ok(());
            }
        }
    }

    /// Waits for the current to follow the flow register.
    fn follows_flow(&mut self) -> Result<Option<OffCheck>, Stopped> {
        let Some(declared) = self.facts.meter.current_loop.clone() else { return Ok(None) };
        let limit = self.limit_ma(100);
        let damping = declared.damping.unwrap_or_default();
        let patience = Duration::from_secs(8) + damping.mul_f64(TIME_CONSTANTS);
        let begun = Instant::now();
        let mut pairs: Vec<(Option<LitresPerSecond>, Milliamperes)> = Vec::new();
        loop {
            let look = self.look()?;
            if let Some(current) = look.current {
                pairs.push((look.flow.map(|seen| LitresPerSecond(seen.value)), Milliamperes(current.value)));
            }
            let recent = &pairs[pairs.len().saturating_sub(FOLLOWING)..];
            let check = OffCheck::of(&declared, recent, self.simulated_ma, limit);
            let follows = recent.len() == FOLLOWING && check.is_some_and(|it| it.verdict == Verdict::Pass);
            if follows || begun.elapsed() > patience {
                return Ok(check);
            }
            self.pause(QUICK_PACE)?;
        }
    }

    fn tell_off(&mut self, check: &OffCheck) {
        let read = figure(check.read_ma, 5);
        let implied = check.implied_ma.map(|it| format!(", the flow register means {} mA", figure(it, 5)));
        let end = match check.verdict {
            Verdict::Pass => "the current follows the flow again",
            Verdict::Fail => "the current does not follow the flow: simulation is still on, or its scaling is wrong",
            Verdict::Undecided => "which could be the last simulated current or the flow's",
        };
        self.console.say(&format!("   {read} mA is read{}: {end}\n", implied.unwrap_or_default()));
    }

    fn run(&mut self) -> Result<(), Stopped> {
        self.console.say("3. A timed run with real flow.");
        if !self.console.agrees("run", "Can water flow now?", Some(true))? {
            self.parts.remarks.push("the timed run was left out".to_owned());
            return Ok(());
        }
        let has_reference =
            self.console.agrees("reference", "Is there a reference volume: a tank, a scale, a meter?", Some(false))?;
        let length = self.console.understood(
            "run_for",
            "How long shall it take at most? Enter ends it sooner",
            Some(USUAL_RUN),
            |answer| match parse::duration(answer) {
                Ok(length) if (Duration::from_secs(3)..=LONGEST_RUN).contains(&length) => Ok(length),
                Ok(_) => Err("between 3 s and 12 h".to_owned()),
                Err(error) => Err(format!("{error}; {}", error.instead())),
            },
        )?;
        let sign = if has_reference { "Enter at the moment the reference begins" } else { "Enter to begin" };
        self.console.ask("start", sign, Some(""))?;
        let began = wall::now();
        let looks = self.looks_for(length)?;
        let ended = wall::now();
        let Some(volumes) = volumes(self.facts, &looks) else {
            self.parts.remarks.push("the run was too short, or nothing answered".to_owned());
            return Ok(());
        };
        let differences = differences(&self.facts.meter, &volumes.witnesses, volumes.seconds, self.limits.volume);
        let reference = if has_reference { Some(self.reference()?) } else { None };
        let reference = reference.map(|reference| {
            let indicated = volumes.witnesses.iter().map(|it| Indicated {
                witness: it.witness,
                volume_l: it.volume_l,
                standard_l: it.budget.standard,
            });
            ReferenceCheck::of(reference, &indicated.collect::<Vec<_>>(), volumes.seconds, volumes.ends_l_s)
        });
        self.parts.run = Some(RunCheck { began, ended, volumes, differences, reference });
        Ok(())
    }

    /// Looks until the time is over or Enter is pressed; the first and the last as whole as they come.
    fn looks_for(&mut self, length: Duration) -> Result<Vec<Look>, Stopped> {
        let begun = Instant::now();
        let mut looks = vec![self.whole_look()?];
        loop {
            let elapsed = begun.elapsed();
            if elapsed >= length || self.console.pause(PACE.min(length - elapsed))? {
                break;
            }
            let look = self.look()?;
            if self.console.is_a_person() {
                let flow = look.flow.map_or_else(String::new, |seen| format!(", {} L/s", figure(seen.value, 4)));
                let left = length.saturating_sub(begun.elapsed()).as_secs();
                self.console
                    .progress(&format!("   {} s{flow}, {left} s left; Enter ends it", begun.elapsed().as_secs()));
            }
            looks.push(look);
        }
        if self.console.is_a_person() {
            self.console.say("");
        }
        looks.push(self.whole_look()?);
        Ok(looks)
    }

    fn reference(&mut self) -> Result<Reference, Stopped> {
        let what = self.console.ask("reference_what", "What is the reference?", Some("reference"))?;
        let volume = self.console.understood("reference_volume", "Its volume, with its unit", None, |answer| {
            parse::volume(answer)
                .map_err(|error| format!("{error}; {}", error.instead()))
                .and_then(|volume| if volume.0 > 0.0 { Ok(volume) } else { Err("a volume above 0".to_owned()) })
        })?;
        let question = "Its expanded uncertainty (k = 2), as a volume or in % of it";
        let expanded_l = self.console.understood("reference_uncertainty", question, None, |answer| {
            parse::volume(answer)
                .map(|it| it.0)
                .or_else(|_| parse::fraction(answer).map(|share| share * volume.0))
                .map_err(|_| "a volume such as \"2 L\", or a share such as \"0.2 %\"".to_owned())
        })?;
        let rating = self.rating()?;
        Ok(Reference { what, volume_l: volume.0, expanded_l, rating })
    }

    fn rating(&mut self) -> Result<Option<Rating>, Stopped> {
        let permanent = self.console.understood(
            "permanent_flow",
            "The meter's permanent flow Q3, from its plate (with its unit; Enter if it has none)",
            Some(""),
            |answer| match answer {
                "" => Ok(None),
                _ => match parse::flow(answer) {
                    Ok(flow) if flow.0 > 0.0 => Ok(Some(flow)),
                    Ok(_) => Err("a flow above 0".to_owned()),
                    Err(error) => Err(format!("{error}; {}", error.instead())),
                },
            },
        )?;
        let Some(permanent) = permanent else { return Ok(None) };
        let ratio = self.console.understood("ratio", "Its ratio R = Q3/Q1", Some("80"), |answer| {
            let digits = answer.trim_start_matches(['R', 'r']);
            digits.parse().ok().filter(|ratio: &f64| *ratio >= 1.0).ok_or_else(|| "a number such as 100".to_owned())
        })?;
        let class =
            self.console.understood("class", "Its accuracy class (1, 2)", Some("2"), |answer| match answer {
                "1" => Ok(Class::One),
                "2" => Ok(Class::Two),
                _ => Err("1 or 2".to_owned()),
            })?;
        let warm = self.console.agrees("warm", "Is the water warmer than 30 degrees?", Some(false))?;
        Ok(Some(Rating { permanent, ratio, class, warm }))
    }

    /// At the very end: nothing is left in simulation.
    fn last_check(&mut self) -> Result<(), Stopped> {
        let check = self.follows_flow()?;
        if let Some(check) = &check {
            self.tell_off(check);
            if check.verdict != Verdict::Fail {
                self.simulated_ma = None;
            }
        }
        self.parts.simulation_off = check;
        Ok(())
    }

    fn look(&mut self) -> Result<Look, Stopped> {
        self.looking.look().map_err(Stopped::Reading)
    }

    fn whole_look(&mut self) -> Result<Look, Stopped> {
        self.looking.whole_look().map_err(Stopped::Reading)
    }

    /// A wait that Ctrl-C ends, and an Enter too many does not.
    fn pause(&mut self, time: Duration) -> Result<(), Stopped> {
        self.console.pause(time).map(|_| ())
    }
}

/// One of the last digit of a figure as it was written: 0.01 for `9.02 L/s`.
fn last_digit(written: &str) -> String {
    let figure: String = written.trim().chars().take_while(|it| it.is_ascii_digit() || *it == '.').collect();
    match figure.split_once('.') {
        Some((_, decimals)) if !decimals.is_empty() => format!("0.{}1", "0".repeat(decimals.len() - 1)),
        _ => "1".to_owned(),
    }
}

/// What stands behind the figure.
fn unit_after(written: &str) -> &str {
    written.trim().trim_start_matches(|it: char| it.is_ascii_digit() || matches!(it, '.' | '-' | '+' | ' '))
}

#[cfg(test)]
mod tests {
    use super::{last_digit, unit_after};

    #[test]
    fn figures_tell_how_finely_they_were_read() {
        for (written, digit, unit) in
            [("9.02 L/s", "0.01", "L/s"), ("18 m3/h", "1", "m3/h"), ("0.5L", "0.1", "L"), ("1200", "1", "")]
        {
            assert_eq!((last_digit(written).as_str(), unit_after(written)), (digit, unit), "{written}");
        }
    }
}

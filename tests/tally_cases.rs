//! The tallies on labelled cases of the simulator, handed in as a user would: nothing may open where nothing is wrong.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{Case, HEALTHY_KINDS, HealthyKind, METER, Network, Severity, network};
use tallywell_witness::reading::{MeterFacts, Reading, Sample};
use tallywell_witness::tally::{Between, Change, MeterTallies, Moment, Verdict, VolumeJudged};

fn changes(case: &Case) -> (Verdict, Vec<Change>) {
    let (facts, readings) = readings(case);
    judged(&facts, &readings)
}

/// What is declared in a case, and its readings as a user would hand them in.
fn readings(case: &Case) -> (MeterFacts, Vec<Reading>) {
    let maps: BTreeMap<&str, &str> = case.maps.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    let loaded = site::parse(&case.site_toml, Path::new("site.toml"), &mut |path| {
        let name = path.to_string_lossy();
        maps.get(name.as_ref()).map(ToString::to_string).ok_or_else(|| io::ErrorKind::NotFound.into())
    })
    .unwrap_or_else(|problems| panic!("{}", problems.render(false)));
    let facts = site::meter_facts(&loaded.site, METER).expect("the site file declares it");
    let mut csv = Vec::new();
    case.write_csv(&mut csv).expect("memory takes it");
    let readings = CsvReader::new(csv.as_slice(), &facts).expect("the header is whole").flatten().collect();
    (facts, readings)
}

fn judged(facts: &MeterFacts, readings: &[Reading]) -> (Verdict, Vec<Change>) {
    let mut tallies = MeterTallies::new(facts, VolumeJudged::Whole);
    let mut changes = Vec::new();
    for reading in readings {
        tallies.push(facts, reading, &mut changes);
    }
    (tallies.overall(), changes)
}

/// Whether a change told that something was wrong.
fn is_alarm(change: &&Change) -> bool {
    matches!(change, Change::Step(_) | Change::Opened(_))
}

/// What lets one witness of some readings lag.
type Lag<'l> = &'l dyn Fn(&mut [Reading]);

/// Damps one witness by so many seconds.
fn damp(readings: &mut [Reading], witness: fn(&mut Reading) -> &mut Option<Sample>, seconds: f64) {
    let mut before: Option<Sample> = None;
    for reading in readings {
        let Some(sample) = witness(reading) else { continue };
        if let Some(before) = before {
            let elapsed = sample.at.since(before.at).0;
            sample.value += (before.value - sample.value) * (-elapsed / seconds).exp();
        }
        before = Some(*sample);
    }
}

/// Lets one witness show what it showed so many readings ago.
fn delay(readings: &mut [Reading], witness: fn(&mut Reading) -> &mut Option<Sample>, by: usize) {
    for place in (by..readings.len()).rev() {
        let earlier = witness(&mut readings[place - by]).map(|sample| sample.value);
        let sample = witness(&mut readings[place]);
        *sample = sample.zip(earlier).map(|(sample, value)| Sample { value, ..sample });
    }
}

#[test]
fn nothing_opens_where_nothing_is_wrong() {
    for kind in HEALTHY_KINDS {
        let (verdict, changes) = changes(&Case::healthy(kind, 100));
        let told: Vec<_> = changes.iter().filter(is_alarm).collect();
        assert!(told.is_empty() && verdict == Verdict::Agree, "{kind:?}: {verdict:?} {told:?}");
    }
}

#[test]
fn a_wrong_pulse_weight_is_one_disagreement() {
    for seed in 100..102 {
        let case = Case::faulty("pulse-weight", Severity::NearLimit, seed).expect("it is known");
        let (verdict, changes) = changes(&case);
        let opened = changes
            .iter()
            .filter(|change| matches!(change, Change::Opened(it) if it.between == Between::TotalPulse))
            .count();
        assert_eq!((opened, verdict), (1, Verdict::Disagree), "seed {seed}");
    }
}

/// Damping of up to a minute in the receiver or in the meter, and samples that come late: less is seen, nothing is made up.
#[test]
fn a_lag_that_nobody_declared_opens_nothing() {
    for kind in [HealthyKind::FastRamps, HealthyKind::LongRest, HealthyKind::ReverseAtStop, HealthyKind::Creep] {
        let case = Case::healthy(kind, 100);
        let (facts, sound) = readings(&case);
        let late = (20.0 / case.poll).ceil() as usize;
        let lags: [(&str, Lag); 4] = [
            ("a loop damped by 60 s", &|readings| damp(readings, |reading| &mut reading.loop_ma, 60.0)),
            ("a register damped by 40 s", &|readings| damp(readings, |reading| &mut reading.flow, 40.0)),
            ("a loop read late", &|readings| delay(readings, |reading| &mut reading.loop_ma, late)),
            ("a register that comes late", &|readings| delay(readings, |reading| &mut reading.flow, late)),
        ];
        for (lag, change) in lags {
            let mut readings = sound.clone();
            change(&mut readings);
            let (verdict, changes) = judged(&facts, &readings);
            let told: Vec<_> = changes.iter().filter(is_alarm).collect();
            assert!(told.is_empty() && verdict == Verdict::Agree, "{kind:?}, {lag}: {verdict:?} {told:?}");
        }
    }
}

/// What shows only at some flows (much of it, little of it, backwards) is seen there, however long the rest agrees; and it
/// is one disagreement, or two where it has to be learnt how long it keeps quiet. Counts close by a rule of their own: ten
/// minutes without a step, and what steps again after that is a new disagreement.
#[test]
fn what_shows_only_at_some_flows_is_found_and_is_not_many_disagreements() {
    for (code, severity, most) in [
        ("loop-span", Severity::NearLimit, 1),
        ("bus-unit", Severity::NearLimit, 1),
        ("loop-clipped", Severity::NearLimit, 2),
        ("loop-direction", Severity::NearLimit, 1),
        ("loop-saturated", Severity::NearLimit, 2),
        ("loop-crossed", Severity::Ordinary, 1),
        ("low-flow-cutoff", Severity::NearLimit, 1),
        ("pulse-rate-limit", Severity::Ordinary, 1),
        ("pulse-direction", Severity::Ordinary, 1),
    ] {
        for seed in 101..103 {
            let case = Case::faulty(code, severity, seed).expect("it is known");
            let (verdict, changes) = changes(&case);
            for between in Between::ALL.into_iter().filter(|it| *it != Between::TotalPulse) {
                let opened = |change: &&Change| matches!(change, Change::Opened(it) if it.between == between);
                let opened = changes.iter().filter(opened).count();
                assert!(opened <= most, "{code} {seed}: {opened} disagreements {between:?}");
            }
            let mut stepped: Option<Moment> = None;
            for change in &changes {
                match change {
                    Change::Step(step) if step.between == Between::TotalPulse => stepped = Some(step.at),
                    Change::Closed(it) if it.between == Between::TotalPulse => {
                        let (closed, stepped) = (it.closed.expect("it is over"), stepped.expect("steps made it"));
                        let quiet = closed.steady.since(stepped.steady).0;
                        assert!(quiet >= 600.0, "{code} {seed}: closed after {quiet} s");
                    }
                    _ => {}
                }
            }
            assert_eq!(verdict, Verdict::Disagree, "{code} {seed}");
        }
    }
}

/// A day of each flow of the network solver (EPANET 2.2) through the simulated meter: pumps that start by themselves, ten
/// hours of rest, a tank's pipe with flow in both directions, by registers with a sign and without.
#[test]
fn a_day_of_flows_that_nobody_here_made_up_holds() {
    for (seed, pipe) in [
        (300, Network::Net1Pipe10),
        (301, Network::Net3Pipe60),
        (302, Network::Net3Pipe20),
        (326, Network::Net3Pipe20),
        (330, Network::Net3Pipe20),
    ] {
        let mut case = Case::healthy(HealthyKind::Plain, seed);
        let plan = &mut case.plans[0];
        plan.profile = network(pipe, 0.8 * plan.sound.settings.full_scale);
        case.duration = 86_400.0;
        let (verdict, changes) = changes(&case);
        let told: Vec<_> = changes.iter().filter(is_alarm).collect();
        assert!(told.is_empty() && verdict == Verdict::Agree, "{pipe:?}: {verdict:?} {told:?}");
    }
}

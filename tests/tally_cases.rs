//! The tallies on labelled cases of the simulator, handed in as a user would: nothing may open where nothing is wrong.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{Case, HEALTHY_KINDS, HealthyKind, METER, Network, Severity, network};
use tallywell_witness::tally::{Between, Change, MeterTallies, Verdict, VolumeJudged};

fn changes(case: &Case) -> (Verdict, Vec<Change>) {
    let maps: BTreeMap<&str, &str> = case.maps.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    let loaded = site::parse(&case.site_toml, Path::new("site.toml"), &mut |path| {
        let name = path.to_string_lossy();
        maps.get(name.as_ref()).map(ToString::to_string).ok_or_else(|| io::ErrorKind::NotFound.into())
    })
    .unwrap_or_else(|problems| panic!("{}", problems.render(false)));
    let facts = site::meter_facts(&loaded.site, METER).expect("the site file declares it");
    let mut csv = Vec::new();
    case.write_csv(&mut csv).expect("memory takes it");
    let mut tallies = MeterTallies::new(&facts, VolumeJudged::Whole);
    let mut changes = Vec::new();
    for reading in CsvReader::new(csv.as_slice(), &facts).expect("the header is whole").flatten() {
        tallies.push(&facts, &reading, &mut changes);
    }
    (tallies.overall(), changes)
}

#[test]
fn nothing_opens_where_nothing_is_wrong() {
    for kind in HEALTHY_KINDS {
        let (verdict, changes) = changes(&Case::healthy(kind, 100));
        let told: Vec<_> =
            changes.iter().filter(|change| matches!(change, Change::Step(_) | Change::Opened(_))).collect();
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

/// A day of each flow of the network solver (EPANET 2.2) through the simulated meter: pumps that start by themselves, ten
/// hours of rest, a tank's pipe with flow in both directions.
#[test]
fn a_day_of_flows_that_nobody_here_made_up_holds() {
    for (seed, pipe) in [(300, Network::Net1Pipe10), (301, Network::Net3Pipe60), (302, Network::Net3Pipe20)] {
        let mut case = Case::healthy(HealthyKind::Plain, seed);
        let plan = &mut case.plans[0];
        plan.profile = network(pipe, 0.8 * plan.sound.settings.full_scale);
        case.duration = 86_400.0;
        let (verdict, changes) = changes(&case);
        let told: Vec<_> =
            changes.iter().filter(|change| matches!(change, Change::Step(_) | Change::Opened(_))).collect();
        assert!(told.is_empty() && verdict == Verdict::Agree, "{pipe:?}: {verdict:?} {told:?}");
    }
}

//! Labelled cases: what opened where nothing is wrong, and what did not where something is.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{CODES, Case, HEALTHY_KINDS, METER, Severity};
use tallywell_witness::reading::{MeterFacts, Reading};
use tallywell_witness::tally::{Change, MeterTallies, Verdict, VolumeJudged};

/// The first seed; those of the tests lie elsewhere.
const FIRST_SEED: u64 = 100;

pub(super) fn print(seeds: u64) {
    println!("Labelled cases, {seeds} of a kind: seeds with a wrong verdict, single steps, disagreements opened");
    let seeds = FIRST_SEED..FIRST_SEED + seeds;
    for kind in HEALTHY_KINDS {
        let cases = seeds.clone().map(|seed| Case::healthy(kind, seed));
        tell(&format!("{kind:?}"), cases, Verdict::Agree);
    }
    for severity in [Severity::Ordinary, Severity::NearLimit] {
        for code in CODES {
            // A loop that is only damped more than the bus agrees, later.
            let expected = if code == "loop-lag" { Verdict::Agree } else { Verdict::Disagree };
            let cases = seeds.clone().filter_map(|seed| Case::faulty(code, severity, seed));
            tell(&format!("{code} {severity:?}"), cases, expected);
        }
    }
}

fn tell(name: &str, cases: impl Iterator<Item = Case>, expected: Verdict) {
    let (mut opened, mut steps, mut count, mut wrong) = (BTreeMap::new(), 0, 0, Vec::new());
    for case in cases {
        let (facts, readings) = readings(&case);
        let mut tallies = MeterTallies::new(&facts, VolumeJudged::Whole);
        let mut changes = Vec::new();
        for reading in &readings {
            tallies.push(&facts, reading, &mut changes);
        }
        count += 1;
        if tallies.overall() != expected {
            wrong.push((case.seed, tallies.overall()));
        }
        for change in changes {
            match change {
                Change::Opened(it) => *opened.entry(format!("{:?}/{:?}", it.between, it.kind)).or_insert(0) += 1,
                Change::Step(_) => steps += 1,
                _ => {}
            }
        }
    }
    println!("{name:28} {count} cases, wrong {wrong:?}, single steps {steps}, opened {opened:?}");
}

/// What is declared in a case, and its readings as a user would hand them in.
pub(super) fn readings(case: &Case) -> (MeterFacts, Vec<Reading>) {
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

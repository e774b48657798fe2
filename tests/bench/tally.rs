//! How the tallies do on labelled cases: what opened where nothing is wrong, and what did not where something is.
//! `cargo bench --bench tally`; `-- --seeds N` for more than 3 cases of a kind, `--healthy` for sound meters only.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{CODES, Case, HEALTHY_KINDS, METER, Severity};
use tallywell_witness::reading::MeterFacts;
use tallywell_witness::tally::{Change, MeterTallies, Verdict, VolumeJudged};

/// The first seed; those of the tests lie elsewhere.
const FIRST_SEED: u64 = 100;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let after = |name: &str| arguments.iter().position(|it| it == name).and_then(|place| arguments.get(place + 1));
    let seeds = FIRST_SEED..FIRST_SEED + after("--seeds").and_then(|text| text.parse().ok()).unwrap_or(3);
    for kind in HEALTHY_KINDS {
        let cases = seeds.clone().map(|seed| Case::healthy(kind, seed));
        tell(&format!("{kind:?}"), cases, Verdict::Agree);
    }
    if arguments.iter().any(|it| it == "--healthy") {
        return;
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
        let (verdict, changes) = tally(&case, &facts(&case));
        count += 1;
        if verdict != expected {
            wrong.push((case.seed, verdict));
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

fn facts(case: &Case) -> MeterFacts {
    let maps: BTreeMap<&str, &str> = case.maps.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    let loaded = site::parse(&case.site_toml, Path::new("site.toml"), &mut |path| {
        let name = path.to_string_lossy();
        maps.get(name.as_ref()).map(ToString::to_string).ok_or_else(|| io::ErrorKind::NotFound.into())
    })
    .unwrap_or_else(|problems| panic!("{}", problems.render(false)));
    site::meter_facts(&loaded.site, METER).expect("the site file declares it")
}

fn tally(case: &Case, facts: &MeterFacts) -> (Verdict, Vec<Change>) {
    let mut csv = Vec::new();
    case.write_csv(&mut csv).expect("memory takes it");
    let mut tallies = MeterTallies::new(facts, VolumeJudged::Whole);
    let mut changes = Vec::new();
    for reading in CsvReader::new(csv.as_slice(), facts).expect("the header is whole").flatten() {
        tallies.push(facts, &reading, &mut changes);
    }
    (tallies.overall(), changes)
}

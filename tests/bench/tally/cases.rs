//! Labelled cases: what opened where nothing is wrong, and what did not where something is.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{CODES, Case, HEALTHY_KINDS, METER, Severity};
use tallywell_sim::direct::{self, Row};
use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits};
use tallywell_witness::tally::{Change, MeterTallies, Verdict, VolumeJudged};
use tallywell_witness::units::{SteadyMillis, WallMillis};

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
    let facts = declared(case);
    let mut csv = Vec::new();
    case.write_csv(&mut csv).expect("memory takes it");
    let readings = CsvReader::new(csv.as_slice(), &facts).expect("the header is whole").flatten().collect();
    (facts, readings)
}

/// What is declared in a case.
pub(super) fn declared(case: &Case) -> MeterFacts {
    let maps: BTreeMap<&str, &str> = case.maps.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    let loaded = site::parse(&case.site_toml, Path::new("site.toml"), &mut |path| {
        let name = path.to_string_lossy();
        maps.get(name.as_ref()).map(ToString::to_string).ok_or_else(|| io::ErrorKind::NotFound.into())
    })
    .unwrap_or_else(|problems| panic!("{}", problems.render(false)));
    site::meter_facts(&loaded.site, METER).expect("the site file declares it")
}

/// A row of a case as its table would say it, without the table: years go by in minutes.
pub(super) fn reading(case: &Case, row: &Row) -> Reading {
    let columns = case.columns;
    let plain =
        |it: direct::Reading| Sample { value: it.value, at: SteadyMillis(row.time_ms), raw: RawWords::default() };
    let timed = |it: direct::Reading| {
        let own = Sample { at: SteadyMillis(it.time_ms), raw: RawWords::new(it.raw.as_slice()), ..plain(it) };
        if columns.own_times { own } else { plain(it) }
    };
    Reading {
        at: SteadyMillis(row.time_ms),
        wall: WallMillis(row.time_ms),
        flow: row.flow.map(timed),
        total: row.total.map(timed),
        loop_ma: row.loop_ma.map(timed),
        pulses: row.pulses.map(timed),
        reverse_total: row.reverse_total.filter(|_| columns.reverse_total).map(plain),
        receiver_flow: row.receiver_flow.filter(|_| columns.receiver).map(plain),
        receiver_total: row.receiver_total.filter(|_| columns.receiver).map(plain),
        status: row.status.map(|bits| StatusBits(u64::from(bits))),
        running: None,
    }
}

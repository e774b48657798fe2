//! Every simulated case must be one that a user could hand in: a site file without errors, rows without oddities.

#[path = "bench/interval.rs"]
mod interval;

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{CODES, Case, HEALTHY_KINDS, METER, OTHER_METER, Severity};
use tallywell_sim::csv::CsvWriter;
use tallywell_sim::direct::Direct;

fn all_cases() -> Vec<Case> {
    let faulty = CODES.into_iter().flat_map(|code| {
        [Severity::Ordinary, Severity::NearLimit].map(|severity| Case::faulty(code, severity, 11).expect("it is known"))
    });
    faulty.chain(HEALTHY_KINDS.map(|kind| Case::healthy(kind, 11))).collect()
}

fn text(case: &Case, place: usize, rows: Direct) -> Vec<u8> {
    let bus = case.plans[place].sound.bus;
    let mut writer = CsvWriter::new(Vec::new(), case.columns, bus.flow, bus.total).expect("memory takes it");
    for row in rows.take(300) {
        writer.write(&row).expect("memory takes it");
    }
    writer.into_inner()
}

#[test]
fn simulated_cases_can_be_handed_in() {
    for case in all_cases() {
        let what = format!("{:?} {:?}", case.codes, case.severity);
        let maps: BTreeMap<&str, &str> = case.maps.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
        let loaded = site::parse(&case.site_toml, Path::new("site.toml"), &mut |path| {
            let name = path.to_string_lossy();
            maps.get(name.as_ref()).map(ToString::to_string).ok_or_else(|| io::ErrorKind::NotFound.into())
        });
        let loaded = loaded.unwrap_or_else(|problems| panic!("{what}:\n{}", problems.render(false)));
        let meters = [(METER, 0, Some(case.rows())), (OTHER_METER, 1, case.other_rows())];
        for (name, place, rows) in meters {
            let Some(rows) = rows else { continue };
            let facts = site::meter_facts(&loaded.site, name).expect("the site file declares it");
            let csv = text(&case, place, rows);
            let mut reader = CsvReader::new(csv.as_slice(), &facts).expect("the header is whole");
            let readings =
                reader.by_ref().collect::<Result<Vec<_>, _>>().unwrap_or_else(|row| panic!("{what}: {row:?}"));
            assert!(readings.len() >= 200, "{what}: {} readings", readings.len());
            assert!(reader.notes().is_empty(), "{what}: {:?}", reader.notes());
        }
    }
}

/// The shares: `scipy.stats.binomtest(k, n).proportion_ci(method="exact")` of SciPy, which agrees with `proportion_confint` of
/// statsmodels; the last four are of Newcombe 1998, Statistics in Medicine 17, 857-872 (from memory, computed likewise).
/// The counts: half the quantiles of chi-square; 10 and 0 stand so in the help of the R package epitools, the rest SciPy's.
#[test]
fn intervals_are_those_of_the_tables() {
    for (hits, cases, low, high) in [
        (0, 10, 0.0, 0.308_497),
        (1, 10, 0.002_529, 0.445_016),
        (4, 20, 0.057_334, 0.436_614),
        (5, 10, 0.187_086, 0.812_914),
        (10, 10, 0.691_503, 1.0),
        (0, 100, 0.0, 0.036_217),
        (3, 100, 0.006_230, 0.085_176),
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ] {
        let of = interval::of_share(hits, cases);
        assert!((of.0 - low).abs() < 6e-5 && (of.1 - high).abs() < 6e-5, "{hits} of {cases}: {of:?}");
    }
    for (count, low, high) in [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
        (20, 12.2165, 30.8884),
        (50, 37.1110, 65.9188),
        (100, 81.3640, 121.6268),
        (1000, 938.9730, 1063.9521),
    ] {
        let of = interval::of_count(count);
        assert!((of.0 - low).abs() < 6e-5 && (of.1 - high).abs() < 6e-5, "{count}: {of:?}");
    }
}

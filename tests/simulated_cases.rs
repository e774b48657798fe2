//! Every simulated case must be one that a user could hand in: a site file without errors, rows without oddities.

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

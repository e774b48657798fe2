//! Simulated meters: what is declared of them, and their readings.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use tallywell::record::CsvReader;
use tallywell::site;
use tallywell_sim::cases::{Case, METER};
use tallywell_sim::direct::{self, Row};
use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::{SteadyMillis, WallMillis};

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

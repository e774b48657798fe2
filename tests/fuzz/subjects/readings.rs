//! Readings as CSV, as customers send them.

use std::path::Path;
use std::sync::OnceLock;

use tallywell::record::CsvReader;
use tallywell_witness::reading::MeterFacts;

const SITE: &str = include_str!("../../../config/kestrel-creek.toml");
const SHIPPED: [(&str, &str); 3] = [
    ("maps/magmeter.toml", include_str!("../../../config/maps/magmeter.toml")),
    ("maps/current-inputs.toml", include_str!("../../../config/maps/current-inputs.toml")),
    ("maps/pulse-inputs.toml", include_str!("../../../config/maps/pulse-inputs.toml")),
];

fn facts() -> &'static MeterFacts {
    static FACTS: OnceLock<MeterFacts> = OnceLock::new();
    FACTS.get_or_init(|| {
        let loaded = tallywell::site::parse(SITE, Path::new("site.toml"), &mut |map| {
            let shipped = SHIPPED.iter().find(|(name, _)| map.ends_with(name));
            shipped.map(|(_, text)| (*text).to_owned()).ok_or_else(|| std::io::ErrorKind::NotFound.into())
        });
        let site = loaded.expect("the shipped site is right").site;
        tallywell::site::meter_facts(&site, "bore-1").expect("the shipped site has this meter")
    })
}

/// Reads any bytes as CSV: readings never go back in time, and there are never more of them than lines.
pub fn take(input: &[u8]) {
    let Ok(mut reader) = CsvReader::new(input, facts()) else { return };
    let mut before = None;
    let mut items = 0;
    for item in &mut reader {
        items += 1;
        if let Ok(reading) = item {
            assert!(before.is_none_or(|before| before <= reading.at), "readings go back in time");
            before = Some(reading.at);
        }
    }
    let lines = input.split(|byte| matches!(byte, b'\n' | b'\r')).count();
    assert!(items <= lines, "{items} readings or reasons of {lines} lines");
    for note in reader.notes() {
        assert!(!note.text.is_empty());
    }
}

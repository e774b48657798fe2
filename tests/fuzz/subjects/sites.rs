//! A site file with the shipped map.

const MAP: &str = include_str!("../../../config/maps/magmeter.toml");

/// Reads any text as a site file; what is accepted holds together.
pub fn take(input: &[u8]) {
    let Ok(site) = std::str::from_utf8(input) else { return };
    let Some(loaded) = super::is_drawn(super::parse(site, MAP)) else { return };
    for name in loaded.site.meters.keys() {
        tallywell::site::meter_facts(&loaded.site, name).expect("a meter of an accepted site has its facts");
    }
}

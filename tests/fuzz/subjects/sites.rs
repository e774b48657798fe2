//! A site file with one map for all its devices.

/// Something of each kind that a site file can refer to, and no more: it is read anew with every input.
const MAP: &str = r#"
entry.flow_rate = { table = "holding", address = 0, type = "f32", unit = "L/s" }
entry.total_forward = { table = "holding", address = 2, type = "u32", unit = "L" }
entry.total_reverse = { table = "holding", address = 4, type = "u32", unit = "L" }
entry.channel_1 = { table = "input", address = 0, type = "u16", unit = "mA", scale = 0.001 }
entry.count = { table = "input", address = 2, type = "u32", unit = "pulses" }
entry.running = { table = "discrete", address = 7, type = "bit" }
entry.bore_setting = { table = "holding", address = 9, type = "u16", unit = "mm" }
"#;

/// Reads any text as a site file; what is accepted holds together.
pub fn take(input: &[u8]) {
    let Ok(site) = std::str::from_utf8(input) else { return };
    let Some(loaded) = super::is_drawn(super::parse(site, MAP)) else { return };
    for name in loaded.site.meters.keys() {
        tallywell::site::meter_facts(&loaded.site, name).expect("a meter of an accepted site has its facts");
    }
}

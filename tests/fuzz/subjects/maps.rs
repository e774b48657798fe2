//! A register map in a sound site.

const SITE: &str = r#"
site = "Kestrel Creek"
[store]
path = "kestrel.db"
[line.shed]
port = "/dev/ttyUSB0"
baud = 19200
parity = "even"
stop_bits = 1
[device.bore-1]
line = "shed"
address = 11
map = "map.toml"
every = "1s"
[meter.bore-1]
flow = "bore-1.flow_rate"
"#;

/// Reads any text as a map; what is accepted gets a plan in which every request is one that may be sent.
pub fn take(input: &[u8]) {
    let Ok(map) = std::str::from_utf8(input) else { return };
    let Some(loaded) = super::is_drawn(super::parse(SITE, map)) else { return };
    for device in loaded.site.devices.values() {
        for entry in device.map.entries.values() {
            let words = vec![0xA5A5; usize::from(entry.value_type.width())];
            let _ = tallywell_witness::decode::decode(entry, &words);
        }
    }
}

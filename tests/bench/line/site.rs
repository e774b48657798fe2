//! A site of plain devices, each with a meter, for benchmarks that run the whole daemon.

use std::fmt::Write as _;
use std::path::Path;

/// What is written.
pub struct Plain<'a> {
    /// The line's own table, without its name.
    pub line: &'a str,
    pub devices: u8,
    /// Registers of each.
    pub registers: u16,
    /// How often each is read.
    pub every: &'a str,
}

/// Writes `site.toml` and `map.toml` into a folder.
pub fn write_site(folder: &Path, plain: &Plain<'_>) {
    let Plain { line, devices, registers, every } = plain;
    let mut map = String::new();
    for (register, unit) in (0..*registers).zip(["L/s", "L"].into_iter().cycle()) {
        let entry = format!("[entry.value_{register}]\ntable = \"holding\"\naddress = {register}\n");
        write!(map, "{entry}type = \"u16\"\nunit = \"{unit}\"\n").unwrap();
    }
    let mut site = format!("site = \"Bench\"\n[store]\npath = \"bench.db\"\n[line.shed]\n{line}\n");
    for address in 1..=*devices {
        write!(
            site,
            "[device.unit-{address}]\nline = \"shed\"\naddress = {address}\nmap = \"map.toml\"\nevery = \"{every}\"\n\
             [meter.meter-{address}]\nflow = \"unit-{address}.value_0\"\ntotal = \"unit-{address}.value_1\"\n"
        )
        .unwrap();
    }
    std::fs::write(folder.join("map.toml"), map).unwrap();
    std::fs::write(folder.join("site.toml"), site).unwrap();
}

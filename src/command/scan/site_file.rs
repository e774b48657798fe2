//! A first site file: the line and the devices that were found, and a map for each, with nothing that was not read.

use std::fmt::Write as _;
use std::fs::{DirBuilder, OpenOptions};
use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Context;
use tallywell_witness::declared::Port;

use super::json::object_name;
use super::parity_word;
use crate::command::schema;
use crate::line::scan::identity::readable;
use crate::line::scan::{FirstAnswer, Found, Scan, ScanPlan};

/// The time-out of a line whose devices answer quickly, as site files have it by default.
const USUAL_TIMEOUT: Duration = Duration::from_millis(300);

/// Errors before a long scan, not after it.
pub(super) fn refuse_to_overwrite(path: &Path) -> Result<(), anyhow::Error> {
    anyhow::ensure!(!path.exists(), "{} exists and is not overwritten: choose another name", path.display());
    Ok(())
}

/// Writes the files, and says what it wrote and what is left to do.
pub(super) fn write(path: &Path, port: &str, plan: &ScanPlan, scan: &Scan) -> Result<Vec<String>, anyhow::Error> {
    let devices: Vec<&Found> = scan.devices.iter().filter(|device| device.answer.is_some()).collect();
    let maps = devices.iter().map(|device| (device.address, map_text(port, device)));
    write_texts(path, &site_text(port, plan, scan, &devices), maps)
}

/// Writes a site file and the map of each address, and says what it wrote and what is left to do.
pub(super) fn write_texts(
    path: &Path,
    site: &str,
    maps: impl Iterator<Item = (u8, String)>,
) -> Result<Vec<String>, anyhow::Error> {
    let folder = path.parent().unwrap_or_else(|| Path::new("")).join("maps");
    DirBuilder::new().recursive(true).create(&folder).with_context(|| format!("cannot make {}", folder.display()))?;
    let schemas = path.parent().unwrap_or_else(|| Path::new("")).join("schema");
    DirBuilder::new().recursive(true).create(&schemas).with_context(|| format!("cannot make {}", schemas.display()))?;
    for (name, text) in schema::files() {
        let file = schemas.join(name);
        if !file.exists() {
            create(&file, &text)?;
        }
    }
    let mut notes = Vec::new();
    for (address, text) in maps {
        let map = folder.join(format!("unit-{address}.toml"));
        if map.exists() {
            notes.push(format!("{} was there already and is left as it is.", map.display()));
        } else {
            create(&map, &format!("#:schema ../schema/{}\n{text}", schema::MAP))?;
        }
    }
    create(path, &format!("#:schema schema/{}\n{site}", schema::SITE))?;
    notes.insert(0, format!("{} is written, and a map for each device in {}.", path.display(), folder.display()));
    notes.push(
        "Next: complete the maps from the devices' manuals (`tallywell read --raw` shows what registers hold), write what \
         is to be watched under [meter.NAME], and let `tallywell check` look at it."
            .to_owned(),
    );
    Ok(notes)
}

fn create(path: &Path, text: &str) -> Result<(), anyhow::Error> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .with_context(|| format!("cannot write {}", path.display()))?;
    file.write_all(text.as_bytes()).with_context(|| format!("cannot write {}", path.display()))
}

fn name(device: &Found) -> String {
    format!("unit-{}", device.address)
}

fn site_text(port: &str, plan: &ScanPlan, scan: &Scan, devices: &[&Found]) -> String {
    let mut text = String::from(
        "# What a scan found. Devices are named after their addresses: give them better names.\nsite = \"New site\"\n\n",
    );
    let _ = writeln!(text, "[line.line]\nport = {}", quoted(port));
    if let (Port::Serial(_), Some(settled)) = (&plan.port, &scan.settled) {
        let _ = writeln!(
            text,
            "baud = {}\nparity = \"{}\"\nstop_bits = {}",
            settled.framing.baud,
            parity_word(settled.framing.parity),
            settled.framing.stop_bits
        );
    }
    let slowest = devices.iter().filter_map(|device| device.reply).max().unwrap_or_default();
    if 2 * slowest > USUAL_TIMEOUT {
        let _ = writeln!(text, "reply_timeout = \"{}ms\"", (2 * slowest).as_millis());
    }
    if scan.echo {
        text.push_str("echo = true\n");
    }
    for device in devices {
        let name = name(device);
        let _ = writeln!(
            text,
            "\n[device.{name}]\nline = \"line\"\naddress = {}\nmap = \"maps/{name}.toml\"\nevery = \"1s\"",
            device.address
        );
        let other = scan.settled.as_ref().is_some_and(|settled| settled.framing != device.framing);
        if other {
            text.push_str("# Found with other settings than the line's: bring it to the same ones first.\n");
        }
    }
    text.push_str(
        "\n# A flow to be watched, with its witnesses as DEVICE.ENTRY:\n\
         # [meter.NAME]\n# flow = \"unit-1.flow_rate\"\n# total = \"unit-1.total_forward\"\n# total_counts = \"forward\"\n",
    );
    text
}

fn map_text(port: &str, device: &Found) -> String {
    let told = device.identity.identification.iter().flat_map(|identification| &identification.0);
    let told: Vec<String> =
        told.map(|(&number, bytes)| format!("{} {}", object_name(number).replace('_', " "), readable(bytes))).collect();
    let about = if told.is_empty() { "does not say what it is".to_owned() } else { told.join(", ") };
    let mut text = format!("about = {}\n", quoted(&format!("Address {}: {about}", device.address)));
    if let Some(FirstAnswer { register, content: Ok(word) }) = device.answer {
        let _ = write!(
            text,
            "\n# It answered a scan: {word:04X}h. What it means is in the device's manual.\n\
             [entry.holding_{register}]\ntable = \"holding\"\naddress = {register}\ntype = \"u16\"\nunit = \"\"\n"
        );
    } else {
        text.push_str("\n# Holding register 0 is not there.\n");
    }
    let _ = writeln!(
        text,
        "\n# `tallywell read --port {} --address {} --raw holding 0 30 --for 10s` shows what its registers look like.",
        port, device.address
    );
    text.push_str(
        "\n# For each register that is wanted:\n# [entry.flow_rate]\n# table = \"holding\"\n# address = 0\n\
         # type = \"f32\"\n# unit = \"L/s\"\n",
    );
    text
}

/// A TOML string.
pub(super) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

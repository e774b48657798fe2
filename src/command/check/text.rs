//! The check as text: the meters, what is read of each line, and what is doubtful.

use std::fmt::Write;
use std::time::Duration;

use tallywell_witness::declared::{Line, Meter, Parity, Port, Site, Source, Table};
use tallywell_witness::plan::{DevicePlan, PlannedRequest, Purpose, Remedy};

use super::heard::Heard;
use super::{Checked, PlannedLine, function_code};
use crate::command::period;
use crate::face::told;
use crate::site::{Loaded, render};

/// The width of a terminal on which everything fits.
const COLUMNS: usize = 80;

/// The report of a check that found no error.
pub(super) fn of_checked(checked: &Checked, colour: bool) -> String {
    let Checked { loaded, lines, outputs } = checked;
    let mut text = String::new();
    heading(&mut text, loaded);
    for meter in loaded.site.meters.values() {
        text.push('\n');
        add_meter(&mut text, &loaded.site, meter);
        for caution in outputs.get(&meter.name).into_iter().flatten() {
            add_sentence(&mut text, &format!("  caution: {}; {}", caution.found, caution.advice));
        }
    }
    for planned in lines {
        text.push('\n');
        add_line(&mut text, &loaded.site, planned);
    }
    if !loaded.cautions.is_empty() {
        text.push('\n');
        text.push_str(&render(&loaded.cautions, colour));
    }
    text.push('\n');
    conclusion(&mut text, checked);
    text
}

fn heading(text: &mut String, loaded: &Loaded) {
    let maps = loaded.sources.len() - 1;
    let files = loaded.sources.first().map(|(path, _)| path.display().to_string()).unwrap_or_default();
    let _ = writeln!(text, "{}", loaded.site.name);
    let _ = writeln!(text, "{files} and {maps} register {}", if maps == 1 { "map" } else { "maps" });
}

fn conclusion(text: &mut String, checked: &Checked) {
    let of_outputs: usize = checked.outputs.values().map(Vec::len).sum();
    let cautions = match checked.loaded.cautions.len() + of_outputs {
        0 => "no caution".to_owned(),
        1 => "1 caution".to_owned(),
        several => format!("{several} cautions"),
    };
    let overloaded: Vec<&str> =
        checked.lines.iter().filter(|line| !line.fits()).map(|line| line.plan.line.as_str()).collect();
    let _ = match overloaded.as_slice() {
        [] => writeln!(text, "No error, {cautions}."),
        [line] => writeln!(text, "No error in the files, {cautions}; line {line} cannot carry its load."),
        several => {
            writeln!(text, "No error in the files, {cautions}; lines {} cannot carry their load.", several.join(", "))
        }
    };
}

fn add_meter(text: &mut String, site: &Site, meter: &Meter) {
    let _ = writeln!(text, "Meter {}", meter.name);
    let bus: Vec<String> = [&meter.flow, &meter.total]
        .into_iter()
        .flatten()
        .map(|source| match unit_of(site, source) {
            Some(unit) => format!("{} in {unit}", source_name(source)),
            None => source_name(source),
        })
        .collect();
    if !bus.is_empty() {
        let _ = writeln!(text, "  bus    {}", bus.join(", "));
    }
    if let Some(current_loop) = &meter.current_loop {
        let (zero, full) = (figure(current_loop.at_4_ma.0), figure(current_loop.full_scale.0));
        let name = source_name(&current_loop.current);
        let _ = writeln!(text, "  loop   {name}: 4 mA is {zero} L/s, 20 mA is {full} L/s");
    }
    if let Some(pulse) = &meter.pulse {
        let rate = 1.0 / (pulse.on_time + pulse.off_time).as_secs_f64();
        let (volume, carried) = (figure(pulse.volume.0), figure(pulse.volume.0 * rate));
        let name = source_name(&pulse.count);
        let _ = writeln!(text, "  pulse  {name}: {volume} L each, up to {carried} L/s");
    }
}

fn source_name(source: &Source) -> String {
    match source {
        Source::Entry { device, entry } => format!("{device}.{entry}"),
        Source::File(path) => path.display().to_string(),
    }
}

fn unit_of<'s>(site: &'s Site, source: &Source) -> Option<&'s str> {
    let Source::Entry { device, entry } = source else { return None };
    Some(site.devices.get(device)?.map.entries.get(entry)?.unit.symbol.as_str())
}

fn add_line(text: &mut String, site: &Site, planned: &PlannedLine) {
    let Some(line) = site.lines.get(&planned.plan.line) else { return };
    let _ = writeln!(text, "Line {}: {}", line.name, port(line));
    if planned.listens {
        let _ = writeln!(text, "  Nothing is sent; what another master reads of these is followed:");
    }
    for device in &planned.plan.devices {
        add_device(text, device, planned.listens);
    }
    if planned.listens {
        add_heard(text, planned.heard.as_ref());
    }
    if planned.plan.devices.is_empty() {
        let _ = writeln!(text, "  nothing to read");
    } else if !planned.listens {
        add_load(text, planned);
    }
}

/// What another master was heard to read of it.
fn add_heard(text: &mut String, heard: Option<&Heard>) {
    let Some(Heard { from, to, unread }) = heard else {
        return add_sentence(text, "  Nothing was heard yet: `tallywell run` tells what the other master leaves out.");
    };
    let time = format!("From {} to {}", period::short(*from), period::short(*to));
    if unread.is_empty() {
        return add_sentence(text, &format!("  {time} another master read all of these."));
    }
    add_sentence(text, &format!("  {time} another master left these out:"));
    for device in unread {
        add_sentence(text, &format!("    {}.", told::unread_line(device)));
    }
}

fn port(line: &Line) -> String {
    let parity = match line.framing.parity {
        Parity::Even => "even parity",
        Parity::Odd => "odd parity",
        Parity::None => "no parity",
    };
    let bits = if line.framing.stop_bits == 1 { "1 stop bit" } else { "2 stop bits" };
    let characters = format!("{} bit/s, {parity}, {bits}", line.framing.baud);
    match &line.port {
        Port::Serial(path) => format!("{}, {characters}", path.display()),
        Port::Tcp(address) => format!("gateway {address} (Modbus TCP), {characters} behind it"),
        Port::RtuOverTcp(address) => format!("gateway {address} (RTU over TCP), {characters} behind it"),
    }
}

fn add_device(text: &mut String, device: &DevicePlan, listens: bool) {
    let what = match device.purpose {
        Purpose::Readings => "",
        Purpose::Settings => ", its settings",
    };
    let when = if listens { String::new() } else { format!(", {}", period(device.every)) };
    let _ = writeln!(text, "  {} (address {}){what}{when}", device.device, device.unit);
    for request in &device.plan.requests {
        add_request(text, request, listens);
    }
}

fn add_request(text: &mut String, request: &PlannedRequest, listens: bool) {
    let asked = request.request;
    let what = match asked.table {
        Table::Coil => "coil",
        Table::Discrete => "discrete input",
        Table::Input => "input register",
        Table::Holding => "holding register",
    };
    let which = match asked.count {
        1 => format!("{what} {}", asked.start),
        count => format!("{what}s {} to {} ({count})", asked.start, asked.end() - 1),
    };
    let function = function_code(asked.table);
    let row = format!("    function {function:02}, {which}");
    if listens {
        let _ = writeln!(text, "{row}");
    } else {
        let time = format!("{:.1} ms", milliseconds(request.wire_time()));
        let width = COLUMNS.saturating_sub(row.chars().count());
        let _ = writeln!(text, "{row}{time:>width$}");
    }
    let mut words: Vec<String> = request.entries.iter().map(|entry| format!("{entry},")).collect();
    if let Some(last) = words.last_mut() {
        last.pop();
    }
    if !request.bridged.is_empty() {
        let unmapped: u32 = request.bridged.iter().map(|gap| gap.end - gap.start).sum();
        words.extend(format!("(and {unmapped} unmapped between them)").split(' ').map(str::to_owned));
    }
    add_wrapped(text, &words, 6);
}

fn add_load(text: &mut String, planned: &PlannedLine) {
    let load = &planned.load;
    let percent = figure(load.fraction * 100.0);
    let mut sentence =
        format!("  In use {percent} % of the time; one turn of everything takes {} ms.", whole(load.one_turn));
    if load.takes_the_rest {
        sentence.push_str(" What is read as fast as the line allows takes the rest.");
    }
    add_sentence(text, &sentence);
    let delay = figure(milliseconds(planned.plan.reply_delay));
    add_sentence(
        text,
        &format!("  Replies are taken to begin {delay} ms after a request; `timing` shows when they do."),
    );
    if planned.fits() {
        return;
    }
    text.push('\n');
    let why = match load.too_short_a_period() {
        Some(stretch) if load.fraction <= 1.0 => {
            format!(
                "  THIS CANNOT BE KEPT: more falls due within {} ms than the line can carry in them.",
                whole(stretch)
            )
        }
        _ => format!("  THIS CANNOT BE KEPT: it needs {percent} % of the line's time."),
    };
    add_sentence(text, &why);
    match planned.remedies.as_slice() {
        [] => add_sentence(text, "  No single change is enough: put some devices on another line."),
        [_] => add_sentence(text, "  This would fit:"),
        _ => add_sentence(text, "  Any one of these would fit:"),
    }
    for remedy in &planned.remedies {
        add_sentence(text, &format!("    - {}", remedy_text(remedy)));
    }
}

fn remedy_text(remedy: &Remedy) -> String {
    match remedy {
        Remedy::Baud { baud, fraction } => {
            format!("baud = {baud}, on the devices too: {} % of the time", figure(fraction * 100.0))
        }
        Remedy::Period { every: Some(every), fraction, .. } => {
            format!("every = \"{}\" on its devices: {} % of the time", written(*every), figure(fraction * 100.0))
        }
        Remedy::Period { times, every: None, fraction } => {
            let (times, percent) = (figure(*times), figure(fraction * 100.0));
            format!("every period {times} times as long: {percent} % of the time")
        }
        Remedy::GapsReadable { devices, fraction } => {
            let (devices, percent) = (devices.join(", "), figure(fraction * 100.0));
            format!(
                "gaps = \"readable\" in the map of {devices}, if unmapped registers may be read there: {percent} % of the time"
            )
        }
    }
}

/// Adds words from a column on, in as many rows as they need.
fn add_wrapped(text: &mut String, words: &[String], indent: usize) {
    let mut row = " ".repeat(indent);
    for word in words {
        let needed = row.chars().count() + word.chars().count() + 1;
        if needed > COLUMNS && row.len() > indent {
            let _ = writeln!(text, "{}", row.trim_end());
            row = " ".repeat(indent);
        }
        row.push_str(word);
        row.push(' ');
    }
    let _ = writeln!(text, "{}", row.trim_end());
}

/// Adds a sentence with its own indent.
fn add_sentence(text: &mut String, sentence: &str) {
    let indent = sentence.len() - sentence.trim_start().len();
    let words: Vec<String> = sentence.split_whitespace().map(str::to_owned).collect();
    add_wrapped(text, &words, indent);
}

fn period(every: Duration) -> String {
    if every.is_zero() { "as fast as the line allows".to_owned() } else { format!("every {}", spoken(every)) }
}

/// `1 s`, `250 ms`.
fn spoken(time: Duration) -> String {
    if time < Duration::from_secs(1) {
        format!("{} ms", figure(milliseconds(time)))
    } else {
        format!("{} s", figure(time.as_secs_f64()))
    }
}

/// As one writes it in a site file: `1s`, `250ms`.
fn written(time: Duration) -> String {
    spoken(time).replace(' ', "")
}

fn milliseconds(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn whole(time: Duration) -> String {
    format!("{:.0}", milliseconds(time))
}

/// Three digits are enough to plan with.
fn figure(number: f64) -> String {
    tallywell_witness::units::figure(number, 3)
}

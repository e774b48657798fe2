//! The site file and register maps that people would have written for a case: what they believe.

use crate::conditions::Conditions;
use crate::meter::{Counts, STATUS_NAMES};
use crate::plant::PointPlan;
use crate::register::{Encoding, Format};

/// One meter and its name.
pub(crate) struct Named<'a> {
    pub name: &'a str,
    pub plan: &'a PointPlan,
    pub reverse_total: bool,
    pub poll: f64,
    pub declare_damping: bool,
}

/// The site file for these meters, all on one line, and the maps that it names.
pub(crate) fn site(meters: &[Named]) -> (String, Vec<(String, String)>) {
    let poll = format!("{}ms", meters[0].poll * 1000.0);
    let mut text = String::from(
        "site = \"Simulated shed\"\n\n[store]\npath = \"shed.db\"\n\n[line.shed]\nport = \"/dev/ttyS0\"\nbaud = 19200\n\
         parity = \"even\"\nstop_bits = 1\n",
    );
    let mut maps = Vec::new();
    for (index, meter) in meters.iter().enumerate() {
        let file = format!("maps/{}.toml", meter.name);
        text += &device(meter.name, 11 + index, &file, &poll);
        maps.push((file, meter_map(meter)));
    }
    text += &device("analogue", 40, "maps/analogue.toml", &poll);
    text += &device("counter", 41, "maps/counter.toml", &poll);
    maps.push(("maps/analogue.toml".into(), channels(meters.len(), "f32", "mA", |_| String::new())));
    let wraps = |index: usize| {
        let wraps_at = meters[index].plan.sound.counter.wraps_at;
        if wraps_at == 1 << 16 || wraps_at == 1 << 32 { String::new() } else { format!("wraps_at = {wraps_at}\n") }
    };
    let widths: Vec<&str> =
        meters.iter().map(|meter| if meter.plan.sound.counter.wraps_at == 1 << 16 { "u16" } else { "u32" }).collect();
    maps.push(("maps/counter.toml".into(), counter_map(&widths, wraps)));
    if let Some(controller) = meters[0].plan.sound.controller {
        text += &device("controller", 50, "maps/controller.toml", &poll);
        let map = String::from("about = \"A controller that receives current and pulses\"\n")
            + &entry("flow_1", "holding", 0, &controller.flow, "")
            + &entry("total_1", "holding", 10, &controller.total, "");
        maps.push(("maps/controller.toml".into(), map));
    }
    for (index, meter) in meters.iter().enumerate() {
        text += &meter_table(meter, index);
    }
    (text, maps)
}

fn device(name: &str, address: usize, map: &str, every: &str) -> String {
    format!("\n[device.{name}]\nline = \"shed\"\naddress = {address}\nmap = \"{map}\"\nevery = \"{every}\"\n")
}

fn meter_table(meter: &Named, index: usize) -> String {
    let Named { name, plan, .. } = meter;
    let Conditions { settings, bus, controller, .. } = &plan.sound;
    let counts = match bus.total_counts {
        Counts::Forward => "forward",
        Counts::Reverse => "reverse",
        Counts::Both => "net",
    };
    let mut text = format!(
        "\n[meter.{name}]\nflow = \"{name}.flow_rate\"\ntotal = \"{name}.total\"\ntotal_counts = \"{counts}\"\n\
         refresh = \"{}ms\"\n",
        plan.build.refresh() * 1000.0
    );
    if meter.reverse_total {
        text += &format!("reverse_total = \"{name}.total_reverse\"\n");
    }
    let channel = index + 1;
    text += &format!(
        "\n[meter.{name}.loop]\ncurrent = \"analogue.channel_{channel}\"\nfull_scale = \"{} L/s\"\n",
        settings.full_scale
    );
    if settings.at_4_ma != 0.0 {
        text += &format!("at_4_ma = \"{} L/s\"\n", settings.at_4_ma);
    }
    if meter.declare_damping && plan.build.current_from_measurement && settings.loop_damping > 0.0 {
        text += &format!("damping = \"{}s\"\n", settings.loop_damping);
    }
    if index == 0 && controller.is_some() {
        text += "receiver_flow = \"controller.flow_1\"\n";
    }
    text += &format!(
        "\n[meter.{name}.pulse]\ncount = \"counter.channel_{channel}\"\nvolume = \"{} L\"\non_time = \"{}ms\"\n\
         off_time = \"{}ms\"\n",
        settings.pulse_volume,
        settings.pulse_on * 1000.0,
        settings.pulse_off * 1000.0
    );
    text += match settings.pulse_counts {
        Counts::Forward => "counts = \"forward\"\n",
        Counts::Reverse => "counts = \"reverse\"\n",
        Counts::Both => "counts = \"both\"\n",
    };
    if index == 0 && controller.is_some() {
        text += "receiver_total = \"controller.total_1\"\n";
    }
    text
}

fn meter_map(meter: &Named) -> String {
    let bus = &meter.plan.sound.bus;
    let names: Vec<String> = STATUS_NAMES.iter().map(|(bit, name)| format!("{bit} = \"{name}\"")).collect();
    let mut text = String::from("about = \"A simulated flow meter\"\n");
    text += &entry("flow_rate", "holding", 0, &bus.flow, "");
    text += &entry("total", "holding", 4, &bus.total, "");
    if meter.reverse_total {
        text += &entry("total_reverse", "holding", 8, &bus.total, "");
    }
    text += &format!(
        "\n[entry.status]\ntable = \"input\"\naddress = 0\ntype = \"u16\"\nbits = {{ {} }}\n",
        names.join(", ")
    );
    text
}

fn channels(count: usize, format: &str, unit: &str, more: impl Fn(usize) -> String) -> String {
    let mut text = String::from("about = \"A current input module\"\n");
    for index in 0..count {
        text += &format!(
            "\n[entry.channel_{}]\ntable = \"input\"\naddress = {}\ntype = \"{format}\"\nunit = \"{unit}\"\n{}",
            index + 1,
            2 * index,
            more(index)
        );
    }
    text
}

fn counter_map(formats: &[&str], more: impl Fn(usize) -> String) -> String {
    let mut text = String::from("about = \"A pulse counter module\"\n");
    for (index, format) in formats.iter().enumerate() {
        text += &format!(
            "\n[entry.channel_{}]\ntable = \"input\"\naddress = {}\ntype = \"{format}\"\nunit = \"\"\n{}",
            index + 1,
            2 * index,
            more(index)
        );
    }
    text
}

fn entry(name: &str, table: &str, address: u16, encoding: &Encoding, more: &str) -> String {
    let order = if encoding.format.registers() == 1 {
        ""
    } else if encoding.high_first {
        "word_order = \"high-first\"\n"
    } else {
        "word_order = \"low-first\"\n"
    };
    let scale = match encoding.format {
        Format::F32 | Format::F64 if encoding.scale == 1.0 => String::new(),
        _ => format!("scale = {:?}\n", encoding.scale),
    };
    format!(
        "\n[entry.{name}]\ntable = \"{table}\"\naddress = {address}\ntype = \"{}\"\n{order}unit = \"{}\"\n{scale}{more}",
        encoding.format.name(),
        encoding.unit.symbol
    )
}

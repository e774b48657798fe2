use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::declared::{
    ByteOrder, Device, Dimension, EarlyReplies, Entry, Framing, Line, LineMode, Meter, Parity, Port, RegisterMap,
    Setting, Site, Source, StoreDeclared, Table, Tolerance, TotalCounts, Unit, ValueType, WordOrder,
};

const fn framing(baud: u32) -> Framing {
    Framing { baud, parity: Parity::Even, stop_bits: 1 }
}

fn entry(name: &str, table: Table, address: u16, value_type: ValueType) -> Entry {
    Entry {
        name: name.into(),
        table,
        address,
        value_type,
        word_order: WordOrder::HighFirst,
        byte_order: ByteOrder::Big,
        unit: Unit { symbol: String::new(), dimension: Dimension::Number, to_base: 1.0 },
        scale: 1.0,
        offset: 0.0,
        wraps_at: None,
        bits: BTreeMap::new(),
    }
}

fn map(gaps_readable: bool, entries: impl IntoIterator<Item = Entry>) -> RegisterMap {
    RegisterMap {
        about: None,
        max_registers: 125,
        gaps_readable,
        entries: entries.into_iter().map(|entry| (entry.name.clone(), entry)).collect(),
    }
}

fn requests(plan: &Plan) -> Vec<(u16, u16)> {
    plan.requests.iter().map(|planned| (planned.request.start, planned.request.count)).collect()
}

/// MODBUS over Serial Line V1.02 §2.5.1: characters of 11 bits; silences of 3.5 characters, fixed above 19200.
/// A whole cycle is request, silence, reply, silence; times in milliseconds.
#[test]
fn wire_times_are_those_of_the_serial_line_guide() {
    let near = |got: Duration, milliseconds: f64| {
        let got = got.as_secs_f64() * 1e3;
        assert!((got - milliseconds).abs() < 1e-4, "{got} ms for {milliseconds} ms");
    };
    for (baud, character, t3_5, cycle_of_2, cycle_of_10, cycle_of_125) in [
        (1200, 9.166_667, 32.083_33, 220.0, 366.666_7, 2475.0),
        (4800, 2.291_667, 8.020_83, 55.0, 91.666_7, 618.75),
        (9600, 1.145_833, 4.010_42, 27.5, 45.833_3, 309.375),
        (19_200, 0.572_917, 2.005_208, 13.75, 22.916_7, 154.6875),
        (38_400, 0.286_458, 1.750, 8.3698, 12.9531, 78.8385),
        (115_200, 0.095_486, 1.750, 5.1233, 6.6510, 28.6128),
    ] {
        let timing = WireTiming::new(framing(baud));
        near(timing.character(), character);
        near(timing.t3_5(), t3_5);
        for (count, cycle) in [(2, cycle_of_2), (10, cycle_of_10), (125, cycle_of_125)] {
            near(timing.transaction(Request { table: Table::Holding, start: 0, count }, timing.t3_5()), cycle);
        }
    }
    let short = WireTiming::new(Framing { baud: 9600, parity: Parity::None, stop_bits: 1 });
    near(short.character(), 1.041_667);
    near(short.t3_5(), 3.645_833);
}

/// MODBUS Application Protocol V1.1b3 §6.1: 19 coils come in 3 bytes; §6.3: 3 registers in 6.
#[test]
fn replies_are_as_long_as_the_application_protocol_says() {
    assert_eq!(Request { table: Table::Coil, start: 0x13, count: 0x13 }.reply_bytes(), 3);
    assert_eq!(Request { table: Table::Discrete, start: 0xC4, count: 0x16 }.reply_bytes(), 3);
    assert_eq!(Request { table: Table::Holding, start: 0x6B, count: 3 }.reply_bytes(), 6);
}

#[test]
fn a_gap_is_bridged_only_where_that_is_allowed_and_cheaper() {
    let timing = WireTiming::new(framing(19_200));
    let near = [entry("flow", Table::Holding, 0, ValueType::F32), entry("total", Table::Holding, 6, ValueType::U32)];
    let far = [entry("flow", Table::Holding, 0, ValueType::F32), entry("total", Table::Holding, 90, ValueType::U32)];
    let plan = |map: &RegisterMap| cheapest_plan(map, map.entries.keys(), timing, timing.t3_5()).unwrap();
    assert_eq!(requests(&plan(&map(true, near.clone()))), [(0, 8)]);
    assert_eq!(plan(&map(true, near.clone())).requests[0].bridged, [Gap { table: Table::Holding, start: 2, end: 6 }]);
    assert_eq!(requests(&plan(&map(false, near))), [(0, 2), (6, 2)]);
    assert_eq!(requests(&plan(&map(true, far))), [(0, 2), (90, 2)]);
}

/// Registers that some entry maps are no gap, wanted or not.
#[test]
fn mapped_registers_between_may_always_be_read() {
    let timing = WireTiming::new(framing(19_200));
    let map = map(
        false,
        [
            entry("flow", Table::Holding, 0, ValueType::F32),
            entry("setting", Table::Holding, 2, ValueType::F32),
            entry("total", Table::Holding, 4, ValueType::U32),
        ],
    );
    let plan = cheapest_plan(&map, ["flow", "total"], timing, timing.t3_5()).unwrap();
    assert_eq!(requests(&plan), [(0, 6)]);
    assert_eq!(plan.requests[0].entries, ["flow", "total"]);
}

#[test]
fn what_cannot_be_planned_is_said() {
    let timing = WireTiming::new(framing(19_200));
    let plan =
        |map: &RegisterMap, name: &str| cheapest_plan(map, [name], timing, timing.t3_5()).unwrap_err().to_string();
    let wide = RegisterMap { max_registers: 2, ..map(true, [entry("total", Table::Input, 0, ValueType::F64)]) };
    insta::assert_snapshot!(plan(&wide, "total"), @r#"entry "total" takes 4 registers, and one request may ask for 2 (`max_registers`): a value is never read in halves, because they would be of two instants"#);
    insta::assert_snapshot!(plan(&wide, "flow"), @r#"the register map has no entry named "flow""#);
    let beyond = map(true, [entry("total", Table::Input, 65_535, ValueType::U32)]);
    insta::assert_snapshot!(plan(&beyond, "total"), @r#"entry "total" goes beyond address 65535"#);
}

/// Asked again and again, a refused request ends with the one entry that the device does not have.
#[test]
fn refused_requests_are_cut_until_one_entry_is_alone() {
    let timing = WireTiming::new(framing(19_200));
    let names = ["a", "b", "c", "d", "e"];
    let entries = names.iter().zip((0..).step_by(2)).map(|(name, at)| entry(name, Table::Holding, at, ValueType::F32));
    let map = map(false, entries);
    let whole = cheapest_plan(&map, names, timing, timing.t3_5()).unwrap().requests;
    assert_eq!(whole.len(), 1);
    let (mut asked, mut read, mut refused, mut waiting) = (0, Vec::new(), Vec::new(), whole);
    while let Some(planned) = waiting.pop() {
        asked += 1;
        let pieces = planned.pieces();
        if !planned.entries.contains(&"c".to_owned()) {
            read.extend(planned.entries);
        } else if pieces.is_empty() {
            refused.extend(planned.entries);
        } else {
            waiting.extend(pieces);
        }
    }
    read.sort();
    assert_eq!((read.join(""), refused.join(""), asked), ("abde".to_owned(), "c".to_owned(), 5));
}

#[test]
fn a_bridged_request_is_cut_at_its_gaps() {
    let timing = WireTiming::new(framing(19_200));
    let map = map(
        true,
        [
            entry("flow", Table::Holding, 0, ValueType::F32),
            entry("status", Table::Holding, 2, ValueType::U16),
            entry("total", Table::Holding, 6, ValueType::U32),
            entry("reverse", Table::Holding, 9, ValueType::U32),
        ],
    );
    let plan = cheapest_plan(&map, map.entries.keys(), timing, timing.t3_5()).unwrap();
    let pieces = Plan { requests: plan.requests[0].pieces() };
    assert_eq!(requests(&pieces), [(0, 3), (6, 2), (9, 2)]);
    let unreadable = plan.requests[0].bridged.iter().copied().collect();
    let around = cheapest_plan_around(&map, map.entries.keys(), timing, timing.t3_5(), &unreadable).unwrap();
    assert_eq!(around, pieces);
}

fn any_map() -> impl Strategy<Value = (RegisterMap, Vec<String>)> {
    let any_entry = (
        prop::sample::select(vec![Table::Holding, Table::Holding, Table::Holding, Table::Coil]),
        0_u16..60,
        prop::sample::select(vec![ValueType::U16, ValueType::F32, ValueType::U32, ValueType::F64]),
        any::<bool>(),
    );
    (prop::collection::vec(any_entry, 1..=6), any::<bool>(), 4_u16..30).prop_map(|(entries, gaps_readable, max)| {
        let mut wanted = Vec::new();
        let entries: Vec<Entry> = entries
            .into_iter()
            .enumerate()
            .map(|(index, (table, address, value_type, is_wanted))| {
                let name = format!("entry-{index}");
                if is_wanted || index == 0 {
                    wanted.push(name.clone());
                }
                let value_type = if table.is_bits() { ValueType::Bit } else { value_type };
                entry(&name, table, if table.is_bits() { 40 * address } else { address }, value_type)
            })
            .collect();
        (RegisterMap { max_registers: max, ..map(gaps_readable, entries) }, wanted)
    })
}

/// What one block of entries costs in one request, by its own arithmetic; none if they may not be read together.
fn block_nanoseconds(map: &RegisterMap, block: &[&Entry], framing: Framing, reply_delay: Duration) -> Option<f64> {
    let table = block[0].table;
    let addresses =
        |entry: &Entry| u32::from(entry.address)..u32::from(entry.address) + u32::from(entry.value_type.width());
    let first = block.iter().map(|entry| addresses(entry).start).min()?;
    let end = block.iter().map(|entry| addresses(entry).end).max()?;
    let count = end - first;
    let mapped = |address: u32| map.entries.values().any(|it| it.table == table && addresses(it).contains(&address));
    let allowed = block.iter().all(|entry| entry.table == table)
        && count <= if table.is_bits() { 2000 } else { map.max_registers.into() }
        && (map.gaps_readable || (first..end).all(mapped));
    let data = if table.is_bits() { count.div_ceil(8) } else { 2 * count };
    let character = 1e9 * 11.0 / f64::from(framing.baud);
    let silence = if framing.baud > 19_200 { 1.75e6 } else { 3.5 * character };
    allowed.then(|| f64::from(8 + 5 + data) * character + reply_delay.as_nanos() as f64 + silence)
}

/// The least cost over every way to divide the entries into blocks.
fn exhaustive(wanted: &[&Entry], blocks: &mut Vec<Vec<usize>>, cost: &dyn Fn(&[&Entry]) -> Option<f64>) -> f64 {
    let placed: usize = blocks.iter().map(Vec::len).sum();
    if placed == wanted.len() {
        let costs = blocks.iter().map(|block| cost(&block.iter().map(|&index| wanted[index]).collect::<Vec<_>>()));
        return costs.map(|cost| cost.unwrap_or(f64::INFINITY)).sum();
    }
    let mut best = f64::INFINITY;
    for block in 0..=blocks.len() {
        if block == blocks.len() {
            blocks.push(vec![placed]);
        } else {
            blocks[block].push(placed);
        }
        best = best.min(exhaustive(wanted, blocks, cost));
        blocks[block].pop();
        blocks.retain(|block| !block.is_empty());
    }
    best
}

proptest! {
    /// No way of dividing the entries into requests is cheaper, whatever overlaps and whatever the limits.
    #[test]
    fn no_other_division_into_requests_is_cheaper(
        (map, wanted) in any_map(),
        baud in prop::sample::select(vec![1200, 9600, 19_200, 115_200]),
        delay in (0_u64..30_000).prop_map(Duration::from_micros),
    ) {
        let framing = framing(baud);
        let plan = cheapest_plan(&map, &wanted, WireTiming::new(framing), delay).unwrap();
        let entries: Vec<&Entry> = wanted.iter().map(|name| &map.entries[name]).collect();
        let cost = |block: &[&Entry]| block_nanoseconds(&map, block, framing, delay);
        let best = exhaustive(&entries, &mut Vec::new(), &cost);
        let planned: f64 = plan
            .requests
            .iter()
            .map(|request| {
                let block: Vec<&Entry> = request.entries.iter().map(|name| &map.entries[name]).collect();
                cost(&block).expect("every request is allowed")
            })
            .sum();
        prop_assert!(planned <= best * (1.0 + 1e-9), "{planned} ns, and {best} ns is possible");
        prop_assert!((plan.wire_time().as_nanos() as f64 / planned - 1.0).abs() < 1e-4);
        for planned in &plan.requests {
            for name in &planned.entries {
                let entry = &map.entries[name];
                let end = u32::from(entry.address) + u32::from(entry.value_type.width());
                prop_assert!(planned.request.start <= entry.address && end <= planned.request.end(), "a value was cut");
            }
        }
        let read: BTreeSet<&String> = plan.requests.iter().flat_map(|planned| &planned.entries).collect();
        prop_assert_eq!(read, wanted.iter().collect::<BTreeSet<_>>());
    }
}

fn device(name: &str, address: u8, every: Duration, map: RegisterMap) -> (String, Device) {
    let device = Device { name: name.into(), line: "shed".into(), address, map_path: "map.toml".into(), map, every };
    (name.into(), device)
}

fn source(text: &str) -> Option<Source> {
    let (device, entry) = text.split_once('.')?;
    Some(Source::Entry { device: device.into(), entry: entry.into() })
}

/// Three meters, one module for all their currents, and a pump controller that no meter needs.
fn shed(baud: u32, every: Duration) -> Site {
    let magmeter = || {
        map(
            false,
            [
                entry("flow", Table::Holding, 0, ValueType::F32),
                entry("total", Table::Holding, 2, ValueType::U32),
                entry("full_scale", Table::Holding, 40, ValueType::F32),
                entry("status", Table::Holding, 8, ValueType::U16),
            ],
        )
    };
    let currents = map(true, (1..=3).map(|n| entry(&format!("channel_{n}"), Table::Input, 3 * n, ValueType::U16)));
    let pump = map(false, [entry("hours", Table::Input, 0, ValueType::U32)]);
    let line = Line {
        name: "shed".into(),
        port: Port::Serial("/dev/null".into()),
        framing: framing(baud),
        mode: LineMode::Poll,
        reply_timeout: Duration::from_millis(300),
        quiet_gap: None,
        worst_latency: Duration::from_secs(1),
        echo: false,
        early_replies: EarlyReplies::Refuse,
    };
    let meter = |name: &str, channel: &str| Meter {
        name: name.into(),
        flow: source(&format!("{name}.flow")),
        total: source(&format!("{name}.total")),
        total_counts: TotalCounts::Forward,
        reverse_total: None,
        refresh: Duration::from_secs(1),
        running: source(channel),
        status: Vec::new(),
        current_loop: None,
        pulse: None,
        settings: source(&format!("{name}.full_scale")).into_iter().map(|it| (Setting::FullScale, it)).collect(),
        tolerance: Tolerance::default(),
        limits: Default::default(),
    };
    Site {
        name: "shed".into(),
        store: StoreDeclared { path: "shed.db".into(), keep_readings: None, largest: None },
        lines: BTreeMap::from([("shed".into(), line)]),
        devices: BTreeMap::from([
            device("bore-1", 11, every, magmeter()),
            device("bore-2", 12, every, magmeter()),
            device("booster", 13, every, magmeter()),
            device("analogue", 40, every, currents),
            device("pump", 50, every, pump),
        ]),
        meters: ["bore-1", "bore-2", "booster"]
            .into_iter()
            .zip(["analogue.channel_1", "analogue.channel_2", "analogue.channel_3"])
            .map(|(name, channel)| (name.to_owned(), meter(name, channel)))
            .collect(),
        notice: None,
        page: None,
        broker: None,
    }
}

#[test]
fn shared_modules_are_read_between_their_meters_and_settings_seldom() {
    let plan = line_plan(&shed(19_200, Duration::from_secs(1)), "shed").unwrap();
    let said: Vec<String> = plan
        .devices
        .iter()
        .map(|it| format!("{} {:?} {:?} {:?} {:?}", it.device, it.group, it.every, it.purpose, requests(&it.plan)))
        .collect();
    insta::assert_snapshot!(said.join("\n"), @r"
    bore-1 Some(0) 1s Readings [(0, 4), (8, 1)]
    bore-2 Some(0) 1s Readings [(0, 4), (8, 1)]
    analogue Some(0) 1s Readings [(3, 7)]
    booster Some(0) 1s Readings [(0, 4), (8, 1)]
    pump None 1s Readings [(0, 2)]
    booster None 60s Settings [(40, 2)]
    bore-1 None 60s Settings [(40, 2)]
    bore-2 None 60s Settings [(40, 2)]
    ");
    assert!(line_plan(&shed(19_200, Duration::ZERO), "yard").is_err());
}

/// What would fit on the only line of a site.
fn would_fit(site: &Site) -> Vec<Remedy> {
    let [on] = &OnLine::each(site)[..] else { panic!("one line is declared") };
    what_would_fit(on, &on.plan().unwrap()).unwrap()
}

#[test]
fn a_line_that_cannot_carry_its_load_is_told_what_would_fit() {
    assert_eq!(would_fit(&shed(19_200, Duration::from_secs(1))), []);
    let site = shed(9600, Duration::from_millis(200));
    let load = line_plan(&site, "shed").unwrap().load();
    assert!(load.fraction > 1.0 && !load.fits());
    let remedies = would_fit(&site);
    let [Remedy::Baud { baud: 19_200, fraction }, Remedy::Period { every: Some(every), .. }] = remedies[..] else {
        panic!("{remedies:?}");
    };
    assert!((0.79..0.80).contains(&fraction));
    assert_eq!(every, Duration::from_millis(500));
    // What is said to fit does fit, and the next step down does not.
    assert!(line_plan(&shed(9600, every), "shed").unwrap().load().fits());
    assert!(!line_plan(&shed(9600, Duration::from_millis(250)), "shed").unwrap().load().fits());
    assert!(line_plan(&shed(19_200, Duration::from_millis(200)), "shed").unwrap().load().fits());
}

/// The average may fit where a period does not: a long transaction cannot be interrupted.
#[test]
fn a_long_transaction_can_spoil_a_short_period() {
    let timing = WireTiming::new(framing(9600));
    let long = map(false, (0..50).map(|n| entry(&format!("value-{n:02}"), Table::Input, 2 * n, ValueType::F32)));
    let short = map(false, [entry("flow", Table::Holding, 0, ValueType::F32)]);
    let plan = |map: &RegisterMap| cheapest_plan(map, map.entries.keys(), timing, timing.t3_5()).unwrap();
    let (long, short) = (plan(&long), plan(&short));
    let load = LineLoad::of([(&short, Duration::from_millis(100)), (&long, Duration::from_secs(10))]);
    assert!(load.fraction < 0.31, "{}", load.fraction);
    assert_eq!(load.too_short_a_period(), Some(Duration::from_millis(100)));
    let load = LineLoad::of([(&short, Duration::from_millis(300)), (&long, Duration::from_secs(10))]);
    assert!(load.fits());
}

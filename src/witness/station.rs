//! The meters of a site under watch: registers in, readings and what they changed out.
//!
//! This is the whole way from a device's answer to a verdict, as a function of values and given times: [`decode`], join,
//! tally. The daemon feeds it from its lines; a test can feed it months in seconds.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::coverage::is_read;
use crate::declared::{Entry, Setting, Source, Table};
use crate::decode::{bits, decode};
use crate::join::{Joiner, Part};
use crate::plan::Request;
use crate::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits, WitnessFacts};
use crate::tally::{Change, MeterTallies, Moment, NotedReading, TallyStanding, VolumeJudged};
use crate::units::{SteadyMillis, WallMillis};

/// A stretch of one table of one device as it was read; for a table of bits each word is one bit.
#[derive(Clone, Copy, Debug)]
pub struct Registers<'a> {
    /// The device's name.
    pub device: &'a str,
    /// The table.
    pub table: Table,
    /// The protocol's address of the first word.
    pub start: u16,
    /// What was read.
    pub words: &'a [u16],
    /// When the device most likely sampled it.
    pub sampled: SteadyMillis,
    /// The same by the clock on the wall.
    pub wall: WallMillis,
}

/// Periods that differ by no more than this are the same.
const SAME_PERIOD: std::ops::RangeInclusive<f64> = 0.8..=1.25;

/// Something that a meter told.
#[derive(Clone, Debug, PartialEq)]
pub enum Told {
    /// A reading is whole.
    Reading {
        /// The meter's name.
        meter: String,
        /// The reading.
        reading: Box<Reading>,
        /// What it changed.
        changes: Vec<Change>,
    },
    /// Something changed without a reading.
    Changed {
        /// The meter's name.
        meter: String,
        /// What.
        changes: Vec<Change>,
    },
    /// One of the meter's own settings was read.
    Setting {
        /// The meter's name.
        meter: String,
        /// Which.
        setting: Setting,
        /// Its value in the base unit of its dimension.
        value: f64,
        /// When.
        wall: WallMillis,
    },
}

/// What an entry of a device means to one meter.
#[derive(Clone, Debug)]
enum Role {
    Part(Part),
    Running,
    /// Pairs of a bit of the register and the number of its name among the meter's status names.
    Status(Vec<(u8, u8)>),
    Setting(Setting),
}

#[derive(Clone, Debug)]
struct Route {
    meter: usize,
    role: Role,
    entry: Entry,
}

/// One meter under watch.
#[derive(Clone, Debug)]
struct Station {
    facts: MeterFacts,
    joiner: Joiner,
    tallies: MeterTallies,
    latest: Option<Reading>,
}

/// The meters of a site under watch.
#[derive(Clone, Debug)]
pub struct Stations {
    stations: Vec<Station>,
    by_device: BTreeMap<String, Vec<Route>>,
    by_file: BTreeMap<std::path::PathBuf, Vec<Route>>,
}

impl Stations {
    /// Puts meters under watch. `entry_of` gives the entry that a source names, with its device's map; sources that it
    /// does not know are left out, which the site file's check prevents.
    #[must_use]
    pub fn new<'site>(
        meters: Vec<MeterFacts>,
        judged: VolumeJudged,
        entry_of: impl Fn(&Source) -> Option<&'site Entry>,
    ) -> Self {
        let mut stations = Self { stations: Vec::new(), by_device: BTreeMap::new(), by_file: BTreeMap::new() };
        for facts in meters {
            stations.route(&facts, stations.stations.len(), &entry_of);
            stations.stations.push(Station {
                joiner: Joiner::new(&facts),
                tallies: MeterTallies::new(&facts, judged),
                latest: None,
                facts,
            });
        }
        stations
    }

    fn route<'site>(&mut self, facts: &MeterFacts, meter: usize, entry_of: &impl Fn(&Source) -> Option<&'site Entry>) {
        for (part, source, witness) in parts(facts) {
            self.add(source, Route { meter, role: Role::Part(part), entry: witness.entry.clone() });
        }
        if let Some((source, entry)) = facts.meter.running.as_ref().and_then(|source| Some((source, entry_of(source)?)))
        {
            self.add(source, Route { meter, role: Role::Running, entry: entry.clone() });
        }
        for (source, entry) in facts.meter.status.iter().filter_map(|source| Some((source, entry_of(source)?))) {
            let pairs = entry.bits.iter().filter_map(|(bit, name)| {
                let number = facts.status_names.iter().position(|known| known == name)?;
                Some((*bit, u8::try_from(number).ok().filter(|number| *number < 64)?))
            });
            self.add(source, Route { meter, role: Role::Status(pairs.collect()), entry: entry.clone() });
        }
        for (setting, source) in &facts.meter.settings {
            if let Some(entry) = entry_of(source) {
                self.add(source, Route { meter, role: Role::Setting(*setting), entry: entry.clone() });
            }
        }
    }

    /// What completes a reading comes last, so that the status read with it is in it.
    fn add(&mut self, source: &Source, route: Route) {
        let routes = match source {
            Source::Entry { device, .. } => self.by_device.entry(device.clone()).or_default(),
            Source::File(path) => self.by_file.entry(path.clone()).or_default(),
        };
        let place = match route.role {
            Role::Part(_) => routes.len(),
            _ => 0,
        };
        routes.insert(place, route);
    }

    /// Takes what a device answered.
    pub fn registers(&mut self, read: Registers<'_>) -> Vec<Told> {
        let mut told = Vec::new();
        for route in self.by_device.get(read.device).into_iter().flatten() {
            if route.entry.table != read.table {
                continue;
            }
            let Some(offset) = route.entry.address.checked_sub(read.start) else { continue };
            let from = usize::from(offset);
            let Some(words) = read.words.get(from..from + usize::from(route.entry.value_type.width())) else {
                continue;
            };
            let station = &mut self.stations[route.meter];
            told.extend(station.take(route, words, read.sampled, read.wall));
        }
        told
    }

    /// Takes a number that a file held.
    pub fn file(&mut self, path: &std::path::Path, value: f64, sampled: SteadyMillis, wall: WallMillis) -> Vec<Told> {
        let routes = self.by_file.get(path).into_iter().flatten();
        routes
            .filter_map(|route| self.stations[route.meter].take_value(route, value, RawWords::default(), sampled, wall))
            .collect()
    }

    /// Notes that a device was asked for a stretch of a table and did not answer well.
    pub fn missed(&mut self, device: &str, table: Table, start: u16, count: u16) -> Vec<Told> {
        let mut told = Vec::new();
        let end = u32::from(start) + u32::from(count);
        for route in self.by_device.get(device).into_iter().flatten() {
            let address = u32::from(route.entry.address);
            if let Role::Part(part) = route.role
                && route.entry.table == table
                && (u32::from(start)..end).contains(&address)
            {
                let station = &mut self.stations[route.meter];
                let reading = station.joiner.missed(part);
                told.extend(reading.map(|reading| station.finish(reading)));
            }
        }
        told
    }

    /// Notes that a file could not be read.
    pub fn file_missed(&mut self, path: &std::path::Path) -> Vec<Told> {
        let mut told = Vec::new();
        for route in self.by_file.get(path).into_iter().flatten() {
            if let Role::Part(part) = route.role {
                let station = &mut self.stations[route.meter];
                let reading = station.joiner.missed(part);
                told.extend(reading.map(|reading| station.finish(reading)));
            }
        }
        told
    }

    /// Says how often somebody asks a device for a stretch of a table, where that is not ours to plan.
    pub fn set_period(&mut self, device: &str, request: Request, every: Duration) {
        for route in self.by_device.get(device).into_iter().flatten() {
            if let Role::Part(part) = route.role
                && is_read(&route.entry, [request])
            {
                self.stations[route.meter].set_period(part, every);
            }
        }
    }

    /// Hands on the readings that have waited too long for the rest of their witnesses, and says of which meters nothing
    /// is heard.
    pub fn expire(&mut self, now: Moment) -> Vec<Told> {
        self.stations.iter_mut().filter_map(|station| station.expire(now)).collect()
    }

    /// Begins or ends maintenance of a meter; false if there is none of that name.
    pub fn set_maintenance(&mut self, meter: &str, maintenance: bool) -> bool {
        let station = self.stations.iter_mut().find(|station| station.facts.meter.name == meter);
        station.map(|station| station.tallies.set_maintenance(maintenance)).is_some()
    }

    /// Takes a figure that was read off a receiver's display; false if there is no meter of that name.
    pub fn note(&mut self, meter: &str, noted: NotedReading) -> bool {
        let station = self.stations.iter_mut().find(|station| station.facts.meter.name == meter);
        station.map(|station| station.tallies.note(noted)).is_some()
    }

    /// Each meter with what is remembered of it, its latest reading and where its tallies stand.
    pub fn meters(&self) -> impl Iterator<Item = Standing<'_>> {
        self.stations.iter().map(|station| Standing {
            facts: &station.facts,
            tallies: &station.tallies,
            latest: station.latest.as_ref(),
        })
    }

    /// Goes on from what was remembered of a meter; false if there is none of that name. `restarted` is when the machine
    /// was found to have restarted since, if it had.
    pub fn resume(&mut self, meter: &str, mut tallies: MeterTallies, restarted: Option<Moment>) -> bool {
        tallies.resumed(restarted);
        let station = self.stations.iter_mut().find(|station| station.facts.meter.name == meter);
        station.map(|station| station.tallies = tallies).is_some()
    }
}

/// Where one meter stands.
#[derive(Clone, Copy, Debug)]
pub struct Standing<'a> {
    /// The meter as declared.
    pub facts: &'a MeterFacts,
    /// What is remembered of it.
    pub tallies: &'a MeterTallies,
    /// Its latest reading.
    pub latest: Option<&'a Reading>,
}

impl Standing<'_> {
    /// Where each tally stands.
    #[must_use]
    pub fn standing(&self) -> Vec<TallyStanding> {
        self.tallies.standing()
    }
}

impl Station {
    fn set_period(&mut self, part: Part, every: Duration) {
        let Some(witness) = part.witness_mut(&mut self.facts) else { return };
        let ratio = every.as_secs_f64() / witness.every.as_secs_f64().max(1e-3);
        if !SAME_PERIOD.contains(&ratio) {
            witness.every = every;
            self.joiner.follow_periods(&self.facts);
        }
    }

    fn take(&mut self, route: &Route, words: &[u16], sampled: SteadyMillis, wall: WallMillis) -> Option<Told> {
        match &route.role {
            Role::Status(pairs) => {
                let register = bits(&route.entry, words)?;
                let set = pairs.iter().filter(|(bit, _)| register >> bit & 1 == 1);
                self.joiner.status(StatusBits(set.fold(0, |status, (_, number)| status | 1 << number)));
                None
            }
            _ => self.take_value(route, decode(&route.entry, words), RawWords::new(words), sampled, wall),
        }
    }

    fn take_value(
        &mut self,
        route: &Route,
        value: f64,
        raw: RawWords,
        at: SteadyMillis,
        wall: WallMillis,
    ) -> Option<Told> {
        match route.role {
            Role::Part(part) => {
                let factor = if part == Part::LoopCurrent { route.entry.unit.to_base } else { 1.0 };
                let reading = self.joiner.sample(part, Sample { value: value * factor, at, raw }, wall)?;
                Some(self.finish(reading))
            }
            Role::Running => {
                self.joiner.running(value != 0.0);
                None
            }
            Role::Setting(setting) => Some(Told::Setting {
                meter: self.facts.meter.name.clone(),
                setting,
                value: value * route.entry.unit.to_base,
                wall,
            }),
            Role::Status(_) => None,
        }
    }

    fn expire(&mut self, now: Moment) -> Option<Told> {
        if let Some(reading) = self.joiner.expire(now.steady) {
            return Some(self.finish(reading));
        }
        let mut changes = Vec::new();
        self.tallies.quiet(&self.facts, now, &mut changes);
        (!changes.is_empty()).then(|| Told::Changed { meter: self.facts.meter.name.clone(), changes })
    }

    fn finish(&mut self, reading: Reading) -> Told {
        let mut changes = Vec::new();
        self.tallies.push(&self.facts, &reading, &mut changes);
        self.latest = Some(reading);
        Told::Reading { meter: self.facts.meter.name.clone(), reading: Box::new(reading), changes }
    }
}

/// The witnesses that a meter declares, with where they come from.
fn parts(facts: &MeterFacts) -> impl Iterator<Item = (Part, &Source, &WitnessFacts)> {
    let meter = &facts.meter;
    let current_loop = meter.current_loop.as_ref();
    let pulse = meter.pulse.as_ref();
    [
        (Part::Flow, meter.flow.as_ref(), facts.flow.as_ref()),
        (Part::Total, meter.total.as_ref(), facts.total.as_ref()),
        (Part::ReverseTotal, meter.reverse_total.as_ref(), facts.reverse_total.as_ref()),
        (Part::LoopCurrent, current_loop.map(|declared| &declared.current), facts.loop_ma.as_ref()),
        (Part::Pulses, pulse.map(|declared| &declared.count), facts.pulses.as_ref()),
        (
            Part::ReceiverFlow,
            current_loop.and_then(|declared| declared.receiver_flow.as_ref()),
            facts.receiver_flow.as_ref(),
        ),
        (
            Part::ReceiverTotal,
            pulse.and_then(|declared| declared.receiver_total.as_ref()),
            facts.receiver_total.as_ref(),
        ),
    ]
    .into_iter()
    .filter_map(|(part, source, witness)| Some((part, source?, witness?)))
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::declared::{
        ByteOrder, CurrentLoop, Dimension, Limits, Meter, Tolerance, TotalCounts, Unit, ValueType, WordOrder,
    };
    use crate::units::{LitresPerSecond, Milliamperes};

    fn entry(name: &str, table: Table, address: u16, value_type: ValueType, unit: (&str, Dimension, f64)) -> Entry {
        Entry {
            name: name.to_owned(),
            table,
            address,
            value_type,
            word_order: WordOrder::HighFirst,
            byte_order: ByteOrder::Big,
            unit: Unit { symbol: unit.0.to_owned(), dimension: unit.1, to_base: unit.2 },
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            bits: BTreeMap::new(),
        }
    }

    fn source(device: &str, entry: &str) -> Source {
        Source::Entry { device: device.to_owned(), entry: entry.to_owned() }
    }

    fn stations() -> Stations {
        let flow = entry("flow_rate", Table::Holding, 0, ValueType::F32, ("m3/h", Dimension::Flow, 1.0 / 3.6));
        let current = entry("channel_1", Table::Input, 3, ValueType::U16, ("uA", Dimension::Current, 0.001));
        let mut status = entry("status", Table::Holding, 2, ValueType::U16, ("", Dimension::Number, 1.0));
        status.bits = [(0, "empty pipe".to_owned()), (3, "reverse flow".to_owned())].into();
        let full_scale = entry("full_scale", Table::Holding, 3, ValueType::U16, ("m3/h", Dimension::Flow, 1.0 / 3.6));
        let witness = |entry: &Entry| Some(WitnessFacts { entry: entry.clone(), every: Duration::from_secs(1) });
        let meter = Meter {
            name: "bore-1".to_owned(),
            flow: Some(source("bore-1", "flow_rate")),
            total: None,
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: Duration::from_secs(1),
            running: None,
            status: vec![source("bore-1", "status")],
            current_loop: Some(CurrentLoop {
                current: source("analogue", "channel_1"),
                full_scale: LitresPerSecond(36.0),
                at_4_ma: LitresPerSecond(0.0),
                damping: None,
                accuracy: 0.001,
                saturates: (Milliamperes(3.8), Milliamperes(20.5)),
                fault: (Milliamperes(3.6), Milliamperes(21.0)),
                receiver_flow: None,
            }),
            pulse: None,
            settings: [(Setting::FullScale, source("bore-1", "full_scale"))].into(),
            tolerance: Tolerance::default(),
            limits: Limits::default(),
        };
        let facts = MeterFacts {
            meter,
            flow: witness(&flow),
            total: None,
            reverse_total: None,
            loop_ma: witness(&current),
            pulses: None,
            receiver_flow: None,
            receiver_total: None,
            status_names: vec!["reverse flow".to_owned(), "empty pipe".to_owned()],
        };
        let entries = [status, full_scale];
        Stations::new(vec![facts], VolumeJudged::LastDay, |source| {
            let Source::Entry { entry, .. } = source else { return None };
            entries.iter().find(|known| known.name == *entry)
        })
    }

    fn read<'a>(device: &'a str, table: Table, start: u16, words: &'a [u16], ms: i64) -> Registers<'a> {
        Registers { device, table, start, words, sampled: SteadyMillis(ms), wall: WallMillis(1_000_000 + ms) }
    }

    #[test]
    fn registers_of_two_devices_become_one_reading_with_status_and_settings() {
        let mut stations = stations();
        // 20.0 as a binary32, the status with bit 3 set, the setting 130 m3/h.
        let told = stations.registers(read("bore-1", Table::Holding, 0, &[0x41A0, 0x0000, 0b1000, 130], 10));
        let [Told::Setting { setting: Setting::FullScale, value, .. }] = told.as_slice() else { panic!("{told:?}") };
        assert!((value - 130.0 / 3.6).abs() < 1e-12);
        // The wrong table and registers that end too early mean nothing.
        assert_eq!(stations.registers(read("analogue", Table::Holding, 0, &[1, 2, 3, 12_000], 15)), []);
        assert_eq!(stations.registers(read("analogue", Table::Input, 0, &[1, 2, 3], 15)), []);
        let told = stations.registers(read("analogue", Table::Input, 2, &[0, 12_000], 20));
        let [Told::Reading { meter, reading, .. }] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!(meter, "bore-1");
        assert_eq!(reading.flow.map(|sample| sample.value), Some(20.0), "in the unit of the register");
        assert_eq!(reading.loop_ma.map(|sample| sample.value), Some(12.0), "in milliamperes");
        assert_eq!(reading.status, Some(StatusBits(0b01)), "reverse flow is the meter's first name");
        assert_eq!(stations.meters().next().unwrap().latest, Some(&**reading));
    }

    #[test]
    fn a_device_that_does_not_answer_leaves_an_empty_place() {
        let mut stations = stations();
        stations.registers(read("bore-1", Table::Holding, 0, &[0x41A0, 0x0000], 10));
        assert_eq!(stations.missed("analogue", Table::Input, 8, 4), [], "not where the current is");
        let told = stations.missed("analogue", Table::Input, 0, 8);
        let [Told::Reading { reading, .. }] = told.as_slice() else { panic!("{told:?}") };
        assert!(reading.flow.is_some() && reading.loop_ma.is_none());
    }
}

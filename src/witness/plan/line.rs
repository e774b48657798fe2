//! The plans of all devices of a line, in the order of asking.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::{LineLoad, Plan, PlanError, WireTiming, cheapest_plan};
use crate::declared::{Device, Line, Meter, Site, Source};

/// How long a device is taken to think before its reply, beyond the silence of 3.5 characters, until it has been measured.
pub const ASSUMED_DEVICE_LATENCY: Duration = Duration::from_millis(5);

/// A meter's own settings change when somebody turns them: once a minute is soon enough.
pub const SETTINGS_PERIOD: Duration = Duration::from_secs(60);

/// What the entries of a plan are read for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Witnesses and whatever else the map names.
    Readings,
    /// The meter's own settings, at most once in [`SETTINGS_PERIOD`].
    Settings,
}

/// What is read of one device with one period.
#[derive(Clone, Debug, PartialEq)]
pub struct DevicePlan {
    /// The device's name.
    pub device: String,
    /// Its address, 1 to 247.
    pub unit: u8,
    /// How often; zero is as fast as the line allows.
    pub every: Duration,
    /// Plans of one group hold witnesses of the same meters, and are asked one after the other.
    pub group: Option<usize>,
    /// What for.
    pub purpose: Purpose,
    /// The requests.
    pub plan: Plan,
}

/// Everything that is read on one line.
#[derive(Clone, Debug, PartialEq)]
pub struct LinePlan {
    /// The line's name.
    pub line: String,
    /// How long things take on it.
    pub timing: WireTiming,
    /// From the end of a request to the beginning of its reply, as assumed.
    pub reply_delay: Duration,
    /// The devices' plans in the order of asking; the plans of a group are neighbours.
    pub devices: Vec<DevicePlan>,
}

impl LinePlan {
    /// The share of the line's time that it needs.
    #[must_use]
    pub fn load(&self) -> LineLoad {
        LineLoad::of(self.devices.iter().map(|device| (&device.plan, device.every)))
    }
}

/// A line with all that hangs on it.
#[derive(Clone, Debug)]
pub struct OnLine<'a> {
    pub(super) line: &'a Line,
    /// In the order of their addresses.
    pub(super) devices: Vec<&'a Device>,
    /// The meters that have a witness or a setting on it.
    pub(super) meters: Vec<&'a Meter>,
}

impl<'a> OnLine<'a> {
    /// Every line of a site, by name; in time that grows with the site, not with the lines times the devices.
    #[must_use]
    pub fn each(site: &'a Site) -> Vec<Self> {
        let bare = |line| Self { line, devices: Vec::new(), meters: Vec::new() };
        let mut lines: BTreeMap<&str, Self> =
            site.lines.iter().map(|(name, line)| (name.as_str(), bare(line))).collect();
        for device in site.devices.values() {
            if let Some(on) = lines.get_mut(device.line.as_str()) {
                on.devices.push(device);
            }
        }
        for on in lines.values_mut() {
            on.devices.sort_by_key(|device| device.address);
        }
        for meter in site.meters.values() {
            let read_at = witnesses_of(meter).chain(meter.settings.values()).filter_map(|source| match source {
                Source::Entry { device, .. } => Some(site.devices.get(device)?.line.as_str()),
                Source::File(_) => None,
            });
            for line in read_at.collect::<BTreeSet<_>>() {
                if let Some(on) = lines.get_mut(line) {
                    on.meters.push(meter);
                }
            }
        }
        lines.into_values().collect()
    }

    /// The line itself.
    #[must_use]
    pub const fn line(&self) -> &'a Line {
        self.line
    }

    /// Plans it: for each device one plan of all that its map names but the settings, and one of the settings.
    ///
    /// # Errors
    ///
    /// A map that cannot be planned.
    pub fn plan(&self) -> Result<LinePlan, PlanError> {
        let timing = WireTiming::new(self.line.framing);
        let reply_delay = timing.t3_5() + ASSUMED_DEVICE_LATENCY;
        let by_name: BTreeMap<&str, &Device> =
            self.devices.iter().map(|device| (device.name.as_str(), *device)).collect();
        let witnesses = Witnesses::on(self, &by_name);
        let mut devices = Vec::new();
        for (group, names) in witnesses.groups() {
            for name in names {
                let device = by_name[name];
                let quick = device.map.entries.keys().filter(|entry| !witnesses.is_setting(name, entry));
                let plan = cheapest_plan(&device.map, quick, timing, reply_delay)?;
                devices.push(device_plan(device, device.every, group, Purpose::Readings, plan));
            }
        }
        for (name, entries) in &witnesses.settings {
            let device = by_name[name];
            let plan = cheapest_plan(&device.map, entries, timing, reply_delay)?;
            devices.push(device_plan(device, device.every.max(SETTINGS_PERIOD), None, Purpose::Settings, plan));
        }
        devices.retain(|device| !device.plan.requests.is_empty());
        Ok(LinePlan { line: self.line.name.clone(), timing, reply_delay, devices })
    }
}

/// Plans one line of a site.
///
/// # Errors
///
/// No such line, or a map that cannot be planned.
pub fn line_plan(site: &Site, line: &str) -> Result<LinePlan, PlanError> {
    let unknown = || PlanError::UnknownLine { name: line.to_owned() };
    OnLine::each(site).into_iter().find(|on| on.line.name == line).ok_or_else(unknown)?.plan()
}

fn device_plan(device: &Device, every: Duration, group: Option<usize>, purpose: Purpose, plan: Plan) -> DevicePlan {
    DevicePlan { device: device.name.clone(), unit: device.address, every, group, purpose, plan }
}

/// Which devices of a line hold witnesses of which meters.
struct Witnesses<'a> {
    devices: Vec<&'a str>,
    /// For each meter, the devices of this line that hold its witnesses.
    meters: Vec<BTreeSet<&'a str>>,
    /// Entries that are only settings, by device.
    settings: BTreeMap<&'a str, BTreeSet<&'a str>>,
}

impl<'a> Witnesses<'a> {
    fn on(on: &OnLine<'a>, by_name: &BTreeMap<&'a str, &'a Device>) -> Self {
        let devices = on.devices.iter().map(|device| device.name.as_str()).collect();
        let here = |source: &'a Source| match source {
            Source::Entry { device, entry } if by_name.contains_key(device.as_str()) => {
                Some((device.as_str(), entry.as_str()))
            }
            Source::Entry { .. } | Source::File(_) => None,
        };
        let mut settings: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for (device, entry) in on.meters.iter().flat_map(|meter| meter.settings.values()).filter_map(here) {
            settings.entry(device).or_default().insert(entry);
        }
        let mut meters = Vec::new();
        for meter in &on.meters {
            let read: Vec<(&str, &str)> = witnesses_of(meter).filter_map(here).collect();
            for (device, entry) in &read {
                if let Some(entries) = settings.get_mut(device) {
                    entries.remove(entry);
                }
            }
            meters.push(read.into_iter().map(|(device, _)| device).collect());
        }
        Self { devices, meters, settings }
    }

    fn is_setting(&self, device: &str, entry: &str) -> bool {
        self.settings.get(device).is_some_and(|entries| entries.contains(entry))
    }

    /// Devices that meters tie together, as groups; inside a group, what several meters share stands in the middle, so that
    /// it is near to all of them in time.
    fn groups(&self) -> Vec<(Option<usize>, Vec<&'a str>)> {
        let mut left: BTreeSet<&str> = self.devices.iter().copied().collect();
        let mut groups = Vec::new();
        for seed in &self.devices {
            if !left.contains(seed) {
                continue;
            }
            let tied = self.tied_to(seed);
            left.retain(|device| !tied.contains(device));
            let members: Vec<&str> = self.devices.iter().copied().filter(|device| tied.contains(device)).collect();
            let group = (members.len() > 1).then_some(groups.len());
            groups.push((group, self.shared_in_the_middle(members)));
        }
        groups
    }

    fn tied_to(&self, seed: &'a str) -> BTreeSet<&'a str> {
        let mut tied = BTreeSet::from([seed]);
        loop {
            let before = tied.len();
            for meter in self.meters.iter().filter(|meter| !meter.is_disjoint(&tied)).cloned().collect::<Vec<_>>() {
                tied.extend(meter);
            }
            if tied.len() == before {
                return tied;
            }
        }
    }

    fn shared_in_the_middle(&self, members: Vec<&'a str>) -> Vec<&'a str> {
        let is_shared = |device: &&str| self.meters.iter().filter(|meter| meter.contains(device)).count() > 1;
        let (shared, mut own): (Vec<&str>, Vec<&str>) = members.into_iter().partition(is_shared);
        let after = own.split_off(own.len().div_ceil(2));
        own.into_iter().chain(shared).chain(after).collect()
    }
}

/// Every source that a meter's readings are made of; settings are not.
fn witnesses_of(meter: &Meter) -> impl Iterator<Item = &Source> {
    let bus = [&meter.flow, &meter.total, &meter.reverse_total, &meter.running];
    let current_loop = meter.current_loop.iter().flat_map(|it| [Some(&it.current), it.receiver_flow.as_ref()]);
    let pulse = meter.pulse.iter().flat_map(|it| [Some(&it.count), it.receiver_total.as_ref()]);
    bus.into_iter().filter_map(Option::as_ref).chain(current_loop.flatten()).chain(pulse.flatten()).chain(&meter.status)
}

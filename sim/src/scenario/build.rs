//! From what a scenario says to what it means.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde::Deserialize;

use super::written::{Channels, Device, Entry, Flow, Meter, Parity, Written};
use super::{Hands, Scenario};
use super::{faults, written};
use crate::fault::{Faulty, Injected};
use crate::frame::Table;
use crate::image::{Encoded, Fixed, Gaps, Image, Refreshed};
use crate::image::{Filled, Ramps, Together, Wired};
use crate::meter::Counts;
use crate::plant::{PointPlan, Shed};
use crate::profile::Profile;
use crate::receiver::{Controller, CurrentInput};
use crate::register::{Encoding, FLOW_UNITS, Format, LITRES, LITRES_PER_SECOND, Unit, VOLUME_UNITS};
use crate::slave::{Identity, Latency, Slave};
use crate::trouble::{Spell, Trouble};
use crate::wire::{Adapter, Characters, ParityBit, Wire};
use crate::wiring::{Placed, SettingShown, Shown, Wiring};

const SECOND: Unit = Unit { symbol: "s", base: 1.0 };
const MILLISECOND: Unit = Unit { symbol: "ms", base: 0.001 };
const MILLIMETRE: Unit = Unit { symbol: "mm", base: 1.0 };
const MILLIAMPERE: Unit = Unit { symbol: "mA", base: 1.0 };
const COUNT: Unit = Unit { symbol: "pulses", base: 1.0 };
const NO_UNIT: Unit = Unit { symbol: "", base: 1.0 };

/// Builds a scenario, and gathers all that is wrong with it.
pub(super) struct Builder<'a> {
    written: &'a Written,
    wrong: Vec<String>,
}

impl<'a> Builder<'a> {
    pub(super) const fn new(written: &'a Written) -> Self {
        Self { written, wrong: Vec::new() }
    }

    pub(super) fn build(mut self) -> Result<Scenario, Vec<String>> {
        self.check_addresses();
        let injected = Injected::default();
        let mut wire = self.wire();
        let (plans, placed) = self.plans();
        let wiring = Arc::new(Mutex::new(Wiring::new(Shed::new(plans, self.written.seed), placed)));
        let mut faults_by_device = faults::by_device(self.written, &mut self.wrong);
        for (name, device) in &self.written.device {
            let slave = self.slave(name, device, &wiring);
            let faults = faults_by_device.remove(name).unwrap_or_default();
            wire.attach(Faulty::new(slave, faults, self.written.seed, &injected));
        }
        for disturbance in faults::disturbances(self.written, &mut self.wrong) {
            wire.disturb(disturbance, &injected);
        }
        if !self.wrong.is_empty() {
            return Err(self.wrong);
        }
        Ok(Scenario {
            about: self.written.about.clone(),
            wire,
            absences: self.written.unplugged.iter().map(|absence| absence.begins.0..absence.ends.0).collect(),
            injected,
            devices: self.written.device.iter().map(|(name, device)| (name.clone(), device.address)).collect(),
            hands: Hands::new(wiring, self.written.meter.keys().cloned().collect()),
        })
    }

    /// The meters alone, in the order of their names, with the encodings that their devices have.
    pub(super) fn meters(mut self) -> Result<Vec<PointPlan>, Vec<String>> {
        let (plans, _) = self.plans();
        if self.wrong.is_empty() { Ok(plans) } else { Err(self.wrong) }
    }

    fn plans(&mut self) -> (Vec<PointPlan>, BTreeMap<u8, Vec<Placed>>) {
        let mut plans: Vec<PointPlan> =
            self.written.meter.iter().map(|(name, meter)| self.plan(name, meter)).collect::<Vec<_>>();
        let placed = self
            .written
            .device
            .iter()
            .map(|(name, device)| (device.address, self.placed(name, device, &mut plans)))
            .collect();
        (plans, placed)
    }

    fn check_addresses(&mut self) {
        let mut taken: BTreeMap<u8, &str> = BTreeMap::new();
        for (name, device) in &self.written.device {
            if !(1..=247).contains(&device.address) {
                self.wrong.push(format!("device.{name}.address is {}; a unit is 1 to 247", device.address));
            }
            if let Some(other) = taken.insert(device.address, name) {
                self.wrong.push(format!(
                    "device.{name}.address is {}, and so is device.{other}.address; give each device its own",
                    device.address
                ));
            }
        }
    }

    fn wire(&mut self) -> Wire {
        let line = &self.written.line;
        if line.baud == 0 {
            self.wrong.push("line.baud is 0; write a speed such as 9600 or 19200".to_owned());
        }
        if !(1..=64).contains(&line.chunk) {
            self.wrong.push(format!("line.chunk is {}; an adapter's buffer holds 1 to 64 bytes", line.chunk));
        }
        if !(1..=2).contains(&line.stop_bits) {
            self.wrong.push(format!("line.stop_bits is {}; a character ends with 1 or 2", line.stop_bits));
        }
        let parity = match line.parity {
            Parity::Even => ParityBit::Even,
            Parity::Odd => ParityBit::Odd,
            Parity::None => ParityBit::Absent,
        };
        let characters = Characters { baud: line.baud, parity, stop_bits: line.stop_bits };
        let adapter = Adapter { chunk: line.chunk, latency: line.adapter_latency.0, echo: line.echo };
        if line.settings_matter && !line.paced {
            self.wrong.push("line.settings_matter needs a paced line: leave `paced = false` out".to_owned());
        }
        if line.settings_matter {
            return Wire::with_characters(characters, adapter);
        }
        Wire::new(line.paced.then_some(characters.pace()), adapter)
    }

    fn plan(&mut self, name: &str, meter: &Meter) -> PointPlan {
        let profile = self.profile(name, &meter.flow);
        let mut plan = PointPlan::usual(profile, meter.full_scale_l_s, meter.pulse_volume_l);
        if meter.full_scale_l_s <= 0.0 || meter.pulse_volume_l <= 0.0 {
            self.wrong.push(format!("meter.{name}: full_scale_l_s and pulse_volume_l are more than 0"));
        }
        let settings = &mut plan.sound.settings;
        if let Some(on_time) = meter.pulse_on_time {
            settings.pulse_on = on_time.0.as_secs_f64();
            settings.pulse_off = settings.pulse_on;
        }
        if let Some(damping) = meter.damping {
            settings.damping = damping.0.as_secs_f64();
        }
        if let Some(bore) = meter.bore_mm {
            settings.bore_mm = bore;
        }
        if let Some(refresh) = meter.refresh {
            let cycles = (refresh.0.as_secs_f64() / plan.build.cycle).round().clamp(1.0, 1000.0);
            plan.build.refresh_cycles = cycles as u32;
        }
        if let Some(at_4_ma) = meter.at_4_ma_l_s {
            settings.at_4_ma = at_4_ma;
        }
        if meter.controller {
            plan.sound.controller = Some(Controller {
                full_scale: settings.full_scale,
                at_4_ma: settings.at_4_ma,
                pulse_volume: settings.pulse_volume,
                input: CurrentInput { quantum: 0.0, ..plan.sound.input },
                flow: Encoding::float(LITRES_PER_SECOND),
                total: Encoding { format: Format::F64, ..Encoding::float(LITRES) },
            });
            plan.first_receiver_total = meter.first_total_l;
        }
        plan.sound.bus.total_counts = match meter.total_counts {
            written::Counts::Forward => Counts::Forward,
            written::Counts::Reverse => Counts::Reverse,
            written::Counts::Net => Counts::Both,
        };
        plan.build.first_total = meter.first_total_l;
        plan.first_count = meter.first_count;
        if let Some(turbulence) = meter.turbulence {
            plan.turbulence.relative = turbulence;
        }
        plan.troubles = meter.goes_wrong.iter().filter_map(|wrong| self.spell(name, wrong)).collect();
        plan
    }

    fn profile(&mut self, name: &str, flow: &Flow) -> Profile {
        match (flow.constant_l_s, &flow.points) {
            (Some(flow), None) => Profile::Constant(flow),
            (None, Some(points)) if points.windows(2).all(|pair| pair[0].0 < pair[1].0) && !points.is_empty() => {
                Profile::Table {
                    points: points.clone(),
                    linear: true,
                    repeats_after: flow.repeats_after.map(|after| after.0.as_secs_f64()),
                }
            }
            (None, Some(_)) => {
                self.wrong.push(format!("meter.{name}.flow.points are not in order of time"));
                Profile::Constant(0.0)
            }
            _ => {
                self.wrong.push(format!("meter.{name}.flow has either constant_l_s or points"));
                Profile::Constant(0.0)
            }
        }
    }

    fn spell(&mut self, name: &str, wrong: &written::GoesWrong) -> Option<Spell> {
        let mut what = wrong.what.clone();
        if let Some(toml::Value::String(other)) = what.get("with") {
            let Some(place) = self.place(other) else {
                self.wrong.push(format!("meter.{name}.goes_wrong: there is no meter.{other} to be crossed with"));
                return None;
            };
            what.insert("with".to_owned(), toml::Value::Integer(i64::try_from(place).unwrap_or(i64::MAX)));
        }
        let trouble = Trouble::deserialize(what)
            .map_err(|error| self.wrong.push(format!("meter.{name}.goes_wrong: {}", error.to_string().trim_end())))
            .ok()?;
        let ends = wrong.ends.map(|ends| ends.0.as_secs_f64());
        Some(Spell { trouble, begins: wrong.begins.0.as_secs_f64(), ends })
    }

    fn place(&self, meter: &str) -> Option<usize> {
        self.written.meter.keys().position(|name| name == meter)
    }

    /// What a device shows of the shed. A meter's own encodings are set in its plan.
    fn placed(&mut self, name: &str, device: &Device, plans: &mut [PointPlan]) -> Vec<Placed> {
        let mut placed = Vec::new();
        match (&device.meter, &device.layout) {
            (Some(meter), Some(layout)) => {
                let entries = self.written.layout.get(layout);
                match (self.place(meter), entries) {
                    (Some(place), Some(entries)) => {
                        placed.extend(entries.iter().filter_map(|entry| self.entry(layout, entry, place, plans)));
                    }
                    (None, _) => self.wrong.push(format!("device.{name}: there is no meter.{meter}")),
                    (_, None) => self.wrong.push(format!("device.{name}: there is no layout.{layout}")),
                }
            }
            (None, None) => {}
            _ => self.wrong.push(format!("device.{name}: a flow meter has both meter and layout")),
        }
        if let Some(channels) = &device.currents {
            let scale = channels.scale_ma.unwrap_or(1.0);
            self.place_channels(name, channels, Shown::Current, MILLIAMPERE, scale, &mut placed);
        }
        if let Some(channels) = &device.counts {
            self.place_channels(name, channels, Shown::Count, COUNT, 1.0, &mut placed);
        }
        placed
    }

    fn entry(&mut self, layout: &str, entry: &Entry, place: usize, plans: &mut [PointPlan]) -> Option<Placed> {
        let setting = |setting| Some((Shown::Setting(setting), None));
        let shown = match entry.shows.as_str() {
            "flow" => Some((Shown::Flow, Some(LITRES_PER_SECOND))),
            "total" => Some((Shown::Total, Some(LITRES))),
            "reverse-total" => Some((Shown::ReverseTotal, Some(LITRES))),
            "status" => Some((Shown::Status, None)),
            "running" => Some((Shown::Running, None)),
            "receiver-flow" => Some((Shown::ReceiverFlow, None)),
            "receiver-total" => Some((Shown::ReceiverTotal, None)),
            "full-scale" => setting(SettingShown::FullScale),
            "pulse-volume" => setting(SettingShown::PulseVolume),
            "pulse-on-time" => setting(SettingShown::PulseOnTime),
            "bore" => setting(SettingShown::Bore),
            "sensor-factor" => setting(SettingShown::SensorFactor),
            "zero" => setting(SettingShown::Zero),
            "low-flow-cutoff" => setting(SettingShown::LowFlowCutoff),
            "damping" => setting(SettingShown::Damping),
            _ => None,
        };
        let Some((shown, unit)) = shown else {
            self.wrong.push(format!(
                "layout.{layout}: nothing shows {:?}; a meter shows flow, total, reverse-total, status, running, full-scale, \
                 pulse-volume, pulse-on-time, bore, sensor-factor, zero, low-flow-cutoff and damping, and its controller \
                 receiver-flow and receiver-total",
                entry.shows
            ));
            return None;
        };
        let unit = match &entry.unit {
            Some(symbol) => self.unit(layout, symbol)?,
            None => unit.unwrap_or(NO_UNIT),
        };
        let format = self.format(&format!("layout.{layout}"), &entry.r#type)?;
        let scale = entry.scale.unwrap_or(1.0);
        let encoding = Encoding { format, high_first: !entry.low_word_first, unit, scale, wraps_at: entry.wraps_at };
        match shown {
            Shown::Flow => plans[place].sound.bus.flow = encoding,
            Shown::Total => plans[place].sound.bus.total = encoding,
            _ => {}
        }
        Some(Placed { table: entry.table, address: entry.address, place, shown, encoding })
    }

    fn place_channels(
        &mut self,
        device: &str,
        channels: &Channels,
        shown: Shown,
        unit: Unit,
        scale: f64,
        placed: &mut Vec<Placed>,
    ) {
        let Some(format) = self.format(&format!("device.{device}"), &channels.r#type) else { return };
        let encoding = Encoding { format, high_first: true, unit, scale, wraps_at: None };
        for (channel, meter) in channels.meters.iter().enumerate().filter(|(_, meter)| !meter.is_empty()) {
            let Some(place) = self.place(meter) else {
                self.wrong.push(format!("device.{device}: there is no meter.{meter} for channel {}", channel + 1));
                continue;
            };
            let offset = u16::try_from(channel * format.registers()).unwrap_or(u16::MAX);
            let address = channels.address.saturating_add(offset);
            placed.push(Placed { table: channels.table, address, place, shown, encoding });
        }
    }

    fn format(&mut self, key: &str, name: &str) -> Option<Format> {
        use Format::{F32, F64, I16, I32, I64, U16, U32, U64};
        let format = [U16, I16, U32, I32, U64, I64, F32, F64].into_iter().find(|format| format.name() == name);
        if format.is_none() {
            self.wrong.push(format!("{key}: {name:?} is no type; write u16, i16, u32, i32, u64, i64, f32 or f64"));
        }
        format
    }

    fn unit(&mut self, layout: &str, symbol: &str) -> Option<Unit> {
        let others = [SECOND, MILLISECOND, MILLIMETRE];
        let unit = FLOW_UNITS.into_iter().chain(VOLUME_UNITS).chain(others).find(|unit| unit.symbol == symbol);
        if unit.is_none() {
            self.wrong.push(format!("layout.{layout}: no meter here shows {symbol:?}"));
        }
        unit
    }

    fn slave(&mut self, name: &str, device: &Device, wiring: &Arc<Mutex<Wiring>>) -> Slave {
        let mut parts: Vec<Box<dyn Image>> = Vec::new();
        if device.meter.is_some() || device.currents.is_some() || device.counts.is_some() {
            parts.push(Box::new(Wired { wiring: Arc::clone(wiring), unit: device.address }));
        }
        for channels in [&device.currents, &device.counts].into_iter().flatten() {
            let registers = self.format(&format!("device.{name}"), &channels.r#type).map_or(1, Format::registers);
            let all = u16::try_from(channels.meters.len() * registers).unwrap_or(u16::MAX);
            let addresses = channels.address..channels.address.saturating_add(all);
            parts.push(Box::new(Filled { table: Some(channels.table), addresses }));
        }
        if let Some((first, last)) = device.encoded {
            parts.push(Box::new(Encoded { unit: device.address, addresses: first..last.saturating_add(1) }));
        }
        let constants = device
            .constant
            .iter()
            .fold(Fixed::default(), |fixed, constant| fixed.with(constant.table, constant.address, &constant.values));
        parts.push(Box::new(constants));
        let ramps = device.ramp.iter().map(|ramp| (ramp.table, ramp.address, ramp.from, ramp.per_second));
        parts.push(Box::new(Ramps(ramps.collect())));
        if let Some((first, last)) = device.fills {
            parts.push(Box::new(Filled { table: None, addresses: first..last.saturating_add(1) }));
        }
        if parts.len() == 2 && device.constant.is_empty() && device.ramp.is_empty() {
            self.wrong.push(format!(
                "device.{name} has no registers; give it meter and layout, currents, counts, encoded, constant, ramp or fills"
            ));
        }
        let missing = device.missing.iter().map(|&(first, last)| first..last.saturating_add(1)).collect();
        let period = device.refresh.map_or(Duration::ZERO, |refresh| refresh.0);
        let image = Refreshed { image: Gaps { image: Together(parts), missing }, period };
        let latency = Latency { fixed: device.latency.0, jitter: device.jitter.0 };
        let slave = Slave::new(device.address, image)
            .with_latency(latency)
            .with_max_registers(device.max_registers.unwrap_or(Table::Holding.most()));
        match &device.identity {
            Some(identity) => slave.with_identity(Identity {
                objects: vec![
                    (0, identity.vendor.clone()),
                    (1, identity.product.clone()),
                    (2, identity.revision.clone()),
                ],
            }),
            None => slave,
        }
    }
}

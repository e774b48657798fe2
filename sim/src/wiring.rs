//! A shed behind registers: which device shows what at which address, for a slave that is asked at an instant.

use std::collections::BTreeMap;

pub use crate::frame::Table;
use crate::meter::Settings;
use crate::plant::{Shed, precise};
use crate::register::{Encoding, Words};

/// What stands in a register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// The meter's flow register, in its own encoding.
    Flow,
    /// The meter's total register, in its own encoding.
    Total,
    /// The meter's reverse total, in the total's encoding.
    ReverseTotal,
    /// The meter's status bits.
    Status,
    /// Whether the pump runs.
    Running,
    /// The loop current in milliamperes, as the current input reads it.
    Current,
    /// The pulse counter.
    Count,
    /// What the controller makes of the current, in its own encoding.
    ReceiverFlow,
    /// What the controller makes of the pulses, in its own encoding.
    ReceiverTotal,
    /// One of the meter's settings, in its base unit (L/s, litres, seconds, millimetres).
    Setting(SettingShown),
}

/// A setting that a meter lets be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SettingShown {
    /// The flow at 20 mA.
    FullScale,
    /// The volume of a pulse.
    PulseVolume,
    /// The width of a pulse.
    PulseOnTime,
    /// The pipe's bore.
    Bore,
    /// The sensor's factor.
    SensorFactor,
    /// The zero trim.
    Zero,
    /// The low-flow cut-off.
    LowFlowCutoff,
    /// The time constant of the flow value.
    Damping,
}

impl SettingShown {
    const fn of(self, settings: &Settings) -> f64 {
        match self {
            Self::FullScale => settings.full_scale,
            Self::PulseVolume => settings.pulse_volume,
            Self::PulseOnTime => settings.pulse_on,
            Self::Bore => settings.bore_mm,
            Self::SensorFactor => settings.sensor_factor,
            Self::Zero => settings.zero,
            Self::LowFlowCutoff => settings.low_flow_cutoff,
            Self::Damping => settings.damping,
        }
    }
}

/// One value at its place in a device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// The table.
    pub table: Table,
    /// The protocol's address of the first register or bit, from 0.
    pub address: u16,
    /// The point of measurement in the shed.
    pub place: usize,
    /// What stands there.
    pub shown: Shown,
    /// How; where [`Shown`] does not say that it has an encoding of its own.
    pub encoding: Encoding,
}

/// A shed and the devices through which it is seen.
#[derive(Clone, Debug)]
pub struct Wiring {
    shed: Shed,
    devices: BTreeMap<u8, Vec<Placed>>,
    // The values asked for since the last move in time: a value that is asked for register by register is one value.
    asked: BTreeMap<(u8, usize), Words>,
}

impl Wiring {
    /// A shed seen through devices, by their address on the line.
    #[must_use]
    pub const fn new(shed: Shed, devices: BTreeMap<u8, Vec<Placed>>) -> Self {
        Self { shed, devices, asked: BTreeMap::new() }
    }

    /// The shed behind.
    #[must_use]
    pub const fn shed(&self) -> &Shed {
        &self.shed
    }

    /// The shed behind, to turn something in it.
    pub const fn shed_mut(&mut self) -> &mut Shed {
        &mut self.shed
    }

    /// Move on to `time` in seconds from the start; an earlier one changes nothing.
    pub fn advance_to(&mut self, time: f64) {
        if time > self.shed.time() {
            self.asked.clear();
            self.shed.advance_to(time);
        }
    }

    /// The register at an address now, or the bit as 0 or 1; nothing where nothing is placed.
    pub fn read(&mut self, device: u8, table: Table, address: u16) -> Option<u16> {
        let placed = self.devices.get(&device)?;
        for (index, value) in placed.iter().enumerate() {
            if value.table != table || address < value.address {
                continue;
            }
            let words = match self.asked.get(&(device, index)) {
                Some(words) => *words,
                None => {
                    let words = words(&mut self.shed, value)?;
                    self.asked.insert((device, index), words);
                    words
                }
            };
            if let Some(word) = words.as_slice().get(usize::from(address - value.address)) {
                return Some(*word);
            }
        }
        None
    }
}

fn words(shed: &mut Shed, value: &Placed) -> Option<Words> {
    let place = value.place;
    Some(match value.shown {
        Shown::Flow => shed.read_bus(place).flow,
        Shown::Total => shed.read_bus(place).total,
        Shown::ReverseTotal => {
            let reverse = shed.read_bus(place).reverse;
            shed.points()[place].conditions().bus.total.encode(reverse)
        }
        Shown::Status => Words::one(shed.read_bus(place).status),
        Shown::Running => Words::one(u16::from(shed.points()[place].running())),
        Shown::Current => value.encoding.encode_nearest(shed.read_current(place)),
        Shown::Count => value.encoding.encode(precise(shed.read_count(place))),
        Shown::ReceiverFlow => shed.read_controller(place)?.0,
        Shown::ReceiverTotal => shed.read_controller(place)?.1,
        Shown::Setting(setting) => {
            value.encoding.encode_nearest(setting.of(&shed.points()[place].conditions().settings))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::PointPlan;
    use crate::profile::Profile;
    use crate::register::{LITRES, Unit};

    const MILLIAMPERES: Unit = Unit { symbol: "mA", base: 1.0 };

    fn placed(table: Table, address: u16, shown: Shown, encoding: Encoding) -> Placed {
        Placed { table, address, place: 0, shown, encoding }
    }

    #[test]
    fn registers_show_the_shed_at_the_instant_asked_for() {
        let shed = Shed::new(vec![PointPlan::usual(Profile::Constant(18.0), 36.0, 25.0)], 1);
        let count = Encoding::count32(LITRES, 1.0);
        let current = Encoding { format: crate::register::Format::U16, ..Encoding::count32(MILLIAMPERES, 0.001) };
        let meter = vec![
            placed(Table::Holding, 2, Shown::Total, count),
            placed(Table::Input, 0, Shown::Status, count),
            placed(Table::Holding, 10, Shown::Setting(SettingShown::FullScale), Encoding::float(LITRES)),
        ];
        let inputs = vec![placed(Table::Input, 4, Shown::Current, current)];
        let counters = vec![placed(Table::Input, 0, Shown::Count, count)];
        let mut wiring = Wiring::new(shed, BTreeMap::from([(11, meter), (40, inputs), (41, counters)]));
        wiring.advance_to(10_000.0);
        let mut pair = |device, table, address: u16| {
            let high = wiring.read(device, table, address).expect("it is placed");
            let low = wiring.read(device, table, address + 1).expect("it has two registers");
            u32::from(high) << 16 | u32::from(low)
        };
        let total = f64::from(pair(11, Table::Holding, 2));
        assert!((total - 180_000.0).abs() < 500.0, "{total}");
        let pulses = f64::from(pair(41, Table::Input, 0)) * 25.0;
        assert!((total - pulses).abs() < 30.0, "{pulses}");
        assert_eq!(f32::from_bits(pair(11, Table::Holding, 10)), 36.0);
        let milliamperes = f64::from(wiring.read(40, Table::Input, 4).expect("it is placed")) / 1000.0;
        assert!((milliamperes - 12.0).abs() < 0.6, "{milliamperes}");
        assert_eq!(wiring.read(11, Table::Input, 0), Some(0));
        assert_eq!(wiring.read(11, Table::Holding, 4), None);
        assert_eq!(wiring.read(12, Table::Holding, 2), None);
    }
}

//! The faults and strangers of a scenario.

use std::collections::BTreeMap;

use super::written::{self, FaultKind as Kind, Written};
use crate::fault::{CheckSum, Fault, FaultKind};
use crate::frame::frame;
use crate::wire::{Disturbance, Stranger};

/// The faults of each device, by its name.
pub(super) fn by_device(written: &Written, wrong: &mut Vec<String>) -> BTreeMap<String, Vec<Fault>> {
    let mut faults: BTreeMap<String, Vec<Fault>> = BTreeMap::new();
    for (number, fault) in written.fault.iter().enumerate() {
        let number = number + 1;
        if !(0.0..=1.0).contains(&fault.rate) {
            wrong.push(format!("fault {number}: rate is {}; it is a share, 0 to 1", fault.rate));
        }
        for name in fault.devices.iter().filter(|name| !written.device.contains_key(*name)) {
            wrong.push(format!("fault {number}: there is no device.{name}"));
        }
        let meant = Fault {
            kind: kind(&fault.what),
            rate: fault.rate,
            begins: fault.begins.0,
            ends: fault.ends.map(|ends| ends.0),
        };
        for name in written.device.keys() {
            if fault.devices.is_empty() || fault.devices.contains(name) {
                faults.entry(name.clone()).or_default().push(meant.clone());
            }
        }
    }
    for (name, faults) in &faults {
        let sum: f64 = faults.iter().map(|fault| fault.rate).sum();
        // Faults with times of their own may follow one another.
        let always = faults.iter().all(|fault| fault.begins.is_zero() && fault.ends.is_none());
        if always && sum > 1.0 {
            wrong.push(format!("device.{name}: the rates of its faults sum to {sum}; at most one strikes each reply"));
        }
    }
    faults
}

fn kind(written: &Kind) -> FaultKind {
    match *written {
        Kind::Dead => FaultKind::Dead,
        Kind::Lost => FaultKind::Lost,
        Kind::Late { least, most } => FaultKind::Late(least.0..most.0),
        Kind::LateAfterNextRequest { after } => FaultKind::LateAfterNextRequest(after.0),
        Kind::HeldInAdapter => FaultKind::HeldInAdapter,
        Kind::Short => FaultKind::Short,
        Kind::Long { most_bytes } => FaultKind::Long(most_bytes),
        Kind::FlippedBits { bits } => FaultKind::FlippedBits(bits),
        Kind::Burst => FaultKind::Burst,
        Kind::ByteCountUp { check_sum } => FaultKind::ByteCountUp(sum(check_sum)),
        Kind::ByteCountDown { check_sum } => FaultKind::ByteCountDown(sum(check_sum)),
        Kind::AddressByte => FaultKind::AddressByte,
        Kind::WrongUnit => FaultKind::WrongUnit,
        Kind::WrongFunction => FaultKind::WrongFunction,
        Kind::Exception { code } => FaultKind::Exception(code),
        Kind::Doubled { pause } => FaultKind::Doubled(pause.0),
        Kind::Noise { most_bytes, pause } => FaultKind::Noise(most_bytes, pause.0),
        Kind::Glitch { byte } => FaultKind::Glitch(byte),
        Kind::Pause { pause } => FaultKind::Pause(pause.0),
        Kind::TwoTalkers { apart } => FaultKind::TwoTalkers(apart.0),
    }
}

const fn sum(written: written::CheckSum) -> CheckSum {
    match written {
        written::CheckSum::Stale => CheckSum::Stale,
        written::CheckSum::Right => CheckSum::Right,
    }
}

/// The strangers on the wire.
pub(super) fn disturbances(written: &Written, wrong: &mut Vec<String>) -> Vec<Disturbance> {
    let mut meant = Vec::new();
    for (number, disturbance) in written.disturbance.iter().enumerate() {
        let stranger = match &disturbance.what {
            written::Stranger::Noise { most_bytes } => Stranger::Noise(*most_bytes),
            written::Stranger::SecondMaster { asks, table, address, count } => {
                let Some(device) = written.device.get(asks) else {
                    wrong.push(format!("disturbance {}: there is no device.{asks}", number + 1));
                    continue;
                };
                let [address_high, address_low] = address.to_be_bytes();
                let [count_high, count_low] = count.to_be_bytes();
                let data = [table.function(), address_high, address_low, count_high, count_low];
                Stranger::Master(frame(device.address, &data))
            }
        };
        if disturbance.every.0.is_zero() {
            wrong.push(format!("disturbance {}: every is 0; write a time such as \"1s\"", number + 1));
        }
        meant.push(Disturbance {
            stranger,
            every: disturbance.every.0,
            begins: disturbance.begins.0,
            ends: disturbance.ends.map(|ends| ends.0),
        });
    }
    meant
}

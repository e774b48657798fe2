//! What a simulated slave holds in its registers, asked at the instant at which the slave samples them.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::frame::Table;
use crate::wiring::Wiring;

/// The registers and bits of one device.
///
/// Times are counted from the start of the wire, and never go backwards from one call to the next.
pub trait Image: Send {
    /// The register, or the bit as 0 or 1, that the device holds at `at`; nothing where it has none.
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16>;
}

impl<F> Image for F
where
    F: FnMut(Table, u16, Duration) -> Option<u16> + Send,
{
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        self(table, address, at)
    }
}

/// Registers that say whose they are: where any of them turns up shows which device and address it came from, and when it
/// was sampled.
///
/// In every table the register at an even address holds the unit in its high byte and half the address in its low byte; the
/// odd one after it holds the milliseconds since the start, modulo 65,536. Read as one unsigned number of 32 bits, high word
/// first, that is `unit << 24 | (address / 2) << 16 | milliseconds`. A bit is the lowest bit of `unit + address`.
#[derive(Clone, Debug)]
pub struct Encoded {
    /// The unit that the registers name.
    pub unit: u8,
    /// The addresses that exist, in every table.
    pub addresses: Range<u16>,
}

impl Encoded {
    /// The number of 32 bits at the even `address`, sampled at `at`.
    #[must_use]
    pub fn number(unit: u8, address: u16, at: Duration) -> u32 {
        let [_, half] = (address / 2).to_be_bytes();
        let [_, _, high, low] = milliseconds(at).to_be_bytes();
        u32::from_be_bytes([unit, half, high, low])
    }
}

impl Image for Encoded {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        if !self.addresses.contains(&address) {
            return None;
        }
        if table.holds_bits() {
            return Some((u16::from(self.unit) + address) & 1);
        }
        let [first, second, third, fourth] = Self::number(self.unit, address, at).to_be_bytes();
        Some(if address.is_multiple_of(2) {
            u16::from_be_bytes([first, second])
        } else {
            u16::from_be_bytes([third, fourth])
        })
    }
}

fn milliseconds(at: Duration) -> u32 {
    let wrapped = at.as_millis() % (1 << 32);
    u32::try_from(wrapped).expect("a remainder of 2^32 has 32 bits")
}

/// Registers with fixed values, and nothing between them.
#[derive(Clone, Debug, Default)]
pub struct Fixed {
    values: BTreeMap<(Table, u16), u16>,
}

impl Fixed {
    /// The same with these values from `start` on.
    #[must_use]
    pub fn with(mut self, table: Table, start: u16, values: &[u16]) -> Self {
        self.values.extend((start..=u16::MAX).zip(values).map(|(address, &value)| ((table, address), value)));
        self
    }
}

impl Image for Fixed {
    fn value(&mut self, table: Table, address: u16, _at: Duration) -> Option<u16> {
        self.values.get(&(table, address)).copied()
    }
}

/// An image without some of its addresses: asking for any of them is refused.
pub struct Gaps<I> {
    /// What is there.
    pub image: I,
    /// What is missing, in every table.
    pub missing: Vec<Range<u16>>,
}

impl<I: Image> Image for Gaps<I> {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        if self.missing.iter().any(|gap| gap.contains(&address)) {
            return None;
        }
        self.image.value(table, address, at)
    }
}

/// An image that the device renews only once in a period; between, its registers stand still.
pub struct Refreshed<I> {
    /// What is renewed.
    pub image: I,
    /// The time from one renewal to the next.
    pub period: Duration,
}

impl<I: Image> Image for Refreshed<I> {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        let age = at.as_nanos().checked_rem(self.period.as_nanos()).unwrap_or(0);
        let age = Duration::from_nanos(u64::try_from(age).unwrap_or(0));
        self.image.value(table, address, at.saturating_sub(age))
    }
}

/// Several images in one device: the first that has an address shows it.
pub struct Together(pub Vec<Box<dyn Image>>);

impl Image for Together {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        self.0.iter_mut().find_map(|image| image.value(table, address, at))
    }
}

/// Addresses that read 0.
#[derive(Clone, Debug)]
pub struct Filled {
    /// The table; every table if absent.
    pub table: Option<Table>,
    /// The addresses.
    pub addresses: Range<u16>,
}

impl Image for Filled {
    fn value(&mut self, table: Table, address: u16, _at: Duration) -> Option<u16> {
        (self.table.is_none_or(|own| own == table) && self.addresses.contains(&address)).then_some(0)
    }
}

/// Registers that count up (or down) evenly, and wrap.
#[derive(Clone, Debug, Default)]
pub struct Ramps(
    /// Table, address, value at the start, and change in a second.
    pub Vec<(Table, u16, u16, f64)>,
);

impl Image for Ramps {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        let (.., from, per_second) = self.0.iter().find(|(own, place, ..)| *own == table && *place == address)?;
        let value = (f64::from(*from) + per_second * at.as_secs_f64()).rem_euclid(65_536.0);
        Some(value as u16)
    }
}

/// One device of a shed.
#[derive(Clone, Debug)]
pub struct Wired {
    /// The shed and all its devices.
    pub wiring: Arc<Mutex<Wiring>>,
    /// The device's address.
    pub unit: u8,
}

impl Image for Wired {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        let mut wiring = self.wiring.lock().unwrap_or_else(PoisonError::into_inner);
        wiring.advance_to(at.as_secs_f64());
        wiring.read(self.unit, table, address)
    }
}

impl Image for Box<dyn Image> {
    fn value(&mut self, table: Table, address: u16, at: Duration) -> Option<u16> {
        self.as_mut().value(table, address, at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn encoded_registers_name_unit_address_and_time() {
        let mut image = Encoded { unit: 7, addresses: 0..20 };
        let at = Duration::from_millis(70_000);
        let high = image.value(Table::Holding, 6, at).unwrap();
        let low = image.value(Table::Holding, 7, at).unwrap();
        assert_eq!((high, low), (0x0703, 4464));
        assert_eq!((u32::from(high) << 16) | u32::from(low), Encoded::number(7, 6, at));
        assert_eq!(image.value(Table::Input, 20, at), None);
    }

    #[test]
    fn a_refreshed_image_stands_still_between_renewals() {
        let mut image = Refreshed { image: Encoded { unit: 1, addresses: 0..2 }, period: Duration::from_millis(250) };
        let mut at = |ms| image.value(Table::Input, 1, Duration::from_millis(ms)).unwrap();
        assert_eq!((at(0), at(249), at(250), at(499)), (0, 0, 250, 250));
    }
}

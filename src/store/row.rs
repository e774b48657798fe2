//! One reading as bytes, exactly.
//!
//! Two bytes say what is there (a bit for each [`Quantity`], for the status, for whether the pump runs), then follow the
//! status, and for each value: when it was sampled, counted from the reading's own time, how many registers it has and
//! whether it fits a 32-bit float, the registers, the value. A checksum over all that and the two times tells a damaged
//! row from a sound one: SQLite has none, and a memory card forgets.

use tallywell_witness::reading::{RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::SteadyMillis;

use crate::record::Quantity;

/// Tells damaged bytes from sound ones.
pub(super) const CHECKSUM: crc::Crc<u32, crc::Table<16>> = crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISO_HDLC);

const STATUS: u16 = 1 << 8;
const RUNNING_KNOWN: u16 = 1 << 9;
const RUNNING: u16 = 1 << 10;
const FITS_F32: u8 = 1 << 3;

/// What is there of a reading.
pub(super) fn presence(reading: &Reading) -> u16 {
    let mut presence = 0;
    for quantity in Quantity::ALL {
        if quantity.of(reading).is_some() {
            presence |= 1 << quantity.index();
        }
    }
    if reading.status.is_some() {
        presence |= STATUS;
    }
    match reading.running {
        Some(true) => presence | RUNNING_KNOWN | RUNNING,
        Some(false) => presence | RUNNING_KNOWN,
        None => presence,
    }
}

/// True where the quantity is there.
pub(super) const fn has(presence: u16, quantity: Quantity) -> bool {
    presence >> quantity.index() & 1 == 1
}

/// True where the status is there.
pub(super) const fn has_status(presence: u16) -> bool {
    presence & STATUS != 0
}

/// Whether the pump runs, where that is there.
pub(super) const fn running(presence: u16) -> Option<bool> {
    if presence & RUNNING_KNOWN == 0 { None } else { Some(presence & RUNNING != 0) }
}

/// Everything of a reading but its two times, with a checksum over it and them.
pub(super) fn encode(reading: &Reading) -> Vec<u8> {
    let mut out = Vec::with_capacity(64);
    out.extend_from_slice(&presence(reading).to_le_bytes());
    if let Some(status) = reading.status {
        append_varying(&mut out, status.0);
    }
    for quantity in Quantity::ALL {
        if let Some(sample) = quantity.of(reading) {
            append_varying(&mut out, zigzag(sample.at.0.wrapping_sub(reading.at.0)));
            let words = sample.raw.words();
            #[expect(clippy::cast_possible_truncation, reason = "kept only where it comes back the same")]
            let short = sample.value as f32;
            let fits = f64::from(short).to_bits() == sample.value.to_bits();
            out.push(words.len() as u8 | if fits { FITS_F32 } else { 0 });
            for word in words {
                out.extend_from_slice(&word.to_be_bytes());
            }
            if fits {
                out.extend_from_slice(&short.to_bits().to_le_bytes());
            } else {
                out.extend_from_slice(&sample.value.to_bits().to_le_bytes());
            }
        }
    }
    out.extend_from_slice(&checksum(reading, &out).to_le_bytes());
    out
}

fn checksum(times: &Reading, bytes: &[u8]) -> u32 {
    let mut digest = CHECKSUM.digest();
    digest.update(&times.at.0.to_le_bytes());
    digest.update(&times.wall.0.to_le_bytes());
    digest.update(bytes);
    digest.finalize()
}

/// The inverse of [`encode`], given a reading that has its two times; `None` if it is damaged.
pub(super) fn decode(bytes: &[u8], mut reading: Reading) -> Option<Reading> {
    let (mut bytes, sum) = bytes.split_last_chunk::<4>()?;
    if checksum(&reading, bytes) != u32::from_le_bytes(*sum) {
        return None;
    }
    let presence = u16::from_le_bytes(take(&mut bytes)?);
    if has_status(presence) {
        reading.status = Some(StatusBits(take_varying(&mut bytes)?));
    }
    reading.running = running(presence);
    for quantity in Quantity::ALL.into_iter().filter(|quantity| has(presence, *quantity)) {
        let later = unzigzag(take_varying(&mut bytes)?);
        let [kind] = take(&mut bytes)?;
        let mut words = [0_u16; 4];
        let count = usize::from(kind & 0b111);
        for word in words.get_mut(..count)? {
            *word = u16::from_be_bytes(take(&mut bytes)?);
        }
        let value = if kind & FITS_F32 == 0 {
            f64::from_bits(u64::from_le_bytes(take(&mut bytes)?))
        } else {
            f64::from(f32::from_bits(u32::from_le_bytes(take(&mut bytes)?)))
        };
        *quantity.place(&mut reading) = Some(Sample {
            value,
            at: SteadyMillis(reading.at.0.wrapping_add(later)),
            raw: RawWords::new(&words[..count]),
        });
    }
    bytes.is_empty().then_some(reading)
}

fn take<const N: usize>(bytes: &mut &[u8]) -> Option<[u8; N]> {
    let (taken, rest) = bytes.split_first_chunk::<N>()?;
    *bytes = rest;
    Some(*taken)
}

/// Seven bits a byte, the low ones first; the top bit says that more follow.
pub(super) fn append_varying(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

/// The inverse of [`append_varying`].
pub(super) fn take_varying(bytes: &mut &[u8]) -> Option<u64> {
    let mut number = 0_u64;
    for shift in (0..64).step_by(7) {
        let [byte] = take(bytes)?;
        number |= u64::from(byte & 0x7F).checked_shl(shift)?;
        if byte & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

const fn zigzag(number: i64) -> u64 {
    (number << 1 ^ number >> 63) as u64
}

const fn unzigzag(number: u64) -> i64 {
    (number >> 1) as i64 ^ -((number & 1) as i64)
}

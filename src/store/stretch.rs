//! Many readings as few bytes, exactly: column by column, each compressed as a series of numbers.
//!
//! A column of registers is kept as the numbers that the registers mean, where that gives back registers and value to the
//! last bit (it is tried, not assumed); else registers and values are kept side by side. What was sealed is opened again
//! and compared before anybody relies on it, and a checksum tells a damaged stretch from a sound one.

use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, errors::PcoError};
use tallywell_witness::declared::{ByteOrder, Entry, Table, ValueType, WordOrder};
use tallywell_witness::decode;
use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits};
use tallywell_witness::units::{SteadyMillis, Unit, WallMillis};

use super::row::{self, CHECKSUM, append_varying, take_varying};
use crate::record::Quantity;

/// The layout of a sealed stretch, its first byte.
const LAYOUT: u8 = 1;
/// Registers and values side by side.
const PLAIN: u8 = 0;
/// The numbers that the registers mean.
const MEANT: u8 = 1;
/// No stretch is nearly as long. How many there are stands beside a stretch, where its checksum does not reach: a damaged
/// number must not fill the memory.
const MOST_READINGS: usize = 100_000;

/// How the registers of a meter's values are to be understood, as declared: what sealing tries first.
#[derive(Clone, Debug, Default)]
pub(super) struct Meanings([Option<Meaning>; Quantity::ALL.len()]);

impl Meanings {
    pub(super) fn of(facts: &MeterFacts) -> Self {
        Self(Quantity::ALL.map(|quantity| {
            let entry = quantity.facts(facts)?.entry.clone();
            // The current alone is kept in another unit than its entry declares.
            let factor = if quantity == Quantity::Loop { entry.unit.to_base } else { 1.0 };
            Some(Meaning { entry, factor })
        }))
    }
}

/// How registers become a value.
#[derive(Clone, Debug)]
struct Meaning {
    entry: Entry,
    factor: f64,
}

impl Meaning {
    fn plain(value_type: ValueType, word_order: WordOrder) -> Self {
        Self::new(value_type, word_order, ByteOrder::Big, [1.0, 0.0, 1.0])
    }

    fn new(
        value_type: ValueType,
        word_order: WordOrder,
        byte_order: ByteOrder,
        [scale, offset, factor]: [f64; 3],
    ) -> Self {
        let entry = Entry {
            name: String::new(),
            table: if value_type == ValueType::Bit { Table::Coil } else { Table::Holding },
            address: 0,
            value_type,
            word_order,
            byte_order,
            unit: Unit::number(),
            scale,
            offset,
            wraps_at: None,
            bits: std::collections::BTreeMap::new(),
        };
        Self { entry, factor }
    }

    fn value(&self, words: &[u16]) -> f64 {
        decode::decode(&self.entry, words) * self.factor
    }

    /// The registers that hold these bits.
    fn words(&self, bits: u64) -> RawWords {
        let width = usize::from(self.entry.value_type.width());
        let mut words = [0_u16; 4];
        for (place, word) in words[..width].iter_mut().enumerate() {
            let shift = match self.entry.word_order {
                WordOrder::HighFirst => 16 * (width - 1 - place),
                WordOrder::LowFirst => 16 * place,
            };
            let cut = (bits >> shift) as u16;
            *word = if self.entry.byte_order == ByteOrder::Little { cut.swap_bytes() } else { cut };
        }
        RawWords::new(&words[..width])
    }

    /// The bits of a sample, if they and this meaning give the sample back to the last bit.
    fn bits(&self, sample: &Sample) -> Option<u64> {
        let words = sample.raw.words();
        let bits = decode::bits(&self.entry, words)?;
        let same = self.words(bits).words() == words && self.value(words).to_bits() == sample.value.to_bits();
        same.then_some(bits)
    }

    fn append(&self, out: &mut Vec<u8>) {
        let entry = &self.entry;
        let place = TYPES.iter().position(|value_type| *value_type == entry.value_type).unwrap_or_default();
        out.push(place as u8);
        out.push(
            u8::from(entry.word_order == WordOrder::LowFirst) | u8::from(entry.byte_order == ByteOrder::Little) << 1,
        );
        for number in [entry.scale, entry.offset, self.factor] {
            out.extend_from_slice(&number.to_bits().to_le_bytes());
        }
    }

    fn take(bytes: &mut &[u8]) -> Option<Self> {
        let ([place, orders], rest) = bytes.split_first_chunk::<2>()?;
        *bytes = rest;
        let mut numbers = [0.0; 3];
        for number in &mut numbers {
            let (eight, rest) = bytes.split_first_chunk::<8>()?;
            *bytes = rest;
            *number = f64::from_bits(u64::from_le_bytes(*eight));
        }
        let word_order = if orders & 1 == 0 { WordOrder::HighFirst } else { WordOrder::LowFirst };
        let byte_order = if orders & 2 == 0 { ByteOrder::Big } else { ByteOrder::Little };
        Some(Self::new(*TYPES.get(usize::from(*place))?, word_order, byte_order, numbers))
    }
}

/// The types by the numbers that stand for them in a sealed stretch.
const TYPES: [ValueType; 9] = [
    ValueType::Bit,
    ValueType::U16,
    ValueType::I16,
    ValueType::U32,
    ValueType::I32,
    ValueType::U64,
    ValueType::I64,
    ValueType::F32,
    ValueType::F64,
];

/// Seals readings; `None` if they would not come back to the last bit, which is a fault of this program.
pub(super) fn seal(readings: &[Reading], meanings: &Meanings) -> Option<Vec<u8>> {
    let mut out = vec![LAYOUT];
    let all = |number: fn(&Reading) -> i64| readings.iter().map(number).collect::<Vec<_>>();
    append_column(&mut out, &all(|reading| reading.at.0))?;
    append_column(&mut out, &all(|reading| reading.wall.0.wrapping_sub(reading.at.0)))?;
    append_column(&mut out, &readings.iter().map(row::presence).collect::<Vec<_>>())?;
    append_column(&mut out, &readings.iter().filter_map(|reading| Some(reading.status?.0)).collect::<Vec<_>>())?;
    // Each sample's time is counted from the sample before it: values of one request share their instant.
    let mut before = all(|reading| reading.at.0);
    for quantity in Quantity::ALL {
        let samples: Vec<Sample> = readings.iter().filter_map(|reading| quantity.of(reading)).collect();
        if samples.is_empty() {
            continue;
        }
        let mut later = Vec::with_capacity(samples.len());
        for (reading, before) in readings.iter().zip(&mut before) {
            if let Some(sample) = quantity.of(reading) {
                later.push(sample.at.0.wrapping_sub(*before));
                *before = sample.at.0;
            }
        }
        append_column(&mut out, &later)?;
        append_samples(&mut out, &samples, meanings.0[quantity.index()].as_ref())?;
    }
    out.extend_from_slice(&CHECKSUM.checksum(&out).to_le_bytes());
    let back = open(&out, readings.len())?;
    let same = |(one, other): (&Reading, &Reading)| {
        one.at == other.at && one.wall == other.wall && row::encode(one) == row::encode(other)
    };
    (back.len() == readings.len() && back.iter().zip(readings).all(same)).then_some(out)
}

fn append_samples(out: &mut Vec<u8>, samples: &[Sample], declared: Option<&Meaning>) -> Option<()> {
    let plain = plain_meanings(samples[0].raw.words().len());
    let meant = declared.into_iter().chain(&plain).find_map(|meaning| {
        let bits = samples.iter().map(|sample| meaning.bits(sample)).collect::<Option<Vec<u64>>>()?;
        Some((meaning, bits))
    });
    let Some((meaning, bits)) = meant else {
        out.push(PLAIN);
        append_column(out, &samples.iter().map(|sample| sample.raw.words().len() as u16).collect::<Vec<_>>())?;
        append_column(out, &samples.iter().map(|sample| joined(sample.raw)).collect::<Vec<_>>())?;
        return append_column(out, &samples.iter().map(|sample| sample.value).collect::<Vec<_>>());
    };
    out.push(MEANT);
    meaning.append(out);
    match meaning.entry.value_type {
        ValueType::F32 => append_column(out, &bits.iter().map(|bits| f32::from_bits(*bits as u32)).collect::<Vec<_>>()),
        ValueType::F64 => append_column(out, &bits.iter().map(|bits| f64::from_bits(*bits)).collect::<Vec<_>>()),
        value_type => append_column(out, &bits.iter().map(|bits| signed(value_type, *bits)).collect::<Vec<_>>()),
    }
}

/// What registers may mean where nothing was declared, or something else.
fn plain_meanings(width: usize) -> Vec<Meaning> {
    let types = match width {
        1 => vec![ValueType::U16, ValueType::I16],
        2 => vec![ValueType::U32, ValueType::F32, ValueType::I32],
        4 => vec![ValueType::U64, ValueType::F64, ValueType::I64],
        _ => Vec::new(),
    };
    let orders = [WordOrder::HighFirst, WordOrder::LowFirst];
    types.into_iter().flat_map(|value_type| orders.map(|order| Meaning::plain(value_type, order))).collect()
}

/// Bits of a whole number as the number, so that values around nought lie close together.
const fn signed(value_type: ValueType, bits: u64) -> i64 {
    match value_type {
        ValueType::I16 => bits as u16 as i16 as i64,
        ValueType::I32 => bits as u32 as i32 as i64,
        _ => bits as i64,
    }
}

/// The inverse of [`signed`].
const fn unsigned(value_type: ValueType, number: i64) -> u64 {
    match value_type {
        ValueType::I16 => number as u16 as u64,
        ValueType::I32 => number as u32 as u64,
        _ => number as u64,
    }
}

fn joined(raw: RawWords) -> u64 {
    raw.words().iter().fold(0, |joined, word| joined << 16 | u64::from(*word))
}

fn cut(joined: u64, width: u16) -> RawWords {
    let mut words = [0_u16; 4];
    let width = usize::from(width.min(4));
    for (place, word) in words[..width].iter_mut().enumerate() {
        *word = (joined >> (16 * (width - 1 - place))) as u16;
    }
    RawWords::new(&words[..width])
}

/// Opens what [`seal`] made of `count` readings; `None` if it is damaged.
pub(super) fn open(sealed: &[u8], count: usize) -> Option<Vec<Reading>> {
    if count > MOST_READINGS {
        return None;
    }
    let (content, checksum) = sealed.split_last_chunk::<4>()?;
    if CHECKSUM.checksum(content) != u32::from_le_bytes(*checksum) {
        return None;
    }
    let mut bytes = content.strip_prefix(&[LAYOUT])?;
    let at: Vec<i64> = take_column(&mut bytes, count)?;
    let ahead: Vec<i64> = take_column(&mut bytes, count)?;
    let presence: Vec<u16> = take_column(&mut bytes, count)?;
    let with_status = presence.iter().filter(|presence| row::has_status(**presence)).count();
    let mut status = take_column::<u64>(&mut bytes, with_status)?.into_iter();
    let mut readings = Vec::with_capacity(count);
    for ((at, ahead), presence) in at.iter().zip(&ahead).zip(&presence) {
        readings.push(Reading {
            at: SteadyMillis(*at),
            wall: WallMillis(at.wrapping_add(*ahead)),
            status: if row::has_status(*presence) { Some(StatusBits(status.next()?)) } else { None },
            running: row::running(*presence),
            ..Reading::default()
        });
    }
    let mut before = at;
    for quantity in Quantity::ALL {
        let count = presence.iter().filter(|presence| row::has(**presence, quantity)).count();
        if count == 0 {
            continue;
        }
        let mut later = take_column::<i64>(&mut bytes, count)?.into_iter();
        let mut samples = take_samples(&mut bytes, count)?.into_iter();
        for ((reading, before), presence) in readings.iter_mut().zip(&mut before).zip(&presence) {
            if row::has(*presence, quantity) {
                *before = before.wrapping_add(later.next()?);
                let (value, raw) = samples.next()?;
                *quantity.place(reading) = Some(Sample { value, at: SteadyMillis(*before), raw });
            }
        }
    }
    bytes.is_empty().then_some(readings)
}

fn take_samples(bytes: &mut &[u8], count: usize) -> Option<Vec<(f64, RawWords)>> {
    let (kind, rest) = bytes.split_first()?;
    *bytes = rest;
    if *kind == PLAIN {
        let widths = take_column::<u16>(bytes, count)?;
        let registers = take_column::<u64>(bytes, count)?;
        let values = take_column::<f64>(bytes, count)?;
        let words = registers.into_iter().zip(widths).map(|(joined, width)| cut(joined, width));
        return Some(values.into_iter().zip(words).collect());
    }
    let meaning = Meaning::take(bytes)?;
    let meant = |bits: u64| {
        let raw = meaning.words(bits);
        (meaning.value(raw.words()), raw)
    };
    Some(match meaning.entry.value_type {
        ValueType::F32 => {
            take_column::<f32>(bytes, count)?.into_iter().map(|number| meant(u64::from(number.to_bits()))).collect()
        }
        ValueType::F64 => take_column::<f64>(bytes, count)?.into_iter().map(|number| meant(number.to_bits())).collect(),
        value_type => {
            take_column::<i64>(bytes, count)?.into_iter().map(|number| meant(unsigned(value_type, number))).collect()
        }
    })
}

/// A column behind its length in bytes; an empty one has length nought.
fn append_column<T: Number>(out: &mut Vec<u8>, column: &[T]) -> Option<()> {
    let compressed: Result<Vec<u8>, PcoError> =
        if column.is_empty() { Ok(Vec::new()) } else { simple_compress(column, &ChunkConfig::default()) };
    let compressed = compressed.ok()?;
    append_varying(out, compressed.len() as u64);
    out.extend_from_slice(&compressed);
    Some(())
}

fn take_column<T: Number + Default>(bytes: &mut &[u8], count: usize) -> Option<Vec<T>> {
    let length = usize::try_from(take_varying(bytes)?).ok()?;
    let (compressed, rest) = bytes.split_at_checked(length)?;
    *bytes = rest;
    let mut column = vec![T::default(); count];
    if count > 0 {
        let progress = simple_decompress_into(compressed, &mut column).ok()?;
        if progress.n_processed != count || !progress.finished {
            return None;
        }
    }
    Some(column)
}

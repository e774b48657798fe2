//! Maps of devices that nobody knows, made up from a seed: flow, total and settings in any type and order, among registers
//! that mean something else. Encoded here, with none of the program's code.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What a value stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stands {
    Flow,
    Total,
    Setting,
    /// Something beside: a serial number, a status, a temperature, hours of use.
    Beside,
}

/// How it lies in its registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Word,
    Long,
    Float,
    Wide,
    WideFloat,
}

impl Kind {
    pub const fn width(self) -> usize {
        match self {
            Self::Word => 1,
            Self::Long | Self::Float => 2,
            Self::Wide | Self::WideFloat => 4,
        }
    }

    /// The types that read it right; a whole number that is small, its last register alone too.
    pub const fn names(self) -> &'static [&'static str] {
        match self {
            Self::Word => &["u16"],
            Self::Long => &["u32", "u16"],
            Self::Float => &["f32"],
            Self::Wide => &["u64", "u32"],
            Self::WideFloat => &["f64"],
        }
    }

    /// Bytes, the highest first.
    fn bytes(self, value: f64) -> Vec<u8> {
        match self {
            Self::Word => (value as u16).to_be_bytes().to_vec(),
            Self::Long => (value as u32).to_be_bytes().to_vec(),
            Self::Float => (value as f32).to_be_bytes().to_vec(),
            Self::Wide => (value as u64).to_be_bytes().to_vec(),
            Self::WideFloat => value.to_be_bytes().to_vec(),
        }
    }

    /// What the registers say of a value: whole numbers are cut, floats rounded.
    fn told(self, value: f64) -> f64 {
        match self {
            Self::Word | Self::Long | Self::Wide => value.trunc(),
            Self::Float => f64::from(value as f32),
            Self::WideFloat => value,
        }
    }
}

#[derive(Clone, Debug)]
pub struct Field {
    pub stands: Stands,
    pub kind: Kind,
    /// Its first register, from the first of the map.
    pub word: usize,
    value: f64,
    /// By how much it rises for each unit of the flow and second; the flow's own is nothing.
    per_flow: f64,
    /// What one step of a whole number is worth.
    scale: f64,
}

/// A map, and the flow that it shows.
#[derive(Clone, Debug)]
pub struct Hidden {
    pub table: &'static str,
    pub first: u16,
    pub low_first: bool,
    pub little: bool,
    pub words: usize,
    pub fields: Vec<Field>,
    flow: f64,
    mean: f64,
    noise: f64,
    litres: f64,
    dice: ChaCha8Rng,
}

impl Hidden {
    pub fn of(seed: u64) -> Self {
        let mut dice = ChaCha8Rng::seed_from_u64(seed);
        let mean = 10_f64.powf(dice.random_range(-0.3..2.5));
        let mut fields = vec![flow(&mut dice), total(&mut dice, mean)];
        for _ in 0..dice.random_range(1..=2) {
            fields.push(setting(&mut dice));
        }
        for _ in 0..dice.random_range(0..=3) {
            fields.push(beside(&mut dice));
        }
        // In any order, with registers between them that hold nothing.
        for index in (1..fields.len()).rev() {
            let other = dice.random_range(0..=index);
            fields.swap(index, other);
        }
        let mut word = 0;
        for field in &mut fields {
            word += [0, 0, 0, 0, 1, 2][dice.random_range(0..6)];
            field.word = word;
            word += field.kind.width();
        }
        Self {
            table: ["holding", "input"][dice.random_range(0..2)],
            first: dice.random_range(0..200),
            low_first: dice.random_bool(0.4),
            little: dice.random_bool(0.1),
            words: word,
            fields,
            flow: mean,
            mean,
            noise: mean * 10_f64.powf(dice.random_range(-3.0..-1.7)),
            litres: 10_f64.powf(dice.random_range(3.0..6.5)),
            dice,
        }
    }

    /// Lets `seconds` go by.
    pub fn pass(&mut self, seconds: f64) {
        // A flow with turbulence, damped with about 2 s.
        let share = (seconds / 2.0).min(1.0);
        let kick: f64 = (0..6).map(|_| self.dice.random_range(-1.0..1.0)).sum::<f64>() / 2_f64.sqrt();
        self.flow += share * (self.mean - self.flow) + self.noise * share.sqrt() * kick;
        self.litres += self.flow * seconds;
        for field in &mut self.fields {
            if field.stands == Stands::Beside && field.per_flow > 0.0 {
                field.value += field.per_flow * seconds;
            }
        }
    }

    /// What a field shows.
    pub fn shown(&self, field: &Field) -> f64 {
        let value = match field.stands {
            Stands::Flow => self.flow * field.scale,
            Stands::Total => field.value + self.litres * field.per_flow * field.scale,
            Stands::Setting | Stands::Beside => field.value,
        };
        field.kind.told(value)
    }

    /// All registers, as the wire carries them.
    pub fn registers(&self) -> Vec<u16> {
        let mut registers = vec![0; self.words];
        for field in &self.fields {
            let bytes = field.kind.bytes(self.shown(field));
            let mut words: Vec<u16> = bytes
                .chunks_exact(2)
                .map(|pair| {
                    let pair = [pair[0], pair[1]];
                    if self.little { u16::from_le_bytes(pair) } else { u16::from_be_bytes(pair) }
                })
                .collect();
            if self.low_first {
                words.reverse();
            }
            registers[field.word..field.word + words.len()].copy_from_slice(&words);
        }
        registers
    }
}

const fn field(stands: Stands, kind: Kind, value: f64, per_flow: f64, scale: f64) -> Field {
    Field { stands, kind, word: 0, value, per_flow, scale }
}

fn flow(dice: &mut impl Rng) -> Field {
    let (kind, scale) = match dice.random_range(0..10) {
        0 => (Kind::WideFloat, 1.0),
        1 => (Kind::Long, 1000.0),
        2 | 3 => (Kind::Word, 100.0),
        _ => (Kind::Float, 1.0),
    };
    // In L/s, m3/h or L/min; a whole number has to fit.
    let unit = [1.0, 3.6, 60.0][dice.random_range(0..3)];
    let scale = if kind == Kind::Word { scale } else { scale * unit };
    field(Stands::Flow, kind, 0.0, 0.0, scale)
}

fn total(dice: &mut impl Rng, mean: f64) -> Field {
    let kind = match dice.random_range(0..10) {
        0 | 1 => Kind::WideFloat,
        2 => Kind::Float,
        3 => Kind::Wide,
        _ => Kind::Long,
    };
    // In litres, or in cubic metres where decimals are kept; whole litres need some flow to move at all.
    let scale = match kind {
        Kind::WideFloat | Kind::Float if dice.random_bool(0.5) => 0.001,
        Kind::Long | Kind::Wide if mean < 2.0 => 10.0,
        _ => 1.0,
    };
    field(Stands::Total, kind, 0.0, 1.0, scale)
}

fn setting(dice: &mut impl Rng) -> Field {
    let round = [10.0, 20.0, 25.0, 36.0, 40.0, 50.0, 100.0, 125.0, 150.0, 250.0, 0.06, 0.5, 2.5, 5.0];
    let value = round[dice.random_range(0..round.len())];
    field(Stands::Setting, Kind::Float, value, 0.0, 1.0)
}

fn beside(dice: &mut impl Rng) -> Field {
    match dice.random_range(0..4) {
        0 => field(Stands::Beside, Kind::Long, f64::from(dice.random_range(10_000_000..u32::MAX)), 0.0, 1.0),
        1 => field(Stands::Beside, Kind::Word, f64::from(dice.random_range(0..4_u16)), 0.0, 1.0),
        2 => field(Stands::Beside, Kind::Float, dice.random_range(5.0..35.0), 0.0, 1.0),
        // Seconds of use: it rises like a total, and is none.
        _ => field(Stands::Beside, Kind::Long, f64::from(dice.random_range(100_000..90_000_000)), 1.0, 1.0),
    }
}

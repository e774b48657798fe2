use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;
use crate::declared::{Dimension, Table, Unit};

fn entry(value_type: ValueType, word_order: WordOrder, byte_order: ByteOrder) -> Entry {
    Entry {
        name: "value".into(),
        table: if value_type == ValueType::Bit { Table::Coil } else { Table::Holding },
        address: 0,
        value_type,
        word_order,
        byte_order,
        unit: Unit { symbol: "L".into(), dimension: Dimension::Volume, to_base: 1.0 },
        scale: 1.0,
        offset: 0.0,
        wraps_at: None,
        bits: BTreeMap::new(),
    }
}

fn plain(value_type: ValueType) -> Entry {
    entry(value_type, WordOrder::HighFirst, ByteOrder::Big)
}

/// MODBUS Application Protocol V1.1b3 §6.3: registers 108 to 110 hold 555, 0, 100; §6.4: input register 9 holds 10.
#[test]
fn decodes_the_examples_of_the_application_protocol() {
    let reply = [0x02, 0x2B, 0x00, 0x00, 0x00, 0x64_u8];
    let words: Vec<u16> = reply.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    let values: Vec<f64> = words.iter().map(|word| decode(&plain(ValueType::U16), &[*word])).collect();
    assert_eq!(values, [555.0, 0.0, 100.0]);
    assert_eq!(decode(&plain(ValueType::U16), &[0x000A]), 10.0);
}

/// "Sample single precision floating-point values", a processor maker's public table, and the whole numbers about 2^15
/// from the C/C++ Users Journal, 1995.
#[test]
fn decodes_the_published_table_of_single_precision_numbers() {
    let float = plain(ValueType::F32);
    for (words, value) in [
        ([0x3F80, 0x0000], 1.0),
        ([0xBF80, 0x0000], -1.0),
        ([0x3F80, 0x0001], 1.000_000_119_209_289_6),
        ([0x3F40, 0x0000], 0.75),
        ([0x0080, 0x0000], 2_f64.powi(-126)),
        ([0x0000, 0x0001], 2_f64.powi(-149)),
        ([0x7F7F, 0xFFFF], (2.0 - 2_f64.powi(-23)) * 2_f64.powi(127)),
        ([0x7F80, 0x0000], f64::INFINITY),
        ([0xFF80, 0x0000], f64::NEG_INFINITY),
        ([0x0000, 0x0000], 0.0),
        ([0x4700, 0x0000], 32768.0),
        ([0x4700, 0x0100], 32769.0),
        ([0x46FF, 0xFE00], 32767.0),
    ] {
        assert_eq!(decode(&float, &words), value, "{words:04X?}");
    }
    assert!(decode(&float, &[0x7F80, 0x0001]).is_nan(), "a signalling NaN stays a NaN");
    assert!(decode(&float, &[0x7FC0, 0x0000]).is_nan(), "a quiet NaN stays a NaN");
}

/// 123456.0 is 47F12000 (a test vector of several independent libraries): its four layouts in two registers, and what
/// each is when taken for the first.
#[test]
fn tells_the_four_layouts_of_a_float_apart() {
    use {ByteOrder::*, WordOrder::*};
    for (word_order, byte_order, words, misread) in [
        (HighFirst, Big, [0x47F1, 0x2000], 123_456.0),
        (LowFirst, Big, [0x2000, 0x47F1], 1.086_582_5e-19),
        (HighFirst, Little, [0xF147, 0x0020], -9.854_026e29),
        (LowFirst, Little, [0x0020, 0xF147], 3.025_289_9e-39),
    ] {
        let declared = entry(ValueType::F32, word_order, byte_order);
        assert_eq!(decode(&declared, &words), 123_456.0);
        assert_eq!(encode(&declared, 123_456.0).unwrap().words(), words);
        let wrong = decode(&plain(ValueType::F32), &words);
        assert!((wrong / misread - 1.0).abs() < 1e-6, "{wrong} for {misread}");
    }
}

/// A process controller's published reply `01 03 04 00 00 41 A0 CA 1B`: 20.0 with the low word first.
#[test]
fn decodes_a_published_reply_with_the_low_word_first() {
    let declared = entry(ValueType::F32, WordOrder::LowFirst, ByteOrder::Big);
    assert_eq!(decode(&declared, &[0x0000, 0x41A0]), 20.0);
    assert_eq!(swapped(&plain(ValueType::F32), decode(&plain(ValueType::F32), &[0x0000, 0x41A0])), 20.0);
}

/// Two's complement and binary64 patterns from first principles.
#[test]
fn decodes_whole_numbers_and_doubles() {
    assert_eq!(decode(&plain(ValueType::U32), &[0x0012, 0xD687]), 1_234_567.0);
    assert_eq!(swapped(&plain(ValueType::U32), 1_234_567.0), 3_599_171_602.0);
    assert_eq!(decode(&plain(ValueType::I32), &[0xFFFF, 0xFFFF]), -1.0);
    assert_eq!(decode(&plain(ValueType::I32), &[0xFFFE, 0x1DC0]), -123_456.0);
    assert_eq!(decode(&plain(ValueType::I16), &[0x8000]), -32768.0);
    assert_eq!(decode(&plain(ValueType::I64), &[0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE]), -2.0);
    assert_eq!(decode(&plain(ValueType::F64), &[0x4132, 0xD687, 0xE418, 0x9375]), 1_234_567.891);
    assert_eq!(decode(&plain(ValueType::Bit), &[1]), 1.0);
    // Microamperes shown in milliamperes, to the last digit.
    let microamperes = Entry { scale: 0.001, ..plain(ValueType::U16) };
    assert_eq!(decode(&microamperes, &[16_891]).to_string(), "16.891");
    let scaled = Entry { scale: 0.1, offset: -40.0, ..plain(ValueType::U16) };
    assert!((decode(&scaled, &[655]) - 25.5).abs() < 1e-12);
    assert!(decode(&plain(ValueType::U32), &[1]).is_nan(), "half a value is no value");
}

#[test]
fn a_float_total_loses_single_litres_at_two_to_the_24() {
    let total = plain(ValueType::F32);
    assert_eq!(resolution(&total, 16_777_215.0), 1.0);
    assert_eq!(resolution(&total, 16_777_216.0), 2.0);
    assert_eq!(resolution(&Entry { scale: 1000.0, ..total.clone() }, 16_777_216_000.0), 2000.0);
    assert_eq!(resolution(&total, f64::NAN), f64::INFINITY);
    assert_eq!(resolution(&Entry { scale: 0.5, ..plain(ValueType::U32) }, 7.5), 0.5);
}

#[test]
fn steps_go_the_short_way_round() {
    let counter = modulus(&plain(ValueType::U16));
    assert_eq!(unwrap_step(65533.0, 3.0, counter), 6.0);
    assert_eq!(unwrap_step(3.0, 65533.0, counter), -6.0);
    assert_eq!(unwrap_step(4_294_967_290.0, 100.0, modulus(&plain(ValueType::U32))), 106.0);
    let decades = Entry { wraps_at: Some(1_000_000), scale: 10.0, ..plain(ValueType::U32) };
    assert_eq!(unwrap_step(9_999_990.0, 20.0, modulus(&decades)), 30.0);
    assert_eq!(modulus(&plain(ValueType::F32)), None);
    assert_eq!(unwrap_step(10.0, 4.0, None), -6.0);
}

#[test]
fn what_a_type_cannot_hold_is_not_encoded() {
    assert_eq!(encode(&plain(ValueType::U16), -1.0), None);
    assert_eq!(encode(&plain(ValueType::U16), 65536.0), None);
    assert_eq!(encode(&plain(ValueType::I16), 32768.0), None);
    assert_eq!(encode(&plain(ValueType::U64), 2_f64.powi(64)), None);
    assert_eq!(encode(&plain(ValueType::U32), f64::NAN), None);
    assert_eq!(encode(&plain(ValueType::F32), 1e300), None);
    assert!(encode(&plain(ValueType::F32), f64::INFINITY).is_some());
}

#[test]
fn unknown_registers_show_the_float_they_hold() {
    let found = plausible(&[0x47F1, 0x2000]);
    assert!(found.iter().any(|candidate| {
        candidate.value_type == ValueType::F32
            && candidate.word_order == WordOrder::HighFirst
            && candidate.byte_order == ByteOrder::Big
            && candidate.value == 123_456.0
    }));
    assert!(!found.iter().any(|candidate| candidate.value_type == ValueType::F32 && candidate.value != 123_456.0));
    assert!(plausible(&[]).is_empty());
}

fn any_shape() -> impl Strategy<Value = Entry> {
    use ValueType::*;
    (
        prop::sample::select(vec![U16, I16, U32, I32, U64, I64, F32, F64]),
        prop::sample::select(vec![WordOrder::HighFirst, WordOrder::LowFirst]),
        prop::sample::select(vec![ByteOrder::Big, ByteOrder::Little]),
        prop::sample::select(vec![1.0, 0.1, 0.001, 10.0, -1.0, 2.5]),
        prop::sample::select(vec![0.0, -40.0, 273.15]),
    )
        .prop_map(|(value_type, word_order, byte_order, scale, offset)| Entry {
            scale,
            offset,
            ..entry(value_type, word_order, byte_order)
        })
}

proptest! {
    /// Whatever a device of up to 32 bits shows can be turned back into the registers that it came from.
    #[test]
    fn encoding_undoes_decoding(shape in any_shape(), words in prop::array::uniform4(any::<u16>())) {
        let width = usize::from(shape.value_type.width());
        prop_assume!(width <= 2);
        let shown = decode(&shape, &words);
        prop_assume!(shown.is_finite());
        let back = encode(&shape, shown).expect("what was shown can be encoded");
        if shape.value_type == ValueType::F32 {
            // An offset may have rounded the smallest bits of a float away, and the sign of zero goes with any offset.
            prop_assert!((decode(&shape, back.words()) - shown).abs() <= resolution(&shape, shown));
        }
        if shape.value_type != ValueType::F32 || (shape.offset == 0.0 && shown != 0.0) {
            prop_assert_eq!(back.words(), &words[..width]);
        }
    }

    /// The short way round recovers any true step below half the modulus.
    #[test]
    fn unwrapping_recovers_the_true_step(start in any::<u32>(), step in -0x7FFF_FFFF_i32..0x7FFF_FFFF) {
        let next = start.wrapping_add_signed(step);
        let seen = unwrap_step(f64::from(start), f64::from(next), modulus(&plain(ValueType::U32)));
        prop_assert_eq!(seen, f64::from(step));
    }

    /// Any float in an instrument's range is among the plausible decodings of its registers, in its own order.
    #[test]
    fn a_plausible_float_is_always_shown(value in 1e-3_f32..1e9, shape in any_shape()) {
        let shape = Entry { value_type: ValueType::F32, scale: 1.0, offset: 0.0, ..shape };
        let words = encode(&shape, f64::from(value)).expect("a float holds a float");
        let shown = plausible(words.words()).into_iter().any(|candidate| {
            candidate.value_type == ValueType::F32 && candidate.value == f64::from(value)
        });
        prop_assert!(shown);
    }
}

/// A device of random layout, watched for ten seconds: a noisy flow, a total that climbs with it, two settings.
#[test]
fn a_few_seconds_tell_flow_total_and_settings_apart() {
    use rand::{RngExt, SeedableRng};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(31);
    let (mut right, mut asked) = (0, 0);
    for _ in 0..300 {
        let word_order = if random.random() { WordOrder::HighFirst } else { WordOrder::LowFirst };
        let byte_order = if random.random_range(0..5) == 0 { ByteOrder::Little } else { ByteOrder::Big };
        let shape = |value_type| entry(value_type, word_order, byte_order);
        let flow = 10_f64.powf(random.random_range(0.5..2.5));
        let start: f64 = random.random_range(1e5..4e9);
        let setting = random.random_range(1..200_u32) as f64 / 2.0;
        let gap = random.random_range(0..3);
        let mut observations = Vec::new();
        let mut total = start;
        for second in 0..=10 {
            let seen = flow * (1.0 + random.random_range(-0.02..0.02));
            total += if second == 0 { 0.0 } else { seen };
            let mut words = vec![0_u16; gap];
            for (value_type, value) in
                [(ValueType::F32, seen), (ValueType::U32, total.floor()), (ValueType::F32, setting)]
            {
                words.extend(encode(&shape(value_type), value).expect("it fits").words());
            }
            observations.push(Observation { at: crate::units::Seconds(f64::from(second)), words });
        }
        let layout = likely_layout(&rank(&observations));
        for (word, value_type, likeness) in [
            (gap, ValueType::F32, Likeness::Flow),
            (gap + 2, ValueType::U32, Likeness::Total),
            (gap + 4, ValueType::F32, Likeness::Setting),
        ] {
            asked += 1;
            let found = layout.iter().any(|it| {
                let candidate = it.candidate;
                (candidate.word, candidate.value_type, it.likeness) == (word, value_type, likeness)
                    && (candidate.word_order, candidate.byte_order) == (word_order, byte_order)
            });
            right += usize::from(found);
        }
    }
    assert!(right * 100 >= 95 * asked, "{right} of {asked}");
}

/// Counters side by side, each with the same high half as its neighbour, are divided from the first register on.
#[test]
fn counters_side_by_side_are_not_taken_across_their_borders() {
    let seconds = (0..6_u32).map(|second| {
        let counters = [109_865 + 5 * second, 87_359 + second, 98_712 + second / 3, 0];
        let words = counters.iter().flat_map(|count| [(count >> 16) as u16, *count as u16]).collect();
        Observation { at: crate::units::Seconds(f64::from(second)), words }
    });
    let layout = likely_layout(&rank(&seconds.collect::<Vec<_>>()));
    let first = layout.iter().find(|it| it.likeness == Likeness::Total).unwrap();
    assert_eq!((first.candidate.word, first.candidate.word_order), (0, WordOrder::HighFirst), "{layout:?}");
}

#[test]
fn a_long_count_is_swapped_back_although_fifteen_digits_lost_its_end() {
    let entry = Entry { scale: 0.001, ..plain(ValueType::U64) };
    let count = 38_793_411_u64;
    let turned = (count << 48) | ((count >> 16) & 0xffff) << 32 | ((count >> 32) & 0xffff) << 16 | (count >> 48);
    let shown: f64 = format!("{:.14e}", turned as f64 * 0.001).parse().expect("a number");
    assert_eq!(swapped(&entry, shown), 38_793.411);
}

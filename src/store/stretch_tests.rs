//! Sealed readings come back to the last bit, and a damaged stretch is told from a sound one.

use proptest::prelude::*;
use tallywell_witness::reading::{RawWords, Reading, Sample};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::stretch::{Meanings, open, seal};
use super::tests::{exactly, readings};
use crate::record::Quantity;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_readings_come_back(readings in readings()) {
        let sealed = seal(&readings, &Meanings::default()).unwrap();
        let back = open(&sealed, readings.len()).unwrap();
        prop_assert_eq!(back.iter().map(exactly).collect::<Vec<_>>(), readings.iter().map(exactly).collect::<Vec<_>>());
    }

    #[test]
    fn a_damaged_stretch_is_refused(readings in readings(), place: prop::sample::Index, flip in 1_u8.., cut: prop::sample::Index) {
        let sealed = seal(&readings, &Meanings::default()).unwrap();
        let mut damaged = sealed.clone();
        damaged[place.index(sealed.len())] ^= flip;
        prop_assert!(open(&damaged, readings.len()).is_none());
        prop_assert!(open(&sealed[..cut.index(sealed.len())], readings.len()).is_none());
        prop_assert!(open(&sealed, readings.len() + 1).is_none());
        prop_assert!(open(&sealed, u32::MAX as usize).is_none());
    }
}

/// Float registers with the low half first, as many meters send them, take no more room than the halves the right way
/// round: they are kept as the numbers that they mean.
#[test]
fn registers_are_kept_as_what_they_mean() {
    let series = |swapped: bool| -> Vec<Reading> {
        (0..2000_u16)
            .map(|second| {
                let at = i64::from(second) * 1000;
                let flow = 12.0 + f32::from(second % 97) / 16.0;
                let bits = flow.to_bits();
                let mut words = [(bits >> 16) as u16, bits as u16];
                if swapped {
                    words.reverse();
                }
                let flow = Sample { value: f64::from(flow), at: SteadyMillis(at), raw: RawWords::new(&words) };
                Reading { at: SteadyMillis(at), wall: WallMillis(at), flow: Some(flow), ..Reading::default() }
            })
            .collect()
    };
    let sealed = [false, true].map(|swapped| seal(&series(swapped), &Meanings::default()).unwrap().len());
    assert_eq!(sealed[0], sealed[1]);
    // Were registers and values kept side by side, there would be two columns of them.
    let mut unlike = series(false);
    for reading in &mut unlike {
        if let Some(flow) = Quantity::Flow.place(reading) {
            flow.value += 0.1;
        }
    }
    assert!(seal(&unlike, &Meanings::default()).unwrap().len() > sealed[0]);
}

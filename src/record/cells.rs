//! What stands in one cell.

use tallywell_witness::reading::RawWords;

/// How numbers are written in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DecimalMark {
    /// `12.5`
    Point,
    /// `12,5`, and `12.5` too
    Comma,
}

/// A number, or `nan`, `inf`, `-inf` in any case.
pub(super) fn number(cell: &[u8], mark: DecimalMark) -> Option<f64> {
    match mark {
        DecimalMark::Comma if cell.contains(&b',') => {
            let mut copy = [0_u8; 64];
            let copy = copy.get_mut(..cell.len())?;
            for (to, from) in copy.iter_mut().zip(cell) {
                *to = if *from == b',' { b'.' } else { *from };
            }
            fast_float2::parse(copy).ok()
        }
        _ => fast_float2::parse(cell).ok(),
    }
}

/// Registers as hexadecimal words of four digits, high address last, with or without something between them.
pub(super) fn raw_words(cell: &[u8]) -> Option<RawWords> {
    let mut words = [0_u16; 4];
    let mut count = 0;
    let mut digits = 0;
    let text = cell.strip_prefix(b"0x").or_else(|| cell.strip_prefix(b"0X")).unwrap_or(cell);
    for &byte in text {
        match char::from(byte).to_digit(16) {
            Some(digit) => {
                if digits == 0 {
                    count += 1;
                }
                let word = words.get_mut(count - 1)?;
                *word = *word << 4 | u16::try_from(digit).ok()?;
                digits = (digits + 1) % 4;
            }
            None if digits == 0 && matches!(byte, b' ' | b'_' | b'-' | b':') => {}
            None => return None,
        }
    }
    (digits == 0).then(|| RawWords::new(&words[..count]))
}

/// Yes or no.
pub(super) fn yes_or_no(cell: &[u8]) -> Option<bool> {
    match cell {
        b"1" | b"true" | b"TRUE" | b"True" | b"yes" | b"on" => Some(true),
        b"0" | b"false" | b"FALSE" | b"False" | b"no" | b"off" => Some(false),
        _ => None,
    }
}

/// Appends a number so that reading it gives the same double; the payload of a NaN is lost.
pub(super) fn append_number(out: &mut Vec<u8>, value: f64) {
    use std::io::Write;
    let magnitude = value.abs();
    let written = if value.is_nan() {
        out.write_all(b"nan")
    } else if value.is_infinite() {
        out.write_all(if value > 0.0 { b"inf" } else { b"-inf" })
    } else if value != 0.0 && !(1e-6..1e17).contains(&magnitude) {
        write!(out, "{value:e}")
    } else {
        write!(out, "{value}")
    };
    debug_assert!(written.is_ok(), "a vector takes every byte");
}

/// Appends registers as hexadecimal words.
pub(super) fn append_raw(out: &mut Vec<u8>, raw: RawWords) {
    const DIGITS: &[u8; 16] = b"0123456789ABCDEF";
    for (place, word) in raw.words().iter().enumerate() {
        if place > 0 {
            out.push(b' ');
        }
        for shift in [12, 8, 4, 0] {
            out.push(DIGITS[usize::from(word >> shift & 0xF)]);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_number_is_read_as_it_was_written(bits: u64) {
            let value = f64::from_bits(bits);
            let mut text = Vec::new();
            append_number(&mut text, value);
            prop_assert!(text.len() <= 26, "{}", String::from_utf8_lossy(&text));
            let back = number(&text, DecimalMark::Point).unwrap();
            prop_assert!(back.to_bits() == value.to_bits() || back.is_nan() && value.is_nan());
        }

        #[test]
        fn registers_are_read_as_they_were_written(words in prop::collection::vec(any::<u16>(), 0..=4)) {
            let raw = RawWords::new(&words);
            let mut text = Vec::new();
            append_raw(&mut text, raw);
            prop_assert_eq!(raw_words(&text), Some(raw));
            let close: Vec<u8> = text.iter().filter(|byte| **byte != b' ').map(u8::to_ascii_lowercase).collect();
            prop_assert_eq!(raw_words(&close), Some(raw));
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in ["12,5", "1 000", "12.5 L/s", "0x10", "--", "1.2.3", ""] {
            assert_eq!(number(text.as_bytes(), DecimalMark::Point), None, "{text}");
        }
        assert_eq!(number(b"-12,5e1", DecimalMark::Comma), Some(-125.0));
        assert_eq!(number(b"1.234,5", DecimalMark::Comma), None, "a point between thousands is not guessed at");
        assert!(number(b"NaN", DecimalMark::Point).is_some_and(f64::is_nan));
        assert_eq!(number(b"-Inf", DecimalMark::Point), Some(f64::NEG_INFINITY));
        for text in ["414", "4145 99", "xyz0", "4145 999A 0000 0000 0000"] {
            assert_eq!(raw_words(text.as_bytes()), None, "{text}");
        }
    }
}

//! Quantities as people write them: a number and a unit, `36 L/s`, `300ms`, `0.25 %`, `2 GiB`.
//!
//! Every error says what was written, what is wanted, and what to write instead.

use std::time::Duration;

use super::symbol::{self, NoUnit};
use super::{Dimension, Litres, LitresPerSecond, Milliamperes, Unit};

/// Why a text is not the quantity that is wanted. Its text says what is wrong, [`QuantityError::instead`] what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// There is no number, or something beside a number and a unit.
    #[error("`{text}` is not a number with a unit")]
    NoNumber {
        /// As written.
        text: String,
        /// What a right one looks like.
        example: String,
    },
    /// The decimal mark is a comma.
    #[error("`{text}` has a decimal comma")]
    DecimalComma {
        /// As written.
        text: String,
        /// With a point.
        instead: String,
    },
    /// The number stands alone.
    #[error("`{text}` has no unit")]
    NoUnit {
        /// As written.
        text: String,
        /// With the units that come to mind.
        examples: Vec<String>,
    },
    /// No unit of this name.
    #[error("`{symbol}` is not a unit known here")]
    UnknownUnit {
        /// The unit as written.
        symbol: String,
        /// The nearest that is known.
        nearest: Option<String>,
        /// What a right quantity looks like.
        example: String,
    },
    /// Several units of this name.
    #[error("`{symbol}` means more than one unit")]
    Ambiguous {
        /// The unit as written.
        symbol: String,
        /// Symbols that mean only one.
        choices: Vec<String>,
    },
    /// A quantity of another kind.
    #[error("{text} is {}; {} is wanted", .found.noun(), .wanted.noun())]
    WrongDimension {
        /// As written.
        text: String,
        /// What it is.
        found: Dimension,
        /// What it should be.
        wanted: Dimension,
        /// What a right one looks like.
        example: String,
    },
    /// A number outside what makes sense.
    #[error("`{text}` is {problem}")]
    OutOfRange {
        /// As written.
        text: String,
        /// Why not.
        problem: &'static str,
        /// What a right one looks like.
        example: String,
    },
}

impl QuantityError {
    /// What to write instead.
    #[must_use]
    pub fn instead(&self) -> String {
        match self {
            Self::NoNumber { example, .. }
            | Self::WrongDimension { example, .. }
            | Self::OutOfRange { example, .. }
            | Self::UnknownUnit { nearest: None, example, .. } => format!("write it as in `{example}`"),
            Self::NoUnit { examples, .. } => format!("write it as in {}", quoted(examples)),
            Self::DecimalComma { instead, .. } => format!("write `{instead}`"),
            Self::UnknownUnit { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
            Self::Ambiguous { choices, .. } => match choices.as_slice() {
                [only] => format!("write `{only}` if that is what is meant, or else another unit"),
                several => format!("write {}", quoted(several)),
            },
        }
    }
}

fn quoted(choices: &[String]) -> String {
    let quoted: Vec<String> = choices.iter().map(|choice| format!("`{choice}`")).collect();
    quoted.join(" or ")
}

/// A number and its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// The number as written.
    pub number: f64,
    /// The unit as written.
    pub unit: Unit,
}

impl Quantity {
    /// The quantity in the base unit of its dimension.
    #[must_use]
    pub fn in_base(&self) -> f64 {
        self.unit.value_in_base(self.number)
    }
}

/// Reads a unit alone, such as `m³/h`; an empty text is a bare number.
///
/// # Errors
/// When no unit, or more than one, has that name.
pub fn unit(text: &str) -> Result<Unit, QuantityError> {
    symbol::find(text).map_err(|no_unit| no_unit_error(text, no_unit, "36 L/s".to_owned()))
}

/// Reads a number and a unit of the wanted dimension.
///
/// # Errors
/// When the text is anything else.
pub fn quantity(text: &str, wanted: Dimension) -> Result<Quantity, QuantityError> {
    let text = text.trim();
    let (number_text, rest) = split_number(text);
    let Ok(number) = number_text.replace('_', "").parse::<f64>() else {
        return Err(QuantityError::NoNumber { text: text.to_owned(), example: wanted.example().to_owned() });
    };
    if let Some(decimals) = rest.strip_prefix(',').filter(|rest| rest.starts_with(|next: char| next.is_ascii_digit())) {
        return Err(QuantityError::DecimalComma {
            text: text.to_owned(),
            instead: format!("{number_text}.{decimals}"),
        });
    }
    let example = format!("{number_text} {}", wanted.example_unit()).trim_end().to_owned();
    if !number.is_finite() {
        let example = wanted.example().to_owned();
        return Err(QuantityError::OutOfRange { text: text.to_owned(), problem: "too large", example });
    }
    if rest.is_empty() && wanted != Dimension::Number {
        let milliseconds = (wanted == Dimension::Time).then(|| format!("{number_text} ms"));
        let examples = milliseconds.into_iter().chain([example]).collect();
        return Err(QuantityError::NoUnit { text: text.to_owned(), examples });
    }
    let unit = symbol::find(rest).map_err(|no_unit| no_unit_error(rest, no_unit, example.clone()))?;
    if unit.dimension != wanted {
        return Err(QuantityError::WrongDimension { text: text.to_owned(), found: unit.dimension, wanted, example });
    }
    if !unit.value_in_base(number).is_finite() {
        let example = wanted.example().to_owned();
        return Err(QuantityError::OutOfRange { text: text.to_owned(), problem: "too large", example });
    }
    Ok(Quantity { number, unit })
}

fn no_unit_error(symbol: &str, no_unit: NoUnit, example: String) -> QuantityError {
    let symbol = symbol.trim().to_owned();
    match no_unit {
        NoUnit::Unknown(nearest) => QuantityError::UnknownUnit { symbol, nearest, example },
        NoUnit::Ambiguous(choices) => QuantityError::Ambiguous { symbol, choices },
    }
}

/// True where a unit names gallons and no country: it is read as US gallons, and whoever wrote it should be told.
#[must_use]
pub fn leaves_country_open(symbol: &str) -> bool {
    symbol::leaves_country_open(symbol)
}

/// Reads a flow.
///
/// # Errors
/// When the text is anything else.
pub fn flow(text: &str) -> Result<LitresPerSecond, QuantityError> {
    quantity(text, Dimension::Flow).map(|flow| LitresPerSecond(flow.in_base()))
}

/// Reads a volume.
///
/// # Errors
/// When the text is anything else.
pub fn volume(text: &str) -> Result<Litres, QuantityError> {
    quantity(text, Dimension::Volume).map(|volume| Litres(volume.in_base()))
}

/// Reads a current.
///
/// # Errors
/// When the text is anything else.
pub fn current(text: &str) -> Result<Milliamperes, QuantityError> {
    quantity(text, Dimension::Current).map(|current| Milliamperes(current.in_base()))
}

/// Reads a share such as `0.1 %`, as a fraction of 1.
///
/// # Errors
/// When the text is anything else, or negative.
pub fn fraction(text: &str) -> Result<f64, QuantityError> {
    let share = quantity(text, Dimension::Fraction)?;
    not_negative(text, share.number, "0.1 %")?;
    Ok(share.in_base())
}

/// Reads a stretch of time, to the nanosecond.
///
/// # Errors
/// When the text is anything else, negative, or longer than [`LONGEST_DURATION`].
pub fn duration(text: &str) -> Result<Duration, QuantityError> {
    let time = quantity(text, Dimension::Time)?;
    not_negative(text, time.number, "300ms")?;
    Duration::try_from_secs_f64(time.in_base()).ok().filter(|time| *time <= LONGEST_DURATION).ok_or_else(|| {
        let (text, example) = (text.trim().to_owned(), "90d".to_owned());
        QuantityError::OutOfRange { text, problem: "too long", example }
    })
}

/// A thousand years: longer than anything that is declared, short enough for sums and multiples.
pub const LONGEST_DURATION: Duration = Duration::from_secs(1000 * 366 * 86_400);

/// Reads a number of bytes: `2 GiB` (1024³) or `2 GB` (1000³).
///
/// # Errors
/// When the text is anything else, or not a whole number of bytes.
pub fn bytes(text: &str) -> Result<u64, QuantityError> {
    let text = text.trim();
    let example = || "2 GiB".to_owned();
    let (number_text, symbol) = split_number(text);
    let Ok(number) = number_text.replace('_', "").parse::<f64>() else {
        return Err(QuantityError::NoNumber { text: text.to_owned(), example: example() });
    };
    if symbol.is_empty() {
        return Err(QuantityError::NoUnit { text: text.to_owned(), examples: vec![format!("{number_text} GiB")] });
    }
    let Some((_, factor)) = BYTES.iter().find(|(name, _)| name.eq_ignore_ascii_case(symbol)) else {
        return Err(QuantityError::UnknownUnit { symbol: symbol.to_owned(), nearest: None, example: example() });
    };
    not_negative(text, number, "2 GiB")?;
    let bytes = (number * factor).round();
    if bytes > LARGEST_SIZE {
        return Err(QuantityError::OutOfRange { text: text.to_owned(), problem: "too large", example: example() });
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and 2^53")]
    Ok(bytes as u64)
}

/// The largest size that a double counts byte by byte: 2^53, eight pebibytes.
const LARGEST_SIZE: f64 = 9_007_199_254_740_992.0;

const BYTES: &[(&str, f64)] = &[
    ("B", 1.0),
    ("kB", 1e3),
    ("MB", 1e6),
    ("GB", 1e9),
    ("TB", 1e12),
    ("KiB", 1024.0),
    ("MiB", 1_048_576.0),
    ("GiB", 1_073_741_824.0),
    ("TiB", 1_099_511_627_776.0),
];

fn not_negative(text: &str, number: f64, example: &str) -> Result<(), QuantityError> {
    if number < 0.0 {
        let (text, example) = (text.trim().to_owned(), example.to_owned());
        return Err(QuantityError::OutOfRange { text, problem: "negative", example });
    }
    Ok(())
}

/// The number at the beginning of a text, and what follows it without the space between.
fn split_number(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let digits =
        |from: usize| bytes[from..].iter().take_while(|byte| byte.is_ascii_digit() || **byte == b'_').count() + from;
    let at = |index: usize, wanted: &[u8]| bytes.get(index).is_some_and(|byte| wanted.contains(byte));
    let start = usize::from(at(0, b"+-"));
    let mut end = digits(start);
    if at(end, b".") {
        end = digits(end + 1);
    }
    if end > start && at(end, b"eE") {
        let sign = end + 1 + usize::from(at(end + 1, b"+-"));
        let exponent_end = digits(sign);
        if exponent_end > sign {
            end = exponent_end;
        }
    }
    (&text[..end], text[end..].trim_start())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of NIST SP 811 (2008), appendix B.8, to the seven digits printed there, and exact ones from
    /// 1 in = 25.4 mm, 1 US gal = 231 in³, 1 imp gal = 4.54609 L.
    #[test]
    fn factors_are_those_of_nist_sp_811() {
        for (symbol, litres_per_second) in [
            ("ft3/s", 28.316_85),
            ("ft3/min", 0.471_947_4),
            ("US gal/min", 0.063_090_20),
            ("US gal/d", 4.381_264e-5),
            ("US MGD", 43.812_64),
        ] {
            let parsed = unit(symbol).unwrap();
            assert_eq!(parsed.dimension, Dimension::Flow, "{symbol}");
            assert!((parsed.to_base / litres_per_second - 1.0).abs() < 2e-7, "{symbol}: {}", parsed.to_base);
        }
        for (symbol, litres) in [
            ("US gal", 3.785_411_784),
            ("imp gal", 4.546_09),
            ("ft³", 28.316_846_592),
            ("oil bbl", 158.987_294_928),
            ("acre-ft (international)", 1_233_481.837_547_52),
            ("acre-ft (US survey)", 1_233_489.238_468_149),
            ("m3", 1000.0),
            ("ML", 1e6),
            ("mL", 1e-3),
        ] {
            let parsed = unit(symbol).unwrap();
            assert_eq!(parsed.dimension, Dimension::Volume, "{symbol}");
            assert!((parsed.to_base / litres - 1.0).abs() < 1e-14, "{symbol}: {}", parsed.to_base);
        }
    }

    #[test]
    fn one_unit_has_many_spellings() {
        for same in [
            &["L/s", "l/s", "L/sec", "litres per second", "lps", " L / s "][..],
            &["m3/h", "m³/h", "m^3/h", "m3/hr", "M3/H", "cubic metres per hour", "cmh"],
            &[
                "US gal/min",
                "US gpm",
                "USgpm",
                "gpm (US)",
                "U.S. gallons per minute",
                "gal/min (US)",
                "us gal/min",
                "gal/min",
                "gpm",
            ],
            &["imp gal/min", "imp gpm", "igpm", "imperial gallons per minute", "UK gal/min"],
            &["ML/d", "MLD", "megalitres per day"],
            &["imp MGD", "imp Mgal/d", "MGD (imp)"],
            &["acre-ft (US survey)/d", "US survey acre-feet per day", "acre-ft/d (US survey)"],
            &["uA", "µA", "μA"],
        ] {
            let first = unit(same[0]).unwrap();
            for other in same {
                let parsed = unit(other).unwrap_or_else(|error| panic!("{other}: {error}"));
                assert!(parsed.dimension == first.dimension, "{other}");
                assert!((parsed.to_base / first.to_base - 1.0).abs() < 1e-15, "{other}");
            }
        }
        assert!(unit("ML").unwrap().to_base > unit("ml").unwrap().to_base);
    }

    #[test]
    fn what_means_two_things_is_refused_with_the_choices() {
        for (symbol, choices) in [
            ("acre-ft", "write `acre-ft (international)` or `acre-ft (US survey)`"),
            ("US acre-ft", "write `acre-ft (international)` or `acre-ft (US survey)`"),
            ("bbl", "write `oil bbl` if that is what is meant, or else another unit"),
        ] {
            let error = unit(symbol).unwrap_err();
            assert!(matches!(error, QuantityError::Ambiguous { .. }), "{symbol}: {error}");
            assert_eq!(error.instead(), choices);
        }
    }

    #[test]
    fn a_wrong_dimension_is_named() {
        let error = flow("36 L").unwrap_err();
        assert_eq!(error.to_string(), "36 L is a volume; a flow is wanted");
        assert_eq!(error.instead(), "write it as in `36 L/s`");
        let error = duration("5 m").unwrap_err();
        assert_eq!(error.to_string(), "5 m is a length; a time is wanted");
    }

    #[test]
    fn errors_say_what_to_write() {
        let said = |error: QuantityError| format!("{error}: {}", error.instead());
        assert_eq!(said(flow("36").unwrap_err()), "`36` has no unit: write it as in `36 L/s`");
        assert_eq!(said(flow("fast").unwrap_err()), "`fast` is not a number with a unit: write it as in `36 L/s`");
        assert_eq!(said(flow("1,5 L/s").unwrap_err()), "`1,5 L/s` has a decimal comma: write `1.5 L/s`");
        assert_eq!(said(flow("1 litr/s").unwrap_err()), "`litr/s` is not a unit known here: did you mean `litre/s`?");
        assert_eq!(said(duration("-1s").unwrap_err()), "`-1s` is negative: write it as in `300ms`");
        assert_eq!(said(duration("9e18 s").unwrap_err()), "`9e18 s` is too long: write it as in `90d`");
        assert_eq!(said(volume("1e308 m3").unwrap_err()), "`1e308 m3` is too large: write it as in `25 L`");
        assert_eq!(said(bytes("2 Gib/s").unwrap_err()), "`Gib/s` is not a unit known here: write it as in `2 GiB`");
        assert_eq!(said(bytes("1e9 TiB").unwrap_err()), "`1e9 TiB` is too large: write it as in `2 GiB`");
    }

    #[test]
    fn quantities_are_exact_where_people_expect_it() {
        assert_eq!(duration("300ms"), Ok(Duration::from_millis(300)));
        assert_eq!(duration("90 d"), Ok(Duration::from_secs(90 * 86_400)));
        assert_eq!(duration("0s"), Ok(Duration::ZERO));
        assert_eq!(bytes("2 GiB"), Ok(2 << 30));
        assert_eq!(current("3.8 mA"), Ok(Milliamperes(3.8)));
        assert_eq!(current("3800 µA"), Ok(Milliamperes(3.8)));
        assert_eq!(fraction("0.25 %"), Ok(0.0025));
        assert_eq!(volume("0.025 m³"), Ok(Litres(25.0)));
        assert_eq!(flow("60 L/min"), Ok(LitresPerSecond(1.0)));
        assert_eq!(flow("1.2e2L/min"), Ok(LitresPerSecond(2.0)));
        assert_eq!(flow("-2 L/s"), Ok(LitresPerSecond(-2.0)));
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,12}") {
            let _ = unit(&text);
            for wanted in [Dimension::Flow, Dimension::Number, Dimension::Time] {
                let _ = quantity(&text, wanted);
            }
            let _ = bytes(&text);
            let _ = duration(&text);
        }
    }
}

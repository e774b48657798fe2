//! Unit symbols as people write them, and what each is worth in the base unit of its dimension.
//!
//! A symbol is a name from the tables below, or a volume or length over a time (`m³/h`, `US gal/min`, `litres per
//! second`). Acre-feet have to name their foot; a gallon that names no country is taken as that of the United States.

use super::{Dimension, Unit};

/// Cubic metres in one cubic foot, of 0.3048 m.
const LITRES_PER_CUBIC_FOOT: f64 = 28.316_846_592;
/// 231 cubic inches (NIST SP 811, appendix B.8: 3.785412e-3 m³).
const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
/// 4.54609 dm³ by definition (NIST SP 811, appendix B.8).
const LITRES_PER_IMPERIAL_GALLON: f64 = 4.546_09;
/// 43,560 cubic feet of 0.3048 m.
const LITRES_PER_ACRE_FOOT: f64 = 1_233_481.837_547_52;
/// 43,560 cubic feet of 1200/3937 m (NIST SP 811, appendix B.8: 1.233489e3 m³).
const LITRES_PER_SURVEY_ACRE_FOOT: f64 = 1_233_489.238_468_149;

/// What has to be said beside a name before it means one unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Needs {
    Nothing,
    /// US or imperial.
    Gallon,
    /// International or US survey.
    Foot,
    /// The oil barrel, of 42 US gallons; trades use others.
    Oil,
}

struct Name {
    spellings: &'static [&'static str],
    dimension: Dimension,
    to_base: f64,
    needs: Needs,
}

const fn plain(spellings: &'static [&'static str], dimension: Dimension, to_base: f64) -> Name {
    Name { spellings, dimension, to_base, needs: Needs::Nothing }
}

/// The first spelling of each is the one that messages suggest.
const NAMES: &[Name] = &[
    plain(&["L", "l", "litre", "litres", "liter", "liters", "ltr"], Dimension::Volume, 1.0),
    plain(&["mL", "ml", "millilitre", "millilitres", "milliliter", "milliliters"], Dimension::Volume, 1e-3),
    plain(&["hL", "hl", "hectolitre", "hectolitres"], Dimension::Volume, 1e2),
    plain(&["kL", "kl", "kilolitre", "kilolitres", "kiloliter", "kiloliters"], Dimension::Volume, 1e3),
    plain(&["ML", "Ml", "megalitre", "megalitres", "megaliter", "megaliters"], Dimension::Volume, 1e6),
    plain(&["GL", "Gl", "gigalitre", "gigalitres"], Dimension::Volume, 1e9),
    plain(&["m3", "cbm", "cubic metre", "cubic metres", "cubic meter", "cubic meters"], Dimension::Volume, 1e3),
    plain(&["dm3"], Dimension::Volume, 1.0),
    plain(&["cm3"], Dimension::Volume, 1e-3),
    plain(&["ft3", "cf", "cu ft", "cubic foot", "cubic feet"], Dimension::Volume, LITRES_PER_CUBIC_FOOT),
    plain(&["CCF", "hundred cubic feet"], Dimension::Volume, LITRES_PER_CUBIC_FOOT * 100.0),
    plain(&["in3", "cu in", "cubic inch", "cubic inches"], Dimension::Volume, 0.016_387_064),
    Name {
        spellings: &["gal", "gals", "gallon", "gallons"],
        dimension: Dimension::Volume,
        to_base: 1.0,
        needs: Needs::Gallon,
    },
    Name { spellings: &["kgal", "thousand gallons"], dimension: Dimension::Volume, to_base: 1e3, needs: Needs::Gallon },
    Name {
        spellings: &["Mgal", "MG", "million gallons"],
        dimension: Dimension::Volume,
        to_base: 1e6,
        needs: Needs::Gallon,
    },
    Name {
        spellings: &[
            "acre-ft",
            "acre ft",
            "acre-foot",
            "acre-feet",
            "acre foot",
            "acre feet",
            "ac-ft",
            "ac ft",
            "acft",
            "af",
        ],
        dimension: Dimension::Volume,
        to_base: 1.0,
        needs: Needs::Foot,
    },
    Name {
        spellings: &["bbl", "barrel", "barrels"],
        dimension: Dimension::Volume,
        to_base: LITRES_PER_US_GALLON * 42.0,
        needs: Needs::Oil,
    },
    Name { spellings: &["gpm"], dimension: Dimension::Flow, to_base: 1.0 / 60.0, needs: Needs::Gallon },
    Name { spellings: &["gph"], dimension: Dimension::Flow, to_base: 1.0 / 3600.0, needs: Needs::Gallon },
    Name { spellings: &["gpd"], dimension: Dimension::Flow, to_base: 1.0 / 86_400.0, needs: Needs::Gallon },
    Name { spellings: &["MGD"], dimension: Dimension::Flow, to_base: 1e6 / 86_400.0, needs: Needs::Gallon },
    plain(&["lps"], Dimension::Flow, 1.0),
    plain(&["lpm"], Dimension::Flow, 1.0 / 60.0),
    plain(&["lph"], Dimension::Flow, 1.0 / 3600.0),
    plain(&["cmh"], Dimension::Flow, 1000.0 / 3600.0),
    plain(&["MLD"], Dimension::Flow, 1e6 / 86_400.0),
    plain(&["cumec", "cumecs"], Dimension::Flow, 1e3),
    plain(&["cfs", "cusec", "cusecs"], Dimension::Flow, LITRES_PER_CUBIC_FOOT),
    plain(&["cfm"], Dimension::Flow, LITRES_PER_CUBIC_FOOT / 60.0),
    plain(&["mA", "milliampere", "milliamperes", "milliamp", "milliamps"], Dimension::Current, 1.0),
    plain(&["A", "ampere", "amperes", "amp", "amps"], Dimension::Current, 1e3),
    plain(&["uA", "microampere", "microamperes", "microamp", "microamps"], Dimension::Current, 1e-3),
    plain(&["mm", "millimetre", "millimetres", "millimeter", "millimeters"], Dimension::Length, 1.0),
    plain(&["cm", "centimetre", "centimetres", "centimeter", "centimeters"], Dimension::Length, 10.0),
    plain(&["m", "metre", "metres", "meter", "meters"], Dimension::Length, 1e3),
    plain(&["in", "inch", "inches", "\""], Dimension::Length, 25.4),
    plain(&["ft", "foot", "feet"], Dimension::Length, 304.8),
    plain(&["s", "sec", "second", "seconds"], Dimension::Time, 1.0),
    plain(&["ms", "millisecond", "milliseconds"], Dimension::Time, 1e-3),
    plain(&["us", "microsecond", "microseconds"], Dimension::Time, 1e-6),
    plain(&["min", "mins", "minute", "minutes"], Dimension::Time, 60.0),
    plain(&["h", "hr", "hrs", "hour", "hours"], Dimension::Time, 3600.0),
    plain(&["d", "day", "days"], Dimension::Time, 86_400.0),
    plain(&["wk", "week", "weeks"], Dimension::Time, 604_800.0),
    plain(&["%", "percent", "per cent"], Dimension::Fraction, 0.01),
    plain(&["ppm"], Dimension::Fraction, 1e-6),
    plain(&["", "1", "count", "counts", "pulse", "pulses"], Dimension::Number, 1.0),
];

/// Quantities that a meter may offer beside its flow: shown, never converted. Each is written as [`normal`] writes it.
const OTHERS: &[&str] = &[
    "°C",
    "degC",
    "°F",
    "degF",
    "K",
    "uS/cm",
    "mS/cm",
    "mS/m",
    "S/m",
    "bar",
    "mbar",
    "Pa",
    "kPa",
    "MPa",
    "psi",
    "V",
    "mV",
    "Hz",
    "kHz",
    "rpm",
    "W",
    "kW",
    "kWh",
    "kg",
    "t",
    "kg/s",
    "kg/h",
    "t/h",
    "kg/m3",
    "pH",
    "NTU",
    "mg/L",
    "dB",
    "ohm",
    "kohm",
    "pulses/L",
    "pulses/m3",
    "m2",
    "mm2",
];

/// Why a symbol is not one unit.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum NoUnit {
    /// No unit of this name; the nearest that there is.
    Unknown(Option<String>),
    /// Several units of this name.
    Ambiguous(Vec<String>),
}

/// True where a symbol names gallons and no country.
pub(super) fn leaves_country_open(written: &str) -> bool {
    let (text, said) = split_off_country(&normal(written.trim()));
    let above = text.split('/').next().unwrap_or_default().trim().to_lowercase();
    let is_gallon = |name: &&Name| matches!(name.needs, Needs::Gallon);
    said.country.is_none()
        && NAMES
            .iter()
            .filter(is_gallon)
            .any(|name| name.spellings.iter().any(|spelling| spelling.to_lowercase() == above))
}

/// The unit that a symbol names.
pub(super) fn find(written: &str) -> Result<Unit, NoUnit> {
    let written = written.trim();
    let (text, said) = split_off_country(&normal(written));
    if said == Said::default() && OTHERS.contains(&text.as_str()) {
        return Ok(Unit { symbol: written.to_owned(), dimension: Dimension::Other, to_base: 1.0 });
    }
    let (dimension, to_base) = match text.rsplit_once('/') {
        None => named(&text, said, "")?,
        Some((above, below)) => {
            let nearest_other = || OTHERS.iter().find(|other| strsim::osa_distance(other, &text) == 1);
            quotient(above.trim(), below.trim(), said).map_err(|no_unit| match (no_unit, nearest_other()) {
                (NoUnit::Unknown(_), Some(other)) => NoUnit::Unknown(Some((*other).to_owned())),
                (no_unit, _) => no_unit,
            })?
        }
    };
    Ok(Unit { symbol: written.to_owned(), dimension, to_base })
}

fn quotient(above: &str, below: &str, said: Said) -> Result<(Dimension, f64), NoUnit> {
    let is_pulse = matches!(below.to_lowercase().as_str(), "p" | "pulse");
    let near = |no_unit, whole: &dyn Fn(String) -> String| match no_unit {
        NoUnit::Unknown(nearest) => NoUnit::Unknown(nearest.map(whole)),
        ambiguous @ NoUnit::Ambiguous(_) => ambiguous,
    };
    let (dimension, to_base) = named(above, said, &format!("/{below}"))
        .map_err(|no_unit| near(no_unit, &|above| format!("{above}/{below}")))?;
    if is_pulse && dimension == Dimension::Volume {
        return Ok((dimension, to_base));
    }
    let (below_dimension, below_to_base) =
        named(below, Said::default(), "").map_err(|no_unit| near(no_unit, &|below| format!("{above}/{below}")))?;
    match (dimension, below_dimension) {
        (Dimension::Volume, Dimension::Time) => Ok((Dimension::Flow, to_base / below_to_base)),
        (Dimension::Length, Dimension::Time) => Ok((Dimension::Velocity, to_base / 1e3 / below_to_base)),
        _ => Err(NoUnit::Unknown(None)),
    }
}

fn named(text: &str, said: Said, rest: &str) -> Result<(Dimension, f64), NoUnit> {
    let exact = NAMES.iter().find(|name| name.spellings.contains(&text));
    let folded = text.to_lowercase();
    let name = exact
        .or_else(|| {
            NAMES.iter().find(|name| name.spellings.iter().any(|spelling| spelling.eq_ignore_ascii_case(&folded)))
        })
        .ok_or_else(|| NoUnit::Unknown(nearest(text)))?;
    let factor = match (name.needs, said) {
        (Needs::Nothing, Said { country: None, foot: None, oil: false }) | (Needs::Oil, Said { oil: true, .. }) => 1.0,
        // Bare gallons are the United States' own, as in NIST SP 811; whoever reads a file is told so.
        (Needs::Gallon, Said { country: None | Some(Country::Us), foot: None, .. }) => LITRES_PER_US_GALLON,
        (Needs::Gallon, Said { country: Some(Country::Imperial), foot: None, .. }) => LITRES_PER_IMPERIAL_GALLON,
        (Needs::Foot, Said { foot: Some(Foot::International), .. }) => LITRES_PER_ACRE_FOOT,
        (Needs::Foot, Said { foot: Some(Foot::Survey), .. }) => LITRES_PER_SURVEY_ACRE_FOOT,
        (Needs::Nothing, _) => return Err(NoUnit::Unknown(name.spellings.first().map(|first| (*first).to_owned()))),
        (needs, _) => return Err(NoUnit::Ambiguous(choices(needs, name, rest))),
    };
    Ok((name.dimension, name.to_base * factor))
}

fn choices(needs: Needs, name: &Name, rest: &str) -> Vec<String> {
    let first = name.spellings[0];
    let told_apart = |first: &str| vec![format!("US {first}{rest}"), format!("imp {first}{rest}")];
    match needs {
        Needs::Nothing => Vec::new(),
        Needs::Gallon => match first {
            "gpm" => told_apart("gal/min"),
            "gph" => told_apart("gal/h"),
            "gpd" => told_apart("gal/d"),
            first => told_apart(first),
        },
        Needs::Foot => vec![format!("acre-ft (international){rest}"), format!("acre-ft (US survey){rest}")],
        Needs::Oil => vec![format!("oil bbl{rest}")],
    }
}

/// The nearest symbol that would be understood, if any is near.
fn nearest(text: &str) -> Option<String> {
    let folded = text.to_lowercase();
    let length = folded.chars().count();
    let allowed = if length <= 3 { 1 } else { 2 };
    NAMES
        .iter()
        .flat_map(|name| name.spellings)
        .filter(|spelling| !spelling.is_empty() && spelling.len().abs_diff(length) <= allowed)
        .map(|spelling| (strsim::osa_distance(&spelling.to_lowercase(), &folded), *spelling))
        .filter(|(distance, spelling)| *distance <= allowed && *distance < spelling.chars().count())
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, spelling)| spelling.to_owned())
}

/// One way of writing: plain digits for exponents, `u` for micro, `/` for per, single spaces.
fn normal(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|character| match character {
            '³' => '3',
            '²' => '2',
            'µ' | 'μ' => 'u',
            '_' | '\u{a0}' | '\u{202f}' => ' ',
            other => other,
        })
        .filter(|character| *character != '^')
        .collect();
    let words: Vec<&str> = plain.split_whitespace().collect();
    let joined = words.join(" ").replace(" per cent", " %");
    let joined = if joined == "per cent" { "%".to_owned() } else { joined.replace(" per ", "/") };
    joined.replace(" /", "/").replace("/ ", "/")
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Country {
    Us,
    Imperial,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Foot {
    International,
    Survey,
}

/// What stands beside the name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Said {
    country: Option<Country>,
    foot: Option<Foot>,
    oil: bool,
}

/// Takes the words that tell gallons, feet and barrels apart out of a symbol, wherever they stand.
fn split_off_country(text: &str) -> (String, Said) {
    let mut said = Said::default();
    let spaced = text.replace(['(', ')'], " ").replace('/', " / ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut kept = Vec::new();
    for word in &words {
        match word.to_lowercase().as_str() {
            // Alone, `us` is a microsecond, and `uS` is always a microsiemens.
            "us" | "u.s." | "usa" if words.len() > 1 && *word != "uS" => said.country = Some(Country::Us),
            "imp" | "imp." | "imperial" | "uk" => said.country = Some(Country::Imperial),
            "survey" => said.foot = Some(Foot::Survey),
            "international" | "intl" | "int" | "int." => said.foot = Some(Foot::International),
            "oil" => said.oil = true,
            joined => match JOINED.iter().find(|(spelling, ..)| *spelling == joined) {
                Some((_, country, name)) => {
                    said.country = Some(*country);
                    kept.push(*name);
                }
                None => kept.push(word),
            },
        }
    }
    (kept.join(" ").replace(" / ", "/"), said)
}

/// Country and name written as one word.
const JOINED: &[(&str, Country, &str)] = &[
    ("usgal", Country::Us, "gal"),
    ("usgpm", Country::Us, "gpm"),
    ("usmgd", Country::Us, "MGD"),
    ("impgal", Country::Imperial, "gal"),
    ("igpm", Country::Imperial, "gpm"),
    ("impgpm", Country::Imperial, "gpm"),
    ("imgd", Country::Imperial, "MGD"),
];

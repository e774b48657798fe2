//! Instants as text: RFC 3339 in UTC with milliseconds where we write, anything unambiguous where we read.

use jiff::civil::Date;
use tallywell_witness::units::WallMillis;

const DAY_MILLIS: i64 = 86_400_000;

/// Milliseconds since 1970 of 0001-01-01 and of the last millisecond of 9999: what four digits of a year can say.
const WRITABLE: std::ops::RangeInclusive<i64> = -62_135_596_800_000..=253_402_300_799_999;

/// Writes instants, and remembers the date of the last one: readings come in order, so that the calendar is asked once a
/// day.
#[derive(Clone, Debug)]
pub struct DateText {
    day: i64,
    text: [u8; 10],
}

impl Default for DateText {
    fn default() -> Self {
        Self { day: 0, text: *b"1970-01-01" }
    }
}

impl DateText {
    /// Appends `instant` as RFC 3339 in UTC with milliseconds. What lies outside the years 1 to 9999 is written as the
    /// nearest instant inside them.
    pub fn append(&mut self, out: &mut Vec<u8>, instant: WallMillis) {
        let millis = instant.0.clamp(*WRITABLE.start(), *WRITABLE.end());
        let (day, of_day) = (millis.div_euclid(DAY_MILLIS), millis.rem_euclid(DAY_MILLIS));
        if day != self.day {
            self.text = date_text(day);
            self.day = day;
        }
        out.extend_from_slice(&self.text);
        let two = |value: i64| [digit(value / 10), digit(value)];
        let [h0, h1] = two(of_day / 3_600_000);
        let [m0, m1] = two(of_day / 60_000 % 60);
        let [s0, s1] = two(of_day / 1000 % 60);
        let [f1, f2] = two(of_day % 1000 % 100);
        let f0 = digit(of_day % 1000 / 100);
        out.extend_from_slice(&[b'T', h0, h1, b':', m0, m1, b':', s0, s1, b'.', f0, f1, f2, b'Z']);
    }
}

/// An instant as RFC 3339 in UTC with milliseconds.
#[must_use]
pub fn format_instant(instant: WallMillis) -> String {
    let mut out = Vec::with_capacity(24);
    DateText::default().append(&mut out, instant);
    String::from_utf8_lossy(&out).into_owned()
}

const fn digit(value: i64) -> u8 {
    b'0' + (value % 10) as u8
}

/// `YYYY-MM-DD` of a day counted from 1970-01-01, which must lie in the years 1 to 9999.
fn date_text(day: i64) -> [u8; 10] {
    let date = jiff::Timestamp::from_millisecond(day * DAY_MILLIS)
        .map_or(jiff::civil::date(1970, 1, 1), |instant| jiff::tz::TimeZone::UTC.to_datetime(instant).date());
    let (year, month, day) = (i64::from(date.year()), i64::from(date.month()), i64::from(date.day()));
    [
        digit(year / 1000),
        digit(year / 100),
        digit(year / 10),
        digit(year),
        b'-',
        digit(month / 10),
        digit(month),
        b'-',
        digit(day / 10),
        digit(day),
    ]
}

/// How an instant was written, where that leaves something to be said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Written {
    /// As it should be.
    Utc,
    /// With an offset from UTC.
    WithOffset,
    /// Without saying where: taken as UTC.
    WithoutZone,
    /// As a count of seconds or milliseconds since 1970.
    Count,
}

/// Reads instants, and remembers the date of the last one.
#[derive(Clone, Debug)]
pub(super) struct InstantReader {
    date: [u8; 10],
    midnight: i64,
}

impl Default for InstantReader {
    fn default() -> Self {
        Self { date: *b"1970-01-01", midnight: 0 }
    }
}

impl InstantReader {
    /// The instant that `text` says, without surrounding blanks; `None` if it says none.
    pub(super) fn read(&mut self, text: &[u8]) -> Option<(WallMillis, Written)> {
        if let [.., b'Z'] = text
            && text.len() == 24
            && text[10] == b'T'
            && text[19] == b'.'
        {
            let of_day = time_of_day(&text[11..19])?;
            let millis = two_digits(&text[20..22])? * 10 + decimal(text[22])?;
            return Some((WallMillis(self.midnight(&text[..10])? + of_day + millis), Written::Utc));
        }
        self.read_unusual(text)
    }

    /// Midnight of a date `YYYY-MM-DD`.
    fn midnight(&mut self, date: &[u8]) -> Option<i64> {
        if *date != self.date {
            let parts: &[u8; 10] = date.try_into().ok()?;
            let year = two_digits(&parts[..2])? * 100 + two_digits(&parts[2..4])?;
            if !matches!(parts[4], b'-' | b'/') || parts[7] != parts[4] {
                return None;
            }
            self.midnight = midnight_of(year, two_digits(&parts[5..7])?, two_digits(&parts[8..])?)?;
            self.date = *parts;
        }
        Some(self.midnight)
    }

    /// `T` or a blank between date and time, any number of decimals after a point or comma or none at all, seconds left
    /// out, an offset or none, the day first between points, a count of seconds or milliseconds.
    fn read_unusual(&mut self, text: &[u8]) -> Option<(WallMillis, Written)> {
        if let Some(count) = count_since_1970(text) {
            return Some((count, Written::Count));
        }
        let (date, rest) = text.split_at_checked(10)?;
        let midnight = if date[2] == b'.' && date[5] == b'.' {
            let year = two_digits(&date[6..8])? * 100 + two_digits(&date[8..])?;
            midnight_of(year, two_digits(&date[3..5])?, two_digits(&date[..2])?)?
        } else {
            self.midnight(date)?
        };
        let rest = match rest {
            [b'T' | b't' | b' ', rest @ ..] => rest.trim_ascii_start(),
            _ => return None,
        };
        let (clock, mut rest) = rest.split_at_checked(5)?;
        let mut millis = clock_minutes(clock)? * 60_000;
        if let [b':', tens, ones, after @ ..] = rest {
            millis += seconds(&[*tens, *ones])? * 1000;
            rest = after;
            if let [b'.' | b',', fraction @ ..] = rest {
                let digits = fraction.iter().take_while(|byte| byte.is_ascii_digit()).count();
                if digits == 0 {
                    return None;
                }
                let mut scale = 100;
                for &byte in fraction.iter().take(digits.min(3)) {
                    millis += decimal(byte)? * scale;
                    scale /= 10;
                }
                rest = &fraction[digits..];
            }
        }
        let (offset, written) = match rest.trim_ascii() {
            [] => (0, Written::WithoutZone),
            b"Z" | b"z" | b"UTC" | b"GMT" => (0, Written::Utc),
            [sign @ (b'+' | b'-'), zone @ ..] => {
                let minutes = match zone {
                    [_, _] => two_digits(zone)? * 60,
                    [h0, h1, m0, m1] => clock_minutes(&[*h0, *h1, b':', *m0, *m1])?,
                    [_, _, b':', _, _] => clock_minutes(zone)?,
                    _ => return None,
                };
                (if *sign == b'+' { minutes } else { -minutes }, Written::WithOffset)
            }
            _ => return None,
        };
        Some((WallMillis(midnight + millis - offset * 60_000), written))
    }
}

/// The instant that somebody wrote on a command line or in a note: as [`CsvWriter`](super::CsvWriter) writes it, or with
/// an offset, or without one (UTC), or a date alone (its midnight).
#[must_use]
pub fn parse_instant(text: &str) -> Option<WallMillis> {
    let text = text.trim();
    let mut reader = InstantReader::default();
    if text.len() == 10 && text.contains('-') {
        return reader.midnight(text.as_bytes()).map(WallMillis);
    }
    reader.read(text.as_bytes()).map(|(instant, _)| instant)
}

/// Ten digits are seconds, thirteen are milliseconds since 1970; seconds may have decimals.
fn count_since_1970(text: &[u8]) -> Option<WallMillis> {
    let whole = text.iter().take_while(|byte| byte.is_ascii_digit()).count();
    // More digits are no time, and would be no 64-bit number.
    if whole > 13 {
        return None;
    }
    let count = text[..whole].iter().try_fold(0_i64, |sum, &byte| Some(sum * 10 + decimal(byte)?));
    match (whole, &text[whole..]) {
        (13, []) => count.map(WallMillis),
        (10, []) => count.map(|seconds| WallMillis(seconds * 1000)),
        (10, [b'.' | b',', fraction @ ..]) if !fraction.is_empty() && fraction.iter().all(u8::is_ascii_digit) => {
            let mut millis = 0;
            for place in 0..3 {
                millis = millis * 10 + fraction.get(place).and_then(|byte| decimal(*byte)).unwrap_or(0);
            }
            count.map(|seconds| WallMillis(seconds * 1000 + millis))
        }
        _ => None,
    }
}

fn midnight_of(year: i64, month: i64, day: i64) -> Option<i64> {
    let date = Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    let days = date.since(jiff::civil::date(1970, 1, 1)).ok()?.get_days();
    Some(i64::from(days) * DAY_MILLIS)
}

/// Milliseconds of `HH:MM:SS`.
fn time_of_day(text: &[u8]) -> Option<i64> {
    if text[5] != b':' {
        return None;
    }
    Some(clock_minutes(&text[..5])? * 60_000 + seconds(&text[6..8])? * 1000)
}

/// Minutes of `HH:MM`.
fn clock_minutes(text: &[u8]) -> Option<i64> {
    let (hours, minutes) = (two_digits(&text[..2])?, two_digits(&text[3..5])?);
    (text[2] == b':' && hours < 24 && minutes < 60).then_some(hours * 60 + minutes)
}

/// Seconds; a leap second counts as the second after it.
fn seconds(text: &[u8]) -> Option<i64> {
    two_digits(text).filter(|seconds| *seconds <= 60)
}

fn two_digits(text: &[u8]) -> Option<i64> {
    Some(decimal(text[0])? * 10 + decimal(text[1])?)
}

fn decimal(byte: u8) -> Option<i64> {
    byte.is_ascii_digit().then(|| i64::from(byte - b'0'))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(text: &str) -> Option<(i64, Written)> {
        InstantReader::default().read(text.as_bytes()).map(|(instant, written)| (instant.0, written))
    }

    #[test]
    fn examples_of_rfc_3339_section_5_8() {
        // "20 minutes and 50.52 seconds after the 23rd hour of April 12th, 1985 in UTC"
        assert_eq!(read("1985-04-12T23:20:50.52Z"), Some((482_196_050_520, Written::Utc)));
        // "39 minutes and 57 seconds after the 16th hour of December 19th, 1996 with an offset of -08:00 from UTC",
        // which is 1996-12-20T00:39:57Z
        assert_eq!(read("1996-12-19T16:39:57-08:00"), Some((851_042_397_000, Written::WithOffset)));
        assert_eq!(read("1996-12-20T00:39:57Z"), Some((851_042_397_000, Written::Utc)));
        // "the leap second inserted at the end of 1990"
        assert_eq!(read("1990-12-31T23:59:60Z"), read("1991-01-01T00:00:00Z"));
        // "the same instant as noon, January 1, 1937, Netherlands time", its offset of +00:20
        assert_eq!(read("1937-01-01T12:00:27.87+00:20"), Some((-1_041_337_172_130, Written::WithOffset)));
    }

    #[test]
    fn more_digits_than_a_time_has_are_none() {
        assert_eq!(read("1740824430250").map(|(instant, _)| instant), Some(1_740_824_430_250));
        assert_eq!((read("17408244302500"), read(&"1".repeat(89))), (None, None));
    }

    #[test]
    fn other_ways_to_write_the_same_instant() {
        let instant = read("2025-03-01T10:20:30.250Z").map(|(instant, _)| instant);
        for text in [
            "2025-03-01 10:20:30.25Z",
            "2025-03-01T10:20:30,250",
            "2025/03/01 10:20:30.250",
            "01.03.2025 10:20:30,25",
            "2025-03-01T12:20:30.2509+02:00",
            "2025-03-01 04:50:30.250 -0530",
            "1740824430250",
            "1740824430.25",
        ] {
            assert_eq!(read(text).map(|(instant, _)| instant), instant, "{text}");
        }
        for text in ["", "2025-03-01", "2025-13-01T00:00:00.000Z", "2025-02-29T00:00:00.000Z", "03/01/2025 10:20:30"] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    proptest! {
        /// Against an implementation of its own, and back.
        #[test]
        fn writes_what_a_calendar_says(millis in -62_135_596_800_000_i64..=253_402_300_799_999) {
            let text = format_instant(WallMillis(millis));
            let expected = jiff::Timestamp::from_millisecond(millis).unwrap();
            prop_assert_eq!(&text, &format!("{expected:.3}"));
            prop_assert_eq!(read(&text), Some((millis, Written::Utc)));
            prop_assert_eq!(parse_instant(&text), Some(WallMillis(millis)));
        }

        /// Whatever stands in a cell, no panic.
        #[test]
        fn survives_anything(text in "[0-9T:.,Z+/ -]{0,30}") {
            let _ = read(&text);
            let _ = parse_instant(&text);
        }
    }
}

//! Civil time as text: RFC 3339 in UTC with milliseconds, as the readings' files write it.

use serde::{Serialize, Serializer};

use crate::units::WallMillis;

/// An instant of civil time that prints and serialises as `2026-03-01T06:30:00.000Z`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct CivilMoment(pub WallMillis);

const DAY_MILLIS: i64 = 86_400_000;

/// Year, month and day of a day number counted from 1970-01-01, in the proleptic Gregorian calendar.
///
/// The era arithmetic counts years from 1 March, so that the leap day is the last day of its year.
fn civil_date(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let day_of_era = shifted.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    (year, month, day)
}

impl std::fmt::Display for CivilMoment {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let days = self.0.0.div_euclid(DAY_MILLIS);
        let millis = self.0.0.rem_euclid(DAY_MILLIS);
        let (year, month, day) = civil_date(days);
        let (hour, minute) = (millis / 3_600_000, millis / 60_000 % 60);
        let (second, fraction) = (millis / 1000 % 60, millis % 1000);
        write!(formatter, "{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{fraction:03}Z")
    }
}

impl Serialize for CivilMoment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prints_known_instants() {
        // RFC 3339 §5.8 gives 1985-04-12T23:20:50.52Z and 1996-12-20T00:39:57Z as examples; their day numbers are
        // 5580 and 9850.
        let first = (5580 * DAY_MILLIS) + ((23 * 60 + 20) * 60 + 50) * 1000 + 520;
        assert_eq!(CivilMoment(WallMillis(first)).to_string(), "1985-04-12T23:20:50.520Z");
        let second = (9850 * DAY_MILLIS) + (39 * 60 + 57) * 1000;
        assert_eq!(CivilMoment(WallMillis(second)).to_string(), "1996-12-20T00:39:57.000Z");
        assert_eq!(CivilMoment(WallMillis(951_782_400_000)).to_string(), "2000-02-29T00:00:00.000Z");
        assert_eq!(CivilMoment(WallMillis(-1)).to_string(), "1969-12-31T23:59:59.999Z");
    }
}

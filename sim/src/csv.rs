//! Rows written as comma-separated text.

use std::io::{self, Write};

use crate::direct::{Reading, Row};
use crate::register::Encoding;

/// Which columns stand beside `time,flow,total,loop_ma,pulses,status`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Columns {
    /// `flow_time,total_time,loop_time,pulses_time,flow_raw,total_raw`.
    pub own_times: bool,
    /// `reverse_total`.
    pub reverse_total: bool,
    /// `receiver_flow,receiver_total`.
    pub receiver: bool,
    /// `running`.
    pub running: bool,
}

/// Writes rows of one meter, with the encodings that its map declares.
#[derive(Debug)]
pub struct CsvWriter<W> {
    out: W,
    columns: Columns,
    flow: Encoding,
    total: Encoding,
}

impl<W: Write> CsvWriter<W> {
    /// Begin with the header.
    ///
    /// # Errors
    /// Whatever `out` reports.
    pub fn new(mut out: W, columns: Columns, flow: Encoding, total: Encoding) -> io::Result<Self> {
        out.write_all(b"time,flow,total,loop_ma,pulses,status")?;
        if columns.own_times {
            out.write_all(b",flow_time,total_time,loop_time,pulses_time,flow_raw,total_raw")?;
        }
        if columns.reverse_total {
            out.write_all(b",reverse_total")?;
        }
        if columns.receiver {
            out.write_all(b",receiver_flow,receiver_total")?;
        }
        if columns.running {
            out.write_all(b",running")?;
        }
        out.write_all(b"\n")?;
        Ok(Self { out, columns, flow, total })
    }

    /// Write one row.
    ///
    /// # Errors
    /// Whatever `out` reports.
    pub fn write(&mut self, row: &Row) -> io::Result<()> {
        let out = &mut self.out;
        time(out, row.time_ms)?;
        value(out, row.flow, &self.flow)?;
        value(out, row.total, &self.total)?;
        match row.loop_ma {
            Some(current) => write!(out, ",{:.4}", current.value)?,
            None => out.write_all(b",")?,
        }
        match row.pulses {
            Some(pulses) => write!(out, ",{:.0}", pulses.value)?,
            None => out.write_all(b",")?,
        }
        out.write_all(b",")?;
        if row.status.is_some() {
            let mut between = "";
            for name in row.status_names() {
                write!(out, "{between}{name}")?;
                between = ";";
            }
            if between.is_empty() {
                out.write_all(b"ok")?;
            }
        }
        if self.columns.own_times {
            for reading in [row.flow, row.total, row.loop_ma, row.pulses] {
                out.write_all(b",")?;
                if let Some(reading) = reading {
                    time(out, reading.time_ms)?;
                }
            }
            for reading in [row.flow, row.total] {
                out.write_all(b",")?;
                for word in reading.iter().flat_map(|reading| reading.raw.as_slice()) {
                    write!(out, "{word:04X}")?;
                }
            }
        }
        if self.columns.reverse_total {
            value(out, row.reverse_total, &self.total)?;
        }
        if self.columns.receiver {
            plain(out, row.receiver_flow)?;
            plain(out, row.receiver_total)?;
        }
        if self.columns.running {
            out.write_all(match row.running {
                Some(true) => b",1",
                Some(false) => b",0",
                None => b",",
            })?;
        }
        out.write_all(b"\n")
    }

    /// Give back what was written to.
    pub fn into_inner(self) -> W {
        self.out
    }
}

/// A register's value with as many digits as its format has.
fn value(out: &mut impl Write, reading: Option<Reading>, encoding: &Encoding) -> io::Result<()> {
    let Some(Reading { value, .. }) = reading else { return out.write_all(b",") };
    if value.is_nan() {
        out.write_all(b",nan")
    } else if value.is_infinite() {
        out.write_all(if value > 0.0 { b",inf" } else { b",-inf" })
    } else if encoding.format.is_float() && encoding.format.registers() == 2 && encoding.scale == 1.0 {
        write!(out, ",{}", single(value))
    } else if encoding.format.is_float() && encoding.scale == 1.0 {
        write!(out, ",{value}")
    } else {
        write!(out, ",{}", crate::register::tidy(value))
    }
}

fn plain(out: &mut impl Write, reading: Option<Reading>) -> io::Result<()> {
    match reading {
        Some(reading) => write!(out, ",{}", crate::register::tidy(reading.value)),
        None => out.write_all(b","),
    }
}

#[expect(clippy::cast_possible_truncation, reason = "the value came from a 32-bit float")]
const fn single(value: f64) -> f32 {
    value as f32
}

/// Milliseconds since 1970 as civil time in UTC, `2026-03-01T00:00:00.000Z`.
fn time(out: &mut impl Write, milliseconds: i64) -> io::Result<()> {
    let days = milliseconds.div_euclid(86_400_000);
    let in_day = milliseconds.rem_euclid(86_400_000);
    let (year, month, day) = civil(days);
    let (hour, minute) = (in_day / 3_600_000, in_day / 60_000 % 60);
    let (second, millisecond) = (in_day / 1000 % 60, in_day % 1000);
    write!(out, "{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{millisecond:03}Z")
}

/// Days since 1970 as year, month and day of the Gregorian calendar: years are counted from March, so that the leap day
/// is a year's last, in eras of 400 years.
const fn civil(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let day_of_era = shifted.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    (year_of_era + era * 400 + (month <= 2) as i64, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::register::{LITRES, LITRES_PER_SECOND, Words};

    fn reading(value: f64) -> Option<Reading> {
        Some(Reading { value, time_ms: 1_772_323_200_250, raw: Words::one(0x1A) })
    }

    #[test]
    fn a_row_has_every_cell_and_nothing_for_what_was_missed() {
        let columns = Columns { own_times: true, reverse_total: true, ..Columns::default() };
        let mut writer =
            CsvWriter::new(Vec::new(), columns, Encoding::float(LITRES_PER_SECOND), Encoding::count32(LITRES, 0.1))
                .expect("memory takes it");
        let row = Row {
            time_ms: 1_772_323_200_007,
            flow: reading(f64::NAN),
            total: reading(123.0 * 0.1),
            loop_ma: None,
            pulses: reading(65_535.0),
            reverse_total: reading(3.0),
            receiver_flow: None,
            receiver_total: None,
            status: Some(0b1001),
            running: None,
        };
        writer.write(&row).expect("memory takes it");
        let text = String::from_utf8(writer.into_inner()).expect("it is text");
        let instant = "2026-03-01T00:00:00.250Z";
        assert_eq!(
            text,
            format!(
                "time,flow,total,loop_ma,pulses,status,flow_time,total_time,loop_time,pulses_time,flow_raw,total_raw,\
                 reverse_total\n2026-03-01T00:00:00.007Z,nan,12.3,,65535,empty pipe;reverse flow,{instant},{instant},,\
                 {instant},001A,001A,3\n"
            )
        );
    }

    #[test]
    fn days_are_counted_by_the_gregorian_calendar() {
        assert_eq!(civil(0), (1970, 1, 1));
        assert_eq!(civil(11_016), (2000, 2, 29));
        assert_eq!(civil(-1), (1969, 12, 31));
        assert_eq!(civil(20_513), (2026, 3, 1));
        assert_eq!(civil(47_541), (2100, 3, 1));
    }
}

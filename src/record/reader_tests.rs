//! What is written comes back; what people send is understood, or refused with a reason.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Duration;

use proptest::prelude::*;
use tallywell_witness::declared::{
    ByteOrder, Dimension, Entry, Limits, Meter, Source, Table, Tolerance, TotalCounts, Unit, ValueType, WordOrder,
};
use tallywell_witness::reading::{MeterFacts, RawWords, Reading, Sample, StatusBits, WitnessFacts};
use tallywell_witness::units::{SteadyMillis, WallMillis};

use super::*;

fn witness(value_type: ValueType) -> Option<WitnessFacts> {
    Some(WitnessFacts {
        entry: Entry {
            name: "any".to_owned(),
            table: Table::Holding,
            address: 0,
            value_type,
            word_order: WordOrder::HighFirst,
            byte_order: ByteOrder::Big,
            unit: Unit { symbol: "L/s".to_owned(), dimension: Dimension::Flow, to_base: 1.0 },
            scale: 1.0,
            offset: 0.0,
            wraps_at: None,
            bits: std::collections::BTreeMap::new(),
        },
        every: Duration::from_secs(1),
    })
}

fn facts() -> MeterFacts {
    MeterFacts {
        meter: Meter {
            name: "bore-1".to_owned(),
            flow: None,
            total: None,
            total_counts: TotalCounts::Forward,
            reverse_total: None,
            refresh: Duration::from_secs(1),
            running: Some(Source::File(PathBuf::from("/running"))),
            status: Vec::new(),
            current_loop: None,
            pulse: None,
            settings: std::collections::BTreeMap::new(),
            tolerance: Tolerance::default(),
            limits: Limits::default(),
        },
        flow: witness(ValueType::F32),
        total: witness(ValueType::U32),
        reverse_total: witness(ValueType::F64),
        loop_ma: witness(ValueType::U16),
        pulses: witness(ValueType::U32),
        receiver_flow: None,
        receiver_total: witness(ValueType::I64),
        status_names: vec!["empty pipe".to_owned(), "coil drive fault".to_owned(), "high, \"very\" high".to_owned()],
    }
}

/// A value with its registers and its distance in time from the reading.
fn sample() -> impl Strategy<Value = Option<(u64, Vec<u16>, i64)>> {
    prop::option::weighted(0.8, (any::<u64>(), prop::collection::vec(any::<u16>(), 0..=4), -2_000_i64..2_000))
}

fn readings() -> impl Strategy<Value = Vec<Reading>> {
    let one = (
        1_i64..5_000,
        [sample(), sample(), sample(), sample(), sample(), sample()],
        prop::option::of(0_u64..8),
        any::<Option<bool>>(),
    );
    prop::collection::vec(one, 1..20).prop_map(|rows| {
        let mut wall = 1_740_000_000_000;
        rows.into_iter()
            .map(|(step, samples, status, running)| {
                wall += step;
                let mut reading = Reading { at: SteadyMillis(wall), wall: WallMillis(wall), ..Reading::default() };
                let declared = Quantity::ALL.into_iter().filter(|quantity| *quantity != Quantity::ReceiverFlow);
                for (quantity, sample) in declared.zip(samples) {
                    // The registers of loop and pulses are not written: they have no column.
                    let with_raw = !matches!(quantity, Quantity::Loop | Quantity::Pulses);
                    *quantity.place(&mut reading) = sample.map(|(bits, raw, later)| Sample {
                        value: f64::from_bits(bits),
                        at: SteadyMillis(wall + later),
                        raw: RawWords::new(if with_raw { &raw } else { &[] }),
                    });
                }
                reading.status = status.map(StatusBits);
                reading.running = running;
                reading
            })
            .collect()
    })
}

/// A reading as text in which every bit shows, but for the payload of a NaN.
fn exactly(reading: &Reading) -> String {
    let mut text = format!("{:?} {:?} {:?} {:?}", reading.at, reading.wall, reading.status, reading.running);
    for quantity in Quantity::ALL {
        if let Some(sample) = quantity.of(reading) {
            let bits = if sample.value.is_nan() { 0 } else { sample.value.to_bits() };
            write!(text, " {}={bits:016x}@{:?}{:?}", quantity.column(), sample.at, sample.raw.words()).unwrap();
        }
    }
    text
}

fn written(readings: &[Reading], extent: Extent) -> Vec<u8> {
    let mut writer = CsvWriter::new(Vec::new(), &facts(), extent).unwrap();
    for reading in readings {
        writer.write(reading).unwrap();
    }
    writer.finish().unwrap()
}

proptest! {
    #[test]
    fn readings_come_back_as_they_were_written(readings in readings()) {
        let file = written(&readings, Extent::default());
        let mut reader = CsvReader::new(file.as_slice(), &facts()).unwrap();
        let back: Vec<String> = reader.by_ref().map(|item| exactly(&item.unwrap())).collect();
        let expected: Vec<String> = readings.iter().map(exactly).collect();
        prop_assert_eq!(back, expected);
        prop_assert_eq!(reader.notes(), vec![]);
    }

    /// With a column of steady time, a clock that was set any way does no harm.
    #[test]
    fn a_clock_that_was_set_does_no_harm_with_steady_time(readings in readings(), jump in -90_000_000_i64..90_000_000) {
        let mut readings = readings;
        let half = readings.len() / 2;
        for reading in &mut readings[half..] {
            reading.wall.0 += jump;
        }
        let file = written(&readings, Extent { steady: true });
        let reader = CsvReader::new(file.as_slice(), &facts()).unwrap();
        let back: Vec<String> = reader.map(|item| exactly(&item.unwrap())).collect();
        prop_assert_eq!(back, readings.iter().map(exactly).collect::<Vec<_>>());
    }

    /// However a file is cut or spoilt, it is read to its end without a panic, and time never goes back.
    #[test]
    fn a_spoilt_file_is_survived(readings in readings(), spoils in prop::collection::vec((any::<usize>(), any::<u8>()), 0..12), cut: usize) {
        let mut file = written(&readings, Extent::default());
        for (place, byte) in spoils {
            let length = file.len();
            file[place % length] = byte;
        }
        file.truncate(cut % (file.len() + 1));
        if let Ok(reader) = CsvReader::new(file.as_slice(), &facts()) {
            let mut last = i64::MIN;
            for reading in reader.flatten() {
                prop_assert!(reading.at.0 > last);
                last = reading.at.0;
            }
        }
    }
}

/// What is made of a file: its readings in short, what was left out, what was noted.
fn told(file: &[u8]) -> String {
    let mut text = String::new();
    let mut reader = match CsvReader::new(file, &facts()) {
        Ok(reader) => reader,
        Err(error) => return format!("{error}\n"),
    };
    for item in reader.by_ref() {
        match item {
            Ok(reading) => {
                let at = format_instant(WallMillis(reading.at.0));
                let values: Vec<String> = [reading.flow, reading.total, reading.loop_ma, reading.pulses]
                    .iter()
                    .map(|sample| sample.map_or_else(|| "-".to_owned(), |sample| sample.value.to_string()))
                    .collect();
                let status = reading.status.map_or_else(|| "-".to_owned(), |bits| format!("{:b}", bits.0));
                writeln!(text, "{at} {} {status}", values.join(" ")).unwrap();
            }
            Err(problem) => writeln!(text, "left out: {problem}").unwrap(),
        }
    }
    for note in reader.notes() {
        writeln!(text, "note: {note}").unwrap();
    }
    text
}

#[test]
fn a_spreadsheet_with_decimal_commas() {
    let file = "\u{feff}sep=;\r\nStatus;Pulses;Time;Total;Flow (L/s);Loop_mA;remark\r\n\
                ok;100;2025-03-01 10:00:00+10:00;12345,5;1,5;12,002;all well\r\n\
                ;101;2025-03-01 10:00:01+10:00;12347;;12.003;\r\n\
                \r\n\
                \"empty pipe;odd\";;2025-03-01 10:00:02+10:00;nan;-inf;\"3,6\";\"a;b\"\r\n";
    insta::assert_snapshot!(told(file.as_bytes()));
}

#[test]
fn times_that_repeat_and_go_back() {
    let file = "time,flow,pulses\n\
                2025-03-01T00:00:00.000Z,1,10\n\
                2025-03-01T00:00:01.000Z,2,\n\
                2025-03-01T00:00:01.000Z,,11\n\
                2025-03-01T00:00:01.000Z,2,11\n\
                2025-03-01T00:00:01.000Z,9,11\n\
                2025-03-01T00:00:00.500Z,3,12\n\
                2025-03-01T00:00:02.000Z,4,12\n\
                2025-03-01T00:00:03.000Z,5,13\n\
                2025-02-28T23:00:04.000Z,6,14\n\
                2025-02-28T23:00:05.000Z,7,15\n\
                2025-02-28T01:00:00.000Z,8,16\n";
    insta::assert_snapshot!(told(file.as_bytes()));
}

#[test]
fn rows_that_cannot_be_taken() {
    let file = "time,flow,total,loop_ma,pulses,status\n\
                2025-03-01T00:00:00.000Z,1,5,12,3,ok\n\
                2025-03-01T00:00:01.000Z,1,5,7,12,3,ok\n\
                2025-03-01T00:00:02.000Z,1,5,12\n\
                yesterday,1,5,12,3,ok\n\
                ,1,5,12,3,ok\n\
                2025-03-01T00:00:03.000Z,one,5,12,3,ok\n\
                2025-03-01T00:00:04.000Z,\"1,5\",5,12,3,ok\n\
                2025-03-01T00:00:05.000Z,\"1,5,12,3,ok\n\
                time,flow,total,loop_ma,pulses,status\n\
                2025-03-01T00:00:06.000Z,inf,NaN,12,3,leak;leak two;,\n\
                2025-03-01T00:00:07.000Z,1,5,1";
    insta::assert_snapshot!(told(file.as_bytes()));
}

#[test]
fn first_lines_that_are_no_header() {
    let files: [&[u8]; 7] = [
        b"",
        b"flow,total\n1,2\n",
        b"time,flow,Flow\n1,2,3\n",
        b"time,status\n",
        b"\xFF\xFEt\0i\0m\0e\0",
        b"2025-03-01T00:00:00.000Z,1,2,3,4,ok\n",
        b"2025-03-01T00:00:00.000Z,1,2,3,4,ok,5\n",
    ];
    insta::assert_snapshot!(files.map(told).join("--\n"));
}

/// A file that breaks off while it is read.
struct Breaks<'a>(&'a [u8]);

impl std::io::Read for Breaks<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match std::io::Read::read(&mut self.0, buffer)? {
            0 => Err(std::io::Error::other("the stick was pulled out")),
            count => Ok(count),
        }
    }
}

#[test]
fn a_file_that_breaks_off_is_said_to() {
    let file = Breaks(b"time,flow\n2025-03-01T00:00:00.000Z,1\n2025-03-01T00:00:01.000Z,2\n");
    let items: Vec<_> = CsvReader::new(file, &facts()).unwrap().collect();
    let problems: Vec<String> = items.iter().filter_map(|item| item.as_ref().err()).map(ToString::to_string).collect();
    assert_eq!(problems, ["line 4: the file cannot be read on from here: the stick was pulled out"]);
    assert_eq!(items.iter().filter(|item| item.is_ok()).count(), 2);
}

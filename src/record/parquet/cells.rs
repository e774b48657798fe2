//! The cells of one column until their row group is written.

use parquet::basic::{Encoding, LogicalType, TimeUnit, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::writer::SerializedColumnWriter;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Milliseconds since 1970, UTC.
    Instant,
    /// A double that differs from row to row.
    Number,
    /// A double that is often the same.
    Repeated,
    /// True or false.
    Truth,
    /// UTF-8, often the same.
    Text,
    /// Bytes.
    Bytes,
}

impl Kind {
    pub(super) const fn physical(self) -> Physical {
        match self {
            Self::Instant => Physical::INT64,
            Self::Number | Self::Repeated => Physical::DOUBLE,
            Self::Truth => Physical::BOOLEAN,
            Self::Text | Self::Bytes => Physical::BYTE_ARRAY,
        }
    }

    pub(super) fn logical(self) -> Option<LogicalType> {
        match self {
            Self::Instant => Some(LogicalType::timestamp(true, TimeUnit::MILLIS)),
            Self::Text => Some(LogicalType::String),
            _ => None,
        }
    }

    /// How it is best written, where that is not as a dictionary: instants and registers differ little from row to row,
    /// and neighbouring doubles share their high bytes.
    pub(super) const fn encoding(self) -> Option<Encoding> {
        match self {
            Self::Instant => Some(Encoding::DELTA_BINARY_PACKED),
            Self::Number => Some(Encoding::BYTE_STREAM_SPLIT),
            Self::Bytes => Some(Encoding::DELTA_BYTE_ARRAY),
            Self::Repeated | Self::Text | Self::Truth => None,
        }
    }
}

#[derive(Debug)]
enum Values {
    Instants(Vec<i64>),
    Numbers(Vec<f64>),
    Truths(Vec<bool>),
    Bytes(Vec<ByteArray>),
}

/// The cells of one column: the values that are there, and for each row whether there is one.
#[derive(Debug)]
pub(super) struct Cells {
    values: Values,
    present: Vec<i16>,
}

impl Cells {
    pub(super) fn new(kind: Kind) -> Self {
        let values = match kind {
            Kind::Instant => Values::Instants(Vec::new()),
            Kind::Number | Kind::Repeated => Values::Numbers(Vec::new()),
            Kind::Truth => Values::Truths(Vec::new()),
            Kind::Text | Kind::Bytes => Values::Bytes(Vec::new()),
        };
        Self { values, present: Vec::new() }
    }

    pub(super) fn instant(&mut self, millis: Option<i64>) {
        self.present.push(i16::from(millis.is_some()));
        if let (Values::Instants(values), Some(millis)) = (&mut self.values, millis) {
            values.push(millis);
        }
    }

    pub(super) fn number(&mut self, number: Option<f64>) {
        self.present.push(i16::from(number.is_some()));
        if let (Values::Numbers(values), Some(number)) = (&mut self.values, number) {
            values.push(number);
        }
    }

    pub(super) fn truth(&mut self, truth: Option<bool>) {
        self.present.push(i16::from(truth.is_some()));
        if let (Values::Truths(values), Some(truth)) = (&mut self.values, truth) {
            values.push(truth);
        }
    }

    pub(super) fn bytes(&mut self, bytes: Option<ByteArray>) {
        self.present.push(i16::from(bytes.is_some()));
        if let (Values::Bytes(values), Some(bytes)) = (&mut self.values, bytes) {
            values.push(bytes);
        }
    }

    /// Writes the cells as one column chunk and begins anew. `required` columns have a value in every row.
    pub(super) fn write(&mut self, mut column: SerializedColumnWriter<'_>, required: bool) -> Result<(), ParquetError> {
        let present = (!required).then_some(self.present.as_slice());
        match &mut self.values {
            Values::Instants(values) => {
                column.typed::<Int64Type>().write_batch(values, present, None)?;
                values.clear();
            }
            Values::Numbers(values) => {
                column.typed::<DoubleType>().write_batch(values, present, None)?;
                values.clear();
            }
            Values::Truths(values) => {
                column.typed::<BoolType>().write_batch(values, present, None)?;
                values.clear();
            }
            Values::Bytes(values) => {
                column.typed::<ByteArrayType>().write_batch(values, present, None)?;
                values.clear();
            }
        }
        self.present.clear();
        column.close()
    }
}

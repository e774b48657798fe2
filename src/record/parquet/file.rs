//! One Parquet file: its schema, its metadata, and its rows in groups.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, Repetition, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{ColumnPath, Type, TypePtr};
use tallywell_witness::reading::{MeterFacts, WitnessFacts};

use super::columns::Columns;
use crate::record::quantity::Quantity;

/// Rows written together: what waits in memory, some 200 bytes each, and what a reader can skip by its times.
pub(super) const ROWS_A_GROUP: usize = 32_768;

/// What every file of a meter has in common.
#[derive(Debug)]
pub(super) struct Form {
    schema: TypePtr,
    site: String,
    meter: String,
    metadata: Vec<KeyValue>,
}

impl Form {
    pub(super) fn new(site: &str, facts: &MeterFacts, columns: &Columns) -> Result<Self, ParquetError> {
        let mut fields = Vec::new();
        let mut metadata = Vec::new();
        for column in &columns.all {
            let repetition = if column.is_required() { Repetition::REQUIRED } else { Repetition::OPTIONAL };
            let field = Type::primitive_type_builder(column.name, column.kind.physical())
                .with_repetition(repetition)
                .with_logical_type(column.kind.logical())
                .build()?;
            fields.push(Arc::new(field));
            if let Some(unit) = &column.unit {
                metadata.push(KeyValue::new(format!("unit.{}", column.name), unit.clone()));
            }
        }
        for quantity in Quantity::ALL {
            if let Some(facts) = quantity.facts(facts) {
                metadata.push(KeyValue::new(format!("declared.{}", quantity.column()), declared(facts)));
            }
        }
        let schema = Arc::new(Type::group_type_builder("readings").with_fields(fields).build()?);
        Ok(Self { schema, site: site.to_owned(), meter: facts.meter.name.clone(), metadata })
    }

    fn properties(&self, columns: &Columns, date: &str) -> Result<WriterPropertiesPtr, ParquetError> {
        let mut metadata = self.metadata.clone();
        for (key, value) in [("site", self.site.as_str()), ("meter", self.meter.as_str()), ("date", date)] {
            metadata.push(KeyValue::new(key.to_owned(), value.to_owned()));
        }
        let mut properties = WriterProperties::builder()
            .set_created_by(concat!("tallywell ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
            .set_key_value_metadata(Some(metadata));
        for column in &columns.all {
            if let Some(encoding) = column.kind.encoding() {
                let path = ColumnPath::from(column.name);
                properties = properties.set_column_dictionary_enabled(path.clone(), false);
                properties = properties.set_column_encoding(path, encoding);
            }
        }
        Ok(Arc::new(properties.build()))
    }

    pub(super) fn begin<W: Write + Send>(
        &self,
        out: W,
        columns: &Columns,
        date: &str,
    ) -> Result<SerializedFileWriter<W>, ParquetError> {
        SerializedFileWriter::new(out, Arc::clone(&self.schema), self.properties(columns, date)?)
    }
}

/// How a value's registers were declared, as one JSON object.
fn declared(facts: &WitnessFacts) -> String {
    let entry = &facts.entry;
    serde_json::json!({
        "entry": entry.name,
        "table": entry.table,
        "address": entry.address,
        "type": entry.value_type,
        "word_order": entry.word_order,
        "byte_order": entry.byte_order,
        "unit": entry.unit.symbol,
        "scale": entry.scale,
        "offset": entry.offset,
        "wraps_at": entry.wraps_at,
    })
    .to_string()
}

/// Writes the rows that wait as one group.
pub(super) fn write_group<W: Write + Send>(
    file: &mut SerializedFileWriter<W>,
    columns: &mut Columns,
) -> Result<(), ParquetError> {
    let mut group = file.next_row_group()?;
    for column in &mut columns.all {
        if let Some(writer) = group.next_column()? {
            let required = column.is_required();
            column.cells.write(writer, required)?;
        }
    }
    columns.begin_anew();
    group.close().map(drop)
}

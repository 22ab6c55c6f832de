//! Rows as Apache Parquet, by the crate's low-level writer: some tens of thousands at a time are held and written
//! together. Times are UTC, in milliseconds: Parquet keeps no offset.

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::Type;

use super::table::{Cell, Column, Kind, Sink};

/// Rows that are written together. Our choice: a few megabytes.
const GROUP: usize = 50_000;

/// Writes Parquet.
pub(crate) struct Parquet<W: Write + Send> {
    out: SerializedFileWriter<W>,
    columns: &'static [Column],
    held: Vec<Vec<Cell>>,
}

impl<W: Write + Send> Parquet<W> {
    pub(crate) fn new(out: W, columns: &'static [Column]) -> io::Result<Parquet<W>> {
        let fields = columns.iter().map(|column| field(*column).map(Arc::new)).collect::<Result<Vec<_>, _>>();
        let schema = fields.and_then(|fields| Type::group_type_builder("history").with_fields(fields).build());
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(concat!("lampwarden ", env!("CARGO_PKG_VERSION")).to_owned())
            .build();
        let writer = schema.and_then(|schema| SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties)));
        let held = columns.iter().map(|_| Vec::new()).collect();
        Ok(Parquet { out: writer.map_err(plain)?, columns, held })
    }

    fn write(&mut self) -> io::Result<()> {
        if self.held.first().is_none_or(Vec::is_empty) {
            return Ok(());
        }
        let mut group = self.out.next_row_group().map_err(plain)?;
        for (column, cells) in self.columns.iter().zip(&mut self.held) {
            // There are as many as the schema has: both come from the same list.
            let Some(mut writer) = group.next_column().map_err(plain)? else { break };
            put(&mut writer, *column, cells).and_then(|()| writer.close()).map_err(plain)?;
            cells.clear();
        }
        group.close().map(|_| ()).map_err(plain)
    }
}

fn field(column: Column) -> Result<Type, ParquetError> {
    let (physical, logical) = match column.kind {
        Kind::Time => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Json => (Physical::BYTE_ARRAY, Some(LogicalType::Json)),
        Kind::Number => (Physical::DOUBLE, None),
        Kind::Count => (Physical::INT64, None),
    };
    let repetition = if column.may_be_empty { Repetition::OPTIONAL } else { Repetition::REQUIRED };
    Type::primitive_type_builder(column.name, physical).with_logical_type(logical).with_repetition(repetition).build()
}

fn put(writer: &mut SerializedColumnWriter<'_>, column: Column, cells: &[Cell]) -> Result<(), ParquetError> {
    let there: Vec<i16> = cells.iter().map(|cell| i16::from(*cell != Cell::Empty)).collect();
    let levels = column.may_be_empty.then_some(there.as_slice());
    match column.kind {
        Kind::Time | Kind::Count => {
            let values: Vec<i64> = cells.iter().filter_map(whole).collect();
            writer.typed::<Int64Type>().write_batch(&values, levels, None)?;
        }
        Kind::Number => {
            let values: Vec<f64> = cells.iter().filter_map(number).collect();
            writer.typed::<DoubleType>().write_batch(&values, levels, None)?;
        }
        Kind::Text | Kind::Json => {
            let values: Vec<ByteArray> = cells.iter().filter_map(bytes).collect();
            writer.typed::<ByteArrayType>().write_batch(&values, levels, None)?;
        }
    }
    Ok(())
}

fn whole(cell: &Cell) -> Option<i64> {
    match cell {
        Cell::Time(at) => Some(at.timestamp_millis()),
        Cell::Count(count) => Some(i64::try_from(*count).unwrap_or(i64::MAX)),
        _ => None,
    }
}

fn number(cell: &Cell) -> Option<f64> {
    match cell {
        Cell::Number(number) => Some(*number),
        _ => None,
    }
}

fn bytes(cell: &Cell) -> Option<ByteArray> {
    match cell {
        Cell::Text(text) => Some(text.as_str().into()),
        Cell::Json(value) => Some(value.to_string().as_str().into()),
        _ => None,
    }
}

/// The error below, where there is one: a reader that has gone away must be known again.
fn plain(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(below) => match below.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(below) => io::Error::other(below),
        },
        error => io::Error::other(error),
    }
}

impl<W: Write + Send> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        for (held, cell) in self.held.iter_mut().zip(cells) {
            held.push(cell.clone());
        }
        if self.held.first().is_some_and(|held| held.len() >= GROUP) { self.write() } else { Ok(()) }
    }

    fn end(mut self: Box<Self>) -> io::Result<()> {
        self.write()?;
        let mut out = self.out.into_inner().map_err(plain)?;
        out.flush()
    }
}

//! Rows as CSV (RFC 4180): a header, then a line each.

use std::io::{self, Write};

use chrono_tz::Tz;

use super::table::{Cell, Column, Sink, stamp};

/// Writes CSV.
pub(crate) struct Spreadsheet<W: Write> {
    out: csv::Writer<W>,
    zone: Tz,
}

impl<W: Write> Spreadsheet<W> {
    pub(crate) fn new(out: W, columns: &[Column], zone: Tz) -> io::Result<Spreadsheet<W>> {
        let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
        out.write_record(columns.iter().map(|column| column.name)).map_err(plain)?;
        Ok(Spreadsheet { out, zone })
    }
}

impl<W: Write> Sink for Spreadsheet<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        for cell in cells {
            let written = match cell {
                Cell::Time(at) => self.out.write_field(stamp(*at, self.zone)),
                Cell::Text(text) => self.out.write_field(text),
                Cell::Number(number) => self.out.write_field(number.to_string()),
                Cell::Count(count) => self.out.write_field(count.to_string()),
                Cell::Json(value) => self.out.write_field(value.to_string()),
                Cell::Empty => self.out.write_field(""),
            };
            written.map_err(plain)?;
        }
        self.out.write_record(None::<&[u8]>).map_err(plain)
    }

    fn end(mut self: Box<Self>) -> io::Result<()> {
        self.out.flush()
    }
}

/// The error below, where there is one: a reader that has gone away must be known again.
fn plain(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

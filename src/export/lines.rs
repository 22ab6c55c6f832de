//! Rows as JSON Lines: an object each, with the columns as its keys, in their order.

use std::io::{self, Write};

use chrono_tz::Tz;

use super::table::{Cell, Column, Sink, stamp};

/// Writes JSON Lines.
pub(crate) struct Lines<W: Write> {
    out: W,
    columns: &'static [Column],
    zone: Tz,
}

impl<W: Write> Lines<W> {
    pub(crate) fn new(out: W, columns: &'static [Column], zone: Tz) -> Lines<W> {
        Lines { out, columns, zone }
    }
}

impl<W: Write> Sink for Lines<W> {
    fn row(&mut self, cells: &[Cell]) -> io::Result<()> {
        let mut opens = '{';
        for (column, cell) in self.columns.iter().zip(cells) {
            write!(self.out, "{opens}\"{}\":", column.name)?;
            match cell {
                Cell::Time(at) => write!(self.out, "\"{}\"", stamp(*at, self.zone))?,
                Cell::Text(text) => serde_json::to_writer(&mut self.out, text)?,
                // What is no finite number becomes null.
                Cell::Number(number) => serde_json::to_writer(&mut self.out, number)?,
                Cell::Count(count) => write!(self.out, "{count}")?,
                Cell::Json(value) => write!(self.out, "{value}")?,
                Cell::Empty => self.out.write_all(b"null")?,
            }
            opens = ',';
        }
        self.out.write_all(b"}\n")
    }

    fn end(mut self: Box<Self>) -> io::Result<()> {
        self.out.flush()
    }
}

//! Readings from elsewhere, such as a keeper's spreadsheet, merged into the journal.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::path::Path;

use chrono::{DateTime, Utc};
use rusqlite::{Connection, OptionalExtension as _, Row, TransactionBehavior};

use super::samples::Sum;
use super::{HOUR_MINUTES, MINUTE_MS, Sample, Unreadable};
use crate::journal::schema::{self, Misfit};

/// Readings of one probe.
#[derive(Clone, Debug, PartialEq)]
pub struct PastReadings {
    /// The enclosure's id.
    pub enclosure: String,
    /// The probe's name.
    pub probe: String,
    /// What it measures, as [`Series::quantity`](super::Series::quantity).
    pub quantity: &'static str,
    /// Milliseconds since 1970, and the reading in the kept unit. In any order.
    pub readings: Vec<(i64, f64)>,
}

/// What became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Merged {
    /// Minutes that are in the journal now.
    pub written: u64,
    /// Those of them that took the place of another.
    pub replaced: u64,
    /// Minutes that were there before and were left as they are.
    pub left: u64,
}

/// A minute of readings.
struct Minute {
    mean: f64,
    low: f64,
    high: f64,
    count: i64,
}

/// Writes `offered` into the journal at `path`, all or nothing. What is in the journal stays, unless `replace`. The
/// daemon may run meanwhile: it waits for us, or we for it, for some seconds at most. `now` is the present time.
pub fn merge(path: &Path, offered: &[PastReadings], replace: bool, now: DateTime<Utc>) -> Result<Merged, Unreadable> {
    if !path.exists() {
        return Err(Unreadable::Absent(path.to_owned()));
    }
    let mut connection = schema::open(path).map_err(|misfit| match misfit {
        Misfit::Sqlite(error) => Unreadable::Sqlite(path.to_owned(), error),
        misfit => Unreadable::Misfit(path.to_owned(), misfit),
    })?;
    let mut work = || {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut merged = Merged::default();
        for readings in offered {
            let table = Table::of(&transaction, readings, now)?;
            table.merge(&minutes_of(&readings.readings), replace, &mut merged)?;
        }
        transaction.commit()?;
        Ok(merged)
    };
    work().map_err(|error| Unreadable::Sqlite(path.to_owned(), error))
}

fn minutes_of(readings: &[(i64, f64)]) -> BTreeMap<i64, Minute> {
    let mut minutes: BTreeMap<i64, Minute> = BTreeMap::new();
    for &(at, value) in readings {
        let fresh = Minute { mean: 0.0, low: value, high: value, count: 0 };
        let minute = minutes.entry(at.div_euclid(MINUTE_MS)).or_insert(fresh);
        minute.count += 1;
        minute.mean += (value - minute.mean) / minute.count as f64;
        (minute.low, minute.high) = (minute.low.min(value), minute.high.max(value));
    }
    minutes
}

/// The first hour that the daemon has yet to sum; where it never did, that of the oldest minute it wrote, or of `now`.
fn fresh_from(connection: &Connection, now: DateTime<Utc>) -> rusqlite::Result<i64> {
    let text = "SELECT value FROM marks WHERE name = 'summed'";
    let mark: Option<i64> = connection.query_row(text, [], |row| row.get(0)).optional()?;
    let oldest: Option<i64> = connection.query_row("SELECT min(minute) FROM recent", [], |row| row.get(0))?;
    let oldest = oldest.map(|minute| minute.div_euclid(HOUR_MINUTES));
    Ok(mark.or(oldest).unwrap_or(now.timestamp().div_euclid(3600)))
}

/// One series in a transaction.
struct Table<'a> {
    connection: &'a Connection,
    series: i64,
    /// From this hour on minutes go to `recent`, of which the daemon makes hours; before it we do.
    fresh_from: i64,
}

/// A minute that is there before anything is written to it.
struct Stood {
    table: &'static str,
    /// It has a good reading.
    is_good: bool,
    bad: i64,
}

/// What is known of an hour before anything is written to it.
struct Hour {
    /// It is kept as an hour.
    is_kept: bool,
    /// It knows more than the minutes that are left of it.
    is_closed: bool,
}

impl<'a> Table<'a> {
    fn of(connection: &'a Connection, readings: &PastReadings, now: DateTime<Utc>) -> rusqlite::Result<Table<'a>> {
        let PastReadings { enclosure, probe, quantity, .. } = readings;
        let key = (enclosure, probe, quantity);
        connection.execute("INSERT OR IGNORE INTO series (enclosure, probe, quantity) VALUES (?1, ?2, ?3)", key)?;
        let text = "SELECT id FROM series WHERE enclosure = ?1 AND probe = ?2 AND quantity = ?3";
        let series = connection.query_row(text, key, |row| row.get(0))?;
        Ok(Table { connection, series, fresh_from: fresh_from(connection, now)? })
    }

    fn merge(&self, minutes: &BTreeMap<i64, Minute>, replace: bool, merged: &mut Merged) -> rusqlite::Result<()> {
        let mut hours: BTreeMap<i64, Hour> = BTreeMap::new();
        for number in minutes.keys().map(|minute| minute.div_euclid(HOUR_MINUTES)) {
            if let Entry::Vacant(empty) = hours.entry(number) {
                empty.insert(self.hour(number)?);
            }
        }
        for (number, minute) in minutes {
            let is_closed = hours.get(&number.div_euclid(HOUR_MINUTES)).is_some_and(|hour| hour.is_closed);
            let stood = self.stands(*number)?;
            let is_taken = is_closed || stood.as_ref().is_some_and(|stood| stood.is_good);
            if is_taken && !replace {
                merged.left += 1;
                continue;
            }
            self.write(*number, minute, stood.as_ref())?;
            merged.written += 1;
            merged.replaced += u64::from(is_taken);
        }
        for (number, hour) in hours {
            // The newest hours are made by the daemon, of minutes that may still come.
            let is_past = number < self.fresh_from;
            if (is_past || hour.is_kept) && (replace || !hour.is_closed) {
                self.reckon(number)?;
            }
        }
        Ok(())
    }

    /// The minutes of an hour, whichever table they are in.
    fn hour(&self, number: i64) -> rusqlite::Result<Hour> {
        let text = "SELECT covered FROM hours WHERE series = ?1 AND hour = ?2";
        let mut statement = self.connection.prepare_cached(text)?;
        let covered: Option<i64> = statement.query_row((self.series, number), |row| row.get(0)).optional()?;
        let left = self.minutes(number)?.iter().filter(|minute| minute.mean.is_some()).count();
        Ok(Hour {
            is_kept: covered.is_some(),
            is_closed: covered.is_some_and(|covered| usize::try_from(covered).is_ok_and(|covered| covered > left)),
        })
    }

    fn minutes(&self, hour: i64) -> rusqlite::Result<Vec<Sample>> {
        let text = "SELECT minute, mean, low, high, good, bad FROM minutes
                    WHERE series = ?1 AND minute >= ?2 AND minute < ?3
                    UNION ALL
                    SELECT minute, mean, low, high, good, bad FROM recent
                    WHERE minute >= ?2 AND minute < ?3 AND series = ?1";
        let mut statement = self.connection.prepare_cached(text)?;
        let bounds = (self.series, hour * HOUR_MINUTES, (hour + 1) * HOUR_MINUTES);
        let rows = statement.query_map(bounds, super::samples::minute)?;
        rows.map(|row| row.map(|stored| stored.sample)).collect()
    }

    /// A minute that is there.
    fn stands(&self, minute: i64) -> rusqlite::Result<Option<Stood>> {
        for table in ["recent", "minutes"] {
            let text = format!("SELECT mean IS NOT NULL, bad FROM {table} WHERE series = ?1 AND minute = ?2");
            let mut statement = self.connection.prepare_cached(&text)?;
            let stood = |row: &Row<'_>| Ok(Stood { table, is_good: row.get(0)?, bad: row.get(1)? });
            let row = statement.query_row((self.series, minute), stood).optional()?;
            if row.is_some() {
                return Ok(row);
            }
        }
        Ok(None)
    }

    fn write(&self, number: i64, minute: &Minute, stood: Option<&Stood>) -> rusqlite::Result<()> {
        let is_fresh = number.div_euclid(HOUR_MINUTES) >= self.fresh_from;
        let table = stood.map_or(if is_fresh { "recent" } else { "minutes" }, |stood| stood.table);
        let text = format!(
            "INSERT OR REPLACE INTO {table} (series, minute, mean, low, high, good, bad) VALUES (?1, ?2, ?3, ?4, \
             ?5, ?6, ?7)"
        );
        let Minute { mean, low, high, count } = *minute;
        let apart = |value: f64| Some(value).filter(|value| *value != mean);
        let bad = stood.map_or(0, |stood| stood.bad);
        self.connection
            .prepare_cached(&text)?
            .execute((self.series, number, mean, apart(low), apart(high), count, bad))
            .map(|_| ())
    }

    /// An hour anew from its minutes.
    fn reckon(&self, number: i64) -> rusqlite::Result<()> {
        let mut sum = Sum::new(super::samples::moment(number * HOUR_MINUTES * MINUTE_MS));
        self.minutes(number)?.iter().for_each(|minute| sum.add(minute));
        let Sample { mean, low, high, good, bad, covered, .. } = sum.sample();
        let apart = |value: Option<f64>| value.filter(|_| value != mean);
        let text = "INSERT OR REPLACE INTO hours (series, hour, mean, low, high, good, bad, covered)
                    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
        let count = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
        let values = (self.series, number, mean, apart(low), apart(high), count(good), count(bad), count(covered));
        self.connection.prepare_cached(text)?.execute(values).map(|_| ())
    }
}

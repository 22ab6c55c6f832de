//! Readings by the minute, by the hour and by the day.

use std::io;

use chrono::{DateTime, NaiveDate, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use rusqlite::Row;

use super::{Failure, HOUR_MINUTES, MINUTE_MS, Reader, Series, Unreadable, Window};

/// How closely readings are told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resolution {
    /// As long as minutes are kept.
    Minute,
    /// For as long as the journal goes back.
    Hour,
    /// The hours that begin on each date of the site.
    Day,
}

/// What a probe said over a minute, an hour or a day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When it begins.
    pub at: DateTime<Utc>,
    /// The mean of the minutes with a good reading; none where there was no such minute.
    pub mean: Option<f64>,
    /// The lowest good reading.
    pub low: Option<f64>,
    /// The highest good reading.
    pub high: Option<f64>,
    /// Readings that were believed.
    pub good: u64,
    /// Readings that were not.
    pub bad: u64,
    /// Minutes with a good reading.
    pub covered: u64,
}

/// When the first minute and the first hour begin of which anything is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeptFrom {
    /// The first minute.
    pub minutes: Option<DateTime<Utc>>,
    /// The first hour, or the hour of the first minute.
    pub hours: Option<DateTime<Utc>>,
}

/// A row of minutes or hours: its number since 1970, and the rest of it.
pub(super) struct Stored {
    pub number: i64,
    pub sample: Sample,
}

/// A minute's row: minute, mean, low, high, good, bad.
pub(super) fn minute(row: &Row<'_>) -> rusqlite::Result<Stored> {
    let number: i64 = row.get(0)?;
    let mean: Option<f64> = row.get(1)?;
    let low = row.get::<_, Option<f64>>(2)?.or(mean);
    let high = row.get::<_, Option<f64>>(3)?.or(mean);
    let (good, bad) = (count(row, 4)?, count(row, 5)?);
    let at = moment(number.saturating_mul(MINUTE_MS));
    Ok(Stored { number, sample: Sample { at, mean, low, high, good, bad, covered: u64::from(mean.is_some()) } })
}

/// An hour's row: hour, mean, low, high, good, bad, covered.
fn hour(row: &Row<'_>) -> rusqlite::Result<Stored> {
    let number: i64 = row.get(0)?;
    let at = moment(number.saturating_mul(HOUR_MINUTES * MINUTE_MS));
    let mean: Option<f64> = row.get(1)?;
    let sample = Sample {
        at,
        mean,
        low: row.get::<_, Option<f64>>(2)?.or(mean),
        high: row.get::<_, Option<f64>>(3)?.or(mean),
        good: count(row, 4)?,
        bad: count(row, 5)?,
        covered: count(row, 6)?,
    };
    Ok(Stored { number, sample })
}

fn count(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    Ok(u64::try_from(row.get::<_, i64>(column)?).unwrap_or(0))
}

/// Milliseconds since 1970 as a time; the nearest one there is.
pub(super) fn moment(ms: i64) -> DateTime<Utc> {
    let end = if ms < 0 { DateTime::<Utc>::MIN_UTC } else { DateTime::<Utc>::MAX_UTC };
    DateTime::from_timestamp_millis(ms).unwrap_or(end)
}

/// Many short spans become one longer one.
#[derive(Debug)]
pub(super) struct Sum {
    begins: DateTime<Utc>,
    weighted: f64,
    low: Option<f64>,
    high: Option<f64>,
    good: u64,
    bad: u64,
    covered: u64,
}

impl Sum {
    pub(super) fn new(begins: DateTime<Utc>) -> Sum {
        Sum { begins, weighted: 0.0, low: None, high: None, good: 0, bad: 0, covered: 0 }
    }

    /// Each part counts by its minutes with a good reading.
    pub(super) fn add(&mut self, part: &Sample) {
        self.weighted += part.mean.unwrap_or(0.0) * part.covered as f64;
        self.low = [self.low, part.low].into_iter().flatten().reduce(f64::min);
        self.high = [self.high, part.high].into_iter().flatten().reduce(f64::max);
        (self.good, self.bad, self.covered) = (self.good + part.good, self.bad + part.bad, self.covered + part.covered);
    }

    pub(super) fn sample(&self) -> Sample {
        let Sum { begins, weighted, low, high, good, bad, covered } = *self;
        let mean = (covered > 0).then(|| weighted / covered as f64);
        Sample { at: begins, mean, low, high, good, bad, covered }
    }
}

/// When a date begins at the site: at midnight, or where a spring night skips that, at the first quarter after it.
pub fn begin_of(date: NaiveDate, zone: Tz) -> DateTime<Utc> {
    let quarters = (0..=12).map(|quarter| date.and_time(chrono::NaiveTime::MIN) + TimeDelta::minutes(15 * quarter));
    let first = quarters.filter_map(|local| zone.from_local_datetime(&local).earliest()).next();
    first.map_or_else(|| date.and_time(chrono::NaiveTime::MIN).and_utc(), |local| local.to_utc())
}

impl Reader {
    /// Hands over what is kept of `series` in `window`, in order of time. A day is one of `zone`'s calendar, made of
    /// the hours that begin in it.
    pub fn samples(
        &self,
        series: &Series,
        window: Window,
        resolution: Resolution,
        zone: Tz,
        mut act: impl FnMut(&Sample) -> io::Result<()>,
    ) -> Result<(), Failure> {
        // One transaction: what moves from one table to the other meanwhile is seen in one of them.
        let transaction = self.connection.unchecked_transaction().map_err(|error| self.broken(error))?;
        match resolution {
            Resolution::Minute => self.minutes(series, window, &mut act)?,
            Resolution::Hour => self.hours(series, window, &mut act)?,
            Resolution::Day => {
                let mut day: Option<(NaiveDate, Sum)> = None;
                self.hours(series, window, &mut |part| {
                    let date = part.at.with_timezone(&zone).date_naive();
                    match &mut day {
                        Some((same, sum)) if *same == date => sum.add(part),
                        _ => {
                            let mut sum = Sum::new(begin_of(date, zone));
                            sum.add(part);
                            if let Some((_, done)) = day.replace((date, sum)) {
                                act(&done.sample())?;
                            }
                        }
                    }
                    Ok(())
                })?;
                if let Some((_, done)) = day {
                    act(&done.sample())?;
                }
            }
        }
        transaction.finish().map_err(|error| self.broken(error))
    }

    pub(super) fn broken(&self, error: rusqlite::Error) -> Failure {
        Failure::Journal(self.failed(error))
    }

    fn minutes(
        &self,
        series: &Series,
        window: Window,
        act: &mut dyn FnMut(&Sample) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let (from, until) = window.minutes();
        let recent = self.recent(series, from, until).map_err(|error| self.broken(error))?;
        let mut recent = recent.into_iter().peekable();
        let text = "SELECT minute, mean, low, high, good, bad FROM minutes
                    WHERE series = ?1 AND minute >= ?2 AND minute < ?3 ORDER BY minute";
        let mut statement = self.connection.prepare_cached(text).map_err(|error| self.broken(error))?;
        let mut rows = statement.query((series.id, from, until)).map_err(|error| self.broken(error))?;
        while let Some(row) = rows.next().map_err(|error| self.broken(error))? {
            let stored = minute(row).map_err(|error| self.broken(error))?;
            while let Some(earlier) = recent.next_if(|recent| recent.number < stored.number) {
                act(&earlier.sample)?;
            }
            act(&stored.sample)?;
        }
        recent.try_for_each(|stored| act(&stored.sample)).map_err(Failure::from)
    }

    /// Hours as they are kept, and those of the last minutes that are not hours yet.
    fn hours(
        &self,
        series: &Series,
        window: Window,
        act: &mut dyn FnMut(&Sample) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let up = |minute: i64| minute.div_euclid(HOUR_MINUTES) + i64::from(minute.rem_euclid(HOUR_MINUTES) != 0);
        let (from, until) = window.minutes();
        let (from, until) = (up(from), up(until));
        let fresh = self.fresh_hours(series, from, until).map_err(|error| self.broken(error))?;
        let mut fresh = fresh.into_iter().peekable();
        let text = "SELECT hour, mean, low, high, good, bad, covered FROM hours
                    WHERE series = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour";
        let mut statement = self.connection.prepare_cached(text).map_err(|error| self.broken(error))?;
        let mut rows = statement.query((series.id, from, until)).map_err(|error| self.broken(error))?;
        while let Some(row) = rows.next().map_err(|error| self.broken(error))? {
            let stored = hour(row).map_err(|error| self.broken(error))?;
            while let Some(earlier) = fresh.next_if(|fresh| fresh.number < stored.number) {
                act(&earlier.sample)?;
            }
            // What is kept as an hour counts before what would be reckoned of it.
            let _ = fresh.next_if(|fresh| fresh.number == stored.number);
            act(&stored.sample)?;
        }
        fresh.try_for_each(|stored| act(&stored.sample)).map_err(Failure::from)
    }

    /// The hours that have minutes in `recent`, reckoned from all their minutes.
    fn fresh_hours(&self, series: &Series, from: i64, until: i64) -> rusqlite::Result<Vec<Stored>> {
        let Some((first, last)) = self.recent_span()? else { return Ok(Vec::new()) };
        let from = from.max(first.div_euclid(HOUR_MINUTES));
        let until = until.min(last.div_euclid(HOUR_MINUTES) + 1);
        if from >= until {
            return Ok(Vec::new());
        }
        let text = "SELECT minute, mean, low, high, good, bad FROM minutes
                    WHERE series = ?1 AND minute >= ?2 AND minute < ?3 ORDER BY minute";
        let mut statement = self.connection.prepare_cached(text)?;
        let bounds = (series.id, from * HOUR_MINUTES, until * HOUR_MINUTES);
        let mut parts = statement.query_map(bounds, minute)?.collect::<rusqlite::Result<Vec<_>>>()?;
        parts.extend(self.recent(series, bounds.1, bounds.2)?);
        parts.sort_by_key(|part| part.number);
        let mut hours: Vec<(i64, Sum)> = Vec::new();
        for part in parts {
            let number = part.number.div_euclid(HOUR_MINUTES);
            if hours.last().is_none_or(|(last, _)| *last != number) {
                hours.push((number, Sum::new(moment(number * HOUR_MINUTES * MINUTE_MS))));
            }
            if let Some((_, sum)) = hours.last_mut() {
                sum.add(&part.sample);
            }
        }
        Ok(hours.into_iter().map(|(number, sum)| Stored { number, sample: sum.sample() }).collect())
    }

    /// First and last minute in `recent`, whosever.
    pub(super) fn recent_span(&self) -> rusqlite::Result<Option<(i64, i64)>> {
        // Two queries: SQLite finds the end of an index at once for one of them alone.
        let end = |text: &str| self.connection.prepare_cached(text)?.query_row([], |row| row.get::<_, Option<i64>>(0));
        Ok(end("SELECT min(minute) FROM recent")?.zip(end("SELECT max(minute) FROM recent")?))
    }

    /// What is in `recent` of one series. That table is in order of time: each minute is looked up, since to read them
    /// all would read the whole site.
    fn recent(&self, series: &Series, from: i64, until: i64) -> rusqlite::Result<Vec<Stored>> {
        let Some((first, last)) = self.recent_span()? else { return Ok(Vec::new()) };
        let (from, until) = (from.max(first), until.min(last + 1));
        if from >= until {
            return Ok(Vec::new());
        }
        let text =
            "WITH RECURSIVE span (minute) AS (SELECT ?2 UNION ALL SELECT minute + 1 FROM span WHERE minute + 1 < ?3)
                    SELECT recent.minute, mean, low, high, good, bad FROM span CROSS JOIN recent
                    ON recent.minute = span.minute AND recent.series = ?1";
        let mut statement = self.connection.prepare_cached(text)?;
        statement.query_map((series.id, from, until), minute)?.collect()
    }

    /// The first hour of which anything is kept of `series`.
    pub fn first_hour(&self, series: &Series) -> Result<Option<DateTime<Utc>>, Unreadable> {
        let read = || {
            let text = "SELECT min(hour) FROM hours WHERE series = ?1";
            let kept: Option<i64> = self.connection.prepare_cached(text)?.query_row([series.id], |row| row.get(0))?;
            let fresh =
                || Ok(self.fresh_hours(series, i64::MIN / 60, i64::MAX / 60)?.first().map(|first| first.number));
            kept.map_or_else(fresh, |hour| Ok(Some(hour)))
        };
        let at = |hour: i64| moment(hour.saturating_mul(HOUR_MINUTES * MINUTE_MS));
        read().map(|hour| hour.map(at)).map_err(|error| self.failed(error))
    }

    /// From when on anything is kept.
    pub fn kept_from(&self) -> Result<KeptFrom, Unreadable> {
        let read = || {
            let mut earliest = (None, None);
            for series in self.series(super::Whose::default()).map_err(|_| rusqlite::Error::InvalidQuery)? {
                let one = |text: &str| {
                    self.connection.prepare_cached(text)?.query_row([series.id], |row| row.get::<_, Option<i64>>(0))
                };
                let least = |a: Option<i64>, b: Option<i64>| [a, b].into_iter().flatten().min();
                earliest.0 = least(earliest.0, one("SELECT min(minute) FROM minutes WHERE series = ?1")?);
                earliest.1 = least(earliest.1, one("SELECT min(hour) FROM hours WHERE series = ?1")?);
            }
            let recent = self.recent_span()?.map(|(first, _)| first);
            let minutes = [earliest.0, recent].into_iter().flatten().min();
            let hours = [earliest.1.map(|hour| hour * HOUR_MINUTES), minutes].into_iter().flatten().min();
            let at = |minute: i64| moment(minute * MINUTE_MS);
            Ok(KeptFrom { minutes: minutes.map(at), hours: hours.map(at) })
        };
        read().map_err(|error| self.failed(error))
    }
}

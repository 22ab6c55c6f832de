//! Summing, moving and forgetting readings, a step at a time, so that what is urgent never waits long behind it.

use super::book::join;
use chrono::{DateTime, Utc};
use rusqlite::{Connection, OptionalExtension as _, Transaction, TransactionBehavior, params};

use super::outbox;

/// Readings by the minute are kept this long, days: a month can be replayed as it was. A guess.
pub const MINUTES_KEPT: i64 = 35;
/// Every switch of a lamp, and every message, is kept this long, days: longer than the ninety of a report.
pub const SWITCHES_KEPT: i64 = 100;
/// Readings by the hour, alarms and remarks are kept this long, days: five years. What the keeper did is kept for good.
pub const HOURS_KEPT: i64 = 5 * 366;
/// How far the hours are summed.
const SUMMED: &str = "summed";

/// What is being forgotten, and how far that has come.
#[derive(Debug, Default)]
pub(super) struct Tidy {
    /// The day, since 1970, whose round of forgetting is done or under way.
    day: Option<i64>,
    /// Series and lamps that this round has yet to look at.
    series: Vec<i64>,
    lamps: Vec<i64>,
}

impl Tidy {
    /// One step as of `now`; tells whether there may be more to do.
    pub(super) fn step(&mut self, connection: &mut Connection, now: DateTime<Utc>) -> rusqlite::Result<bool> {
        let hour = now.timestamp().div_euclid(3600);
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let more = sum_an_hour(&transaction, hour)?
            || move_hours(&transaction, hour)?
            || self.forget(&transaction, hour.div_euclid(24))?;
        transaction.commit()?;
        Ok(more)
    }

    /// Once a day, one series or lamp at a time.
    fn forget(&mut self, transaction: &Transaction<'_>, day: i64) -> rusqlite::Result<bool> {
        if self.day.is_none_or(|done| done < day) {
            self.day = Some(day);
            self.series = ids(transaction, "SELECT id FROM series")?;
            self.lamps = ids(transaction, "SELECT id FROM lamps")?;
            let before_ms = (day - HOURS_KEPT) * 86_400_000;
            transaction.execute("DELETE FROM alarms WHERE at_ms < ?1", [before_ms])?;
            transaction.execute("DELETE FROM remarks WHERE at_ms < ?1", [before_ms])?;
            outbox::forget(transaction, (day - SWITCHES_KEPT) * 86_400_000)?;
            return Ok(true);
        }
        if let Some(series) = self.series.pop() {
            let minute = (day - MINUTES_KEPT) * 24 * 60;
            transaction.execute("DELETE FROM minutes WHERE series = ?1 AND minute < ?2", params![series, minute])?;
            let hour = (day - HOURS_KEPT) * 24;
            transaction.execute("DELETE FROM hours WHERE series = ?1 AND hour < ?2", params![series, hour])?;
        } else if let Some(lamp) = self.lamps.pop() {
            let before_ms = (day - SWITCHES_KEPT) * 86_400_000;
            transaction.execute("DELETE FROM switches WHERE lamp = ?1 AND at_ms < ?2", params![lamp, before_ms])?;
        }
        Ok(!self.series.is_empty() || !self.lamps.is_empty())
    }
}

fn ids(transaction: &Transaction<'_>, select: &str) -> rusqlite::Result<Vec<i64>> {
    transaction.prepare(select)?.query_map([], |row| row.get(0))?.collect()
}

/// Sums the earliest hour that is over and not yet summed; tells whether there was one.
fn sum_an_hour(transaction: &Transaction<'_>, now: i64) -> rusqlite::Result<bool> {
    let summed: Option<i64> =
        transaction.query_row("SELECT value FROM marks WHERE name = ?1", [SUMMED], |row| row.get(0)).optional()?;
    let from = summed.unwrap_or(i64::MIN / 60);
    let next: Option<i64> = transaction.query_row(
        "SELECT min(minute) FROM recent WHERE minute >= ?1 AND minute < ?2",
        params![from.saturating_mul(60), now.saturating_mul(60)],
        |row| row.get(0),
    )?;
    let Some(hour) = next.map(|minute| minute.div_euclid(60)) else { return Ok(false) };
    sum(transaction, hour)?;
    transaction.execute(
        "INSERT INTO marks (name, value) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        params![SUMMED, hour + 1],
    )?;
    Ok(true)
}

/// One hour of every series that has something in it.
pub(super) fn sum(transaction: &Transaction<'_>, hour: i64) -> rusqlite::Result<()> {
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO hours (series, hour, mean, low, high, good, bad, covered)
         SELECT series, ?1, avg(mean), min(ifnull(low, mean)), max(ifnull(high, mean)), sum(good), sum(bad), count(mean)
         FROM recent WHERE minute >= ?1 * 60 AND minute < (?1 + 1) * 60 GROUP BY series",
        )?
        .execute([hour])?;
    Ok(())
}

/// Moves the minutes whose hour is summed, all at once: each series' page is written once an hour and not for every few
/// minutes, which a memory card would feel. Tells whether there were any.
fn move_hours(transaction: &Transaction<'_>, now: i64) -> rusqlite::Result<bool> {
    let summed = now.saturating_mul(60);
    let moved = transaction
        .prepare_cached(concat!(
            "INSERT INTO minutes (series, minute, mean, low, high, good, bad)
             SELECT series, minute, mean, low, high, good, bad FROM recent WHERE minute < ?1 ORDER BY series, minute",
            join!()
        ))?
        .execute([summed])?;
    transaction.prepare_cached("DELETE FROM recent WHERE minute < ?1")?.execute([summed])?;
    Ok(moved > 0)
}

//! The open file, and how entries are written to it.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, Utc};
use rusqlite::{Connection, ErrorCode, OptionalExtension as _, Transaction, params};
use serde_json::Value;

use super::entry::{AlarmEntry, Entry};
use super::gather::{Bin, Series};
use super::kept::Kept;
use super::outbox;
use super::schema::{self, Misfit};

/// What becomes of a minute that is there already, after a restart or a step of the clock: both make one.
macro_rules! join {
    () => {
        " ON CONFLICT (minute, series) DO UPDATE SET
                mean = CASE WHEN good + excluded.good > 0
                    THEN (ifnull(mean, 0) * good + ifnull(excluded.mean, 0) * excluded.good) / (good + excluded.good) END,
                low = min(coalesce(low, mean, excluded.low, excluded.mean), coalesce(excluded.low, excluded.mean, low, mean)),
                high = max(coalesce(high, mean, excluded.high, excluded.mean), coalesce(excluded.high, excluded.mean, high, mean)),
                good = good + excluded.good,
                bad = bad + excluded.bad"
    };
}
pub(super) use join;

/// One minute of one series.
const MINUTE: &str = concat!(
    "INSERT INTO recent (minute, series, mean, low, high, good, bad) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    join!()
);

/// A journal that is open for writing.
#[derive(Debug)]
pub(super) struct Book {
    pub(super) connection: Connection,
    /// Ids that are known to be in the file.
    ids: Ids,
}

#[derive(Debug, Default)]
struct Ids {
    series: BTreeMap<Series, i64>,
    lamps: BTreeMap<(String, String), i64>,
    run: Option<i64>,
    /// What the file says last of each kind of alarm.
    alarms: BTreeMap<(Option<String>, &'static str), Said>,
}

/// An alarm as it stands in the file: its state, since when, and its text.
type Said = (String, i64, String);

impl Book {
    pub(super) fn open(path: &Path) -> Result<Book, Misfit> {
        Ok(Book { connection: schema::open(path)?, ids: Ids::default() })
    }

    /// Writes everything or nothing: what is new of `kept`, and `entries`. On the disk when it returns.
    pub(super) fn write(&mut self, kept: &mut Kept, entries: &[Entry]) -> rusqlite::Result<()> {
        let run = self.ids.run;
        let transaction = self.connection.transaction()?;
        // Latches first: where the disk fills up, they are the last to go.
        kept.write(&transaction)?;
        let outcome = entries.iter().try_for_each(|entry| self.ids.write(&transaction, entry));
        let outcome = outcome.and_then(|()| transaction.commit());
        match outcome {
            Ok(()) => kept.is_written(),
            // Ids that were given in it are not in the file.
            Err(_) => self.ids = Ids { run, ..Ids::default() },
        }
        outcome
    }
}

impl Book {
    /// As [`Book::write`], without the entries that the file refuses for what they say: those are returned, each with why.
    pub(super) fn write_apart(&mut self, kept: &mut Kept, entries: &[Entry]) -> rusqlite::Result<Vec<(Entry, String)>> {
        let run = self.ids.run;
        let mut refused = Vec::new();
        let transaction = self.connection.transaction()?;
        kept.write(&transaction)?;
        for entry in entries {
            transaction.execute_batch("SAVEPOINT entry")?;
            let end = match self.ids.write(&transaction, entry) {
                Ok(()) => "RELEASE entry",
                Err(error) if is_refusal(&error) => {
                    refused.push((entry.clone(), error.to_string()));
                    self.ids = Ids { run, ..Ids::default() };
                    "ROLLBACK TO entry; RELEASE entry"
                }
                Err(error) => {
                    self.ids = Ids { run, ..Ids::default() };
                    return Err(error);
                }
            };
            transaction.execute_batch(end)?;
        }
        transaction.commit()?;
        kept.is_written();
        Ok(refused)
    }
}

impl Ids {
    fn write(&mut self, transaction: &Transaction<'_>, entry: &Entry) -> rusqlite::Result<()> {
        match entry {
            // With the rest of what is kept.
            Entry::Safety(_) | Entry::File(_) => Ok(()),
            Entry::Switch { at, enclosure, lamp, level, reason } => {
                let lamp = self.lamp(transaction, enclosure, lamp)?;
                let mut insert = transaction.prepare_cached(
                    "INSERT INTO switches (lamp, at_ms, nth, level, reason)
                     SELECT ?1, ?2, count(*), ?3, ?4 FROM switches WHERE lamp = ?1 AND at_ms = ?2",
                )?;
                insert.execute(params![lamp, at.timestamp_millis(), level.share(), reason])?;
                Ok(())
            }
            Entry::Alarm(alarm) => self.alarm(transaction, alarm),
            Entry::Act { at, enclosure, act } => {
                let mut insert =
                    transaction.prepare_cached("INSERT INTO acts (at_ms, enclosure, act) VALUES (?1, ?2, ?3)")?;
                insert.execute(params![at.timestamp_millis(), enclosure, act])?;
                Ok(())
            }
            Entry::Remark { at, enclosure, subject, text } => {
                let mut insert = transaction
                    .prepare_cached("INSERT INTO remarks (at_ms, enclosure, subject, text) VALUES (?1, ?2, ?3, ?4)")?;
                insert.execute(params![at.timestamp_millis(), enclosure, subject, text])?;
                Ok(())
            }
            Entry::Minute { minute, bins } => {
                bins.iter().try_for_each(|(series, bin)| self.minute(transaction, *minute, series, bin))
            }
            Entry::Post(post) => outbox::post(transaction, post),
            Entry::Posted { id, posted, at, why } => outbox::posted(transaction, (id, *posted, *at, why.as_deref())),
            Entry::Seen { notice, at } => outbox::seen(transaction, notice, *at),
            Entry::Told { what, record } => outbox::told(transaction, what, record.as_deref()),
            Entry::LinkKey(key) => outbox::key(transaction, key),
            Entry::Alive(at) => self.alive(transaction, *at, None),
            Entry::End(at) => self.alive(transaction, *at, Some(*at)),
        }
    }

    fn minute(
        &mut self,
        transaction: &Transaction<'_>,
        minute: i64,
        series: &Series,
        bin: &Bin,
    ) -> rusqlite::Result<()> {
        let id = self.series(transaction, series)?;
        let spread = bin.spread();
        let mean = spread.map(|[_, mean, _]| mean);
        let apart = |value: f64| Some(value).filter(|&value| Some(value) != mean);
        let (low, high) = spread.map_or((None, None), |[low, _, high]| (apart(low), apart(high)));
        transaction.prepare_cached(MINUTE)?.execute(params![minute, id, mean, low, high, bin.good, bin.bad])?;
        Ok(())
    }

    fn series(&mut self, transaction: &Transaction<'_>, series: &Series) -> rusqlite::Result<i64> {
        if let Some(&id) = self.series.get(series) {
            return Ok(id);
        }
        let named = params![series.enclosure, series.probe, series.quantity];
        transaction.execute("INSERT OR IGNORE INTO series (enclosure, probe, quantity) VALUES (?1, ?2, ?3)", named)?;
        let id = transaction.query_row(
            "SELECT id FROM series WHERE enclosure = ?1 AND probe = ?2 AND quantity = ?3",
            named,
            |row| row.get(0),
        )?;
        self.series.insert(series.clone(), id);
        Ok(id)
    }

    fn lamp(&mut self, transaction: &Transaction<'_>, enclosure: &str, lamp: &str) -> rusqlite::Result<i64> {
        let key = (enclosure.to_owned(), lamp.to_owned());
        if let Some(&id) = self.lamps.get(&key) {
            return Ok(id);
        }
        transaction
            .execute("INSERT OR IGNORE INTO lamps (enclosure, lamp) VALUES (?1, ?2)", params![enclosure, lamp])?;
        let id = transaction.query_row(
            "SELECT id FROM lamps WHERE enclosure = ?1 AND lamp = ?2",
            params![enclosure, lamp],
            |row| row.get(0),
        )?;
        self.lamps.insert(key, id);
        Ok(id)
    }

    /// An alarm is told again when the broker may have forgotten it; here it stands once.
    fn alarm(&mut self, transaction: &Transaction<'_>, alarm: &AlarmEntry) -> rusqlite::Result<()> {
        let key = (alarm.enclosure.clone(), alarm.kind);
        let said = (alarm.state.to_owned(), alarm.since.timestamp_millis(), alarm.text.clone());
        let last = match self.alarms.get(&key) {
            Some(last) => Some(last.clone()),
            None => transaction
                .prepare_cached(
                    "SELECT state, since_ms, text FROM alarms WHERE enclosure IS ?1 AND kind = ?2 ORDER BY id DESC LIMIT 1",
                )?
                .query_row(params![alarm.enclosure, alarm.kind], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
                .optional()?,
        };
        if last.as_ref() != Some(&said) {
            let mut insert = transaction.prepare_cached(
                "INSERT INTO alarms (at_ms, enclosure, kind, priority, state, since_ms, text, subjects)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            )?;
            insert.execute(params![
                alarm.at.timestamp_millis(),
                alarm.enclosure,
                alarm.kind,
                alarm.priority,
                said.0,
                said.1,
                said.2,
                Value::from(alarm.subjects.clone()).to_string(),
            ])?;
        }
        self.alarms.insert(key, said);
        Ok(())
    }

    /// This life of the daemon goes on, or ends.
    fn alive(
        &mut self,
        transaction: &Transaction<'_>,
        at: DateTime<Utc>,
        ended: Option<DateTime<Utc>>,
    ) -> rusqlite::Result<()> {
        let at = at.timestamp_millis();
        let run = match self.run {
            Some(run) => run,
            None => {
                transaction.execute(
                    "INSERT INTO runs (started_ms, alive_ms, program) VALUES (?1, ?1, ?2)",
                    params![at, env!("CARGO_PKG_VERSION")],
                )?;
                transaction.last_insert_rowid()
            }
        };
        self.run = Some(run);
        let ended = ended.map(|at| at.timestamp_millis());
        transaction.execute("UPDATE runs SET alive_ms = ?2, ended_ms = ?3 WHERE id = ?1", params![run, at, ended])?;
        Ok(())
    }
}

/// When the program was last known to live; none in a journal of no life.
pub(super) fn last_alive(connection: &Connection) -> rusqlite::Result<Option<DateTime<Utc>>> {
    let last: Option<Option<i64>> =
        connection.query_row("SELECT max(alive_ms) FROM runs", [], |row| row.get(0)).optional()?;
    Ok(last.flatten().and_then(DateTime::from_timestamp_millis))
}

/// Whether the file refuses what an entry says, so that trying it again helps nothing.
pub(super) fn is_refusal(error: &rusqlite::Error) -> bool {
    let refusals = [ErrorCode::ConstraintViolation, ErrorCode::TypeMismatch, ErrorCode::TooBig];
    error.sqlite_error_code().is_some_and(|code| refusals.contains(&code))
}

/// Whether the file itself is spoilt, so that trying again helps nothing.
pub(super) fn is_spoilt(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

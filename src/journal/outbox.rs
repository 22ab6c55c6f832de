//! What people are told: messages before and after they were sent, links that were used, and who knows of which alarm.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use rusqlite::{Connection, OptionalExtension as _, Transaction, params};

/// Links in messages are remembered so long.
pub(super) const LINKS_KEPT: TimeDelta = TimeDelta::days(14);

/// A message for the outbox.
#[derive(Clone, Debug, PartialEq)]
pub struct PostEntry {
    /// Names it for good.
    pub id: String,
    /// Names what it says, the same by every channel.
    pub notice: String,
    /// When it was written.
    pub at: DateTime<Utc>,
    /// Whom it is for.
    pub contact: String,
    /// By which channel.
    pub channel: String,
    /// All of it, as JSON.
    pub message: String,
}

/// What has become of a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Posted {
    /// It has arrived as far as the channel can tell.
    Sent,
    /// A newer one says what it would have said.
    Replaced,
    /// It is not tried any more.
    GivenUp,
}

impl Posted {
    const fn word(self) -> &'static str {
        match self {
            Posted::Sent => "sent",
            Posted::Replaced => "replaced",
            Posted::GivenUp => "given up",
        }
    }

    /// What the word of a file says; none where the message still waits.
    pub(super) fn read(word: &str) -> Option<Posted> {
        [Posted::Sent, Posted::Replaced, Posted::GivenUp].into_iter().find(|posted| posted.word() == word)
    }
}

/// What a journal remembers of all this.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outbox {
    /// Messages that were not sent, oldest first, as JSON.
    pub waiting: Vec<String>,
    /// Messages of the last days, as JSON, one for each notice: what their links are about.
    pub notices: Vec<String>,
    /// Notices whose link was used.
    pub seen: Vec<String>,
    /// Who knows of which alarm: the record of each.
    pub told: Vec<(String, String)>,
    /// What links are signed with.
    pub key: Option<Vec<u8>>,
    /// When something last arrived by each channel: contact, channel, time.
    pub last_sent: Vec<(String, String, DateTime<Utc>)>,
    /// Alarms of the last day as they were raised and cleared, oldest first.
    pub day: Vec<PastAlarm>,
}

/// An alarm as it was raised or cleared.
#[derive(Clone, Debug, PartialEq)]
pub struct PastAlarm {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<String>,
    /// What about.
    pub kind: String,
    /// Where it stood then, in the standard's words.
    pub state: String,
    /// What a person was told.
    pub text: String,
}

/// The alarms of the last day, counted from the newest.
const DAY: &str = "
    SELECT at_ms, enclosure, kind, state, text FROM (
        SELECT * FROM alarms WHERE state IN ('unacknowledged', 'normal') ORDER BY id DESC LIMIT 400
    ) WHERE at_ms > (SELECT max(at_ms) FROM alarms) - 86400000 ORDER BY id";

pub(super) fn post(transaction: &Transaction<'_>, post: &PostEntry) -> rusqlite::Result<()> {
    let mut insert = transaction.prepare_cached(
        "INSERT OR IGNORE INTO outbox (id, notice, made_ms, contact, channel, message, state)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, 'waiting')",
    )?;
    let made = post.at.timestamp_millis();
    insert.execute(params![post.id, post.notice, made, post.contact, post.channel, post.message])?;
    Ok(())
}

pub(super) fn posted(
    transaction: &Transaction<'_>,
    (id, posted, at, why): (&str, Posted, DateTime<Utc>, Option<&str>),
) -> rusqlite::Result<()> {
    let mut update =
        transaction.prepare_cached("UPDATE outbox SET state = ?2, state_ms = ?3, why = ?4 WHERE id = ?1")?;
    update.execute(params![id, posted.word(), at.timestamp_millis(), why])?;
    Ok(())
}

pub(super) fn seen(transaction: &Transaction<'_>, notice: &str, at: DateTime<Utc>) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT OR IGNORE INTO seen (notice, at_ms) VALUES (?1, ?2)")?
        .execute(params![notice, at.timestamp_millis()])?;
    Ok(())
}

pub(super) fn told(transaction: &Transaction<'_>, what: &str, record: Option<&str>) -> rusqlite::Result<()> {
    match record {
        Some(record) => transaction
            .prepare_cached(
                "INSERT INTO told (what, record) VALUES (?1, ?2)
                 ON CONFLICT (what) DO UPDATE SET record = excluded.record",
            )?
            .execute(params![what, record])?,
        None => transaction.prepare_cached("DELETE FROM told WHERE what = ?1")?.execute([what])?,
    };
    Ok(())
}

pub(super) fn key(transaction: &Transaction<'_>, key: &[u8]) -> rusqlite::Result<()> {
    transaction.execute("INSERT OR REPLACE INTO keys (name, value) VALUES ('links', ?1)", [key])?;
    Ok(())
}

/// Forgets messages from before a time, all but those that wait.
pub(super) fn forget(transaction: &Transaction<'_>, before_ms: i64) -> rusqlite::Result<()> {
    transaction.execute("DELETE FROM outbox WHERE made_ms < ?1 AND state <> 'waiting'", [before_ms])?;
    transaction.execute("DELETE FROM seen WHERE at_ms < ?1", [before_ms])?;
    Ok(())
}

impl Outbox {
    /// Reads all of it.
    pub(super) fn read(connection: &Connection) -> rusqlite::Result<Outbox> {
        let texts = |select: &str, from: i64| -> rusqlite::Result<Vec<String>> {
            connection.prepare(select)?.query_map([from], |row| row.get(0))?.collect()
        };
        let newest: Option<i64> = connection.query_row("SELECT max(made_ms) FROM outbox", [], |row| row.get(0))?;
        let from = newest.unwrap_or_default() - LINKS_KEPT.num_milliseconds();
        let told = connection
            .prepare("SELECT what, record FROM told")?
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        let key =
            connection.query_row("SELECT value FROM keys WHERE name = 'links'", [], |row| row.get(0)).optional()?;
        let mut last: BTreeMap<(String, String), i64> = BTreeMap::new();
        let mut select = connection.prepare(
            "SELECT contact, channel, max(state_ms) FROM outbox WHERE state = 'sent' GROUP BY contact, channel",
        )?;
        for row in select.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))? {
            let (way, at) = row?;
            last.insert(way, at);
        }
        let last_sent = last
            .into_iter()
            .filter_map(|((contact, channel), at)| Some((contact, channel, DateTime::from_timestamp_millis(at)?)));
        let mut select = connection.prepare(DAY)?;
        let day = select.query_map([], |row| {
            let at = DateTime::from_timestamp_millis(row.get(0)?).unwrap_or_default();
            Ok(PastAlarm { at, enclosure: row.get(1)?, kind: row.get(2)?, state: row.get(3)?, text: row.get(4)? })
        })?;
        let day = day.collect::<rusqlite::Result<_>>()?;
        Ok(Outbox {
            day,
            waiting: texts(
                "SELECT message FROM outbox WHERE state = 'waiting' AND made_ms >= ?1 ORDER BY made_ms, id",
                i64::MIN,
            )?,
            notices: texts("SELECT message FROM outbox WHERE made_ms >= ?1 GROUP BY notice ORDER BY made_ms", from)?,
            seen: texts("SELECT notice FROM seen WHERE at_ms >= ?1", from)?,
            told,
            key,
            last_sent: last_sent.collect(),
        })
    }
}

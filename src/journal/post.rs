//! What people are told and answer, in memory too: a file that goes bad while the program runs is written anew from it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use rusqlite::Connection;

use super::entry::Entry;
use super::outbox::{LINKS_KEPT, PostEntry, Posted};

/// The outbox as it would be read, held in the shape in which it is written.
#[derive(Debug, Default)]
pub(super) struct Post {
    /// Messages by their ids, with what has become of them.
    messages: BTreeMap<String, (PostEntry, Option<Fate>)>,
    seen: BTreeMap<String, DateTime<Utc>>,
    told: BTreeMap<String, String>,
    key: Option<Vec<u8>>,
}

/// What has become of a message, when, and why.
type Fate = (Posted, DateTime<Utc>, Option<String>);

impl Post {
    /// Takes note of what `entry` changes.
    pub(super) fn take(&mut self, entry: &Entry) {
        match entry {
            Entry::Post(post) => {
                self.messages.entry(post.id.clone()).or_insert_with(|| (post.clone(), None));
                self.forget(post.at);
            }
            Entry::Posted { id, posted, at, why } => {
                if let Some((_, fate)) = self.messages.get_mut(id) {
                    *fate = Some((*posted, *at, why.clone()));
                }
            }
            Entry::Seen { notice, at } => _ = self.seen.entry(notice.clone()).or_insert(*at),
            Entry::Told { what, record: Some(record) } => _ = self.told.insert(what.clone(), record.clone()),
            Entry::Told { what, record: None } => _ = self.told.remove(what),
            Entry::LinkKey(key) => self.key = Some(key.clone()),
            _ => {}
        }
    }

    /// Forgets what nobody looks for any more.
    fn forget(&mut self, now: DateTime<Utc>) {
        let is_recent = |at: DateTime<Utc>| now - at < LINKS_KEPT;
        self.messages.retain(|_, (post, fate)| fate.is_none() || is_recent(post.at));
        self.seen.retain(|_, at| is_recent(*at));
    }

    /// What a new file needs to say the same.
    pub(super) fn entries(&self) -> Vec<Entry> {
        let told =
            |(what, record): (&String, &String)| Entry::Told { what: what.clone(), record: Some(record.clone()) };
        let seen = |(notice, at): (&String, &DateTime<Utc>)| Entry::Seen { notice: notice.clone(), at: *at };
        let message = |(post, fate): &(PostEntry, Option<Fate>)| {
            let posted = fate.clone().map(|(posted, at, why)| Entry::Posted { id: post.id.clone(), posted, at, why });
            [Entry::Post(post.clone())].into_iter().chain(posted)
        };
        let key = self.key.iter().cloned().map(Entry::LinkKey);
        let standing = self.told.iter().map(told).chain(self.seen.iter().map(seen));
        key.chain(standing).chain(self.messages.values().flat_map(message)).collect()
    }

    /// Reads it from a file.
    pub(super) fn read(connection: &Connection) -> rusqlite::Result<Post> {
        let time = |ms: i64| DateTime::from_timestamp_millis(ms).unwrap_or_default();
        let newest: Option<i64> = connection.query_row("SELECT max(made_ms) FROM outbox", [], |row| row.get(0))?;
        let from = newest.unwrap_or_default() - LINKS_KEPT.num_milliseconds();
        let mut post = Post::default();
        let mut select = connection.prepare(
            "SELECT id, notice, made_ms, contact, channel, message, state, state_ms, why FROM outbox
             WHERE state = 'waiting' OR made_ms >= ?1",
        )?;
        let messages = select.query_map([from], |row| {
            let id: String = row.get(0)?;
            let (notice, at) = (row.get(1)?, time(row.get(2)?));
            let entry = PostEntry {
                id: id.clone(),
                notice,
                at,
                contact: row.get(3)?,
                channel: row.get(4)?,
                message: row.get(5)?,
            };
            let posted = Posted::read(&row.get::<_, String>(6)?);
            let since = row.get::<_, Option<i64>>(7)?.map_or(at, time);
            let why = row.get(8)?;
            Ok((id, (entry, posted.map(|posted| (posted, since, why)))))
        })?;
        post.messages = messages.collect::<rusqlite::Result<_>>()?;
        let mut select = connection.prepare("SELECT notice, at_ms FROM seen WHERE at_ms >= ?1")?;
        let seen = select.query_map([from], |row| Ok((row.get(0)?, time(row.get(1)?))))?;
        post.seen = seen.collect::<rusqlite::Result<_>>()?;
        let mut select = connection.prepare("SELECT what, record FROM told")?;
        post.told = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<rusqlite::Result<_>>()?;
        let mut select = connection.prepare("SELECT value FROM keys WHERE name = 'links'")?;
        post.key = select.query_map([], |row| row.get(0))?.next().transpose()?;
        Ok(post)
    }
}

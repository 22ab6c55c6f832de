//! What the core must find again after a restart, as it stands: the newest record of each owner.
//!
//! It stands in memory too, so that a file that goes bad while the program runs can be written anew from it.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Transaction, params};
use serde::Serialize;

use crate::control::Record;
use crate::guard::SafetyRecord;

use super::entry::Entry;
use super::stored::{self, Stored};

/// Which part of the program reads a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Room {
    /// Guards and contactors.
    Safety,
    /// The rest of the core.
    File,
}

impl Room {
    const fn word(self) -> &'static str {
        match self {
            Room::Safety => "safety",
            Room::File => "file",
        }
    }
}

/// The newest record of each owner.
#[derive(Debug, Default)]
pub(super) struct Kept {
    records: BTreeMap<String, (Room, String)>,
    /// Owners whose record is not in the file.
    stale: BTreeSet<String>,
}

/// What was read from a file.
#[derive(Debug, Default)]
pub(super) struct Recalled {
    pub(super) kept: Kept,
    pub(super) safety: Vec<SafetyRecord>,
    pub(super) filed: Vec<Record>,
    /// What could not be read, and why.
    pub(super) lost: Vec<String>,
    /// Some of that were latches, or may have been.
    pub(super) lost_latches: bool,
}

impl Kept {
    /// Takes up what `entry` says must be kept; tells whether it is that kind of entry.
    pub(super) fn take(&mut self, entry: &Entry) -> bool {
        let (owner, room, record) = match entry {
            Entry::Safety(record) => (stored::owner(record), Room::Safety, json(&Stored::from(record))),
            Entry::File(record) => (record.owner(), Room::File, json(record)),
            _ => return false,
        };
        // A record that cannot be written as JSON does not exist; the one before is better than none.
        if let Some(record) = record {
            self.stale.insert(owner.clone());
            self.records.insert(owner, (room, record));
        }
        true
    }

    pub(super) fn write(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        let mut insert = transaction.prepare_cached(
            "INSERT INTO kept (owner, room, record) VALUES (?1, ?2, ?3)
             ON CONFLICT (owner) DO UPDATE SET room = excluded.room, record = excluded.record",
        )?;
        let mut write = |room: Room| -> rusqlite::Result<()> {
            let mine = |owner: &&String| self.records.get(*owner).is_some_and(|(its, _)| *its == room);
            for owner in self.stale.iter().filter(mine) {
                if let Some((room, record)) = self.records.get(owner) {
                    insert.execute(params![owner, room.word(), record])?;
                }
            }
            Ok(())
        };
        write(Room::Safety)?;
        write(Room::File)
    }

    /// What was written is in the file.
    pub(super) fn is_written(&mut self) {
        self.stale.clear();
    }

    /// Nothing of it is in the file, which is a new one.
    pub(super) fn is_nowhere(&mut self) {
        self.stale = self.records.keys().cloned().collect();
    }
}

impl Recalled {
    /// Reads as much as there is to be read. Nothing here fails: what cannot be read is lost, and told.
    pub(super) fn read(connection: &Connection) -> Recalled {
        let mut recalled = Recalled::default();
        if let Err(error) = recalled.read_all(connection) {
            recalled.lost.push(format!("what is kept breaks off: {error}"));
            recalled.lost_latches = true;
        }
        // Hours after the lives they belong to.
        recalled.filed.sort_by_key(|record| matches!(record, Record::Hours { .. }));
        recalled
    }

    fn read_all(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let mut select = connection.prepare("SELECT owner, room, record FROM kept")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let (owner, room, record): (String, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let room = if room == Room::Safety.word() { Room::Safety } else { Room::File };
            let read = match room {
                Room::Safety => serde_json::from_str::<Stored>(&record).map(|stored| self.safety.push(stored.into())),
                Room::File => serde_json::from_str::<Record>(&record).map(|record| self.filed.push(record)),
            };
            match read {
                Ok(()) => _ = self.kept.records.insert(owner, (room, record)),
                Err(error) => {
                    self.lost_latches |= room == Room::Safety;
                    self.lost.push(format!("the record of {owner}: {error}"));
                }
            }
        }
        Ok(())
    }
}

fn json(record: &impl Serialize) -> Option<String> {
    serde_json::to_string(record).ok()
}

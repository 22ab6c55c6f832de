//! The journal's file and the shape of what is in it.

use std::path::Path;

use rusqlite::Connection;

/// The journal's name in the state directory.
pub const FILE: &str = "journal.db";

/// Marks a file as a journal (`PRAGMA application_id`): "lamp" in ASCII.
const APPLICATION: i32 = 0x6c61_6d70;

/// Every version's step from the one before, the first from an empty file. Only ever appended to: journals of every
/// version are out there.
const STEPS: [&str; 1] = [include_str!("schema/1.sql")];

/// The version this program writes.
pub const VERSION: usize = STEPS.len();

/// Why a journal cannot be used as it is.
#[derive(Debug)]
pub enum Misfit {
    /// SQLite says so.
    Sqlite(rusqlite::Error),
    /// It is another program's file.
    Foreign,
    /// A newer Lampwarden wrote it; its version.
    Newer(usize),
}

impl From<rusqlite::Error> for Misfit {
    fn from(error: rusqlite::Error) -> Misfit {
        Misfit::Sqlite(error)
    }
}

impl std::fmt::Display for Misfit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Misfit::Sqlite(error) => write!(f, "{error}"),
            Misfit::Foreign => write!(f, "it is no journal but a database of another program"),
            Misfit::Newer(version) => {
                write!(f, "a newer lampwarden wrote it (version {version}; this one knows versions up to {VERSION})")
            }
        }
    }
}

/// The version of the journal behind `connection`; zero where it is empty.
pub fn version(connection: &Connection) -> Result<usize, Misfit> {
    let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let application: i32 = connection.pragma_query_value(None, "application_id", |row| row.get(0))?;
    let tables: i64 = connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    match usize::try_from(version) {
        Ok(0) if tables == 0 => Ok(0),
        Ok(version) if application == APPLICATION && version > VERSION => Err(Misfit::Newer(version)),
        Ok(version) if application == APPLICATION => Ok(version),
        _ => Err(Misfit::Foreign),
    }
}

/// Opens the journal at `path` for writing, made or brought to the present version where need be.
pub fn open(path: &Path) -> Result<Connection, Misfit> {
    let mut connection = Connection::open(path)?;
    connection.busy_timeout(std::time::Duration::from_secs(5))?;
    let found = version(&connection)?;
    // A commit is on the disk when it returns: in this mode SQLite syncs the log with each.
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    for (step, text) in STEPS.iter().enumerate().skip(found) {
        let transaction = connection.transaction()?;
        transaction.execute_batch(text)?;
        transaction.pragma_update(None, "application_id", APPLICATION)?;
        transaction.pragma_update(None, "user_version", step as i64 + 1)?;
        transaction.commit()?;
    }
    Ok(connection)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_file_gets_every_step_and_opening_again_changes_nothing() {
        let scratch = crate::journal::scratch::Scratch::new("schema");
        let path = scratch.path().join(FILE);
        drop(open(&path).expect("made"));
        let again = open(&path).expect("opens again");
        assert_eq!(version(&again).expect("told"), VERSION);
    }

    #[test]
    fn files_of_others_and_of_the_future_are_refused_and_left_alone() {
        let scratch = crate::journal::scratch::Scratch::new("schema-others");
        let path = scratch.path().join("other.db");
        let other = Connection::open(&path).expect("made");
        other.execute_batch("CREATE TABLE songs (title TEXT)").expect("made");
        drop(other);
        assert!(matches!(open(&path), Err(Misfit::Foreign)));
        let path = scratch.path().join("newer.db");
        let newer = open(&path).expect("made");
        newer.pragma_update(None, "user_version", 99).expect("set");
        drop(newer);
        assert!(matches!(open(&path), Err(Misfit::Newer(99))));
    }
}

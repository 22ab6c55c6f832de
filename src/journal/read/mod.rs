//! The journal read back, while the daemon writes or when it rests.
//!
//! A reader never writes and never holds the writer up: SQLite's log (WAL) lets it see the journal as it stood when
//! each query began. Rows are handed over one by one, so that a year of a site needs no more memory than an hour.

mod merge;
mod past;
mod replayed;
mod rows;
mod samples;

pub use merge::{Merged, PastReadings, merge};
pub use past::backup;
pub use replayed::{Recorded, SAID_AT_MOST};
pub use rows::{Act, Alarm, Remark, Run, Switch, gaps};
pub use samples::{KeptFrom, Resolution, Sample, begin_of};

use std::fmt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use rusqlite::{Connection, ErrorCode, OpenFlags};

use super::schema::{self, Misfit};

/// Milliseconds of a minute.
pub const MINUTE_MS: i64 = 60_000;
/// Minutes of an hour.
pub const HOUR_MINUTES: i64 = 60;

/// The act under which the record of a commissioning is kept. It is no part of a recording: nothing is done by it.
pub const COMMISSIONING: &str = "commissioning";

/// Every journal of SQLite's begins so (the file format's own page, "The Database Header").
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

/// A span of time, its end not in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// From here on.
    pub from: DateTime<Utc>,
    /// Until just before here.
    pub until: DateTime<Utc>,
}

impl Window {
    /// All there is.
    pub const ALL: Window = Window { from: DateTime::<Utc>::MIN_UTC, until: DateTime::<Utc>::MAX_UTC };

    fn ms(self) -> (i64, i64) {
        (self.from.timestamp_millis(), self.until.timestamp_millis())
    }

    /// The minutes that begin in it.
    fn minutes(self) -> (i64, i64) {
        let (from, until) = self.ms();
        let up = |ms: i64| ms.div_euclid(MINUTE_MS) + i64::from(ms.rem_euclid(MINUTE_MS) != 0);
        (up(from), up(until))
    }
}

/// Which enclosure and probe; none: all of them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Whose<'a> {
    /// The enclosure's id.
    pub enclosure: Option<&'a str>,
    /// The probe's name.
    pub probe: Option<&'a str>,
}

/// What one probe measures, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Series {
    id: i64,
    /// The enclosure's id.
    pub enclosure: String,
    /// The probe's name.
    pub probe: String,
    /// `temperature`, `humidity`, `illuminance`, `power`, `uvi` or `uvi-raw`.
    pub quantity: String,
}

impl Series {
    /// The unit of its numbers; empty for the UV index, and for what a UV probe says in its own unit.
    pub fn unit(&self) -> &'static str {
        match self.quantity.as_str() {
            "temperature" => "°C",
            "humidity" => "%",
            "illuminance" => "lx",
            "power" => "W",
            _ => "",
        }
    }
}

/// Why a journal cannot be read; each with what to do about it.
#[derive(Debug)]
pub enum Unreadable {
    /// There is none.
    Absent(PathBuf),
    /// This user may not read it.
    Forbidden(PathBuf),
    /// It is another program's, or a newer one's.
    Misfit(PathBuf, Misfit),
    /// It is damaged, or SQLite has another complaint.
    Sqlite(PathBuf, rusqlite::Error),
}

impl fmt::Display for Unreadable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Unreadable::Absent(path) => write!(
                f,
                "{}: there is no journal here; the daemon makes it when it first runs with this configuration: \
                 look whether \
                 `state_directory` in [site] is the daemon's own",
                path.display()
            ),
            Unreadable::Forbidden(path) => {
                write!(f, "{}: you may not read this; run the command as the user the daemon runs as", path.display())
            }
            Unreadable::Misfit(path, Misfit::Newer(version)) => write!(
                f,
                "{}: a newer lampwarden wrote this journal (version {version}, this one knows versions up to {}); \
                 use that one",
                path.display(),
                schema::VERSION
            ),
            Unreadable::Misfit(path, misfit) => {
                write!(f, "{}: this cannot be used: {misfit}; look whether `state_directory` is right", path.display())
            }
            Unreadable::Sqlite(path, error) if is_damage(error) => write!(
                f,
                "{}: the journal is damaged ({error}); keep the file, and put a backup in its place while the \
                 daemon is stopped",
                path.display()
            ),
            Unreadable::Sqlite(path, error) => write!(f, "{}: {error}", path.display()),
        }
    }
}

impl std::error::Error for Unreadable {}

fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

/// Why a query came to no end.
#[derive(Debug)]
pub enum Failure {
    /// The journal's part.
    Journal(Unreadable),
    /// The part of whoever takes the rows.
    Output(std::io::Error),
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Failure::Journal(unreadable) => write!(f, "{unreadable}"),
            Failure::Output(error) => write!(f, "{error}"),
        }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Failure {
        Failure::Output(error)
    }
}

/// Whether the file at `path` is a database of SQLite's, by its first bytes.
pub fn is_journal(path: &Path) -> bool {
    let mut head = [0; 16];
    let read = std::fs::File::open(path).and_then(|mut file| std::io::Read::read_exact(&mut file, &mut head));
    read.is_ok() && head == *MAGIC
}

/// A journal opened for reading.
#[derive(Debug)]
pub struct Reader {
    connection: Connection,
    path: PathBuf,
}

impl Reader {
    /// Opens the journal at `path`, whether a daemon has it open or not.
    pub fn open(path: &Path) -> Result<Reader, Unreadable> {
        let owned = || path.to_owned();
        match std::fs::File::open(path) {
            Ok(_) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Err(Unreadable::Absent(owned())),
            Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
                return Err(Unreadable::Forbidden(owned()));
            }
            Err(error) => {
                let text = error.to_string();
                return Err(Unreadable::Sqlite(owned(), rusqlite::Error::ToSqlConversionFailure(text.into())));
            }
        }
        let connection = connect(path).map_err(|error| match error.sqlite_error_code() {
            Some(ErrorCode::PermissionDenied | ErrorCode::CannotOpen | ErrorCode::ReadOnly) => {
                Unreadable::Forbidden(owned())
            }
            _ => Unreadable::Sqlite(owned(), error),
        })?;
        match schema::version(&connection) {
            Ok(0) => Err(Unreadable::Absent(owned())),
            Ok(version) if version < schema::VERSION => Err(Unreadable::Misfit(owned(), Misfit::Foreign)),
            Ok(_) => Ok(Reader { connection, path: owned() }),
            Err(Misfit::Sqlite(error)) => Err(Unreadable::Sqlite(owned(), error)),
            Err(misfit) => Err(Unreadable::Misfit(owned(), misfit)),
        }
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn failed(&self, error: rusqlite::Error) -> Unreadable {
        Unreadable::Sqlite(self.path.clone(), error)
    }

    /// What is kept of `whose` probes, in the order of enclosures, probes and quantities.
    pub fn series(&self, whose: Whose<'_>) -> Result<Vec<Series>, Unreadable> {
        let text = "SELECT id, enclosure, probe, quantity FROM series
                    WHERE (?1 IS NULL OR enclosure = ?1) AND (?2 IS NULL OR probe = ?2)
                    ORDER BY enclosure, probe, quantity";
        let read = || {
            let mut statement = self.connection.prepare_cached(text)?;
            let rows = statement.query_map((whose.enclosure, whose.probe), |row| {
                Ok(Series { id: row.get(0)?, enclosure: row.get(1)?, probe: row.get(2)?, quantity: row.get(3)? })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.failed(error))
    }
}

/// A connection that cannot write. Where the log lies beside the journal a daemon may have it open; where there is none
/// and none can be made, nobody has, and the file is all there is.
fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let open = |immutable: bool| -> rusqlite::Result<Connection> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
        let connection = Connection::open_with_flags(uri(path, immutable), flags)?;
        connection.busy_timeout(std::time::Duration::from_secs(5))?;
        // The first look at the file: this is where one that cannot be read says so.
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))?;
        Ok(connection)
    };
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    match open(false) {
        Err(error)
            if matches!(error.sqlite_error_code(), Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly))
                && !Path::new(&log).exists() =>
        {
            open(true)
        }
        opened => opened,
    }
}

/// A path as SQLite's URIs want it: what has a meaning in one is written in percent.
fn uri(path: &Path, immutable: bool) -> String {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'/' | b'.' | b'-' | b'_' | b'~' | b'0'..=b'9' | b'a'..=b'z' | b'A'..=b'Z' => uri.push(char::from(*byte)),
            other => uri.push_str(&format!("%{other:02x}")),
        }
    }
    uri.push_str(if immutable { "?immutable=1" } else { "?mode=ro" });
    uri
}

#[cfg(test)]
pub(crate) mod tests;

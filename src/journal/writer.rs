//! The thread that writes: batches, a disk that fails, a file that is spoilt.

use std::collections::VecDeque;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use rusqlite::{Connection, OpenFlags};
use tokio::sync::mpsc::UnboundedSender;
use tracing::{error, info, warn};

use super::book::{self, Book};
use super::entry::Entry;
use super::kept::{Kept, Recalled};
use super::outbox::Outbox;
use super::post::Post;
use super::schema::Misfit;
use super::tidy::Tidy;
use super::{News, Remembered};

/// A failed write is tried again this long after, until it succeeds; a guess.
const RETRY: Duration = Duration::from_secs(10);
/// What is not urgent waits so long for company; a guess: so much of it a power cut may cost.
const LAZY: Duration = Duration::from_secs(5);
/// So many entries wait for a disk that fails; of more, the oldest readings are given up. Some days of a room. A guess.
const WAITING_MAX: usize = 200_000;

/// What is handed over at once.
#[derive(Debug)]
pub(super) struct Batch {
    pub(super) number: u64,
    pub(super) entries: Vec<Entry>,
    /// Everything so far is to be written, urgent or not.
    pub(super) now: bool,
}

/// The file, and what waits to be written to it.
#[derive(Debug)]
pub(super) struct Desk {
    path: PathBuf,
    /// None while the file cannot be opened.
    book: Option<Book>,
    kept: Kept,
    post: Post,
    waiting: VecDeque<Entry>,
    /// The number of the last batch taken in.
    taken: u64,
    /// By when that must be written; none where nothing waits.
    due: Option<Instant>,
    failing: bool,
    /// Something that a person should know, although it is over.
    trouble: Option<String>,
    /// Minutes of readings that were given up.
    given_up: usize,
    tidy: Tidy,
    /// The time, as entries tell it.
    now: Option<DateTime<Utc>>,
    is_untidy: bool,
}

impl Desk {
    /// Opens the file, or finds out what is wrong with it.
    pub(super) fn open(path: &Path) -> Result<(Desk, Remembered), String> {
        let mut desk = Desk {
            path: path.to_owned(),
            book: None,
            kept: Kept::default(),
            post: Post::default(),
            waiting: VecDeque::new(),
            taken: 0,
            due: None,
            failing: false,
            trouble: None,
            given_up: 0,
            tidy: Tidy::default(),
            now: None,
            is_untidy: true,
        };
        let mut outbox = Outbox::default();
        let (recalled, last_alive, trouble) = match Book::open(path) {
            Ok(book) => {
                let recalled = Recalled::read(&book.connection);
                (outbox, desk.post) = recalled_post(&book.connection);
                let last_alive = book::last_alive(&book.connection);
                let spoilt = is_sound(&book.connection).err().or(last_alive.as_ref().err().map(ToString::to_string));
                desk.book = Some(book);
                (recalled, last_alive.ok().flatten(), spoilt)
            }
            Err(Misfit::Sqlite(error)) if book::is_spoilt(&error) => {
                // Nothing of it can be read.
                let lost = Recalled { lost_latches: true, ..Recalled::default() };
                (lost, None, Some(error.to_string()))
            }
            Err(Misfit::Sqlite(error)) => {
                let (recalled, last_alive, outbox);
                (recalled, last_alive, (outbox, desk.post)) = read_only(path);
                desk.failing = true;
                desk.due = Some(Instant::now() + RETRY);
                let why = format!("{}: the journal cannot be written: {error}", path.display());
                let Recalled { kept, safety, filed, lost_latches, .. } = recalled;
                desk.kept = kept;
                let trouble = Some(why);
                return Ok((desk, Remembered { safety, filed, outbox, last_alive, lost_latches, trouble }));
            }
            Err(misfit) => return Err(format!("{}: {misfit}", path.display())),
        };
        let Recalled { kept, safety, filed, lost, lost_latches } = recalled;
        desk.kept = kept;
        let mut told = Vec::new();
        if let Some(why) = &trouble {
            told.push(desk.begin_anew(why));
        }
        told.extend(lost.iter().map(|lost| format!("not understood: {lost}")));
        if lost_latches {
            told.push("latches may be forgotten: every guard starts as if it had tripped twice today".to_owned());
        }
        // Told at the start, and over with the first success.
        desk.failing |= !told.is_empty();
        let trouble = (!told.is_empty()).then(|| format!("{}: {}", path.display(), told.join("; ")));
        Ok((desk, Remembered { safety, filed, outbox, last_alive, lost_latches, trouble }))
    }

    /// Sets the file aside and begins another with what is known; what a person should know.
    fn begin_anew(&mut self, why: &str) -> String {
        // Closing it may write to it, so that comes before it gets another name.
        self.book = None;
        let told = set_aside(&self.path, why);
        self.is_nowhere();
        self.due = Some(Instant::now());
        match Book::open(&self.path) {
            Ok(book) => self.book = Some(book),
            Err(error) => {
                self.failing = true;
                return format!("{told}; no new one can be made: {error}");
            }
        }
        told
    }

    /// The file is another one, in which nothing is that should be.
    fn is_nowhere(&mut self) {
        self.kept.is_nowhere();
        // What waits is newer, so it goes after.
        let mut entries = self.post.entries();
        entries.extend(self.waiting.drain(..));
        self.waiting = entries.into();
    }

    /// Writes until nobody can hand over any more.
    pub(super) fn run(mut self, batches: &Receiver<Batch>, tell: &UnboundedSender<News>) {
        loop {
            match self.next(batches) {
                Ok(batch) => self.take(batch),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            // What has piled up meanwhile goes in one write.
            while let Ok(batch) = batches.try_recv() {
                self.take(batch);
            }
            if self.due.is_some_and(|due| due <= Instant::now()) {
                self.write(tell);
            } else if self.is_untidy && self.due.is_none() {
                self.tidy();
            }
        }
        if self.due.is_some() {
            self.write(tell);
        }
    }

    /// Takes in a batch and writes what is due.
    #[cfg(test)]
    pub(super) fn hand(&mut self, batch: Batch, tell: &UnboundedSender<News>) {
        self.take(batch);
        self.write(tell);
    }

    /// Makes the next write read the file again.
    #[cfg(test)]
    pub(super) fn drop_cache(&mut self) {
        let pragmas = "PRAGMA wal_checkpoint(TRUNCATE); PRAGMA shrink_memory;";
        self.book.as_ref().expect("is open").connection.execute_batch(pragmas).expect("done");
    }

    fn next(&self, batches: &Receiver<Batch>) -> Result<Batch, RecvTimeoutError> {
        match self.due {
            Some(due) => batches.recv_timeout(due.saturating_duration_since(Instant::now())),
            None if self.is_untidy => batches.recv_timeout(Duration::ZERO),
            None => batches.recv().map_err(|_| RecvTimeoutError::Disconnected),
        }
    }

    fn take(&mut self, batch: Batch) {
        let Batch { number, entries, now } = batch;
        self.taken = number;
        let is_urgent = now || entries.iter().any(Entry::is_urgent);
        for entry in entries {
            if let Entry::Alive(at) | Entry::End(at) = &entry {
                self.now = Some(*at);
                self.is_untidy = true;
            }
            self.post.take(&entry);
            if !self.kept.take(&entry) {
                self.waiting.push_back(entry);
            }
        }
        // A disk that fails is not tried more often for being wanted more.
        let patience = if is_urgent && !self.failing {
            Duration::ZERO
        } else if self.failing {
            RETRY
        } else {
            LAZY
        };
        let due = Instant::now() + patience;
        self.due = Some(self.due.map_or(due, |before| before.min(due)));
        self.give_up_some();
    }

    fn give_up_some(&mut self) {
        if self.waiting.len() <= WAITING_MAX {
            return;
        }
        let before = self.waiting.len();
        let mut surplus = before - WAITING_MAX * 3 / 4;
        self.waiting.retain(|entry| {
            let goes = surplus > 0 && matches!(entry, Entry::Minute { .. } | Entry::Alive(_));
            surplus -= usize::from(goes);
            !goes
        });
        // A disk that has failed for so long that only switches are left.
        while self.waiting.len() > WAITING_MAX {
            self.waiting.pop_front();
        }
        self.given_up += before - self.waiting.len();
    }

    fn write(&mut self, tell: &UnboundedSender<News>) {
        let written = self.try_write();
        if let Some(told) = self.trouble.take() {
            self.failing = true;
            let _ = tell.send(News::Failing(told));
        }
        match written {
            Ok(()) => {
                self.due = None;
                self.waiting.clear();
                // A file that was begun anew is written before anybody has handed over anything.
                if self.taken > 0 {
                    let _ = tell.send(News::Durable(self.taken));
                }
                if std::mem::take(&mut self.failing) {
                    info!("the journal can be written again");
                    let given_up = std::mem::take(&mut self.given_up);
                    if given_up > 0 {
                        warn!("{given_up} of the oldest entries were given up meanwhile");
                    }
                    let _ = tell.send(News::Well);
                }
            }
            Err(why) => {
                self.due = Some(Instant::now() + RETRY);
                self.failing = true;
                let _ = tell.send(News::Failing(why));
            }
        }
    }

    fn try_write(&mut self) -> Result<(), String> {
        let named = |path: &Path, why: String| format!("{}: {why}", path.display());
        if self.book.is_none() {
            let book = Book::open(&self.path).map_err(|misfit| named(&self.path, misfit.to_string()))?;
            // It may be another file than before.
            self.is_nowhere();
            self.book = Some(book);
        }
        let Some(book) = &mut self.book else { return Ok(()) };
        match book.write(&mut self.kept, self.waiting.make_contiguous()) {
            Ok(()) => Ok(()),
            Err(error) if book::is_spoilt(&error) => {
                let told = self.begin_anew(&error.to_string());
                let told = named(&self.path, told);
                error!("{told}");
                self.trouble = Some(told.clone());
                match &mut self.book {
                    Some(book) => book
                        .write(&mut self.kept, self.waiting.make_contiguous())
                        .map_err(|error| named(&self.path, error.to_string())),
                    None => Err(told),
                }
            }
            Err(error) if book::is_refusal(&error) => {
                let refused = book.write_apart(&mut self.kept, self.waiting.make_contiguous());
                let refused = refused.map_err(|error| named(&self.path, error.to_string()))?;
                if let Some((entry, why)) = refused.first() {
                    let told = format!("refused and left out: {} entries; the first: {why}: {entry:?}", refused.len());
                    error!("{told}");
                    self.trouble = Some(named(&self.path, told));
                }
                Ok(())
            }
            Err(error) => Err(named(&self.path, error.to_string())),
        }
    }

    fn tidy(&mut self) {
        let (Some(book), Some(now)) = (&mut self.book, self.now) else {
            self.is_untidy = false;
            return;
        };
        match self.tidy.step(&mut book.connection, now) {
            Ok(more) => self.is_untidy = more,
            Err(error) => {
                // The next minute tries again; writing tells of a disk that fails and of a file that is spoilt.
                warn!("{}: readings could not be tidied: {error}", self.path.display());
                self.is_untidy = false;
            }
        }
    }
}

/// Whether what must be relied on is sound. The readings are not looked through: that may take minutes, and a spoilt page
/// among them shows when it is used.
fn is_sound(connection: &Connection) -> Result<(), String> {
    for table in ["kept", "runs", "marks"] {
        let found: String = connection
            .query_row("SELECT * FROM pragma_quick_check(?1)", [table], |row| row.get(0))
            .map_err(|error| error.to_string())?;
        if found != "ok" {
            return Err(found);
        }
    }
    Ok(())
}

/// What can be read of a journal on a disk that cannot be written.
fn read_only(path: &Path) -> (Recalled, Option<DateTime<Utc>>, (Outbox, Post)) {
    if !path.exists() {
        return <_>::default();
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
    // What means something in a URI is written as its number.
    let plain = path.display().to_string().replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    let uri = |options: &str| format!("file:{plain}?{options}");
    for options in ["mode=ro", "immutable=1"] {
        if let Ok(connection) = Connection::open_with_flags(uri(options), flags) {
            let recalled = Recalled::read(&connection);
            if recalled.lost.is_empty() {
                return (recalled, book::last_alive(&connection).ok().flatten(), recalled_post(&connection));
            }
        }
    }
    (Recalled { lost_latches: true, ..Recalled::default() }, None, <_>::default())
}

/// The outbox, as far as it can be read: one that cannot keeps nothing from starting.
fn recalled_post(connection: &Connection) -> (Outbox, Post) {
    let read = Outbox::read(connection).and_then(|outbox| Ok((outbox, Post::read(connection)?)));
    read.unwrap_or_else(|error| {
        warn!("messages that were not sent cannot be read: {error}");
        <_>::default()
    })
}

/// Moves a file and its log out of the way; what a person should know.
fn set_aside(path: &Path, why: &str) -> String {
    let beside = |suffix: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        PathBuf::from(name)
    };
    let aside = (1..).map(|n| format!(".unreadable-{n}")).find(|suffix| !beside(suffix).exists());
    // The search has no end, so there is one.
    let aside = aside.unwrap_or_default();
    let moved = fs::rename(path, beside(&aside));
    for log in ["-wal", "-shm"] {
        let _ = fs::rename(beside(log), beside(&format!("{aside}{log}")));
    }
    match moved {
        Ok(()) => format!("the journal was spoilt ({why}) and is kept as {}", beside(&aside).display()),
        Err(error) => format!("the journal is spoilt ({why}) and cannot be set aside: {error}"),
    }
}

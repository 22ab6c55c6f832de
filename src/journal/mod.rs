//! The keeper's records on disk: one SQLite file that outlives power cuts, and that a person can read without this program.
//!
//! One thread writes, in batches; the control loop never waits for it. Safety state, alarms and the keeper's acts are on disk
//! before anybody is told of them. Readings are kept as one value a minute, later one an hour. `schema/1.sql` says what is
//! where.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room is for files")]

mod book;
mod entry;
mod gather;
mod kept;
mod lock;
mod outbox;
mod post;
pub mod read;
mod schema;
#[cfg(test)]
pub(crate) mod scratch;
mod stored;
#[cfg(test)]
mod tests;
mod tidy;
mod writer;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::sync::mpsc as blocking;
use std::thread;

use chrono::{DateTime, Utc};
use tokio::sync::mpsc;

use crate::control::Record;
use crate::guard::{self, SafetyRecord};
use crate::settings::Settings;

pub use entry::{AlarmEntry, Entry};
pub use gather::{Bin, Gatherer, Series};
pub use outbox::{Outbox, PastAlarm, PostEntry, Posted};
pub use schema::{FILE, Misfit, VERSION};
pub use tidy::{HOURS_KEPT, MINUTES_KEPT, SWITCHES_KEPT};

use lock::Lock;
use writer::{Batch, Desk};

/// A journal with its writer.
#[derive(Debug)]
pub struct Journal {
    to_disk: blocking::Sender<Batch>,
    news: mpsc::UnboundedReceiver<News>,
    thread: Option<thread::JoinHandle<()>>,
    /// The number of the last batch.
    last: u64,
}

/// What the writer has to tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    /// Batches up to this one are on the disk.
    Durable(u64),
    /// Nothing gets to the disk, and why. It is tried again until it does.
    Failing(String),
    /// Everything is on the disk again.
    Well,
}

/// What a journal remembered, and what was wrong with it.
#[derive(Debug, Default)]
pub struct Remembered {
    /// The newest safety record of each owner.
    pub safety: Vec<SafetyRecord>,
    /// The newest record on file of each owner, burn hours last.
    pub filed: Vec<Record>,
    /// Messages, and who was told of what.
    pub outbox: Outbox,
    /// When the program was last known to live.
    pub last_alive: Option<DateTime<Utc>>,
    /// Latches may have been forgotten.
    pub lost_latches: bool,
    /// What a person should know.
    pub trouble: Option<String>,
}

impl Remembered {
    /// What guards and contactors begin with under `settings`: what was remembered of them, and where that may have been
    /// lost, guards that [are wary](guard::wary).
    pub fn safety(&self, settings: &Settings) -> Vec<SafetyRecord> {
        let owners: BTreeSet<_> = self.safety.iter().map(stored::owner).collect();
        let wary = if self.lost_latches { guard::wary(settings) } else { Vec::new() };
        let lost = wary.into_iter().filter(|record| !owners.contains(&stored::owner(record)));
        self.safety.iter().cloned().chain(lost).collect()
    }
}

impl Journal {
    /// Opens the journal in `directory`, which is made where it is missing.
    ///
    /// A file that is spoilt is set aside whole, with what could be read of it taken over. A disk that cannot be written, or
    /// not read, is no reason not to start: that is [`Remembered::trouble`] and [`News::Failing`], and it is tried again.
    /// Errors, as a sentence that names the path, are what a person must mend first: the directory cannot be made, another
    /// daemon holds it, or the file is a newer program's or no journal at all.
    pub fn open(directory: &Path) -> Result<(Journal, Remembered), String> {
        let named = |what: &str, error: std::io::Error| format!("{}: {what}: {error}", directory.display());
        fs::create_dir_all(directory).map_err(|error| named("the state directory cannot be made", error))?;
        let lock = Lock::take(directory)?;
        let (desk, remembered) = Desk::open(&directory.join(FILE))?;
        let (to_disk, batches) = blocking::channel();
        let (tell, news) = mpsc::unbounded_channel();
        let thread = thread::Builder::new()
            .name("journal".to_owned())
            .spawn(move || {
                let _lock = lock;
                desk.run(&batches, &tell);
            })
            .map_err(|error| named("no thread to write with", error))?;
        Ok((Journal { to_disk, news, thread: Some(thread), last: 0 }, remembered))
    }

    /// Hands entries to the disk without waiting; the number to wait for in [`News::Durable`]. Entries of which none
    /// [is urgent](Entry::is_urgent) may wait there for a few seconds for others.
    pub fn write(&mut self, entries: Vec<Entry>) -> u64 {
        self.last += 1;
        // The writer lives as long as this sender, so this fails only if its thread panicked; then no news comes either,
        // and the driver's patience with the disk ends.
        let _ = self.to_disk.send(Batch { number: self.last, entries, now: false });
        self.last
    }

    /// As [`Journal::write`], with nothing to add: everything handed over so far is to be on the disk soon.
    pub fn flush(&mut self) -> u64 {
        self.last += 1;
        let _ = self.to_disk.send(Batch { number: self.last, entries: Vec::new(), now: true });
        self.last
    }

    /// What the writer has to tell next. Never returns once it is gone. It may be dropped at any time without losing news.
    pub async fn news(&mut self) -> News {
        match self.news.recv().await {
            Some(news) => news,
            None => std::future::pending().await,
        }
    }

    /// Waits until everything handed over is on disk, or has failed.
    pub fn close(mut self) {
        let thread = self.thread.take();
        drop(self.to_disk);
        if let Some(thread) = thread {
            let _ = thread.join();
        }
    }
}

//! State on disk: what guards and contactors must remember over a restart and a power cut, what is on file of calibrations,
//! the health of lamps and the keeper's rounds, and burn hours.
//!
//! A JSON file for each, so that neither is lost with the other; replaced whole by writing another, syncing it and renaming
//! it over the first, so that a power cut leaves either the old or the new one. Writing happens on a thread of its own: a slow or full disk never delays an OFF.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::mpsc as blocking;
use std::thread;
use std::time::Duration;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;

use crate::control::Record;
use crate::guard::{LampRecord, Latch, SafetyRecord};
use crate::units::{Celsius, Uvi};

const SAFETY: &str = "safety.json";
const RECORDS: &str = "records.json";
/// Burn hours change all day and the rest hardly: they have a file of their own, so that writing them is little.
const HOURS: &str = "hours.json";
const LOCK: &str = "lock";
/// A failed write is tried again this long after, until it succeeds; a guess.
const RETRY: Duration = Duration::from_secs(10);

/// Safety state on disk.
#[derive(Debug)]
pub struct Store {
    to_disk: blocking::Sender<Handed>,
    outcomes: mpsc::UnboundedReceiver<Option<String>>,
    thread: Option<thread::JoinHandle<()>>,
}

/// What is handed to the disk.
#[derive(Debug)]
enum Handed {
    Safety(SafetyRecord),
    Record(Record),
}

/// What a store remembered, and what was wrong with it.
#[derive(Debug, Default)]
pub struct Remembered {
    /// The newest safety record of each owner.
    pub records: Vec<SafetyRecord>,
    /// The newest record on file of each owner.
    pub filed: Vec<Record>,
    /// The stored file could not be read and was set aside: what a person should know.
    pub trouble: Option<String>,
}

impl Store {
    /// Opens the store in `directory`, which is made where it is missing. Errors, as a sentence that names the path, are:
    /// the directory cannot be made or written, or another daemon holds it.
    pub fn open(directory: &Path) -> Result<(Store, Remembered), String> {
        let named = |what: &str, error: std::io::Error| format!("{}: {what}: {error}", directory.display());
        fs::create_dir_all(directory).map_err(|error| named("the state directory cannot be made", error))?;
        let lock = File::create(directory.join(LOCK)).map_err(|error| named("the lock file cannot be made", error))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(format!("{}: another lampwarden is running on this state directory", directory.display()));
            }
            Err(TryLockError::Error(error)) => return Err(named("the lock file cannot be locked", error)),
        }
        let (safety, safety_trouble) = Sheet::read(directory.join(SAFETY), "latches", |stored: Stored| {
            let record = SafetyRecord::from(stored);
            (owner(&record), record)
        });
        let (filed, filed_trouble) =
            Sheet::read(directory.join(RECORDS), "calibrations", |record: Record| (record.owner(), record));
        let (hours, hours_trouble) =
            Sheet::read(directory.join(HOURS), "burn hours", |record: Record| (record.owner(), record));
        let trouble =
            [safety_trouble, filed_trouble, hours_trouble].into_iter().flatten().reduce(|a, b| format!("{a}; {b}"));
        let remembered = Remembered {
            records: safety.by_owner.values().cloned().collect(),
            // Hours after the lives they belong to.
            filed: filed.by_owner.values().chain(hours.by_owner.values()).cloned().collect(),
            trouble,
        };
        let (to_disk, records) = blocking::channel();
        let (report, outcomes) = mpsc::unbounded_channel();
        let writer = Writer { safety, filed, hours, report, failing: false };
        let thread = thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || {
                let _lock = lock;
                writer.run(&records);
            })
            .map_err(|error| named("no thread to write with", error))?;
        Ok((Store { to_disk, outcomes, thread: Some(thread) }, remembered))
    }

    /// Hands a safety record to the disk, without waiting.
    pub fn remember(&self, record: SafetyRecord) {
        // The writer lives as long as this sender, so this fails only if its thread panicked; then the next outcome says so.
        let _ = self.to_disk.send(Handed::Safety(record));
    }

    /// Hands a record for the file to the disk, without waiting.
    pub fn file(&self, record: Record) {
        let _ = self.to_disk.send(Handed::Record(record));
    }

    /// The next change of fortune: `Some` why writing fails, `None` that it works again. Never returns once the writer is
    /// gone. It may be dropped at any time without losing one.
    pub async fn outcome(&mut self) -> Option<String> {
        match self.outcomes.recv().await {
            Some(outcome) => outcome,
            None => std::future::pending().await,
        }
    }

    /// Waits until everything handed over is on disk, or has failed.
    pub fn close(mut self) {
        let Store { thread, .. } = &mut self;
        let thread = thread.take();
        drop(self.to_disk);
        if let Some(thread) = thread {
            let _ = thread.join();
        }
    }
}

/// One file with the newest record of each owner.
struct Sheet<T> {
    path: PathBuf,
    by_owner: BTreeMap<String, T>,
    /// Something in it is not on disk.
    stale: bool,
}

impl<T> Sheet<T> {
    /// What is on disk, and what was wrong with it: then it is set aside, and `what` may be forgotten.
    fn read<S: DeserializeOwned>(
        path: PathBuf,
        what: &str,
        own: impl Fn(S) -> (String, T),
    ) -> (Sheet<T>, Option<String>) {
        let stored = match fs::read(&path) {
            Ok(text) => serde_json::from_slice::<Vec<S>>(&text).map_err(|error| error.to_string()),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
            Err(error) => Err(error.to_string()),
        };
        let (stored, trouble) = match stored {
            Ok(stored) => (stored, None),
            Err(why) => (Vec::new(), Some(set_aside(&path, &why, what))),
        };
        (Sheet { path, by_owner: stored.into_iter().map(own).collect(), stale: false }, trouble)
    }

    fn put(&mut self, owner: String, record: T) {
        self.by_owner.insert(owner, record);
        self.stale = true;
    }

    fn write<'a, S: Serialize>(&'a mut self, stored: impl Fn(&'a T) -> S) -> Result<(), String> {
        if self.stale {
            let text = serde_json::to_vec_pretty(&self.by_owner.values().map(stored).collect::<Vec<_>>());
            let written = text.map_err(std::io::Error::other).and_then(|text| replace(&self.path, &text));
            written.map_err(|error| format!("{}: {error}", self.path.display()))?;
            self.stale = false;
        }
        Ok(())
    }
}

/// The thread that writes.
struct Writer {
    safety: Sheet<SafetyRecord>,
    filed: Sheet<Record>,
    hours: Sheet<Record>,
    report: mpsc::UnboundedSender<Option<String>>,
    failing: bool,
}

impl Writer {
    fn run(mut self, records: &blocking::Receiver<Handed>) {
        loop {
            let next = if self.failing {
                records.recv_timeout(RETRY)
            } else {
                records.recv().map_err(|_| blocking::RecvTimeoutError::Disconnected)
            };
            match next {
                Ok(handed) => self.put(handed),
                Err(blocking::RecvTimeoutError::Timeout) => {}
                Err(blocking::RecvTimeoutError::Disconnected) => return,
            }
            // What has piled up meanwhile goes in one write.
            while let Ok(handed) = records.try_recv() {
                self.put(handed);
            }
            self.write();
        }
    }

    fn put(&mut self, handed: Handed) {
        match handed {
            Handed::Safety(record) => self.safety.put(owner(&record), record),
            Handed::Record(record @ Record::Hours { .. }) => self.hours.put(record.owner(), record),
            Handed::Record(record) => self.filed.put(record.owner(), record),
        }
    }

    fn write(&mut self) {
        // Latches first.
        let written = self
            .safety
            .write(Stored::from)
            .and_then(|()| self.filed.write(|record| record))
            .and_then(|()| self.hours.write(|record| record));
        match written {
            Ok(()) if self.failing => {
                self.failing = false;
                let _ = self.report.send(None);
            }
            Ok(()) => {}
            Err(why) => {
                self.failing = true;
                let _ = self.report.send(Some(why));
            }
        }
    }
}

fn owner(record: &SafetyRecord) -> String {
    match record {
        SafetyRecord::Enclosure { id, .. } => format!("enclosure {id}"),
        SafetyRecord::CutOff { name, .. } => format!("cut-off {name}"),
    }
}

fn replace(path: &Path, text: &[u8]) -> std::io::Result<()> {
    let draft = path.with_extension("json.new");
    let mut file = File::create(&draft)?;
    file.write_all(text)?;
    file.sync_all()?;
    fs::rename(&draft, path)?;
    // The rename itself is durable once the directory is.
    path.parent().map_or(Ok(()), |directory| File::open(directory)?.sync_all())
}

/// Moves a file out of the way; what a person should know.
fn set_aside(path: &Path, why: &str, what: &str) -> String {
    let aside = (1..).map(|n| path.with_extension(format!("json.unreadable-{n}"))).find(|aside| !aside.exists());
    let moved = aside.as_ref().filter(|aside| fs::rename(path, aside).is_ok());
    let kept = moved.map_or_else(|| "it stays where it is".to_owned(), |aside| format!("kept as {}", aside.display()));
    format!("{} could not be read ({why}; {kept}), so {what} may be forgotten", path.display())
}

/// A record as it is written.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
enum Stored {
    Enclosure { id: String, lamps: Vec<StoredLamp> },
    CutOff { name: String, open: Option<String> },
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredLamp {
    lamp: String,
    set: String,
    heat_latch: Option<StoredLatch>,
    uv_latch: Option<StoredLatch>,
    tripped_at_celsius: Option<f64>,
    trip_ages_s: Vec<f64>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
enum StoredLatch {
    Limit { reading_celsius: f64, limit_celsius: f64 },
    ThreeTrips,
    Ceiling { reading_uvi: f64, ceiling_uvi: f64 },
}

impl From<&SafetyRecord> for Stored {
    fn from(record: &SafetyRecord) -> Stored {
        match record {
            SafetyRecord::Enclosure { id, lamps } => {
                Stored::Enclosure { id: id.clone(), lamps: lamps.iter().map(StoredLamp::from).collect() }
            }
            SafetyRecord::CutOff { name, open } => Stored::CutOff { name: name.clone(), open: open.clone() },
        }
    }
}

impl From<Stored> for SafetyRecord {
    fn from(stored: Stored) -> SafetyRecord {
        match stored {
            Stored::Enclosure { id, lamps } => {
                SafetyRecord::Enclosure { id, lamps: lamps.into_iter().map(LampRecord::from).collect() }
            }
            Stored::CutOff { name, open } => SafetyRecord::CutOff { name, open },
        }
    }
}

impl From<&LampRecord> for StoredLamp {
    fn from(record: &LampRecord) -> StoredLamp {
        StoredLamp {
            lamp: record.lamp.clone(),
            set: record.set.clone(),
            heat_latch: record.heat_latch.map(StoredLatch::from),
            uv_latch: record.uv_latch.map(StoredLatch::from),
            tripped_at_celsius: record.tripped.map(|Celsius(at)| at),
            trip_ages_s: record.trip_ages.iter().map(Duration::as_secs_f64).collect(),
        }
    }
}

impl From<StoredLamp> for LampRecord {
    fn from(stored: StoredLamp) -> LampRecord {
        let age = |seconds: f64| Duration::try_from_secs_f64(seconds).unwrap_or_default();
        LampRecord {
            lamp: stored.lamp,
            set: stored.set,
            heat_latch: stored.heat_latch.map(Latch::from),
            uv_latch: stored.uv_latch.map(Latch::from),
            tripped: stored.tripped_at_celsius.map(Celsius),
            trip_ages: stored.trip_ages_s.into_iter().map(age).collect(),
        }
    }
}

impl From<Latch> for StoredLatch {
    fn from(latch: Latch) -> StoredLatch {
        match latch {
            Latch::Limit { reading, limit } => {
                StoredLatch::Limit { reading_celsius: reading.0, limit_celsius: limit.0 }
            }
            Latch::ThreeTrips => StoredLatch::ThreeTrips,
            Latch::Ceiling { reading, ceiling } => {
                StoredLatch::Ceiling { reading_uvi: reading.0, ceiling_uvi: ceiling.0 }
            }
        }
    }
}

impl From<StoredLatch> for Latch {
    fn from(stored: StoredLatch) -> Latch {
        match stored {
            StoredLatch::Limit { reading_celsius, limit_celsius } => {
                Latch::Limit { reading: Celsius(reading_celsius), limit: Celsius(limit_celsius) }
            }
            StoredLatch::ThreeTrips => Latch::ThreeTrips,
            StoredLatch::Ceiling { reading_uvi, ceiling_uvi } => {
                Latch::Ceiling { reading: Uvi(reading_uvi), ceiling: Uvi(ceiling_uvi) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::health::record::HoursRecord;
    use crate::control::{PairingRecord, PastGain, SeriesRecord, SpotRecord};

    /// A directory of this test alone, removed when dropped.
    struct Scratch(PathBuf);

    impl Scratch {
        fn new(name: &str) -> Scratch {
            let path = std::env::temp_dir().join(format!("lampwarden-store-{name}-{}", std::process::id()));
            let _ = fs::remove_dir_all(&path);
            Scratch(path)
        }
    }

    impl Drop for Scratch {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    fn records() -> Vec<SafetyRecord> {
        let lamp = |heat_latch, uv_latch, tripped| LampRecord {
            lamp: "heat".into(),
            set: "garden/e1/heat/set".into(),
            heat_latch,
            uv_latch,
            tripped,
            trip_ages: vec![Duration::from_secs(60), Duration::from_millis(1500)],
        };
        let limit = Latch::Limit { reading: Celsius(46.5), limit: Celsius(45.0) };
        let ceiling = Latch::Ceiling { reading: Uvi(9.0), ceiling: Uvi(8.0) };
        vec![
            SafetyRecord::CutOff { name: "west".into(), open: Some("heat of e1".into()) },
            SafetyRecord::Enclosure {
                id: "e1".into(),
                lamps: vec![
                    lamp(Some(limit), None, None),
                    lamp(Some(Latch::ThreeTrips), Some(ceiling), None),
                    lamp(None, None, Some(Celsius(41.25))),
                ],
            },
        ]
    }

    #[test]
    fn what_is_remembered_comes_back_the_same() {
        let scratch = Scratch::new("same");
        let (store, before) = Store::open(&scratch.0).expect("opens");
        assert!(before.records.is_empty() && before.trouble.is_none());
        let older = SafetyRecord::Enclosure { id: "e1".into(), lamps: vec![] };
        std::iter::once(older).chain(records()).for_each(|record| store.remember(record));
        store.close();
        let (_, after) = Store::open(&scratch.0).expect("opens again");
        assert_eq!(after.records, records());
    }

    #[test]
    fn what_is_on_file_comes_back_the_same_from_a_file_of_its_own() {
        let scratch = Scratch::new("file");
        let at = chrono::DateTime::UNIX_EPOCH;
        let pairing = PairingRecord { at, uvi: 4.2, raw: 3.1, spread: 0.05, guess: true };
        let past = PastGain { value: 1.4, uncertainty: 0.11, from: at, until: at, readings: 2, why: "changed".into() };
        let series =
            SeriesRecord { background: Some(0.1), pairings: vec![pairing], history: vec![past], void_since: Some(at) };
        let spot = SpotRecord { spot: "basking".into(), at, uvi: 4.2, alone: Some("uvb".into()), guess: false };
        let (lamp, set) = ("uvb".to_owned(), "e1/uvb/set".to_owned());
        let hours = HoursRecord { lamp, set, fitted: Some(at), hours: 812.25, cycles: 70 };
        let filed = [
            Record::Series { enclosure: "e1".into(), probe: "uv".into(), series },
            Record::Walk { enclosure: "e1".into(), spots: vec![spot] },
            Record::Hours { enclosure: "e1".into(), lamps: vec![hours] },
        ];
        let (store, _) = Store::open(&scratch.0).expect("opens");
        filed.iter().cloned().for_each(|record| store.file(record));
        store.close();
        fs::write(scratch.0.join(SAFETY), b"spoilt").expect("written");
        let (_, after) = Store::open(&scratch.0).expect("opens again");
        assert_eq!(after.filed, filed);
        assert!(after.trouble.is_some_and(|trouble| trouble.contains("latches")));
    }

    #[test]
    fn a_second_daemon_on_the_same_state_is_refused() {
        let scratch = Scratch::new("lock");
        let (_store, _) = Store::open(&scratch.0).expect("opens");
        let refusal = Store::open(&scratch.0).expect_err("is held");
        assert!(refusal.contains("another lampwarden is running"), "{refusal}");
    }

    #[test]
    fn an_unreadable_file_is_set_aside_whole_and_told() {
        let scratch = Scratch::new("corrupt");
        fs::create_dir_all(&scratch.0).expect("made");
        fs::write(scratch.0.join(SAFETY), b"[{\"enclosure\": ").expect("written");
        let (_store, remembered) = Store::open(&scratch.0).expect("opens");
        let trouble = remembered.trouble.expect("told");
        assert!(trouble.contains("safety.json.unreadable-1"), "{trouble}");
        let kept = fs::read(scratch.0.join("safety.json.unreadable-1")).expect("kept");
        assert_eq!(kept, b"[{\"enclosure\": ");
    }

    #[test]
    fn a_disk_that_fails_is_told_and_nothing_waits_for_it() {
        let scratch = Scratch::new("full");
        let (mut store, _) = Store::open(&scratch.0).expect("opens");
        // A directory where the draft should be: writing fails, whoever runs the test.
        fs::create_dir_all(scratch.0.join("safety.json.new")).expect("made");
        records().into_iter().for_each(|record| store.remember(record));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let outcome = runtime.block_on(store.outcome());
        assert!(outcome.is_some_and(|why| why.contains("safety.json")));
    }
}

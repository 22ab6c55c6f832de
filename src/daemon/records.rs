//! What the daemon keeps, and what it tells only once that is on the disk.
//!
//! A command to a lamp never comes here. Documents and answers do: one that speaks of a latch, an alarm or a keeper's act
//! waits until the journal has that, so that nothing anybody was told is forgotten in a power cut. A disk that is slow or
//! fails is not waited for.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use tokio::sync::oneshot;

use crate::control::{AlarmNotice, Controller, Effect, Footing, Quality};
use crate::journal::{AlarmEntry, Entry, Gatherer, Journal, News, Series};
use crate::message::Message;
use crate::notify;
use crate::settings::{EnclosureIx, Measures, ProbeIx, Settings};
use crate::web;
use crate::wire::Lane;

/// Nothing is held back for longer, whatever the disk does: a person must hear of an alarm. A guess.
const HELD_AT_MOST: Duration = Duration::from_secs(1);
/// A disk that has not answered for so long is failing; a guess.
const SLOW: Duration = Duration::from_secs(10);
/// A minute's readings are written at most so long after it is over, although nothing happens.
const MINUTE: Duration = Duration::from_secs(60);

/// Something to tell.
#[derive(Debug)]
pub(crate) enum Release {
    /// A document.
    Publish(Message, Lane),
    /// An answer to somebody at the desk.
    Answer(oneshot::Sender<String>, String),
    /// A message to a person.
    Post(Box<notify::Message>),
    /// An answer to a guest of the web server.
    Guest(oneshot::Sender<web::Answer>, web::Answer),
}

/// What is gathered of one probe: whose, and whether it is the UV index or what the probe itself said.
type Key = (EnclosureIx, ProbeIx, bool);

/// The journal as the daemon uses it; without one everything is told at once and nothing kept.
#[derive(Debug)]
pub(crate) struct Records {
    journal: Option<Journal>,
    gatherer: Gatherer<Key>,
    /// Not yet handed over.
    entries: Vec<Entry>,
    releases: Vec<Release>,
    /// Everything so far is to be written before the releases, urgent or not.
    flush: bool,
    /// To be told once the batch of that number is on the disk, or so long after that moment.
    held: VecDeque<(u64, Instant, Release)>,
    /// Since when the disk has owed an answer, to which batch.
    owed: Option<(u64, Instant)>,
    /// The last batch that is owed an answer.
    last_owed: u64,
    /// Whether the core knows that the disk fails.
    failing: bool,
    /// The minute in which the journal was last told that we live.
    alive: Option<i64>,
}

impl Records {
    pub(crate) fn new(journal: Option<Journal>) -> Records {
        Records {
            journal,
            gatherer: Gatherer::default(),
            entries: Vec::new(),
            releases: Vec::new(),
            flush: false,
            held: VecDeque::new(),
            owed: None,
            last_owed: 0,
            failing: false,
            alive: None,
        }
    }

    /// Something to keep.
    pub(crate) fn note(&mut self, entry: Entry) {
        if self.journal.is_some() {
            self.entries.push(entry);
        }
    }

    /// Something to tell once everything noted so far is kept.
    pub(crate) fn tell(&mut self, release: Release) {
        self.releases.push(release);
    }

    /// What is told next is to wait for everything that was noted, urgent or not.
    pub(crate) fn flush(&mut self) {
        self.flush = true;
    }

    /// Whether something waits for [`Records::commit`].
    pub(crate) fn is_busy(&self) -> bool {
        !self.entries.is_empty() || !self.releases.is_empty()
    }

    /// Hands over what was noted; what can be told at once.
    pub(crate) fn commit(&mut self) -> Vec<Release> {
        let releases = std::mem::take(&mut self.releases);
        let entries = std::mem::take(&mut self.entries);
        let flush = std::mem::take(&mut self.flush);
        let Some(journal) = &mut self.journal else { return releases };
        let is_urgent = flush || entries.iter().any(Entry::is_urgent);
        let written = (!entries.is_empty()).then(|| journal.write(entries));
        let number = if flush { Some(journal.flush()) } else { written };
        let now = Instant::now();
        if let Some(number) = number.filter(|_| is_urgent) {
            self.owed.get_or_insert((number, now));
            self.last_owed = number;
        }
        if self.failing || self.owed.is_none() {
            return releases;
        }
        // In their order: what comes later never overtakes, and may speak of what is not there yet.
        self.held.extend(releases.into_iter().map(|release| (self.last_owed, now, release)));
        Vec::new()
    }

    /// The writer's next news. Never returns without a journal.
    pub(crate) async fn news(&mut self) -> News {
        match &mut self.journal {
            Some(journal) => journal.news().await,
            None => std::future::pending().await,
        }
    }

    /// Takes in news: what may be told now, and what the core must know of the disk, if anything.
    pub(crate) fn hear(&mut self, news: News) -> (Vec<Release>, Option<Option<String>>) {
        match news {
            News::Durable(number) => {
                // A later batch may still be owed: the disk has answered, so its time begins now.
                self.owed = (self.last_owed > number).then(|| (self.last_owed, Instant::now()));
                let told = self.held.iter().take_while(|(held, ..)| *held <= number).count();
                let released = self.held.drain(..told).map(|(.., release)| release).collect();
                (released, std::mem::take(&mut self.failing).then_some(None))
            }
            News::Failing(why) => (self.give_up_waiting(), self.fails(why)),
            News::Well => (Vec::new(), std::mem::take(&mut self.failing).then_some(None)),
        }
    }

    /// What the disk has kept back for too long, and whether it is to be called failing.
    pub(crate) fn lose_patience(&mut self) -> (Vec<Release>, Option<Option<String>>) {
        let slow = self.owed.is_some_and(|(_, since)| since.elapsed() >= SLOW) && !self.failing;
        if slow {
            let why = format!("the disk has not answered for {} s", SLOW.as_secs());
            return (self.give_up_waiting(), self.fails(why));
        }
        let late = self.held.iter().take_while(|(_, since, _)| since.elapsed() >= HELD_AT_MOST).count();
        (self.held.drain(..late).map(|(.., release)| release).collect(), None)
    }

    fn give_up_waiting(&mut self) -> Vec<Release> {
        self.held.drain(..).map(|(.., release)| release).collect()
    }

    fn fails(&mut self, why: String) -> Option<Option<String>> {
        self.failing = true;
        self.owed = None;
        Some(Some(why))
    }

    /// What was wrong at the start is known to the core; the first success tells that it is over.
    pub(crate) fn began_badly(&mut self) {
        self.failing = true;
    }

    /// When patience ends, or a minute must be closed; none without a journal.
    pub(crate) fn wait(&self) -> Option<Duration> {
        self.journal.as_ref()?;
        let held = self.held.front().map(|(_, since, _)| HELD_AT_MOST.saturating_sub(since.elapsed()));
        let owed = self.owed.map(|(_, since)| SLOW.saturating_sub(since.elapsed()));
        [held, owed, Some(MINUTE)].into_iter().flatten().min()
    }

    /// A probe was heard: what became of it belongs to its minute.
    pub(crate) fn heard(&mut self, controller: &Controller, enclosure: EnclosureIx, probe: ProbeIx) {
        if self.journal.is_none() {
            return;
        }
        let (Some(at), Some(heard)) = (controller.wall(), controller.heard(enclosure, probe)) else { return };
        let is_good = match heard.quality {
            Quality::Good => true,
            Quality::Doubtful => false,
            // As if it had not come.
            Quality::Stale | Quality::Unheard => return,
        };
        self.close_minute(controller.settings(), at);
        self.gatherer.take(at, (enclosure, probe, false), heard.value.filter(|_| is_good));
        if let Some((uvi, Footing::Calibrated | Footing::AsRead)) = heard.uvi {
            self.gatherer.take(at, (enclosure, probe, true), Some(uvi.0));
        }
    }

    /// Whatever happens or does not: closes the minute that is over, and says once a minute that we live.
    pub(crate) fn keep_time(&mut self, controller: &Controller) {
        let Some(at) = controller.wall().filter(|_| self.journal.is_some()) else { return };
        self.close_minute(controller.settings(), at);
        let minute = Gatherer::<Key>::minute_of(at);
        if self.alive.replace(minute) != Some(minute) {
            self.note(Entry::Alive(at));
        }
    }

    fn close_minute(&mut self, settings: &Settings, at: DateTime<Utc>) {
        if self.gatherer.is_over(at) {
            self.close_now(settings);
        }
    }

    /// Closes the minute that is being gathered. The indices in it are those of `settings`.
    pub(crate) fn close_now(&mut self, settings: &Settings) {
        let Some((minute, bins)) = self.gatherer.close() else { return };
        let bins = bins.into_iter().filter_map(|((enclosure, probe, is_index), bin)| {
            let enclosure = settings.enclosures.get(enclosure.0)?;
            let probe = enclosure.probes.get(probe.0)?;
            let quantity = if is_index { "uvi" } else { quantity(probe.measures) };
            Some((Series { enclosure: enclosure.id.clone(), probe: probe.name.clone(), quantity }, bin))
        });
        let bins = bins.collect();
        self.note(Entry::Minute { minute, bins });
    }

    /// The end: everything goes to the disk, which is waited for.
    pub(crate) fn close(mut self, controller: &Controller) {
        self.close_now(controller.settings());
        if let Some(at) = controller.wall() {
            self.note(Entry::End(at));
        }
        self.commit();
        if let Some(journal) = self.journal {
            journal.close();
        }
    }
}

/// What a probe's own numbers are called in the journal.
const fn quantity(measures: Measures) -> &'static str {
    match measures {
        Measures::Temperature => "temperature",
        Measures::Uvi => "uvi-raw",
        Measures::Illuminance => "illuminance",
        Measures::Power => "power",
        Measures::Humidity => "humidity",
    }
}

/// What the journal keeps of an effect; none where it keeps nothing of that kind.
pub(crate) fn entry(settings: &Settings, at: DateTime<Utc>, effect: &Effect) -> Option<Entry> {
    let id = |enclosure: EnclosureIx| settings.enclosures.get(enclosure.0).map(|enclosure| enclosure.id.clone());
    match effect {
        Effect::Remember(record) => Some(Entry::Safety(record.clone())),
        Effect::File(record) => Some(Entry::File(record.clone())),
        Effect::Switched { enclosure, lamp, level, reason } => Some(Entry::Switch {
            at,
            enclosure: id(*enclosure)?,
            lamp: settings.enclosures.get(enclosure.0)?.lamps.get(lamp.0)?.name.clone(),
            level: *level,
            reason: reason.to_string(),
        }),
        Effect::Alarm(notice) => Some(Entry::Alarm(alarm(settings, at, notice))),
        Effect::Calibrated { enclosure, probe, told } => Some(Entry::Remark {
            at,
            enclosure: id(*enclosure)?,
            subject: settings.enclosures.get(enclosure.0)?.probes.get(probe.0)?.name.clone(),
            text: told.to_string(),
        }),
        Effect::Command(_) | Effect::ClearRetained(_) | Effect::State(_) => None,
    }
}

fn alarm(settings: &Settings, at: DateTime<Utc>, notice: &AlarmNotice) -> AlarmEntry {
    let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
    AlarmEntry {
        at,
        enclosure: enclosure.map(|enclosure| enclosure.id.clone()),
        kind: notice.kind.name(),
        priority: notice.priority.word(),
        state: notice.standing(),
        since: notice.since,
        text: notice.text.clone(),
        subjects: notice.subjects.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_disk_that_answers_one_batch_still_owes_the_next() {
        let directory = std::env::temp_dir().join(format!("lampwarden-records-{}", std::process::id()));
        let (journal, _) = Journal::open(&directory).expect("opens");
        let mut records = Records::new(Some(journal));
        let (to, answered) = oneshot::channel();
        for _ in 0..2 {
            records.note(Entry::Act { at: DateTime::UNIX_EPOCH, enclosure: None, act: "{}".to_owned() });
            assert!(records.commit().is_empty());
        }
        records.tell(Release::Answer(to, "logged".to_owned()));
        assert!(records.commit().is_empty(), "it waits for what was noted before it");
        let (released, disk) = records.hear(News::Durable(1));
        assert!(released.is_empty() && disk.is_none());
        assert!(records.owed.is_some_and(|(number, _)| number == 2), "{:?}", records.owed);
        let (released, _) = records.hear(News::Durable(2));
        assert!(matches!(&released[..], [Release::Answer(..)]) && records.owed.is_none());
        drop((records, released, answered));
        let _ = std::fs::remove_dir_all(directory);
    }
}

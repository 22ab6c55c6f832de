//! Telling people: what is decided in [`notify`](crate::notify) is written to the journal, then sent, and what became of it
//! is written again. Nothing here waits.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use chrono::{DateTime, Datelike as _, Days, NaiveDate, Utc};
use tokio::sync::mpsc;
use tracing::{error, info, warn};

use crate::control::AlarmNotice;
use crate::journal::{Entry, Outbox, PostEntry, Posted};
use crate::notify::digest::Week;
use crate::notify::{About, Key, Message, Notifier, Sort, test_message};
use crate::post::{self, Ended, Outcome, Postman};
use crate::settings::{Heartbeat, Settings};
use crate::time::{Moment, Mono};
use crate::web;

use super::diary::Diary;
use super::past;

/// Under these names the dates of the last digests are recorded.
const DIGEST: &str = "digest";
const WEEKLY: &str = "weekly";

/// Everything about telling people.
pub(super) struct Telling {
    pub(super) notifier: Notifier,
    postman: Postman,
    key: Option<web::Key>,
    /// What each notice is about, for its link.
    notices: BTreeMap<String, Vec<About>>,
    /// Notices whose link was used.
    seen: BTreeSet<String>,
    /// When something last arrived: by contact and channel.
    pub(super) last_sent: BTreeMap<(String, String), DateTime<Utc>>,
    pulses: Vec<Pulse>,
    visited: mpsc::UnboundedReceiver<(usize, Result<(), String>)>,
    visiting: mpsc::UnboundedSender<(usize, Result<(), String>)>,
    /// What the core was last told of dead channels.
    trouble: Option<String>,
    pub(super) diary: Diary,
    digest_done: Option<NaiveDate>,
    weekly_done: Option<NaiveDate>,
    /// Where the week is looked up, and where it is told.
    journal: Option<PathBuf>,
    looking_back: mpsc::UnboundedSender<Result<Week, String>>,
    looked_back: mpsc::UnboundedReceiver<Result<Week, String>>,
    /// The minute in which that was last looked at.
    minute: Option<i64>,
    /// When the notifier has something to do next.
    due: Option<Mono>,
    /// To be written to the journal.
    entries: Vec<Entry>,
}

/// An address that is visited again and again.
struct Pulse {
    heartbeat: Heartbeat,
    next: Instant,
    under_way: bool,
    failing: bool,
}

/// Something happened.
pub(super) enum News {
    /// A try has ended.
    Ended(Ended),
    /// A heartbeat has ended.
    Visited(usize, Result<(), String>),
    /// The week was looked up.
    Week(Result<Week, String>),
}

impl Telling {
    /// Begins with what the journal remembers.
    ///
    /// `journal`: where it lies; none where nothing is kept.
    pub(super) fn new(settings: &Arc<Settings>, now: Moment, outbox: Outbox, journal: Option<PathBuf>) -> Telling {
        let notifier = Notifier::new(settings, now, &outbox.told);
        let (visiting, visited) = mpsc::unbounded_channel();
        let (looking_back, looked_back) = mpsc::unbounded_channel();
        let done = |name: &str| {
            outbox.told.iter().find(|(what, _)| what == name).and_then(|(_, date)| date.parse::<NaiveDate>().ok())
        };
        let (digest_done, weekly_done) = (done(DIGEST), done(WEEKLY));
        let mut telling = Telling {
            notifier,
            postman: Postman::new(Arc::clone(settings)),
            key: outbox.key.as_deref().map(web::Key::from_bytes),
            notices: BTreeMap::new(),
            seen: outbox.seen.into_iter().collect(),
            last_sent: outbox.last_sent.into_iter().map(|(contact, channel, at)| ((contact, channel), at)).collect(),
            pulses: Vec::new(),
            visited,
            visiting,
            trouble: None,
            diary: Diary::recalled(settings, &outbox.day),
            digest_done,
            weekly_done,
            journal,
            looking_back,
            looked_back,
            minute: None,
            due: Some(now.mono),
            entries: Vec::new(),
        };
        let read = |text: &String| serde_json::from_str::<Message>(text).ok();
        for message in outbox.notices.iter().filter_map(read) {
            telling.notices.insert(message.notice, message.about);
        }
        for message in outbox.waiting.iter().filter_map(read) {
            telling.take(message, now.wall);
        }
        if telling.digest_done.is_none() {
            // The first is the next to come.
            telling.digest_done = digest_date(settings, now.wall);
        }
        if telling.weekly_done.is_none() {
            telling.weekly_done = weekly_date(settings, now.wall);
        }
        telling.open(settings);
        telling
    }

    /// Other settings.
    pub(super) fn reload(&mut self, settings: &Arc<Settings>, now: Moment) {
        self.notifier.reload(settings, now);
        self.postman.reload(Arc::clone(settings));
        self.due = Some(now.mono);
        self.open(settings);
    }

    fn open(&mut self, settings: &Settings) {
        self.pulses.retain(|pulse| settings.telling.heartbeats.contains(&pulse.heartbeat));
        for heartbeat in &settings.telling.heartbeats {
            if !self.pulses.iter().any(|pulse| pulse.heartbeat == *heartbeat) {
                let heartbeat = heartbeat.clone();
                self.pulses.push(Pulse { heartbeat, next: Instant::now(), under_way: false, failing: false });
            }
        }
    }

    /// What links are signed with; made where there is none yet.
    pub(super) fn key(&mut self) -> Option<web::Key> {
        if self.key.is_none() {
            let bytes = web::Key::random()?;
            self.key = Some(web::Key::from_bytes(&bytes));
            self.entries.push(Entry::LinkKey(bytes));
        }
        self.key.clone()
    }

    /// An alarm was raised, has changed or was cleared.
    pub(super) fn hear(&mut self, now: Moment, settings: &Settings, notice: &AlarmNotice) {
        self.diary.note(now.wall, settings, notice);
        self.notifier.hear(now, settings, notice);
        self.due = Some(now.mono);
    }

    /// Whether there is something to do at `now`.
    pub(super) fn is_due(&self, now: Mono) -> bool {
        self.due.is_some_and(|due| due <= now) || self.wait().is_zero() || !self.entries.is_empty()
    }

    /// Lets time pass: what is to be written, and the messages to be sent once that is done.
    pub(super) fn step(&mut self, now: Moment, settings: &Settings) -> (Vec<Entry>, Vec<Message>) {
        let mut messages = Vec::new();
        if self.due.is_some_and(|due| due <= now.mono) {
            let (key, web) = (self.key.as_ref(), settings.telling.web.as_ref());
            let sign = |notice: &str, _: &str, made: DateTime<Utc>| {
                let made = u64::try_from(made.timestamp()).unwrap_or_default();
                Some(format!("{}{}", web?.public_url.as_ref()?, key?.path(notice, made)))
            };
            self.notifier.step(now, settings, &sign, &mut messages);
            self.due = self.notifier.next_deadline(now);
            let told = self.notifier.changes().into_iter().map(|(what, record)| Entry::Told { what, record });
            self.entries.extend(told);
        }
        for message in &messages {
            self.outgoing(message);
        }
        self.visit();
        let outcomes = self.postman.step();
        self.note(outcomes, now.wall);
        (std::mem::take(&mut self.entries), messages)
    }

    /// A message that is about to be sent is written down first.
    fn outgoing(&mut self, message: &Message) {
        self.notices.insert(message.notice.clone(), message.about.clone());
        if let Ok(text) = serde_json::to_string(message) {
            self.entries.push(Entry::Post(PostEntry {
                id: message.id.clone(),
                notice: message.notice.clone(),
                at: message.made,
                contact: message.contact.clone(),
                channel: message.channel.clone(),
                message: text,
            }));
        }
    }

    /// A message is in the journal: it may be sent.
    pub(super) fn take(&mut self, message: Message, wall: DateTime<Utc>) {
        let outcomes = self.postman.take(message);
        self.note(outcomes, wall);
    }

    fn note(&mut self, outcomes: Vec<Outcome>, at: DateTime<Utc>) {
        for outcome in outcomes {
            let (id, posted, why) = match outcome {
                Outcome::Sent(id) => (id, Posted::Sent, None),
                Outcome::Replaced(id) => (id, Posted::Replaced, None),
                Outcome::GivenUp(id, why) => {
                    warn!(message = %id, "given up: {why}");
                    (id, Posted::GivenUp, Some(why))
                }
            };
            self.entries.push(Entry::Posted { id, posted, at, why });
        }
    }

    /// A try has ended; what the core must know of dead channels, if that has changed.
    pub(super) fn ended(&mut self, ended: Ended, at: DateTime<Utc>) -> Option<Option<String>> {
        let (contact, channel) = ended.way();
        let outcomes = self.postman.hear(ended);
        if outcomes.iter().any(|outcome| matches!(outcome, Outcome::Sent(_))) {
            info!(contact, channel, "message sent");
            self.last_sent.insert((contact, channel), at);
        }
        self.note(outcomes, at);
        let trouble = self.postman.trouble();
        if trouble == self.trouble {
            return None;
        }
        self.trouble.clone_from(&trouble);
        Some(trouble)
    }

    /// A test message has arrived: kept as one that was sent, so that it is known after a restart too.
    pub(super) fn tested(&mut self, settings: &Settings, contact: String, channel: String, at: DateTime<Utc>) {
        let message = test_message(&settings.site.name, &contact, &channel, settings.site.timezone, at, 0);
        self.outgoing(&message);
        self.entries.push(Entry::Posted { id: message.id, posted: Posted::Sent, at, why: None });
        self.last_sent.insert((contact, channel), at);
    }

    /// How long there is nothing to do, apart from what the notifier waits for.
    pub(super) fn wait(&self) -> Duration {
        let now = Instant::now();
        let pulses = self.pulses.iter().filter(|pulse| !pulse.under_way);
        let pulse = pulses.map(|pulse| pulse.next.saturating_duration_since(now)).min();
        pulse.into_iter().chain(self.postman.wait()).min().unwrap_or(Duration::MAX)
    }

    /// When the notifier has something to do.
    pub(super) const fn deadline(&self) -> Option<Mono> {
        self.due
    }

    /// What happens next. It may be dropped at any time without losing anything.
    pub(super) async fn news(&mut self) -> News {
        tokio::select! {
            ended = self.postman.next() => News::Ended(ended),
            Some((nth, outcome)) = self.visited.recv() => News::Visited(nth, outcome),
            Some(week) = self.looked_back.recv() => News::Week(week),
        }
    }

    fn visit(&mut self) {
        for (nth, pulse) in self.pulses.iter_mut().enumerate() {
            if pulse.under_way || Instant::now() < pulse.next {
                continue;
            }
            pulse.next = Instant::now() + pulse.heartbeat.every;
            let (heartbeat, tell) = (pulse.heartbeat.clone(), self.visiting.clone());
            let visit = move || _ = tell.send((nth, post::visit(&heartbeat)));
            pulse.under_way = thread::Builder::new().name("heartbeat".to_owned()).spawn(visit).is_ok();
        }
    }

    pub(super) fn visited(&mut self, nth: usize, outcome: Result<(), String>) {
        let Some(pulse) = self.pulses.get_mut(nth) else { return };
        pulse.under_way = false;
        match &outcome {
            Ok(()) if pulse.failing => info!("the heartbeat is heard again"),
            Err(why) if !pulse.failing => warn!("the heartbeat is not heard: {why}"),
            _ => {}
        }
        pulse.failing = outcome.is_err();
    }

    /// What a guest with the link of `notice` may be told, and the alarms it can acknowledge.
    pub(super) fn link(&self, notice: &str) -> Result<Vec<Key>, web::Answer> {
        let about = self.notices.get(notice).ok_or(web::Answer::Unknown)?;
        if self.seen.contains(notice) {
            return Err(web::Answer::Used);
        }
        let keys = self.notifier.still_raised(about);
        if keys.is_empty() { Err(web::Answer::Over) } else { Ok(keys) }
    }

    /// The link of `notice` was used.
    pub(super) fn used(&mut self, notice: String, at: DateTime<Utc>) {
        self.entries.push(Entry::Seen { notice: notice.clone(), at });
        self.seen.insert(notice);
    }

    /// Whether a minute has passed in which the digest may have become due.
    pub(super) fn digest_is_near(&mut self, wall: DateTime<Utc>) -> bool {
        let minute = wall.timestamp().div_euclid(60);
        self.minute.replace(minute) != Some(minute)
    }

    /// Whether the digest of today is due: then it is taken to be sent, and its messages are to be handed to
    /// [`Telling::send_digest`].
    pub(super) fn digest_is_due(&mut self, settings: &Settings, wall: DateTime<Utc>) -> bool {
        let Some(date) = digest_date(settings, wall) else { return false };
        if self.digest_done.is_some_and(|done| done >= date) {
            return false;
        }
        self.digest_done = Some(date);
        self.entries.push(Entry::Told { what: DIGEST.to_owned(), record: Some(date.to_string()) });
        let wanted = settings.telling.digest.as_ref().is_some_and(|it| it.daily) || self.notifier.is_away(wall);
        if !wanted {
            self.diary.clear();
        }
        wanted
    }

    /// Looks the week up where its digest is due, on a thread; it comes back as [`News::Week`].
    pub(super) fn look_back_if_due(&mut self, settings: &Arc<Settings>, wall: DateTime<Utc>) {
        let Some(date) = weekly_date(settings, wall) else { return };
        let Some(journal) = self.journal.clone().filter(|_| self.weekly_done.is_none_or(|done| done < date)) else {
            return;
        };
        self.weekly_done = Some(date);
        let (settings, tell) = (Arc::clone(settings), self.looking_back.clone());
        let look = move || _ = tell.send(past::week(&journal, &settings, wall));
        if let Err(why) = thread::Builder::new().name("week".to_owned()).spawn(look) {
            error!("the digest of the week is not written: {why}");
        }
    }

    /// The digest of the week is written: no other is, over a restart neither.
    pub(super) fn weekly_is_written(&mut self) {
        let record = self.weekly_done.map(|date| date.to_string());
        self.entries.push(Entry::Told { what: WEEKLY.to_owned(), record });
    }

    /// Writes down a message that is about no alarm.
    pub(super) fn send_digest(&mut self, message: &Message) {
        debug_assert!(matches!(message.sort, Sort::Digest | Sort::Weekly));
        self.outgoing(message);
    }
}

/// The date whose digest should be written by now; none without one.
fn digest_date(settings: &Settings, wall: DateTime<Utc>) -> Option<NaiveDate> {
    let digest = settings.telling.digest.as_ref()?;
    let local = wall.with_timezone(&settings.site.timezone);
    let today = local.date_naive();
    if local.time() >= digest.at { Some(today) } else { today.pred_opt() }
}

/// The date of the last digest of the week that should be written by now; none without one.
fn weekly_date(settings: &Settings, wall: DateTime<Utc>) -> Option<NaiveDate> {
    let weekly = settings.telling.digest.as_ref()?.weekly?;
    let local = wall.with_timezone(&settings.site.timezone);
    let today = local.date_naive();
    let since = u64::from(today.weekday().days_since(weekly.day));
    let since = if since == 0 && local.time() < weekly.at { 7 } else { since };
    today.checked_sub_days(Days::new(since))
}

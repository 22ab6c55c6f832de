//! Messages over restarts and a dead network: what is decided, what the journal keeps and what the postman carries, together.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "tests write files and wait for threads")]
#![cfg(feature = "daemon")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use chrono::{DateTime, TimeDelta, Utc};
use lampwarden::config;
use lampwarden::control::{AlarmKind, AlarmNotice, AlarmState, Priority};
use lampwarden::journal::{Entry, Journal, PostEntry, Posted};
use lampwarden::notify::{Message, Notifier, Sort, Stage};
use lampwarden::post::{Outcome, Postman, Trial};
use lampwarden::settings::{EnclosureIx, Settings};
use lampwarden::time::{Moment, Mono};

const HOUR: u64 = 3600;
const DAY: u64 = 24 * HOUR;

fn settings() -> Settings {
    let telling = r#"
[[contact]]
name = "keeper"
mail = { to = "keeper@example.net" }

[[contact]]
name = "neighbour"
command = { run = ["true"] }

[mail]
host = "mail.example.net"
from = "lampwarden@example.net"

[alarms]
critical = { first = ["keeper"], then = ["neighbour"] }
high = { first = ["keeper"] }
"#;
    let example = include_str!("../config/one-enclosure.toml");
    let source = config::Source { name: "it.toml".to_owned(), text: format!("{example}{telling}") };
    let checked = config::parse(std::slice::from_ref(&source));
    checked.settings.unwrap_or_else(|| panic!("{:?}", checked.findings))
}

fn at(second: u64, started: u64) -> Moment {
    let start: DateTime<Utc> = "2026-07-01T12:00:00Z".parse().expect("a time");
    Moment { mono: Mono::from_secs(second - started), wall: start + TimeDelta::seconds(second as i64) }
}

fn notice(kind: AlarmKind, priority: Priority, state: AlarmState) -> AlarmNotice {
    AlarmNotice {
        enclosure: Some(EnclosureIx(0)),
        kind,
        priority,
        state,
        since: at(0, 0).wall,
        text: format!("Quince: {kind} since 13:00 on 1 Jul 2026. Look."),
        subjects: Vec::new(),
        latched: false,
        aside: None,
    }
}

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    folder
}

/// Notifier, journal and postman as the daemon has them, in virtual time, over restarts.
struct House {
    folder: PathBuf,
    settings: Settings,
    trial: Trial,
    journal: Option<Journal>,
    notifier: Notifier,
    postman: Postman,
    second: u64,
    started: u64,
}

impl House {
    fn open(folder: PathBuf, trial: Trial) -> House {
        let settings = settings();
        let notifier = Notifier::new(&settings, at(0, 0), &[]);
        let postman = Postman::with_trial(Arc::new(settings.clone()), Arc::clone(&trial));
        let mut house = House { folder, settings, trial, journal: None, notifier, postman, second: 0, started: 0 };
        house.start();
        house
    }

    /// Begins with what the journal remembers; how many messages wait.
    fn start(&mut self) -> usize {
        let (journal, remembered) = Journal::open(&self.folder).expect("opens");
        self.journal = Some(journal);
        self.started = self.second;
        self.notifier = Notifier::new(&self.settings, at(self.second, self.started), &remembered.outbox.told);
        self.postman = Postman::with_trial(Arc::new(self.settings.clone()), Arc::clone(&self.trial));
        let waiting: Vec<Message> =
            remembered.outbox.waiting.iter().map(|text| serde_json::from_str(text).expect("a message")).collect();
        let count = waiting.len();
        for message in waiting {
            let outcomes = self.postman.take(message);
            self.note(outcomes);
        }
        count
    }

    fn restart(&mut self) -> usize {
        self.journal.take().expect("is open").close();
        self.start()
    }

    fn write(&mut self, entries: Vec<Entry>) {
        self.journal.as_mut().expect("is open").write(entries);
    }

    fn note(&mut self, outcomes: Vec<Outcome>) {
        let at = at(self.second, self.started).wall;
        let entry = |outcome| {
            let (id, posted, why) = match outcome {
                Outcome::Sent(id) => (id, Posted::Sent, None),
                Outcome::Replaced(id) => (id, Posted::Replaced, None),
                Outcome::GivenUp(id, why) => (id, Posted::GivenUp, Some(why)),
            };
            Entry::Posted { id, posted, at, why }
        };
        let entries: Vec<_> = outcomes.into_iter().map(entry).collect();
        if !entries.is_empty() {
            self.write(entries);
        }
    }

    fn hear(&mut self, notice: &AlarmNotice) {
        self.notifier.hear(at(self.second, self.started), &self.settings, notice);
        self.step();
    }

    fn step(&mut self) {
        let now = at(self.second, self.started);
        let mut messages = Vec::new();
        self.notifier.step(now, &self.settings, &|_, _, _| None, &mut messages);
        let told = self.notifier.changes().into_iter().map(|(what, record)| Entry::Told { what, record });
        let post = |message: &Message| {
            Entry::Post(PostEntry {
                id: message.id.clone(),
                notice: message.notice.clone(),
                at: message.made,
                contact: message.contact.clone(),
                channel: message.channel.clone(),
                message: serde_json::to_string(message).expect("plain data"),
            })
        };
        let entries: Vec<_> = told.chain(messages.iter().map(post)).collect();
        self.write(entries);
        for message in messages {
            let outcomes = self.postman.take(message);
            self.note(outcomes);
        }
    }

    fn until(&mut self, second: u64) {
        while let Some(due) = self.notifier.next_deadline(at(self.second, self.started)) {
            let due = self.started + due.since_start().as_millis().div_ceil(1000) as u64;
            if due > second {
                break;
            }
            self.second = due.max(self.second);
            self.step();
        }
        self.second = second;
    }

    /// Lets the postman try, until nothing is under way and nothing is due.
    async fn carry(&mut self) {
        loop {
            let outcomes = self.postman.step();
            self.note(outcomes);
            let ended = tokio::time::timeout(std::time::Duration::from_millis(200), self.postman.next()).await;
            match ended {
                Ok(ended) => {
                    let outcomes = self.postman.hear(ended);
                    self.note(outcomes);
                }
                Err(_) => return,
            }
        }
    }
}

#[test]
fn three_days_without_a_network_lose_nothing_double_nothing_and_pile_nothing_up() {
    let is_well = Arc::new(AtomicBool::new(false));
    let tries = Arc::new(AtomicUsize::new(0));
    let arrived: Arc<Mutex<Vec<Message>>> = Arc::default();
    let trial: Trial = {
        let (is_well, tries, arrived) = (Arc::clone(&is_well), Arc::clone(&tries), Arc::clone(&arrived));
        Arc::new(move |_, message| {
            tries.fetch_add(1, Ordering::SeqCst);
            if !is_well.load(Ordering::SeqCst) {
                return Err("no network".to_owned());
            }
            arrived.lock().expect("no panic").push(message.clone());
            Ok(())
        })
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let mut house = House::open(folder("three-days"), trial);
        let hot = notice(AlarmKind::OverTemperature, Priority::Critical, AlarmState::Unacknowledged);
        let dark = |state| notice(AlarmKind::LampDark, Priority::High, state);
        house.hear(&hot);
        let mut most = 0;
        for half_day in 1..=6 {
            if half_day == 3 {
                house.hear(&dark(AlarmState::Unacknowledged));
            }
            if half_day == 5 {
                house.hear(&dark(AlarmState::Normal));
            }
            house.until(half_day * DAY / 2);
            house.carry().await;
            most = most.max(house.restart());
            house.hear(&hot);
            if (3..5).contains(&half_day) {
                house.hear(&dark(AlarmState::Unacknowledged));
            }
        }
        assert!(tries.load(Ordering::SeqCst) >= 12 && arrived.lock().expect("no panic").is_empty());
        // First of two alarms, then, over and a reminder for each of two people.
        assert!((4..=8).contains(&most), "{most} wait");
        is_well.store(true, Ordering::SeqCst);
        house.restart();
        house.hear(&hot);
        house.carry().await;
        assert_eq!(house.restart(), 0, "nothing waits any more");
    });
    let arrived = arrived.lock().expect("no panic");
    let ids: BTreeSet<_> = arrived.iter().map(|message| &message.id).collect();
    assert_eq!(ids.len(), arrived.len(), "nothing came twice");
    let mut stages: BTreeMap<(String, String, Stage), usize> = BTreeMap::new();
    for message in arrived.iter() {
        for about in &message.about {
            *stages.entry((message.contact.clone(), about.alarm.clone(), about.stage)).or_default() += 1;
        }
    }
    let id = &settings().enclosures[0].id;
    let count = |who: &str, kind: &str, stage| {
        stages.get(&(who.to_owned(), format!("{id}/{kind}"), stage)).copied().unwrap_or_default()
    };
    assert_eq!(count("keeper", "over-temperature", Stage::First), 1, "{stages:?}");
    assert_eq!(count("neighbour", "over-temperature", Stage::Then), 1, "{stages:?}");
    assert_eq!(count("keeper", "lamp-dark", Stage::First), 1, "{stages:?}");
    assert_eq!(count("keeper", "lamp-dark", Stage::Over), 1, "{stages:?}");
    let reminders = arrived.iter().filter(|message| message.sort == Sort::Reminder).count();
    assert!((1..=2).contains(&reminders), "of hundreds of reminders each person gets the last: {reminders}");
}

#[test]
fn what_matters_most_goes_first_and_what_fails_goes_behind_its_equals() {
    let order: Arc<Mutex<Vec<String>>> = Arc::default();
    let trial: Trial = {
        let order = Arc::clone(&order);
        Arc::new(move |_, message| {
            order.lock().expect("no panic").push(message.subject.clone());
            Ok(())
        })
    };
    let settings = Arc::new(settings());
    let mut postman = Postman::with_trial(Arc::clone(&settings), trial);
    let now = at(0, 0).wall;
    let message = |n: u64, priority, subject: &str| Message {
        priority,
        subject: subject.to_owned(),
        ..lampwarden::notify::test_message("garden-room", "keeper", "mail", chrono_tz::UTC, now, n)
    };
    for (n, (priority, subject)) in
        [(Priority::Low, "a"), (Priority::High, "b"), (Priority::Critical, "c"), (Priority::High, "d")]
            .into_iter()
            .enumerate()
    {
        assert!(postman.take(message(n as u64, priority, subject)).is_empty());
    }
    let gone = Message { channel: "webhook".to_owned(), ..message(8, Priority::Critical, "gone") };
    postman.take(gone.clone());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let outcomes = runtime.block_on(async {
        let mut outcomes = Vec::new();
        while postman.wait().is_some() {
            outcomes.extend(postman.step());
            if order.lock().expect("no panic").len() + 1 > outcomes.len()
                || postman.wait().is_some_and(|it| !it.is_zero())
            {
                let ended = postman.next().await;
                outcomes.extend(postman.hear(ended));
            }
        }
        outcomes
    });
    assert_eq!(*order.lock().expect("no panic"), ["c", "b", "d", "a"]);
    let given_up: BTreeSet<_> = outcomes
        .iter()
        .filter_map(|outcome| match outcome {
            Outcome::GivenUp(id, _) => Some(id.clone()),
            _ => None,
        })
        .collect();
    assert_eq!(given_up, BTreeSet::from([gone.id]));
}

#[test]
fn a_way_that_is_dead_is_told_after_three_failures_and_never_holds_more_than_it_may() {
    let is_well = Arc::new(AtomicBool::new(false));
    let trial: Trial = {
        let is_well = Arc::clone(&is_well);
        Arc::new(move |_, _| if is_well.load(Ordering::SeqCst) { Ok(()) } else { Err("no network".to_owned()) })
    };
    let settings = Arc::new(settings());
    let mut postman = Postman::with_trial(Arc::clone(&settings), trial);
    let now = at(0, 0).wall;
    let message = |n: u64, sort| Message {
        sort,
        ..lampwarden::notify::test_message("garden-room", "keeper", "mail", chrono_tz::UTC, now, n)
    };
    let mut given_up = 0;
    for n in 0..600 {
        let outcomes = postman.take(message(n, Sort::Alarm));
        given_up += outcomes.iter().filter(|outcome| matches!(outcome, Outcome::GivenUp(..))).count();
    }
    assert_eq!(given_up, 100, "the oldest of the least important");
    let first = postman.take(message(700, Sort::Reminder));
    let second = postman.take(message(701, Sort::Reminder));
    assert!(second.iter().any(|outcome| matches!(outcome, Outcome::Replaced(_))) && !first.contains(&second[0]));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        for failures in 1..=3 {
            assert_eq!(postman.trouble(), None, "{failures}");
            // What was changed may mend it, so that a reload tries at once.
            postman.reload(Arc::clone(&settings));
            postman.step();
            let ended = postman.next().await;
            assert!(postman.hear(ended).is_empty());
        }
        assert_eq!(postman.trouble().as_deref(), Some("mail to keeper: no network"));
        assert!(postman.wait().is_some_and(|wait| wait.as_secs() >= 29), "40 s, less a quarter at most");
        is_well.store(true, Ordering::SeqCst);
        postman.reload(Arc::clone(&settings));
        postman.step();
        let ended = postman.next().await;
        assert!(matches!(&postman.hear(ended)[..], [Outcome::Sent(_)]));
        assert_eq!(postman.trouble(), None);
    });
}

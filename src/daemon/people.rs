//! The daemon and people: messages out, and what comes back by links and from the desk.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use serde_json::json;
use tokio::sync::oneshot;
use tracing::{debug, info, warn};

use crate::control::{Act, Event};
use crate::message;
use crate::notify::digest::Week;
use crate::notify::{self, Key, digest as digest_words, first_sentence};
use crate::settings::{EnclosureIx, Settings};
use crate::web::Answer;

use super::records::Release;
use super::telling::News;
use super::{Daemon, digest};

impl Daemon {
    /// Whatever is due: decisions and their messages are noted, and go out once they are in the journal.
    pub(super) fn tell_people(&mut self) {
        let now = self.clock.now();
        if !self.telling.is_due(now.mono) && !self.telling.digest_is_near(now.wall) {
            return;
        }
        if self.telling.digest_is_due(self.controller.settings(), now.wall) {
            self.write_digest();
        }
        self.telling.look_back_if_due(self.controller.settings(), now.wall);
        let (entries, messages) = self.telling.step(now, self.controller.settings());
        self.send(entries, messages);
    }

    /// Notes and hands over; both wait for the loop's next commit, so that what belongs together is written together.
    fn send(&mut self, entries: Vec<crate::journal::Entry>, messages: Vec<notify::Message>) {
        entries.into_iter().for_each(|entry| self.records.note(entry));
        for message in messages {
            debug!(contact = %message.contact, channel = %message.channel, subject = %message.subject, "message");
            self.records.tell(Release::Post(Box::new(message)));
        }
    }

    fn write_week(&mut self, week: Result<Week, String>) {
        let week = match week {
            Ok(week) => week,
            Err(why) => return warn!("there is no digest of the week: {why}"),
        };
        let now = self.clock.now();
        self.send_to_all(|site, way, zone, nth| digest_words::compose_week(site, &week, way, zone, now.wall, nth));
        self.telling.weekly_is_written();
    }

    fn write_digest(&mut self) {
        let now = self.clock.now();
        let different = self.telling.diary.take(now.wall, self.controller.settings().site.timezone);
        let day = digest::day(&self.controller, &self.telling.notifier, different);
        self.send_to_all(|site, way, zone, nth| digest_words::compose(site, &day, way, zone, now.wall, nth));
    }

    /// Writes a digest to all who are to have it, by each of their channels.
    fn send_to_all(&mut self, compose: impl Fn(&str, (&str, &str), Tz, usize) -> notify::Message) {
        let now = self.clock.now();
        let settings = self.controller.settings();
        let Some(digest) = &settings.telling.digest else { return };
        let contacts = digest.to.iter().filter_map(|name| settings.telling.contact(name)).enumerate();
        let mut messages = Vec::new();
        for (nth, contact) in contacts {
            for channel in &contact.channels {
                let way = (contact.name.as_str(), channel.word());
                messages.push(compose(&settings.site.name, way, contact.timezone, nth));
            }
        }
        for message in &messages {
            self.telling.send_digest(message);
        }
        // What was just written down goes to the journal with them.
        let (entries, others) = self.telling.step(now, self.controller.settings());
        messages.extend(others);
        self.send(entries, messages);
    }

    pub(super) fn hear_from_people(&mut self, news: News) {
        match news {
            News::Ended(ended) => {
                if let Some(failure) = self.telling.ended(ended, self.clock.now().wall) {
                    self.handle(Event::Messages { failure });
                }
            }
            News::Visited(nth, outcome) => self.telling.visited(nth, outcome),
            News::Week(week) => self.write_week(week),
        }
    }

    /// Somebody has opened a link, or pressed its button.
    pub(super) fn answer_link(&mut self, notice: String, acknowledge: bool, answer: oneshot::Sender<Answer>) {
        let keys = match self.telling.link(&notice) {
            Ok(keys) => keys,
            Err(said) => return self.tell_guest(answer, said),
        };
        let lines = self.lines(&keys);
        if !acknowledge {
            return self.tell_guest(answer, Answer::Standing(lines));
        }
        info!(notice, "acknowledged by the link in a message");
        self.telling.used(notice, self.clock.now().wall);
        for key in keys {
            match owner(self.controller.settings(), &key) {
                Some(enclosure) => {
                    self.handle(Event::Act(Act::Acknowledge { enclosure, kind: Some(key.kind) }));
                }
                None => warn!("{key} is of an enclosure that is gone"),
            }
        }
        let (entries, messages) = self.telling.step(self.clock.now(), self.controller.settings());
        self.send(entries, messages);
        self.tell_guest(answer, Answer::Acknowledged(lines));
    }

    fn tell_guest(&mut self, to: oneshot::Sender<Answer>, answer: Answer) {
        self.records.tell(Release::Guest(to, answer));
    }

    /// What and where, a line each.
    fn lines(&self, keys: &[Key]) -> Vec<String> {
        let standing = self.telling.notifier.standing().filter(|told| keys.contains(told.key));
        standing.map(|told| format!("{} ({})", first_sentence(told.text), told.priority.word())).collect()
    }

    /// The answer to [`Question::Alarms`](crate::message::desk::Question::Alarms).
    pub(super) fn alarms(&self) -> String {
        let zone = self.controller.settings().site.timezone;
        let mut alarms: Vec<_> = self.telling.notifier.standing().collect();
        alarms.sort_by(|a, b| b.priority.cmp(&a.priority).then_with(|| a.key.cmp(b.key)));
        let settings = self.controller.settings();
        let asides = self.controller.alarms().filter_map(|notice| {
            let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
            let key = Key { enclosure: enclosure.map(|enclosure| enclosure.id.clone()), kind: notice.kind };
            Some((key, message::aside_document(settings, notice.aside.as_ref()?)))
        });
        let asides: BTreeMap<_, _> = asides.collect();
        let alarms = alarms.iter().map(|told| {
            json!({
                "enclosure": told.key.enclosure.as_deref().unwrap_or(crate::message::topics::SITE),
                "kind": told.key.kind.name(),
                "priority": told.priority.word(),
                "acknowledged": told.acknowledged,
                "since": told.since.with_timezone(&zone).to_rfc3339_opts(chrono::SecondsFormat::Secs, false),
                "text": told.text,
                "told": told.told,
                "aside": asides.get(told.key),
            })
        });
        json!({ "alarms": alarms.collect::<Vec<_>>() }).to_string()
    }
}

/// Whose alarm it is, as the core knows it; none where that enclosure is gone.
fn owner(settings: &Settings, key: &Key) -> Option<Option<EnclosureIx>> {
    match &key.enclosure {
        None => Some(None),
        Some(id) => {
            settings.enclosures.iter().position(|enclosure| enclosure.id == *id).map(|ix| Some(EnclosureIx(ix)))
        }
    }
}

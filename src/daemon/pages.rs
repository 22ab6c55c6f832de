//! The daemon and its pages: what they are told of how things stand, and what their guests ask.

use std::path::PathBuf;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use tracing::error;

use crate::control::{AlarmNotice, Controller, Event};
use crate::message::desk::{self as desk_words, Question};
use crate::settings::{EnclosureIx, Settings};
use crate::web::{self, Asked, Closely, Mailbox, Signature, Web};

use super::Daemon;
use super::records::Release;

/// Who may look where there are no accounts, the site's time, and where accounts and journal are.
pub(super) struct Place {
    pub(super) state_directory: Option<PathBuf>,
    pub(super) visitor: Option<web::Role>,
    pub(super) now: Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>,
}

/// The web server, where there is one.
pub(super) struct Pages {
    place: Place,
    web: Option<Web>,
    mailbox: Arc<Mailbox>,
}

impl Pages {
    pub(super) fn new(place: Place) -> Pages {
        Pages { place, web: None, mailbox: Arc::default() }
    }

    /// Whether somebody looks.
    fn is_open(&self) -> bool {
        self.web.is_some()
    }

    /// Serves, where `settings` ask for it. `key`: what links are signed with.
    pub(super) fn open(&mut self, settings: &Settings, key: impl FnOnce() -> Option<web::Key>) {
        let Some(options) = settings.telling.web.as_ref().filter(|_| self.web.is_none()) else { return };
        let Some(key) = key() else {
            return error!("this system has no randomness, so there are no pages and no links in messages");
        };
        let started = Web::start(web::Options {
            web: options.clone(),
            key,
            state_directory: self.place.state_directory.clone(),
            visitor: self.place.visitor,
            now: Arc::clone(&self.place.now),
            mailbox: Arc::clone(&self.mailbox),
        });
        match started {
            Ok(web) => self.web = Some(web),
            Err(why) => error!("{why}"),
        }
    }

    /// Other settings: serves elsewhere, or no longer, where they say so.
    pub(super) fn reload(
        &mut self,
        before: &Settings,
        controller: &Controller,
        key: impl FnOnce() -> Option<web::Key>,
    ) {
        let settings = controller.settings();
        if before.telling.web != settings.telling.web
            && let Some(web) = self.web.take()
        {
            web.stop();
        }
        self.open(settings, key);
        self.tell_all(controller);
    }

    /// Tells everything anew.
    pub(super) fn tell_all(&self, controller: &Controller) {
        if !self.is_open() {
            return;
        }
        let settings = controller.settings();
        self.mailbox.settings(Arc::clone(settings));
        for enclosure in 0..settings.enclosures.len() {
            if let Some(view) = controller.view(EnclosureIx(enclosure)) {
                self.mailbox.enclosure(view);
            }
        }
    }

    /// How an enclosure stands.
    pub(super) fn enclosure(&self, view: crate::control::EnclosureView) {
        if self.is_open() {
            self.mailbox.enclosure(view);
        }
    }

    /// An alarm was raised, changed or cleared. Told whether anybody looks or not: it may stand for long.
    pub(super) fn alarm(&self, settings: &Settings, notice: &AlarmNotice) {
        let owner = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
        if notice.enclosure.is_none() || owner.is_some() {
            self.mailbox.alarm(owner.map(|enclosure| enclosure.id.as_str()), notice);
        }
    }

    /// Whether there is a connection to the broker.
    pub(super) fn connected(&self, connected: bool) {
        self.mailbox.connected(connected);
    }

    /// The next guest's question. It may be dropped at any time without losing one.
    pub(super) async fn next(&mut self) -> Asked {
        if let Some(open) = &mut self.web
            && let Some(asked) = open.next().await
        {
            return asked;
        }
        std::future::pending().await
    }
}

impl Daemon {
    /// Somebody at a page, or with a link.
    pub(super) fn answer_guest(&mut self, asked: Asked) {
        match asked {
            Asked::Link { notice, acknowledge, answer } => self.answer_link(notice, acknowledge, answer),
            Asked::Act { line, signature, answer } => {
                let said = match desk_words::question(self.controller.settings(), &line) {
                    Err(why) => desk_words::refused(&why),
                    Ok(Question::Act(act)) => {
                        self.signature = Some(signature);
                        self.handle(Event::Act(act));
                        desk_words::done("logged")
                    }
                    Ok(_) => desk_words::refused(&crate::message::Misread("that is no act".to_owned())),
                };
                self.records.tell(Release::Answer(answer, said));
            }
            Asked::Closely { enclosure, answer } => {
                let settings = self.controller.settings();
                let ix = settings.enclosures.iter().position(|known| known.id == enclosure).map(EnclosureIx);
                let closely = ix.and_then(|ix| {
                    let (lamps, round) = (self.controller.lamps(ix)?, self.controller.round(ix)?);
                    Some(Box::new(Closely { lamps, round }))
                });
                // The guest may have gone.
                let _ = answer.send(closely);
            }
        }
    }
}

/// An act in the journal's words, with who did it.
pub(super) fn signed(act: String, signature: Option<Signature>) -> String {
    let Some(Signature { by, why, key }) = signature else { return act };
    let Ok(mut words) = serde_json::from_str::<Map<String, Value>>(&act) else { return act };
    let said = [("by", by), ("why", why), ("key", key)].into_iter();
    words.extend(said.filter_map(|(name, value)| Some((name.to_owned(), Value::from(value?)))));
    Value::from(words).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_act_is_signed_beside_its_own_words() {
        let act = r#"{"act":"reset","enclosure":"e1","lamp":"heat"}"#;
        assert_eq!(signed(act.to_owned(), None), act);
        let signature = Signature { by: Some("anna".into()), why: Some("cable \"mended\"".into()), key: None };
        let words: Value = serde_json::from_str(&signed(act.to_owned(), Some(signature))).expect("JSON");
        assert_eq!(words["by"], "anna");
        assert_eq!((words["why"].as_str(), words["lamp"].as_str()), (Some("cable \"mended\""), Some("heat")));
        assert!(words.get("key").is_none());
    }
}

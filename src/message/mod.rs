//! Bytes on topics to events, effects to bytes on topics. No I/O.
//!
//! | file | does |
//! |---|---|
//! | [`topics`] | the names of the daemon's own topics |
//! | [`routes`](self) | what arrives on which topic, and [`Routes::decode`] |
//! | `payload` | numbers, time stamps and levels out of any bytes |
//! | `act` | what a person asks for by `do/<enclosure>/<verb>` |
//! | [`encode`] | commands to outputs |
//! | [`desk`] | questions at the daemon's local socket and their answers |
//! | `document` | state documents and alarms as JSON |
//!
//! Whatever arrives, nothing here panics: what cannot be understood becomes an [`Unreadable`] inside its event, or a
//! [`Misread`] for the log.
//!
//! [`Unreadable`]: crate::control::Unreadable

mod act;
mod command;
pub mod desk;
mod document;
#[cfg(test)]
pub(crate) mod fixture;
mod payload;
mod routes;
pub mod topics;

pub use act::{UVI_MAX, VERBS, act_words, takes_reason};
pub use command::{clear_topic, encode};
pub use document::{alarm_document, aside_document, state_document};
pub use payload::payload_of;
pub use routes::{Routes, Subscription, Watch};

use std::fmt;

use crate::control::Act;
use crate::settings::{EnclosureIx, Settings};

/// The act that a person asks for by a message on `do/<enclosure>/<verb>`; `site` is the site.
pub fn asked(settings: &Settings, enclosure: &str, verb: &str, payload: &[u8]) -> Result<Act, Misread> {
    let ix = settings.enclosures.iter().position(|known| known.id == enclosure).map(EnclosureIx);
    act::parse(settings, enclosure, ix, verb, payload)
}

/// A message as it goes out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Where to.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
}

/// Why a message was not acted on, as a sentence for the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misread(pub String);

impl fmt::Display for Misread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Misread {}

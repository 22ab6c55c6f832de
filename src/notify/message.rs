//! A message as it lies in the outbox.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::control::Priority;

use super::life::{Stage, priority_word};

/// What kind of message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sort {
    /// Of alarms.
    Alarm,
    /// Of alarms that somebody was told of already: a newer one takes its place.
    Reminder,
    /// Of alarms that have returned to normal.
    Over,
    /// The day's: a newer one takes its place.
    Digest,
    /// The week's: likewise.
    Weekly,
    /// To see whether it arrives.
    Test,
}

impl Sort {
    /// Whether one that is still waiting is of no use once there is a newer one.
    pub const fn is_replaced(self) -> bool {
        matches!(self, Sort::Reminder | Sort::Digest | Sort::Weekly)
    }
}

/// An alarm that a message is about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// Which, as [`Key`](super::Key) writes it.
    pub alarm: String,
    /// Which raise of it.
    pub raise: i64,
    /// Why it is told.
    pub stage: Stage,
}

/// A message to one person by one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Message {
    /// Names it for good: no other message has it, and a second try has the same.
    pub id: String,
    /// Names what it says: the same by every channel. Links are signed for this.
    pub notice: String,
    /// The contact's name.
    pub contact: String,
    /// The channel's word.
    pub channel: String,
    /// What kind.
    pub sort: Sort,
    /// Of the most important alarm in it.
    #[serde(with = "priority_word")]
    pub priority: Priority,
    /// When it was written.
    pub made: DateTime<Utc>,
    /// One line.
    pub subject: String,
    /// Plain text.
    pub text: String,
    /// The same as a simple page.
    pub html: String,
    /// The link by which it is acknowledged.
    pub link: Option<String>,
    /// The alarms it is about.
    pub about: Vec<About>,
}

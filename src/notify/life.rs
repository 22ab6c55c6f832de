//! One alarm as far as people were told of it.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::control::{AlarmKind, AlarmNotice, Priority};
use crate::time::Mono;

/// Stands for the site where an enclosure's id would; no enclosure may have it.
const SITE: &str = "site";

/// Which alarm.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key {
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<String>,
    /// What about.
    pub kind: AlarmKind,
}

impl Key {
    /// Reads what [`Display`](fmt::Display) writes.
    pub fn parse(text: &str) -> Option<Key> {
        let (owner, kind) = text.rsplit_once('/')?;
        let enclosure = (owner != SITE).then(|| owner.to_owned());
        Some(Key { enclosure, kind: AlarmKind::from_name(kind)? })
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.enclosure.as_deref().unwrap_or(SITE), self.kind)
    }
}

/// Why somebody is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// It was raised.
    First,
    /// Nobody has acknowledged it for a while.
    Then,
    /// Nobody has acknowledged it yet, and they know of it.
    Again,
    /// There is something new about it.
    Changed,
    /// It has returned to normal.
    Over,
}

impl Stage {
    pub(super) const ALL: [Stage; 5] = [Stage::First, Stage::Then, Stage::Again, Stage::Changed, Stage::Over];
}

/// Where it stands, as far as that matters to people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Standing {
    /// And nobody has acknowledged it.
    Raised,
    /// Somebody has seen it.
    Acknowledged,
    /// A person has put it aside for a while: afterwards it is told anew.
    Shelved,
    /// It is put aside by design, or out of service: afterwards those are told who have not been.
    Suppressed,
    /// It has returned to normal, and somebody has yet to be told.
    Over,
}

/// One alarm. It is recorded as JSON, so that over a restart nobody is told twice and nobody is forgotten.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Life {
    /// A number that grows with each raise.
    pub(super) raise: i64,
    #[serde(with = "priority_word")]
    pub(super) priority: Priority,
    pub(super) standing: Standing,
    pub(super) since: DateTime<Utc>,
    pub(super) text: String,
    pub(super) over_at: Option<DateTime<Utc>>,
    /// Contacts who know of it, with the last raise they were told of.
    pub(super) told: BTreeMap<String, i64>,
    /// What contacts are owed.
    pub(super) owed: BTreeMap<String, Stage>,
    /// When the next people are told, and those who know are told again.
    pub(super) then_at: Option<DateTime<Utc>>,
    pub(super) again_at: Option<DateTime<Utc>>,
    /// The same, by the clock that nobody can set.
    #[serde(skip)]
    pub(super) then_due: Option<Mono>,
    #[serde(skip)]
    pub(super) again_due: Option<Mono>,
}

impl Life {
    /// One that nobody knows of.
    pub(super) fn new(notice: &AlarmNotice) -> Life {
        Life {
            raise: 0,
            priority: notice.priority,
            standing: Standing::Over,
            since: notice.since,
            text: notice.text.clone(),
            over_at: None,
            told: BTreeMap::new(),
            owed: BTreeMap::new(),
            then_at: None,
            again_at: None,
            then_due: None,
            again_due: None,
        }
    }

    /// Nothing more will be told by itself.
    pub(super) fn reset_deadlines(&mut self) {
        (self.then_at, self.again_at, self.then_due, self.again_due) = (None, None, None, None);
    }
}

/// A priority as its word.
pub(super) mod priority_word {
    use serde::{Deserialize, Deserializer, Serializer, de};

    use crate::control::Priority;

    const ALL: [Priority; 4] = [Priority::Low, Priority::Medium, Priority::High, Priority::Critical];

    pub(in crate::notify) fn serialize<S: Serializer>(priority: &Priority, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(priority.word())
    }

    pub(in crate::notify) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Priority, D::Error> {
        let word = String::deserialize(from)?;
        let found = ALL.into_iter().find(|priority| priority.word() == word);
        found.ok_or_else(|| de::Error::custom(format!("there is no priority {word:?}")))
    }
}

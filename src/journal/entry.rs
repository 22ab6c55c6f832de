//! What is handed to the journal.

use chrono::{DateTime, Utc};

use crate::control::Record;
use crate::guard::SafetyRecord;
use crate::units::Level;

use super::gather::{Bin, Series};
use super::outbox::{PostEntry, Posted};

/// One thing to be written.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// What guards and contactors must remember; replaces the last record of its owner.
    Safety(SafetyRecord),
    /// What the core has put on file; replaces the last record of its owner.
    File(Record),
    /// A lamp's level has changed.
    Switch {
        /// When.
        at: DateTime<Utc>,
        /// The enclosure's id.
        enclosure: String,
        /// The lamp's name.
        lamp: String,
        /// Its level from now on.
        level: Level,
        /// Why.
        reason: String,
    },
    /// An alarm was raised, changed or cleared.
    Alarm(AlarmEntry),
    /// The keeper did something.
    Act {
        /// When.
        at: DateTime<Utc>,
        /// The enclosure's id; none: the site.
        enclosure: Option<String>,
        /// What, as JSON in the words of a recording.
        act: String,
    },
    /// Something worth telling beside alarms.
    Remark {
        /// When.
        at: DateTime<Utc>,
        /// The enclosure's id.
        enclosure: String,
        /// The probe or lamp.
        subject: String,
        /// What.
        text: String,
    },
    /// What was read in a minute.
    Minute {
        /// Minutes since 1970.
        minute: i64,
        /// Each series'.
        bins: Vec<(Series, Bin)>,
    },
    /// A message to somebody, which is sent once it is here.
    Post(PostEntry),
    /// What has become of a message.
    Posted {
        /// Its id.
        id: String,
        /// What.
        posted: Posted,
        /// When.
        at: DateTime<Utc>,
        /// Why, where it was given up.
        why: Option<String>,
    },
    /// The link of a notice was used.
    Seen {
        /// The notice.
        notice: String,
        /// When.
        at: DateTime<Utc>,
    },
    /// Who knows of an alarm, as JSON; none: it is over, and all have been told.
    Told {
        /// Which alarm.
        what: String,
        /// The record; replaces the last of the same alarm.
        record: Option<String>,
    },
    /// What links are signed with.
    LinkKey(Vec<u8>),
    /// The program lives at this time.
    Alive(DateTime<Utc>),
    /// The program ends as it should.
    End(DateTime<Utc>),
}

/// An alarm as it stands from now on.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmEntry {
    /// When it changed.
    pub at: DateTime<Utc>,
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<String>,
    /// What about.
    pub kind: &'static str,
    /// How much it matters.
    pub priority: &'static str,
    /// Where it stands, in the standard's words.
    pub state: &'static str,
    /// When it was raised.
    pub since: DateTime<Utc>,
    /// What a person is told.
    pub text: String,
    /// Probes or lamps concerned.
    pub subjects: Vec<String>,
}

impl Entry {
    /// Whether it must be on disk before anybody is told what it is about. The rest may wait to be written with others.
    pub fn is_urgent(&self) -> bool {
        match self {
            Entry::Safety(_) | Entry::Alarm(_) | Entry::Act { .. } | Entry::End(_) => true,
            Entry::Post(_) | Entry::Posted { .. } | Entry::Seen { .. } | Entry::LinkKey(_) => true,
            // It goes with the alarm or the message that it comes from.
            Entry::Told { .. } => false,
            // Filed for each lamp every few minutes, and nobody is told. A lamp that went on in the last few seconds is not
            // hot yet.
            Entry::File(record) => !matches!(record, Record::Hours { .. } | Record::Switches { .. }),
            Entry::Switch { .. } | Entry::Remark { .. } | Entry::Minute { .. } | Entry::Alive(_) => false,
        }
    }
}

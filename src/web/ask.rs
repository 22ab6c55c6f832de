//! What the web server asks the daemon, which answers when it comes to it.

use tokio::sync::oneshot;

use crate::control::{LampHealth, RoundView};

/// What a guest wants of the daemon.
#[derive(Debug)]
pub enum Asked {
    /// Somebody has opened the link in a message.
    Link {
        /// The notice whose link it is.
        notice: String,
        /// Whether its alarms are to be acknowledged, or only shown.
        acknowledge: bool,
        /// Where the answer goes.
        answer: oneshot::Sender<Answer>,
    },
    /// Somebody has done something on a page.
    Act {
        /// The act, as at the desk.
        line: Vec<u8>,
        /// Who did it, and what else the journal is to know of it.
        signature: Signature,
        /// Where the answer goes, as at the desk, once the act is kept.
        answer: oneshot::Sender<String>,
    },
    /// A page shows an enclosure's lamps and rounds.
    Closely {
        /// Its id.
        enclosure: String,
        /// Where the answer goes; none: there is no such enclosure.
        answer: oneshot::Sender<Option<Box<Closely>>>,
    },
}

/// What the daemon says to a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// These alarms stand, and this link can acknowledge them.
    Standing(Vec<String>),
    /// They are acknowledged from now on.
    Acknowledged(Vec<String>),
    /// The link was used before.
    Used,
    /// None of its alarms stands unacknowledged any more.
    Over,
    /// The daemon knows of no such notice.
    Unknown,
}

/// What the journal knows of an act beside what was done.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signature {
    /// Who did it.
    pub by: Option<String>,
    /// Why, in their words.
    pub why: Option<String>,
    /// What tells it from every other, so that one that is sent again is not done again.
    pub key: Option<String>,
}

/// An enclosure's lamps and rounds.
#[derive(Clone, Debug)]
pub struct Closely {
    /// Its lamps, in the order of the settings.
    pub lamps: Vec<LampHealth>,
    /// Its rounds with the meter.
    pub round: RoundView,
}

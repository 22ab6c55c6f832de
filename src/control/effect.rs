//! What the core wants done.

use std::time::Duration;

use crate::guard::{Permit, SafetyRecord};
use crate::settings::{EnclosureIx, LampIx, ProbeIx};
use crate::units::Level;

use super::alarm::AlarmNotice;
use super::event::OutputRef;
use super::reason::Reason;
use super::record::Record;
use super::uv::Told;

/// One thing to do. Drivers carry them out in order; a [`Command`] to OFF never waits behind anything else.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Tell an output its level.
    Command(Command),
    /// Delete the retained message on an output's command topic.
    ClearRetained(OutputRef),
    /// A lamp's permitted level has changed. For logs, history and recordings; the command is separate.
    Switched {
        /// Whose lamp.
        enclosure: EnclosureIx,
        /// Which lamp.
        lamp: LampIx,
        /// Its level from now on.
        level: Level,
        /// Why.
        reason: Reason,
    },
    /// An alarm was raised, changed or cleared.
    Alarm(AlarmNotice),
    /// The enclosure's state document has changed; only the newest counts.
    State(EnclosureIx),
    /// Safety state that must survive a restart and a power cut; replaces the last record of that enclosure.
    Remember(SafetyRecord),
    /// What else should survive a restart; replaces the last record of the same owner. Of an alarm it comes before the alarm
    /// itself, and is to be on disk before anybody is told.
    File(Record),
    /// What became of a meter reading beside a UV probe. For logs, history and whoever waits for an answer.
    Calibrated {
        /// In which enclosure.
        enclosure: EnclosureIx,
        /// Which probe.
        probe: ProbeIx,
        /// What became of it.
        told: Told,
    },
}

/// A message to an output.
#[derive(Clone, Debug, PartialEq)]
pub struct Command {
    /// Which output.
    pub output: OutputRef,
    /// Its level. Only the guard can make a permit, so no command passes it by.
    pub permit: Permit,
    /// The output ends by itself after this long.
    pub hold: Option<Duration>,
    /// Comes back with [`Event::Delivered`](super::Event::Delivered).
    pub ticket: u64,
}

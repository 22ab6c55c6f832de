//! What the core is told.

use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx};
use crate::units::{Level, Uvi};

/// One thing that happened. Drivers hand each to [`Controller::handle`](super::Controller::handle) with its moment.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// Nothing happened but time: a deadline has come.
    Tick,
    /// A probe said something.
    Reading {
        /// Whose enclosure.
        enclosure: EnclosureIx,
        /// Which probe.
        probe: ProbeIx,
        /// What it said.
        reading: Reading,
    },
    /// An output said what it does.
    Report {
        /// Which output.
        output: OutputRef,
        /// The level it reports, or why that could not be read.
        level: Result<Level, Unreadable>,
        /// Whether the broker had kept the message, so that its age is unknown.
        retained: bool,
    },
    /// The broker has acknowledged the command with this ticket.
    Delivered {
        /// Which output was commanded.
        output: OutputRef,
        /// The ticket of [`Effect::Command`](super::Effect::Command).
        ticket: u64,
    },
    /// The connection to the broker is up: everything must be asserted again.
    LinkUp,
    /// The connection to the broker is lost.
    LinkDown,
    /// A retained message was found on an output's command topic.
    RetainedCommand {
        /// Which output.
        output: OutputRef,
    },
    /// A person did something.
    Act(Act),
    /// A new configuration was refused; the old one stays in force.
    ConfigRefused {
        /// The first finding, with how many there were.
        text: String,
    },
    /// Storing the safety state failed (`Some`) or works again (`None`).
    Storage {
        /// What went wrong.
        failure: Option<String>,
    },
    /// More messages come than can be handled (`Some`), or all are handled again (`None`).
    Overload {
        /// How many were passed over since it began.
        messages: Option<u64>,
    },
    /// Messages to people do not arrive (`Some`) or do again (`None`).
    Messages {
        /// Which, and why.
        failure: Option<String>,
    },
    /// The daemon is ending: lamps are left as [`OnExit`](crate::settings::OnExit) says.
    Stop,
}

/// Which output: a lamp's relay or dimmer, or a contactor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OutputRef {
    /// The output of a lamp.
    Lamp(EnclosureIx, LampIx),
    /// The output of a cut-off.
    CutOff(CutOffIx),
}

/// What a probe said.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The value in the kept unit of what the probe measures, or why there is none. It may be any number, NaN too.
    pub value: Result<f64, Unreadable>,
    /// When it was taken, where the payload says so, by the sender's clock.
    pub taken: Option<DateTime<Utc>>,
    /// Whether the broker had kept the message, so that its age is unknown.
    pub retained: bool,
}

/// Why a payload could not be read, in words that follow "the payload …".
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable(pub String);

/// What a person did.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Somebody has seen an alarm: one kind, or every alarm of the enclosure. `None` is the site.
    Acknowledge {
        /// Whose alarms.
        enclosure: Option<EnclosureIx>,
        /// Which; none: all of them.
        kind: Option<super::AlarmKind>,
    },
    /// A person puts an alarm aside for a while; it is told again afterwards if it still stands.
    Shelve {
        /// Whose alarm; `None` is the site.
        enclosure: Option<EnclosureIx>,
        /// Which.
        kind: super::AlarmKind,
        /// For how long, at most [`AlarmKind::shelved_at_most`](super::AlarmKind::shelved_at_most); longer is cut to that.
        span: Duration,
        /// Their reason.
        why: String,
    },
    /// A person takes an alarm off the shelf, or every one of the enclosure.
    Unshelve {
        /// Whose alarm; `None` is the site.
        enclosure: Option<EnclosureIx>,
        /// Which; none: all of them.
        kind: Option<super::AlarmKind>,
    },
    /// No animal lives in an enclosure: its alarms are told to nobody, those of the guard apart. Or one does again.
    Service {
        /// Which enclosure.
        enclosure: EnclosureIx,
        /// Why it is out of service; none: it is in service again.
        out: Option<String>,
    },
    /// A person resets a latched guard or a frozen probe of one lamp, or of every lamp of the enclosure.
    Reset {
        /// Whose lamps.
        enclosure: EnclosureIx,
        /// Which; none: all of them.
        lamp: Option<LampIx>,
    },
    /// A person closes a contactor again after the cause was repaired.
    ResetCutOff {
        /// Which.
        cut_off: CutOffIx,
    },
    /// A person asks for a level for a while; the guard still has the last word.
    Override {
        /// Whose lamp.
        enclosure: EnclosureIx,
        /// Which lamp.
        lamp: LampIx,
        /// What is asked for; none ends an override.
        level: Option<Level>,
        /// For how long.
        span: Duration,
    },
    /// A person has read a hand-held meter.
    MeterReading {
        /// In which enclosure.
        enclosure: EnclosureIx,
        /// What it showed, and where.
        reading: MeterReading,
    },
    /// A person has read a hand-held meter where nobody could be told, and tells now. It counts for the round; what the
    /// probe beside it said then is not known any more, so it calibrates nothing.
    LateReading {
        /// In which enclosure.
        enclosure: EnclosureIx,
        /// What it showed, and where.
        reading: MeterReading,
        /// When, by the clock of whoever was told.
        taken: DateTime<Utc>,
    },
    /// A person has fitted another lamp.
    LampChange {
        /// In which enclosure.
        enclosure: EnclosureIx,
        /// In the place of which lamp.
        lamp: LampIx,
    },
}

/// What a hand-held meter showed.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterReading {
    /// The spot it was held at, as in a probe's `spot`; one without a probe is as good.
    pub spot: String,
    /// What it showed, zero or above.
    pub uvi: Uvi,
    /// The one lamp that was lit, where lamps are measured one by one; none: as everything was.
    pub alone: Option<LampIx>,
    /// Its keeper calls it a guess.
    pub guess: bool,
}

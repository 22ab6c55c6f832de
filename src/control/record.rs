//! What the core asks its driver to keep besides the guards' safety state: alarms, what was set by hand, calibrations, the
//! health of lamps and the keeper's rounds.
//!
//! A newer record of the same owner replaces the older one whole. Numbers are plain, with their unit in their name, so
//! that what is on disk can be read without this program.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::alarm::{AlarmKind, AlarmState, Priority};
use super::health::record::{HealthRecord, HoursRecord};
use super::health::spares::TakenRecord;

/// One owner's record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Record {
    /// A UV probe's background and calibration.
    Series {
        /// The enclosure's id.
        enclosure: String,
        /// The probe's name.
        probe: String,
        /// The record.
        series: SeriesRecord,
    },
    /// Burn hours of an enclosure's lamps, filed every few minutes.
    Hours {
        /// The enclosure's id. What is filed all day shares its words with the core.
        enclosure: Arc<str>,
        /// Each lamp's.
        lamps: Vec<HoursRecord>,
    },
    /// The health of an enclosure's lamps, filed once a day.
    Health {
        /// The enclosure's id.
        enclosure: String,
        /// The record.
        health: HealthRecord,
    },
    /// An enclosure's spots and what was last measured there.
    Walk {
        /// The enclosure's id.
        enclosure: String,
        /// Newest reading of each spot, in the order of their names.
        spots: Vec<SpotRecord>,
    },
    /// Alarms that are not normal, filed in the step in which one changes.
    Alarms {
        /// The enclosure's id; none: the site's.
        enclosure: Option<String>,
        /// They themselves.
        standing: Vec<AlarmRecord>,
        /// When kinds were raised within the last day, those too that stand no more.
        raised: Vec<RaisedRecord>,
    },
    /// What was set by hand in an enclosure and has not ended, filed when it begins, changes or ends.
    Overrides {
        /// The enclosure's id.
        enclosure: String,
        /// Lamp by lamp.
        set: Vec<OverrideRecord>,
    },
    /// The cooling season of an enclosure, filed when something of it changes.
    Season {
        /// The enclosure's id.
        enclosure: String,
        /// The record.
        season: SeasonRecord,
    },
    /// Spares that lamp changes have taken since they were counted in the configuration, filed with each.
    Spares {
        /// Line by line.
        taken: Vec<TakenRecord>,
    },
    /// What a person has put aside of an owner's alarms, filed when it begins or ends.
    Asides {
        /// The enclosure's id; none: the site's.
        enclosure: Option<String>,
        /// Shelved alarms.
        shelved: Vec<ShelfRecord>,
        /// Why the enclosure is out of service by its keeper's word; none: it is not.
        out_of_service: Option<String>,
    },
    /// When lamps of an enclosure last went on or off, of those that must stay off for a time: filed with each switch.
    Switches {
        /// The enclosure's id.
        enclosure: Arc<str>,
        /// Lamp by lamp; what is not known is left out.
        lamps: Vec<SwitchRecord>,
    },
}

impl Record {
    /// Whose it is: records of one owner replace each other.
    pub fn owner(&self) -> String {
        match self.whose() {
            (kind, "", _) => kind.to_owned(),
            (kind, enclosure, "") => format!("{kind} {enclosure}"),
            (kind, enclosure, probe) => format!("{kind} {enclosure}/{probe}"),
        }
    }

    /// The same in parts: its kind, the enclosure's id and the probe's name, empty where there is none.
    pub fn whose(&self) -> (&'static str, &str, &str) {
        match self {
            Record::Series { enclosure, probe, .. } => ("series", enclosure, probe),
            Record::Walk { enclosure, .. } => ("walk", enclosure, ""),
            Record::Hours { enclosure, .. } => ("hours", enclosure, ""),
            Record::Health { enclosure, .. } => ("health", enclosure, ""),
            Record::Alarms { enclosure, .. } => ("alarms", enclosure.as_deref().unwrap_or_default(), ""),
            Record::Spares { .. } => ("spares", "", ""),
            Record::Asides { enclosure, .. } => ("asides", enclosure.as_deref().unwrap_or_default(), ""),
            Record::Overrides { enclosure, .. } => ("overrides", enclosure, ""),
            Record::Switches { enclosure, .. } => ("switches", enclosure, ""),
            Record::Season { enclosure, .. } => ("season", enclosure, ""),
        }
    }

    /// The id of the enclosure it is about; none: the site.
    pub fn enclosure(&self) -> Option<&str> {
        match self {
            Record::Series { enclosure, .. }
            | Record::Walk { enclosure, .. }
            | Record::Health { enclosure, .. }
            | Record::Overrides { enclosure, .. }
            | Record::Season { enclosure, .. } => Some(enclosure),
            Record::Hours { enclosure, .. } | Record::Switches { enclosure, .. } => Some(enclosure),
            Record::Alarms { enclosure, .. } | Record::Asides { enclosure, .. } => enclosure.as_deref(),
            Record::Spares { .. } => None,
        }
    }
}

/// An alarm of one kind about one lamp or probe, or about the whole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AlarmRecord {
    /// What about.
    pub kind: AlarmKind,
    /// The lamp, the probe, or what else it is about; empty where it is about the whole.
    pub subject: String,
    /// Where it stands.
    pub state: AlarmState,
    /// How much it matters.
    pub priority: Priority,
    /// When it was raised.
    pub since: DateTime<Utc>,
    /// What a person is told.
    pub text: String,
    /// What of it would be news if it were otherwise.
    pub gist: String,
}

/// When alarms of one kind were raised.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RaisedRecord {
    /// What about.
    pub kind: AlarmKind,
    /// The last few times within a day, oldest first.
    pub at: Vec<DateTime<Utc>>,
}

/// An alarm that a person has put aside for a while.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShelfRecord {
    /// What about.
    pub kind: AlarmKind,
    /// When it ends, wall time.
    pub until: DateTime<Utc>,
    /// Why.
    pub why: String,
}

/// A level that was set by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OverrideRecord {
    /// The lamp's name.
    pub lamp: String,
    /// Its command topic, by which it is known again under another name.
    pub set: String,
    /// What was asked for, 0..=1.
    pub level: f64,
    /// For how long it was asked for, s.
    pub span_s: f64,
    /// When it ends; none where nobody knew the time.
    pub until: Option<DateTime<Utc>>,
}

/// When a lamp last went on or off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchRecord {
    /// The lamp's name.
    pub lamp: Arc<str>,
    /// Its command topic, by which it is known again under another name.
    pub set: Arc<str>,
    /// Whether it went on.
    pub on: bool,
    /// When; none where nobody knew the time.
    pub at: Option<DateTime<Utc>>,
}

/// A UV probe's background and calibration.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeriesRecord {
    /// What it reads without UV, in its own unit.
    pub background: Option<f64>,
    /// Meter readings under the lamps that are fitted, oldest first.
    pub pairings: Vec<PairingRecord>,
    /// Gains before them, oldest first.
    pub history: Vec<PastGain>,
    /// Since when there is no gain for the lamps fitted, although there was one.
    pub void_since: Option<DateTime<Utc>>,
}

/// A meter reading set against a probe.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairingRecord {
    /// When the meter was read.
    pub at: DateTime<Utc>,
    /// What it showed, UVI.
    pub uvi: f64,
    /// The middle of what the probe gave around then, less its background, in its own unit.
    pub raw: f64,
    /// Standard uncertainty apart from the meter's own, as a share.
    pub spread: f64,
    /// Its keeper called it a guess.
    pub guess: bool,
}

/// A gain that was in force before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PastGain {
    /// UVI per unit of the probe.
    pub value: f64,
    /// Standard uncertainty as a share, the meter's with it.
    pub uncertainty: f64,
    /// When its first meter reading was taken.
    pub from: DateTime<Utc>,
    /// When it ended.
    pub until: DateTime<Utc>,
    /// How many meter readings it came from.
    pub readings: usize,
    /// Why it ended.
    pub why: String,
}

/// What was last measured by hand at a spot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpotRecord {
    /// The spot.
    pub spot: String,
    /// When.
    pub at: DateTime<Utc>,
    /// What the meter showed, UVI.
    pub uvi: f64,
    /// Name of the one lamp that was lit for it, where it was measured alone.
    pub alone: Option<String>,
    /// Its keeper called it a guess.
    pub guess: bool,
}

/// A cooling season.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeasonRecord {
    /// When it was planned to begin; none: nobody has looked yet.
    pub start: Option<NaiveDate>,
    /// When its way down began.
    pub begun: Option<NaiveDate>,
    /// When its way up begins.
    pub up_from: Option<NaiveDate>,
    /// Days on which a person has held the way down still.
    pub held_days: u32,
    /// A person has held it still since then.
    pub held_since: Option<NaiveDate>,
    /// A person does not let it begin.
    pub is_held: bool,
    /// It does not begin because it is not cold enough.
    pub is_waiting: bool,
    /// There is nothing more to come of it this year.
    pub is_over: bool,
    /// For how many hours its spot has been too warm.
    pub warm_hours: u32,
    /// That is why it was broken off.
    pub broken_by_warmth: bool,
    /// Why it ended before its time, or never began.
    pub ended: Option<String>,
}

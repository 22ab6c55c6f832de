//! What the core asks its driver to keep besides the guards' safety state: calibrations, the health of
//! lamps and the keeper's rounds.
//!
//! A newer record of the same owner replaces the older one whole. Numbers are plain, with their unit in their name, so
//! that what is on disk can be read without this program.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::health::record::{HealthRecord, HoursRecord};

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
        /// The enclosure's id.
        enclosure: String,
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
}

impl Record {
    /// Whose it is: records of one owner replace each other.
    pub fn owner(&self) -> String {
        match self {
            Record::Series { enclosure, probe, .. } => format!("series {enclosure}/{probe}"),
            Record::Walk { enclosure, .. } => format!("walk {enclosure}"),
            Record::Hours { enclosure, .. } => format!("hours {enclosure}"),
            Record::Health { enclosure, .. } => format!("health {enclosure}"),
        }
    }

    /// The id of the enclosure it is about.
    pub fn enclosure(&self) -> &str {
        match self {
            Record::Series { enclosure, .. }
            | Record::Walk { enclosure, .. }
            | Record::Hours { enclosure, .. }
            | Record::Health { enclosure, .. } => enclosure,
        }
    }
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

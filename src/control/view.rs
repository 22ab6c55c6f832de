//! An enclosure as it stands, for state documents, pages and views.

use std::time::Duration;

use chrono::{DateTime, NaiveDate, Utc};

use crate::settings::{EnclosureIx, ProbeIx, UvBand};
use crate::units::{Celsius, Level, Uvi};

use super::alarm::AlarmKind;
use super::photoperiod::{Course, Phase};
use super::uv::{Footing, UvDay};
use super::walk::{Remark, SpotView};

/// An enclosure as it stands. Lists are in the order of the settings.
#[derive(Clone, Debug, PartialEq)]
pub struct EnclosureView {
    /// Which.
    pub enclosure: EnclosureIx,
    /// Wall time of this view, as the schedules reckon it.
    pub at: Option<DateTime<Utc>>,
    /// Day or night, and until when.
    pub day: DayView,
    /// Lamps.
    pub lamps: Vec<LampView>,
    /// Probes.
    pub probes: Vec<ProbeView>,
    /// The UV band, where there is one.
    pub band: Option<UvBand>,
    /// Kinds of the alarms that stand.
    pub alarms: Vec<AlarmKind>,
    /// The cooling season, where the care sheet has one.
    pub season: Option<SeasonView>,
}

/// A cooling season as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonView {
    /// Where today lies in it.
    pub phase: Phase,
    /// How deep in it today is, 0 outside and 1 during the stay.
    pub depth: f64,
    /// When it was planned to begin; none where nobody knows the date yet.
    pub start: Option<NaiveDate>,
    /// The course it takes; none before it begins.
    pub course: Option<Course>,
    /// The course to be reckoned with in plans: none where it is still to go as planned.
    pub foreseen: Option<Course>,
    /// A person holds it back.
    pub is_held: bool,
    /// It waits until it is cold enough.
    pub is_waiting: bool,
    /// Why it ended before its time, or never began.
    pub why: Option<String>,
}

/// Day or night, and the lights of the date it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayView {
    /// `true` by day.
    pub is_day: bool,
    /// Lights on of today's local date; none where it has none.
    pub lights_on: Option<DateTime<Utc>>,
    /// Lights off of today's local date; none where it has none.
    pub lights_off: Option<DateTime<Utc>>,
}

/// A lamp as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct LampView {
    /// What it should do.
    pub wanted: Level,
    /// What its output says it does.
    pub reported: Option<Level>,
    /// Why.
    pub reason: String,
    /// The target in force, for a thermostat.
    pub target: Option<Celsius>,
    /// What a person has set, while that lasts. The guard still has the last word.
    pub by_hand: Option<ByHand>,
    /// Its guard.
    pub interlock: Option<InterlockView>,
}

/// A level that a person has set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ByHand {
    /// What was asked for.
    pub level: Level,
    /// When it ends; none where the wall time is not known.
    pub until: Option<DateTime<Utc>>,
}

/// A guard as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct InterlockView {
    /// `clear`, `waiting`, `tripped` or `latched`.
    pub state: &'static str,
    /// Off at or above.
    pub cut: Celsius,
    /// Latched at or above.
    pub limit: Celsius,
    /// Why it holds the lamp off, where it does.
    pub why: Option<String>,
}

/// A probe as it stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbeView {
    /// The last good reading in the kept unit.
    pub value: Option<f64>,
    /// How old that is.
    pub age: Option<Duration>,
    /// Whether it counts.
    pub quality: Quality,
    /// What a UV probe's number stands for.
    pub uv: Option<UvView>,
}

/// What a UV probe's number stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UvView {
    /// The UV index by the best gain there is; none where nothing was heard.
    pub uvi: Option<Uvi>,
    /// How far that goes.
    pub footing: Footing,
    /// UVI per unit of the probe.
    pub gain: f64,
    /// Standard uncertainty of the gain as a share; none without one.
    pub uncertainty: Option<f64>,
    /// What it reads without UV, in its own unit; none until that is known.
    pub background: Option<f64>,
    /// Meter readings that the gain comes from.
    pub readings: usize,
}

/// What became of the newest reading of a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// What it said, in the kept unit, whether that counts or not; none where it said no number.
    pub value: Option<f64>,
    /// Whether it counts. [`Quality::Stale`]: of unknown age, late or repeated, so that it was taken as if it had not come.
    pub quality: Quality,
    /// The UV index by the best gain there is, and how far that goes, for a UV probe's reading that counts.
    pub uvi: Option<(Uvi, Footing)>,
}

/// Whether a probe's reading counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quality {
    /// Never heard since start.
    Unheard,
    /// Fresh and plausible.
    Good,
    /// Too old.
    Stale,
    /// Implausible, rejected, jumping, frozen or unreadable.
    Doubtful,
}

impl Quality {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Quality::Unheard => "unheard",
            Quality::Good => "good",
            Quality::Stale => "stale",
            Quality::Doubtful => "doubtful",
        }
    }
}

/// An enclosure's rounds with the hand-held meter.
#[derive(Clone, Debug, PartialEq)]
pub struct RoundView {
    /// What was last measured at each spot, in the order of their names.
    pub spots: Vec<SpotView>,
    /// What that says of the gradient; empty without a band.
    pub remarks: Vec<Remark>,
    /// When the meter was last read.
    pub last: Option<DateTime<Utc>>,
    /// When it should be read again.
    pub due: Option<DateTime<Utc>>,
    /// What arrived at each UV probe today so far, and yesterday.
    pub days: Vec<(ProbeIx, [Option<UvDay>; 2])>,
}

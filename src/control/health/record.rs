//! What of the health of an enclosure's lamps must survive a restart, as plain data.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::acceptance::Acceptance;
use super::decline::DeclineRecord;
use super::forecast::Announced;
use super::life::LifeRecord;
use super::shares::Shares;
use crate::control::diagnosis::DiagnosisRecord;
use crate::settings::Lamp;

/// The hours of one lamp, filed every few minutes while it burns.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoursRecord {
    /// The lamp's name.
    pub lamp: Arc<str>,
    /// Its command topic, by which it is known again under another name.
    pub set: Arc<str>,
    /// When it was fitted: hours of another lamp are not its own.
    pub fitted: Option<DateTime<Utc>>,
    /// Hours burnt.
    pub hours: f64,
    /// How often it was switched on.
    pub cycles: u32,
}

/// The health of an enclosure's lamps, filed once a day and when a lamp is changed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HealthRecord {
    /// Lamps.
    pub lamps: Vec<LampHealthRecord>,
    /// UV probes.
    pub probes: Vec<WatchedRecord>,
}

/// One lamp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LampHealthRecord {
    /// The lamp's name.
    pub lamp: String,
    /// Its command topic.
    pub set: String,
    /// Its life.
    pub life: LifeRecord,
    /// How it was found when new.
    pub acceptance: Acceptance,
    /// Share of the time its window is open that it burns.
    pub open_share: f64,
    /// What it is known by when it is well.
    #[serde(default)]
    pub known_by: DiagnosisRecord,
}

/// The lamps at one UV probe.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WatchedRecord {
    /// The probe's name.
    pub probe: String,
    /// The lamps there.
    pub lamps: Vec<String>,
    /// Place of the lamp over whose hours the whole is followed.
    pub axis: usize,
    /// What all give together.
    pub whole: DeclineRecord,
    /// What each gives, where there are several.
    pub own: Vec<DeclineRecord>,
    /// Their shares.
    pub shares: Shares,
    /// Whether the departure from the band is announced.
    pub announced: Announced,
    /// The last step that nobody has answered: its first date and its size as a share.
    pub step: Option<(NaiveDate, f64)>,
}

/// Whether a record under this name and command topic is that of `lamp`.
pub(super) fn is_of(lamp: &Lamp, name: &str, set: &str) -> bool {
    set == lamp.output.set || name == lamp.name
}

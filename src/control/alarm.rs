//! Alarms: their kinds, and their life after ISA-18.2 / IEC 62682.

use std::fmt;

use chrono::{DateTime, Utc};

use crate::settings::EnclosureIx;

/// How much an alarm matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// When there is time.
    Low,
    /// Today.
    Medium,
    /// Within the hour.
    High,
    /// Now.
    Critical,
}

impl Priority {
    /// The word of the standard.
    pub const fn word(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
            Priority::Critical => "critical",
        }
    }
}

/// What an alarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum AlarmKind {
    /// A guard tripped.
    OverTemperature,
    /// Told off, and it still heats or draws power.
    HeatUnstoppable,
    /// The reported state stays different from the wanted one.
    RelayDeaf,
    /// No fresh reading.
    ProbeSilent,
    /// Implausible, frozen, jumping, or against its twin.
    ProbeDoubtful,
    /// On by every account, and no sign of it.
    LampDark,
    /// Full on, and the target is not reached.
    HeatWeak,
    /// UVI above the ceiling.
    UvOverCeiling,
    /// The basking UVI is above its band.
    UvAboveBand,
    /// The basking UVI is below its band.
    UvBelowBand,
    /// A retained message was found on a relay's command topic.
    RetainedCommand,
    /// The wall clock is unset, jumped or ran backwards.
    ClockDoubtful,
    /// No broker.
    BrokerLost,
    /// No disk.
    JournalFailing,
    /// A new configuration was refused.
    ConfigRefused,
}

impl AlarmKind {
    /// Every kind.
    pub const ALL: [AlarmKind; 15] = [
        AlarmKind::OverTemperature,
        AlarmKind::HeatUnstoppable,
        AlarmKind::RelayDeaf,
        AlarmKind::ProbeSilent,
        AlarmKind::ProbeDoubtful,
        AlarmKind::LampDark,
        AlarmKind::HeatWeak,
        AlarmKind::UvOverCeiling,
        AlarmKind::UvAboveBand,
        AlarmKind::UvBelowBand,
        AlarmKind::RetainedCommand,
        AlarmKind::ClockDoubtful,
        AlarmKind::BrokerLost,
        AlarmKind::JournalFailing,
        AlarmKind::ConfigRefused,
    ];

    /// The name in topics and documents.
    pub const fn name(self) -> &'static str {
        match self {
            AlarmKind::OverTemperature => "over-temperature",
            AlarmKind::HeatUnstoppable => "heat-unstoppable",
            AlarmKind::RelayDeaf => "relay-deaf",
            AlarmKind::ProbeSilent => "probe-silent",
            AlarmKind::ProbeDoubtful => "probe-doubtful",
            AlarmKind::LampDark => "lamp-dark",
            AlarmKind::HeatWeak => "heat-weak",
            AlarmKind::UvOverCeiling => "uv-over-ceiling",
            AlarmKind::UvAboveBand => "uv-above-band",
            AlarmKind::UvBelowBand => "uv-below-band",
            AlarmKind::RetainedCommand => "retained-command",
            AlarmKind::ClockDoubtful => "clock-doubtful",
            AlarmKind::BrokerLost => "broker-lost",
            AlarmKind::JournalFailing => "journal-failing",
            AlarmKind::ConfigRefused => "config-refused",
        }
    }

    /// The kind called `name`.
    pub fn from_name(name: &str) -> Option<AlarmKind> {
        AlarmKind::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

impl fmt::Display for AlarmKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Where an alarm stands (ISA-18.2 / IEC 62682).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum AlarmState {
    /// No alarm.
    Normal,
    /// Raised, and nobody has said they have seen it.
    Unacknowledged,
    /// Raised, and somebody has seen it.
    Acknowledged,
    /// The condition has ended before anybody saw it.
    ReturnedUnacknowledged,
}

impl AlarmState {
    /// The words of the standard.
    pub const fn word(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned to normal, unacknowledged",
        }
    }

    /// Whether the condition stands.
    pub const fn is_active(self) -> bool {
        matches!(self, AlarmState::Unacknowledged | AlarmState::Acknowledged)
    }
}

/// An alarm as it stands from now on. There is one alarm of each kind for each enclosure; its text names every probe
/// or lamp concerned.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmNotice {
    /// Whose; none: the site's.
    pub enclosure: Option<EnclosureIx>,
    /// What about.
    pub kind: AlarmKind,
    /// How much it matters.
    pub priority: Priority,
    /// Where it stands.
    pub state: AlarmState,
    /// Wall time at which it was raised, as the schedules reckon it.
    pub since: DateTime<Utc>,
    /// What, where, since when, which reading against which limit, what the program did, what to do now.
    pub text: String,
    /// Names of the probes or lamps concerned; empty where it concerns the whole.
    pub subjects: Vec<String>,
}

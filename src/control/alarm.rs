//! Alarms: their kinds, and their life after ISA-18.2 / IEC 62682.

use std::fmt;
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::settings::EnclosureIx;
use crate::time::Mono;

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
    /// The UV is forecast to leave its band within the notice time.
    UvFading,
    /// A meter reading is wanted beside a UV probe.
    CalibrationDue,
    /// The keeper's round with the meter is due.
    WalkDue,
    /// More lamps will need a spare soon than there are.
    SpareDue,
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
    /// Messages to people do not arrive.
    NoticeFailing,
}

impl AlarmKind {
    /// Every kind.
    pub const ALL: [AlarmKind; 20] = [
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
        AlarmKind::UvFading,
        AlarmKind::CalibrationDue,
        AlarmKind::WalkDue,
        AlarmKind::SpareDue,
        AlarmKind::RetainedCommand,
        AlarmKind::ClockDoubtful,
        AlarmKind::BrokerLost,
        AlarmKind::JournalFailing,
        AlarmKind::ConfigRefused,
        AlarmKind::NoticeFailing,
    ];

    /// How long the condition must stand before the alarm is raised, and be gone before it is cleared. Conditions that
    /// are themselves the end of a wait have none; the others are guesses against chatter.
    pub const fn delays(self) -> (Duration, Duration) {
        const fn minutes(on: u64, off: u64) -> (Duration, Duration) {
            (Duration::from_secs(60 * on), Duration::from_secs(60 * off))
        }
        match self {
            AlarmKind::UvAboveBand | AlarmKind::UvBelowBand => minutes(30, 10),
            // A diagnosis has taken its time already.
            AlarmKind::LampDark => minutes(0, 1),
            AlarmKind::UvOverCeiling => minutes(1, 1),
            _ => minutes(0, 0),
        }
    }

    /// Whether each time it is raised is an event of its own, which no earlier one may hide. There cannot be many: the
    /// third trip latches the guard.
    const fn counts_each_time(self) -> bool {
        matches!(self, AlarmKind::OverTemperature)
    }

    /// How long all must have been well before an alarm is cleared that was raised so often within a day, beside its own
    /// off-delay. The first is cleared at once; one that keeps coming back (ISA-18.2 and IEC 62682 call it chattering)
    /// holds on ever longer, so that it is raised at most four times an hour and sixteen times a day. The times are
    /// guesses; that an off-delay is the remedy is the standards' own advice.
    pub(super) const fn hold(self, raised: usize) -> Duration {
        const MINUTES: [u64; 6] = [0, 10, 20, 40, 80, 120];
        if self.counts_each_time() || raised == 0 {
            return Duration::ZERO;
        }
        let step = if raised < MINUTES.len() { raised - 1 } else { MINUTES.len() - 1 };
        Duration::from_secs(60 * MINUTES[step])
    }

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
            AlarmKind::UvFading => "uv-fading",
            AlarmKind::CalibrationDue => "calibration-due",
            AlarmKind::WalkDue => "walk-due",
            AlarmKind::SpareDue => "spare-due",
            AlarmKind::RetainedCommand => "retained-command",
            AlarmKind::ClockDoubtful => "clock-doubtful",
            AlarmKind::BrokerLost => "broker-lost",
            AlarmKind::JournalFailing => "journal-failing",
            AlarmKind::ConfigRefused => "config-refused",
            AlarmKind::NoticeFailing => "notice-failing",
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

/// The life of one alarm: on- and off-delays, and the states of ISA-18.2 / IEC 62682.
#[derive(Clone, Debug)]
pub(super) struct Life {
    state: AlarmState,
    delays: (Duration, Duration),
    /// Since when the condition has differed from the state.
    differs_since: Option<Mono>,
    condition: bool,
}

impl Life {
    pub(super) fn new(delays: (Duration, Duration)) -> Life {
        Life { state: AlarmState::Normal, delays, differs_since: None, condition: false }
    }

    /// The condition stands (`true`) or not; tells whether the state has changed.
    pub(super) fn update(&mut self, now: Mono, condition: bool) -> bool {
        self.condition = condition;
        if condition == self.state.is_active() {
            self.differs_since = None;
            return false;
        }
        let since = *self.differs_since.get_or_insert(now);
        let delay = if condition { self.delays.0 } else { self.delays.1 };
        if now.since(since) < delay {
            return false;
        }
        self.differs_since = None;
        self.state = match (condition, self.state) {
            (true, _) => AlarmState::Unacknowledged,
            (false, AlarmState::Unacknowledged) => AlarmState::ReturnedUnacknowledged,
            (false, _) => AlarmState::Normal,
        };
        true
    }

    /// Time has passed; tells whether the state has changed.
    pub(super) fn settle(&mut self, now: Mono) -> bool {
        self.update(now, self.condition)
    }

    /// It is cleared no sooner than this after its condition has ended.
    pub(super) fn hold_on(&mut self, kind: AlarmKind, hold: Duration) {
        self.delays.1 = kind.delays().1.max(hold);
    }

    /// What it was about is there no more.
    pub(super) fn end(&mut self) {
        *self = Life::new(self.delays);
    }

    /// Somebody has seen it; tells whether the state has changed.
    pub(super) fn acknowledge(&mut self) -> bool {
        self.state = match self.state {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            AlarmState::Normal | AlarmState::Acknowledged => return false,
        };
        true
    }

    pub(super) fn state(&self) -> AlarmState {
        self.state
    }

    /// Whether nothing is left of it.
    pub(super) fn is_over(&self) -> bool {
        self.state == AlarmState::Normal && !self.condition
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        let delay = if self.condition { self.delays.0 } else { self.delays.1 };
        self.differs_since.map(|since| since.after(delay))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The timing example of a public course text on ISA-18.2 (references, section 7): on-delay 3 s, one character a
    /// second, acknowledged at 9 and 20 s.
    #[test]
    fn the_published_timing_example_holds() {
        let condition = "_#__#######__#####_____";
        let confirmed = "_______####_____##_____";
        let states = "NNNNNNNUUAANNNNNUURRNNN";
        let mut life = Life::new((Duration::from_secs(3), Duration::ZERO));
        let (mut seen_confirmed, mut seen_states) = (String::new(), String::new());
        for (second, letter) in (0..).zip(condition.chars()) {
            life.update(Mono::from_secs(second), letter == '#');
            if second == 9 || second == 20 {
                life.acknowledge();
            }
            seen_confirmed.push(if life.state().is_active() { '#' } else { '_' });
            seen_states.push(match life.state() {
                AlarmState::Normal => 'N',
                AlarmState::Unacknowledged => 'U',
                AlarmState::Acknowledged => 'A',
                AlarmState::ReturnedUnacknowledged => 'R',
            });
        }
        assert_eq!(seen_confirmed, confirmed);
        assert_eq!(seen_states, states);
    }

    /// Every transition of the state model (references, section 7).
    #[test]
    fn the_state_model_is_the_published_one() {
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
        #[derive(Clone, Copy, Debug)]
        enum Step {
            Condition,
            Clear,
            Ack,
        }
        for (from, step, to) in [
            (Normal, Step::Condition, Unacknowledged),
            (Normal, Step::Clear, Normal),
            (Normal, Step::Ack, Normal),
            (Unacknowledged, Step::Ack, Acknowledged),
            (Unacknowledged, Step::Clear, ReturnedUnacknowledged),
            (Unacknowledged, Step::Condition, Unacknowledged),
            (Acknowledged, Step::Clear, Normal),
            (Acknowledged, Step::Ack, Acknowledged),
            (Acknowledged, Step::Condition, Acknowledged),
            (ReturnedUnacknowledged, Step::Ack, Normal),
            (ReturnedUnacknowledged, Step::Condition, Unacknowledged),
            (ReturnedUnacknowledged, Step::Clear, ReturnedUnacknowledged),
        ] {
            let mut life = Life { state: from, ..Life::new((Duration::ZERO, Duration::ZERO)) };
            match step {
                Step::Condition => _ = life.update(Mono::START, true),
                Step::Clear => _ = life.update(Mono::START, false),
                Step::Ack => _ = life.acknowledge(),
            }
            assert_eq!(life.state(), to, "{from:?} {step:?}");
        }
    }

    #[test]
    fn kinds_are_found_by_name() {
        for kind in AlarmKind::ALL {
            assert_eq!(AlarmKind::from_name(kind.name()), Some(kind));
        }
    }
}

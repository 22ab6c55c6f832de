//! Alarms: their kinds, and their life after ISA-18.2 / IEC 62682.

use std::fmt;
use std::time::Duration;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::settings::EnclosureIx;
use crate::time::Mono;

/// How much an alarm matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
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
    /// Held back for long by the soft limit of its circuit.
    LampHeldBack,
    /// A cooling season is held back or was broken off by a warm room.
    SeasonAmiss,
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
    /// So much fell silent or dark at once that one supply must have failed: power, network, a circuit, a relay box.
    SupplyLost,
    /// More messages come than can be handled.
    Overloaded,
}

impl AlarmKind {
    /// Every kind.
    pub const ALL: [AlarmKind; 24] = [
        AlarmKind::OverTemperature,
        AlarmKind::HeatUnstoppable,
        AlarmKind::RelayDeaf,
        AlarmKind::ProbeSilent,
        AlarmKind::ProbeDoubtful,
        AlarmKind::LampDark,
        AlarmKind::HeatWeak,
        AlarmKind::LampHeldBack,
        AlarmKind::SeasonAmiss,
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
        AlarmKind::SupplyLost,
        AlarmKind::Overloaded,
    ];

    /// How long the condition must stand before the alarm is raised, and be gone before it is cleared. Conditions that
    /// are themselves the end of a wait have none; the others are guesses against chatter. `deploy/alarms.md` has them in
    /// a table, with deadbands and latching.
    pub const fn delays(self) -> (Duration, Duration) {
        const fn minutes(on: u64, off: u64) -> (Duration, Duration) {
            (Duration::from_secs(60 * on), Duration::from_secs(60 * off))
        }
        match self {
            AlarmKind::UvAboveBand | AlarmKind::UvBelowBand => minutes(30, 10),
            // A diagnosis has taken its time already.
            AlarmKind::LampDark => minutes(0, 1),
            AlarmKind::UvOverCeiling => minutes(1, 1),
            // Until it is known how much has fallen silent.
            AlarmKind::SupplyLost => minutes(1, 0),
            // A flood comes in waves.
            AlarmKind::Overloaded => minutes(0, 10),
            _ => minutes(0, 0),
        }
    }

    /// How an alarm of this kind is carried over a restart: how it is found again, or not. The times are guesses, longer
    /// than what finds the condition takes from nothing, so that none goes and comes back for a restart's sake.
    pub(super) const fn carrying(self) -> Carrying {
        const fn minutes(grace: u64) -> Carrying {
            Carrying { grace: Duration::from_secs(60 * grace), by_link: true, by_word: false }
        }
        match self {
            // The guards' own state is stored, and contactors' with it: the first step tells.
            AlarmKind::OverTemperature => minutes(0),
            // Half an hour of cooling tells of a lamp that cannot be stopped, and a switch with the time for it.
            AlarmKind::HeatUnstoppable => minutes(45),
            AlarmKind::RelayDeaf => minutes(2),
            // They stand until their probe has been heard, or has been silent for too long again; slow probes take long.
            AlarmKind::ProbeSilent => Carrying { by_word: true, ..minutes(60) },
            // A probe that stands still is found after two hours; one that is doubted for a switch of its lamp sooner.
            AlarmKind::ProbeDoubtful => minutes(150),
            // A deficit of heat builds up over hours, unless the target is reached.
            AlarmKind::HeatWeak => Carrying { by_word: true, ..minutes(4 * 60) },
            // It is held back for an hour before it is told.
            AlarmKind::LampHeldBack => minutes(90),
            // It is judged at once, and a day of readings tells whether it is cold enough.
            AlarmKind::SeasonAmiss => minutes(25 * 60),
            // A lamp must be on and warm before anything can be said of it: within a day it is.
            AlarmKind::LampDark | AlarmKind::UvAboveBand | AlarmKind::UvBelowBand => {
                Carrying { by_word: true, ..minutes(25 * 60) }
            }
            // Lamps warm up first.
            AlarmKind::UvOverCeiling => minutes(30),
            // Reckoned anew once the date is known, which a clock that is doubted may put off.
            AlarmKind::UvFading | AlarmKind::CalibrationDue | AlarmKind::WalkDue | AlarmKind::SpareDue => {
                minutes(25 * 60)
            }
            // As long as it is shown.
            AlarmKind::RetainedCommand => minutes(60),
            AlarmKind::ClockDoubtful | AlarmKind::ConfigRefused => Carrying { by_link: false, ..minutes(0) },
            AlarmKind::BrokerLost => Carrying { by_link: false, by_word: true, ..minutes(5) },
            // A write that fails is tried again every few seconds.
            AlarmKind::JournalFailing => Carrying { by_link: false, ..minutes(2) },
            // What waits is tried again at once, and three failures take a minute or two.
            AlarmKind::NoticeFailing => Carrying { by_link: false, ..minutes(10) },
            // As long as what it is the cause of.
            AlarmKind::SupplyLost => minutes(60),
            // A flood that goes on is noticed at once.
            AlarmKind::Overloaded => minutes(5),
        }
    }

    /// For how long a person may shelve it at most; zero: never. A lamp that cannot be stopped, and one that got too hot,
    /// must not be silenced for long: whoever is there now hears of it again before anything can burn. All are guesses, that
    /// shelving must end is the standards'.
    pub const fn shelved_at_most(self) -> Duration {
        const HOUR: u64 = 3600;
        let seconds = match self {
            AlarmKind::HeatUnstoppable => 0,
            AlarmKind::OverTemperature => HOUR / 2,
            AlarmKind::RelayDeaf
            | AlarmKind::ProbeSilent
            | AlarmKind::LampDark
            | AlarmKind::HeatWeak
            | AlarmKind::LampHeldBack
            | AlarmKind::UvOverCeiling
            | AlarmKind::RetainedCommand
            | AlarmKind::BrokerLost
            | AlarmKind::JournalFailing
            | AlarmKind::NoticeFailing
            | AlarmKind::SupplyLost
            | AlarmKind::Overloaded => 24 * HOUR,
            AlarmKind::ProbeDoubtful
            | AlarmKind::SeasonAmiss
            | AlarmKind::UvAboveBand
            | AlarmKind::UvBelowBand
            | AlarmKind::ClockDoubtful
            | AlarmKind::ConfigRefused => 7 * 24 * HOUR,
            AlarmKind::UvFading | AlarmKind::CalibrationDue | AlarmKind::WalkDue | AlarmKind::SpareDue => {
                30 * 24 * HOUR
            }
        };
        Duration::from_secs(seconds)
    }

    /// Whether it is the guard's, or about a lamp that may heat unbidden: told whether or not an animal lives there.
    pub const fn is_of_the_guard(self) -> bool {
        matches!(
            self,
            AlarmKind::OverTemperature
                | AlarmKind::HeatUnstoppable
                | AlarmKind::UvOverCeiling
                | AlarmKind::RetainedCommand
        )
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
            AlarmKind::LampHeldBack => "lamp-held-back",
            AlarmKind::SeasonAmiss => "season-amiss",
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
            AlarmKind::SupplyLost => "supply-lost",
            AlarmKind::Overloaded => "overloaded",
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
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
    /// Whether it stands until a person resets what it is about.
    pub latched: bool,
    /// Why nobody is told of it by itself for the time being, although it stands; none: it is told.
    pub aside: Option<Aside>,
}

impl AlarmNotice {
    /// The word of the standard for where it stands: of one that is put aside, how.
    pub fn standing(&self) -> &'static str {
        match &self.aside {
            Some(aside) if self.state.is_active() => aside.word(),
            _ => self.state.word(),
        }
    }
}

/// Why an alarm that stands is told to nobody by itself for the time being (ISA-18.2 / IEC 62682: suppression). It is
/// judged, listed and recorded all the same.
#[derive(Clone, Debug, PartialEq)]
pub enum Aside {
    /// A person has put it aside.
    Shelved {
        /// Until when, wall time; then it is told again if it still stands.
        until: DateTime<Utc>,
        /// Their reason.
        why: String,
    },
    /// Its enclosure is out of service.
    OutOfService {
        /// The keeper's reason.
        why: String,
    },
    /// It is a consequence of another alarm, which is told instead.
    Consequence(Cause),
    /// It says nothing that anybody could see to now; why, as a clause.
    ByDesign(&'static str),
}

/// The alarm that another is a consequence of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Cause {
    /// Whose; none: the site's.
    pub enclosure: Option<EnclosureIx>,
    /// What about.
    pub kind: AlarmKind,
}

impl Aside {
    /// The words of the standard for each, in the order of the type; a consequence is suppressed by design.
    pub const WORDS: [&str; 3] = ["shelved", "out of service", "suppressed by design"];

    /// The words of the standard.
    pub const fn word(&self) -> &'static str {
        match self {
            Aside::Shelved { .. } => Aside::WORDS[0],
            Aside::OutOfService { .. } => Aside::WORDS[1],
            Aside::Consequence(_) | Aside::ByDesign(_) => Aside::WORDS[2],
        }
    }

    /// Why, in a person's words where there are any.
    pub fn why(&self) -> String {
        match self {
            Aside::Shelved { why, .. } | Aside::OutOfService { why } => why.clone(),
            Aside::Consequence(cause) => format!("a consequence of {}", cause.kind),
            Aside::ByDesign(why) => (*why).to_owned(),
        }
    }
}

/// How an alarm that stood when the daemon ended is found again or cleared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Carrying {
    /// It stands for so long although its condition is not found.
    pub(super) grace: Duration,
    /// The grace begins with the connection to the broker, for nothing can be found before.
    pub(super) by_link: bool,
    /// The first word that all is well ends it: whoever judges it says nothing until that can be said.
    pub(super) by_word: bool,
}

/// The life of one alarm: on- and off-delays, and the states of ISA-18.2 / IEC 62682.
#[derive(Clone, Debug)]
pub(super) struct Life {
    state: AlarmState,
    delays: (Duration, Duration),
    /// Since when the condition has differed from the state.
    differs_since: Option<Mono>,
    condition: bool,
    /// Carried over a restart, and the condition has not been found again.
    carried: Option<Carried>,
}

/// Until when an alarm that was carried over stands without its condition being found again.
#[derive(Clone, Copy, Debug)]
struct Carried {
    how: Carrying,
    until: Mono,
}

impl Life {
    pub(super) fn new(delays: (Duration, Duration)) -> Life {
        Life { state: AlarmState::Normal, delays, differs_since: None, condition: false, carried: None }
    }

    /// One that stood in `state` when the daemon ended.
    pub(super) fn carried_over(now: Mono, kind: AlarmKind, state: AlarmState, how: Carrying) -> Life {
        let until = if how.by_link { Mono::END } else { now.after(how.grace) };
        let carried = state.is_active().then_some(Carried { how, until });
        Life { state, condition: state.is_active(), carried, ..Life::new(kind.delays()) }
    }

    /// The connection to the broker is up: from now on its condition may be found again.
    pub(super) fn link_up(&mut self, now: Mono) {
        if let Some(carried) = self.carried.as_mut().filter(|carried| carried.until == Mono::END) {
            carried.until = now.after(carried.how.grace);
        }
    }

    /// The condition stands (`true`) or not; tells whether the state has changed.
    pub(super) fn update(&mut self, now: Mono, condition: bool) -> bool {
        match self.carried {
            Some(carried) if !condition && !carried.how.by_word && now < carried.until => return false,
            _ => self.carried = None,
        }
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
        match self.carried {
            Some(carried) if now < carried.until => false,
            Some(_) => self.update(now, false),
            None => self.update(now, self.condition),
        }
    }

    /// It is worse than what somebody has seen.
    pub(super) fn worsen(&mut self) {
        if self.state == AlarmState::Acknowledged {
            self.state = AlarmState::Unacknowledged;
        }
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
        if let Some(carried) = self.carried {
            return Some(carried.until).filter(|&until| until < Mono::END);
        }
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

    /// What keepers are told of delays and shelving is what holds.
    #[test]
    fn the_table_of_alarms_is_right() {
        let page = include_str!("../../deploy/alarms.md");
        let short = |span: Duration, none: &str| match span.as_secs() {
            0 => none.to_owned(),
            day if day % 86_400 == 0 && day > 86_400 => format!("{} d", day / 86_400),
            hour if hour % 3600 == 0 => format!("{} h", hour / 3600),
            seconds => format!("{} min", seconds / 60),
        };
        for kind in AlarmKind::ALL {
            let row = page.lines().find(|line| line.starts_with(&format!("| `{kind}` |")));
            let row: Vec<_> = row.unwrap_or_else(|| panic!("{kind} has no row")).split('|').map(str::trim).collect();
            let (on, off) = kind.delays();
            assert_eq!((row[2], row[3]), (&*short(on, "–"), &*short(off, "–")), "{kind}");
            assert_eq!(row[6], short(kind.shelved_at_most(), "never"), "{kind}");
            assert_eq!(row[7] == "yes", kind.is_of_the_guard(), "{kind}");
        }
    }

    #[test]
    fn kinds_are_found_by_name() {
        for kind in AlarmKind::ALL {
            assert_eq!(AlarmKind::from_name(kind.name()), Some(kind));
            assert_eq!(
                serde_json::to_string(&kind).expect("a word"),
                format!("{:?}", kind.name()),
                "on disk as in topics"
            );
        }
    }

    #[test]
    fn an_alarm_that_was_carried_over_stands_for_its_grace_and_ends_in_the_ordinary_way() {
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
        let state = |kind, state, told: &[(u64, Option<bool>)]| {
            let mut life = Life::carried_over(Mono::START, kind, state, kind.carrying());
            for &(second, condition) in told {
                let now = Mono::from_secs(second);
                match condition {
                    Some(condition) => _ = life.update(now, condition),
                    None if second == 0 => life.link_up(now),
                    None => _ = life.settle(now),
                }
            }
            (life.state(), life.next_deadline().map(|at| at.since_start().as_secs()))
        };
        let (deaf, dark) = (AlarmKind::RelayDeaf, AlarmKind::LampDark);
        for (kind, from, told, expected) in [
            // Without a connection nothing is found, and nothing cleared.
            (deaf, Unacknowledged, &[(5, Some(false)), (9000, Some(false))][..], (Unacknowledged, None)),
            (deaf, Unacknowledged, &[(0, None), (119, Some(false))], (Unacknowledged, Some(120))),
            (deaf, Acknowledged, &[(0, None), (119, Some(false))], (Acknowledged, Some(120))),
            (deaf, Unacknowledged, &[(0, None), (120, None)], (ReturnedUnacknowledged, None)),
            (deaf, Acknowledged, &[(0, None), (120, Some(false))], (Normal, None)),
            // Found again, it is as any other.
            (deaf, Acknowledged, &[(0, None), (30, Some(true)), (900, None)], (Acknowledged, None)),
            (deaf, Acknowledged, &[(0, None), (30, Some(true)), (40, Some(false))], (Normal, None)),
            // Who judges this one says nothing until it can be said. A lamp's off-delay is a minute.
            (dark, Acknowledged, &[(0, None), (30, Some(false))], (Acknowledged, Some(90))),
            (dark, Acknowledged, &[(0, None), (30, Some(false)), (90, None)], (Normal, None)),
            (dark, Unacknowledged, &[(0, None), (80_000, None)], (Unacknowledged, Some(90_000))),
            // One that nobody has seen waits for that alone.
            (deaf, ReturnedUnacknowledged, &[(0, None), (9000, None)], (ReturnedUnacknowledged, None)),
            (deaf, ReturnedUnacknowledged, &[(0, None), (30, Some(true))], (Unacknowledged, None)),
        ] {
            assert_eq!(state(kind, from, told), expected, "{kind} {from:?} {told:?}");
        }
    }
}

//! What can be wrong, and the words for it. All wording of alarms lives here.
//!
//! A text answers, in this order: what and where, since when, which reading against which limit, what the program has
//! already done, what to do now; and carries the caution that belongs to it.

mod filed;

use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use crate::guard::{Latch, StillHeats};
use crate::time::spoken;
use crate::units::{Celsius, Level, Uvi, Watts};

use super::alarm::{AlarmKind, Priority};
use super::clock::ClockDoubt;
use super::diagnosis::{Cause, Finding, odds_in_words};

pub(super) use filed::NEVER_CALIBRATED;

const MAINS: &str = "Pull the plug before you touch a lamp; leave wiring to a licensed electrician.";
const BURN: &str = "Surfaces may be hot enough to burn. If the animal has been near, a veterinarian should see it: burns may \
                    not show for days.";
const COLD: &str = "The animal gets no heat from this lamp meanwhile: if the enclosure grows cold, warm the room or move \
                    the animal.";
const UV_EYES: &str =
    "Do not look into the lamp, and keep the animal in shade. Shut or swollen eyes are for a veterinarian.";

/// One thing that is wrong with one lamp, probe or the whole.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Trouble {
    OverTemperature {
        reading: Celsius,
        cut: Celsius,
        rest: Duration,
        latch: Option<Latch>,
    },
    HeatUnstoppable {
        evidence: StillHeats,
        cut_off: Option<String>,
    },
    CutOffOpen {
        why: String,
    },
    RelayDeaf {
        wanted: Level,
        reported: Option<Level>,
        cut_off: Option<String>,
    },
    ProbeSilent {
        stale: Duration,
        holds_off: Vec<Arc<str>>,
        never: bool,
        late: bool,
    },
    ProbeDoubtful {
        why: String,
        holds_off: Vec<Arc<str>>,
        frozen: bool,
        /// Its next readings will tell.
        momentary: bool,
    },
    LampDark {
        finding: Finding,
        signs: String,
        burns: bool,
    },
    HeatWeak {
        reading: Celsius,
        target: Celsius,
        spot: Arc<str>,
    },
    LampHeldBack {
        circuit: Arc<str>,
        limit: Watts,
        /// It gives heat.
        warms: bool,
    },
    SeasonHeldBack {
        spot: &'static str,
        coolest: Option<Celsius>,
        limit: Celsius,
    },
    SeasonBrokenOff {
        spot: &'static str,
        limit: Celsius,
        hours: u32,
    },
    UvOverCeiling {
        reading: Uvi,
        ceiling: Uvi,
        latched: bool,
    },
    UvAboveBand {
        reading: Uvi,
        high: Uvi,
    },
    UvBelowBand {
        reading: Uvi,
        low: Uvi,
    },
    SpotOverCeiling {
        reading: Uvi,
        ceiling: Uvi,
    },
    WalkDue {
        last: DateTime<Utc>,
    },
    CalibrationVoid,
    CalibrationOdd {
        uvi: Uvi,
        times: f64,
    },
    NeverCalibrated,
    UvStepped {
        date: NaiveDate,
        size: f64,
    },
    UvFading {
        lamps: Vec<String>,
        expected: Option<NaiveDate>,
        earliest: Option<NaiveDate>,
        latest: Option<NaiveDate>,
        reading: Uvi,
        low: Uvi,
    },
    SpareDue {
        due: usize,
        stock: usize,
        horizon: Duration,
        places: Vec<String>,
    },
    RetainedCommand {
        topic: String,
    },
    ClockDoubtful {
        doubt: ClockDoubt,
        timezone: Tz,
        /// Lamps whose hand setting was given up for it.
        given_up: Vec<String>,
    },
    BrokerLost,
    StorageFailing {
        why: String,
    },
    ConfigRefused {
        why: String,
    },
    NoticeFailing {
        why: String,
    },
    /// Much of what hangs on one supply fell silent or dark at once.
    SupplyLost {
        /// How many, of how many.
        count: usize,
        total: usize,
        /// Some of them.
        places: Vec<String>,
    },
    Overloaded {
        /// How many were passed over since it began.
        messages: u64,
    },
    /// As it was filed, when the daemon had last run.
    OnFile {
        kind: AlarmKind,
        priority: Priority,
        text: String,
        gist: String,
    },
}

impl Trouble {
    pub(super) fn kind(&self) -> AlarmKind {
        match self {
            Trouble::OverTemperature { .. } => AlarmKind::OverTemperature,
            Trouble::HeatUnstoppable { .. } | Trouble::CutOffOpen { .. } => AlarmKind::HeatUnstoppable,
            Trouble::RelayDeaf { .. } => AlarmKind::RelayDeaf,
            Trouble::ProbeSilent { .. } => AlarmKind::ProbeSilent,
            Trouble::ProbeDoubtful { .. } => AlarmKind::ProbeDoubtful,
            Trouble::LampDark { .. } => AlarmKind::LampDark,
            Trouble::HeatWeak { .. } => AlarmKind::HeatWeak,
            Trouble::LampHeldBack { .. } => AlarmKind::LampHeldBack,
            Trouble::SeasonHeldBack { .. } | Trouble::SeasonBrokenOff { .. } => AlarmKind::SeasonAmiss,
            Trouble::UvOverCeiling { .. } | Trouble::SpotOverCeiling { .. } => AlarmKind::UvOverCeiling,
            Trouble::WalkDue { .. } => AlarmKind::WalkDue,
            Trouble::UvAboveBand { .. } => AlarmKind::UvAboveBand,
            Trouble::UvBelowBand { .. } => AlarmKind::UvBelowBand,
            Trouble::CalibrationVoid
            | Trouble::CalibrationOdd { .. }
            | Trouble::NeverCalibrated
            | Trouble::UvStepped { .. } => AlarmKind::CalibrationDue,
            Trouble::UvFading { .. } => AlarmKind::UvFading,
            Trouble::SpareDue { .. } => AlarmKind::SpareDue,
            Trouble::RetainedCommand { .. } => AlarmKind::RetainedCommand,
            Trouble::ClockDoubtful { .. } => AlarmKind::ClockDoubtful,
            Trouble::BrokerLost => AlarmKind::BrokerLost,
            Trouble::StorageFailing { .. } => AlarmKind::JournalFailing,
            Trouble::ConfigRefused { .. } => AlarmKind::ConfigRefused,
            Trouble::NoticeFailing { .. } => AlarmKind::NoticeFailing,
            Trouble::SupplyLost { .. } => AlarmKind::SupplyLost,
            Trouble::Overloaded { .. } => AlarmKind::Overloaded,
            Trouble::OnFile { kind, .. } => *kind,
        }
    }

    pub(super) fn priority(&self) -> Priority {
        match self {
            Trouble::OnFile { priority, .. } => *priority,
            Trouble::OverTemperature { .. } | Trouble::HeatUnstoppable { .. } | Trouble::CutOffOpen { .. } => {
                Priority::Critical
            }
            Trouble::ProbeSilent { holds_off, .. } if !holds_off.is_empty() => Priority::High,
            Trouble::RelayDeaf { .. }
            | Trouble::LampDark { .. }
            | Trouble::UvOverCeiling { .. }
            | Trouble::SpotOverCeiling { .. }
            | Trouble::RetainedCommand { .. }
            | Trouble::BrokerLost
            | Trouble::SupplyLost { .. }
            | Trouble::Overloaded { .. }
            | Trouble::StorageFailing { .. } => Priority::High,
            Trouble::ProbeSilent { .. }
            | Trouble::ProbeDoubtful { .. }
            | Trouble::HeatWeak { .. }
            | Trouble::LampHeldBack { .. }
            | Trouble::SeasonHeldBack { .. }
            | Trouble::SeasonBrokenOff { .. }
            | Trouble::UvAboveBand { .. }
            | Trouble::UvBelowBand { .. }
            | Trouble::ClockDoubtful { .. }
            | Trouble::ConfigRefused { .. }
            | Trouble::NoticeFailing { .. } => Priority::Medium,
            Trouble::CalibrationVoid
            | Trouble::CalibrationOdd { .. }
            | Trouble::NeverCalibrated
            | Trouble::UvStepped { .. }
            | Trouble::UvFading { .. }
            | Trouble::SpareDue { .. }
            | Trouble::WalkDue { .. } => Priority::Low,
        }
    }

    /// Whether this says something that a person must hear although they know of `known`, which is of the same kind
    /// and subject.
    pub(super) fn is_news_after(&self, known: &Trouble) -> bool {
        match (self, known) {
            (_, Trouble::OnFile { gist, .. }) => self.is_news_after_gist(gist),
            (Trouble::OverTemperature { latch: now, .. }, Trouble::OverTemperature { latch: before, .. }) => {
                now.is_some() != before.is_some()
            }
            (Trouble::RelayDeaf { cut_off: now, .. }, Trouble::RelayDeaf { cut_off: before, .. }) => now != before,
            (Trouble::ProbeSilent { late: now, .. }, Trouble::ProbeSilent { late: before, .. }) => now != before,
            (Trouble::ProbeDoubtful { frozen: now, .. }, Trouble::ProbeDoubtful { frozen: before, .. }) => {
                now != before
            }
            (Trouble::UvOverCeiling { latched: now, .. }, Trouble::UvOverCeiling { latched: before, .. }) => {
                now != before
            }
            (Trouble::LampDark { finding: now, .. }, Trouble::LampDark { finding: before, .. }) => {
                now.cause != before.cause
            }
            (Trouble::UvStepped { date: now, .. }, Trouble::UvStepped { date: before, .. }) => now != before,
            (
                Trouble::ClockDoubtful { doubt: now, given_up: lamps, .. },
                Trouble::ClockDoubtful { doubt: before, given_up: known, .. },
            ) => now.word() != before.word() || lamps != known,
            (Trouble::UvFading { expected: now, .. }, Trouble::UvFading { expected: before, .. }) => {
                moved_by_a_week(*now, *before)
            }
            (Trouble::SpareDue { due: now, stock: left, .. }, Trouble::SpareDue { due: before, stock: had, .. }) => {
                (now, left) != (before, had)
            }
            (Trouble::SupplyLost { count: now, .. }, Trouble::SupplyLost { count: before, .. }) => {
                twice_as_many(*now, *before)
            }
            (Trouble::Overloaded { messages: now }, Trouble::Overloaded { messages: before }) => {
                ten_times_as_many(*now, *before)
            }
            _ if [AlarmKind::CalibrationDue, AlarmKind::SeasonAmiss].contains(&self.kind())
                && known.kind() == self.kind() =>
            {
                std::mem::discriminant(self) != std::mem::discriminant(known)
            }
            (Trouble::ConfigRefused { why: now }, Trouble::ConfigRefused { why: before })
            | (Trouble::NoticeFailing { why: now }, Trouble::NoticeFailing { why: before })
            | (Trouble::StorageFailing { why: now }, Trouble::StorageFailing { why: before }) => now != before,
            _ => false,
        }
    }

    /// The text for `subject` (a lamp or probe; empty for the whole) of the enclosure called `place`, `since` when.
    pub(super) fn text(&self, place: &str, subject: &str, since: &str) -> String {
        match self {
            Trouble::OnFile { text, .. } => text.clone(),
            Trouble::OverTemperature { reading, cut, rest, latch } => {
                let mut text = format!("{place}: too hot at lamp {subject} since {since}. ");
                match latch {
                    Some(Latch::Limit { reading, limit }) => {
                        let _ = write!(text, "A guard probe read {reading}, and the hard limit is {limit}. ");
                    }
                    _ => {
                        let _ = write!(text, "A guard probe read {reading}, and the lamp is cut at {cut}. ");
                    }
                }
                if latch.is_some() {
                    if matches!(latch, Some(Latch::ThreeTrips)) {
                        text.push_str("It was the third time in 24 hours. ");
                    }
                    text.push_str(
                        "The lamp was switched off and stays off until a person resets its guard. Find the \
                                   cause first: lamp too close or too strong, probe moved, thermostat setting. ",
                    );
                } else {
                    let _ = write!(
                        text,
                        "The lamp was switched off and may come back once it has been well below the cut for {}. Look \
                         whether the lamp has slipped or the probe has moved, and check the animal. ",
                        spoken(*rest)
                    );
                }
                text + COLD + " " + BURN + " " + MAINS
            }
            Trouble::HeatUnstoppable { evidence, cut_off } => {
                let done = match cut_off {
                    Some(name) => format!("The cut-off {name} above it was opened; every lamp below it is dark. "),
                    None => "No cut-off is configured above it, so the program cannot stop it. ".to_owned(),
                };
                format!(
                    "{place}: lamp {subject} cannot be switched off since {since}. It was told off, and {evidence}. \
                     {done}Pull its plug NOW and move the animal away from the heat. The relay has probably welded: \
                     have it replaced. {BURN} {MAINS}"
                )
            }
            Trouble::CutOffOpen { why } => format!(
                "{place}: the cut-off {subject} is open since {since}, and every lamp below it is dark. It was opened \
                 because a lamp could not be stopped: {why}. See that the lamp is cold, have its relay replaced, then \
                 reset the cut-off. The animals below get neither heat nor light meanwhile: if it grows cold, warm the \
                 room or move them. {MAINS}"
            ),
            Trouble::RelayDeaf { wanted, reported, cut_off } => {
                let says = match reported {
                    Some(level) => format!("reports {level}"),
                    None => "has reported nothing".to_owned(),
                };
                let done = match cut_off {
                    Some(name) => format!("It is told again and again, and the cut-off {name} above it was opened. "),
                    None => "It is told again and again. ".to_owned(),
                };
                let what = if wanted.is_off() {
                    "See whether the lamp is on; if so, pull its plug."
                } else {
                    "See whether the lamp is on and the relay has power and network."
                };
                format!(
                    "{place}: the relay of {subject} does not obey since {since}. It was told {wanted} and {says}. \
                     {done}{what} {MAINS}"
                )
            }
            Trouble::ProbeSilent { stale, holds_off, never, late } => {
                let heard = if *never {
                    "has not been heard since the start".to_owned()
                } else if *late {
                    "is late, and by now it could be over the cut".to_owned()
                } else {
                    format!("has sent nothing for more than {}", spoken(*stale))
                };
                let done = held_off(holds_off);
                format!(
                    "{place}: probe {subject} {heard} (since {since}). {done}Check its supply, its cable and the \
                     network."
                )
            }
            Trouble::ProbeDoubtful { why, holds_off, frozen, .. } => {
                let done = held_off(holds_off);
                let what = if *frozen {
                    "Warm the probe in your hand: if its reading moves it is alive, and then the lamp may be dark."
                } else {
                    "See whether it sits where it should, dry and undamaged."
                };
                format!("{place}: probe {subject} cannot be believed since {since}: {why}. {done}{what}")
            }
            Trouble::LampDark { finding, signs, burns } => {
                let other =
                    finding.second.map_or(String::new(), |second| format!(" It could be that {}.", second.words()));
                let hot = if *burns { " Let it cool first: it may be hot although it looks dark." } else { "" };
                format!(
                    "{place}: lamp {subject} gives no sign of life since {since}. It is on by every account, and {signs}. Most \
                     likely {} ({}).{other} {} {MAINS}{hot}",
                    finding.cause.words(),
                    odds_in_words(finding.log_odds),
                    look_first(finding.cause)
                )
            }
            Trouble::SeasonHeldBack { spot, coolest, limit } => format!(
                "{place}: the cooling season is held back since {since}, because it is not cold enough: the coolest hour of a \
                 day at the {spot} spot was {}, and it begins at {limit} or below. See why the room is warm and cool it, or break the season off: \
                 `lampwarden season break-off`. Ask a veterinarian before an animal is cooled late.",
                coolest.map_or("not known".to_owned(), |coolest| coolest.to_string())
            ),
            Trouble::SeasonBrokenOff { spot, limit, hours } => format!(
                "{place}: the cooling season was broken off {since}: the {spot} spot has been above {limit} for {hours} h. The \
                 way up has begun, day lengths and targets rise from now on. Look at the animal, and offer food and water as \
                 after every cooling; one that was warm for days without food should be seen by a veterinarian."
            ),
            Trouble::LampHeldBack { circuit, limit, warms } => format!(
                "{place}: {subject} is to be on and has been held back since {since}, for an hour and more: circuit \
                 {circuit} is at its soft limit of {limit}, and lamps with a higher `priority`, or that were first, are on. \
                 {}Give it a higher `priority`, let others draw less, or let a licensed electrician put it on another \
                 circuit. {MAINS}",
                if *warms { format!("{COLD} ") } else { String::new() }
            ),
            Trouble::HeatWeak { reading, target, spot } => format!(
                "{place}: lamp {subject} does not reach its target since {since}. It is fully on, {spot} is at \
                 {reading} and the target is {target}. Look whether the lamp is lit and in place, the probe where it \
                 belongs, and the room not too cold. {COLD} {MAINS}"
            ),
            Trouble::UvOverCeiling { reading, ceiling, latched } => {
                let done = if *latched {
                    "The UV lamps there were switched off and stay off until a person resets them. "
                } else {
                    "If it lasts, the UV lamps there will be switched off. "
                };
                format!(
                    "{place}: too much UV at {subject} since {since}. The UV index read {reading}, and the ceiling is \
                     {ceiling}. {done}Raise the lamp or fit a weaker one, and measure with a hand-held meter. {UV_EYES}"
                )
            }
            Trouble::UvAboveBand { reading, high } => format!(
                "{place}: the UV index at {subject} is above its band since {since}: {reading}, and {high} is the most. \
                 Measure by hand, then raise the lamp or fit a weaker one. {UV_EYES}"
            ),
            Trouble::UvBelowBand { reading, low } => format!(
                "{place}: the UV index at {subject} is below its band since {since}: {reading}, and {low} is the least. \
                 Clean mesh and lamp, see that nothing shades the probe, measure by hand, and replace the lamp if it \
                 is spent. {MAINS}"
            ),
            Trouble::SpotOverCeiling { reading, ceiling } => format!(
                "{place}: {subject} was measured over its ceiling at {since}. The meter showed a UV index of {reading}, and the ceiling is \
                 {ceiling}. Raise the lamp or fit a weaker one, and measure the spot again. {UV_EYES}"
            ),
            Trouble::WalkDue { last } => format!(
                "{place}: a round with the hand-held meter is due since {since}; the last reading was on {}. See that the \
                 lamps are warm, then measure the basking spot and a retreat, and log what the meter shows.",
                last.format("%-d %b %Y")
            ),
            Trouble::CalibrationVoid => format!(
                "{place}: probe {subject} is relative only since {since}. A lamp there was changed, and what a probe \
                 makes of one lamp does not hold for the next. Its UV band is not judged until then; the ceiling is, by \
                 the gain before. When the lamp has warmed up, measure beside the probe with a hand-held meter and log \
                 the reading, and see that the animal has shade until you have. {UV_EYES}"
            ),
            Trouble::CalibrationOdd { uvi, times } => format!(
                "{place}: a meter reading at {subject} does not fit (since {since}). A UV index of {uvi} was logged, which is {times:.1} \
                 times what the probe says by the readings before. It was kept and changes nothing yet. See whether a \
                 figure was mistyped, the lamp or the mesh was changed, the lamp or the probe has moved, or the meter \
                 was held elsewhere; then measure again. {UV_EYES}"
            ),
            Trouble::NeverCalibrated => format!(
                "{place}: probe {subject} has never been checked against a hand-held meter (said {since}). Its own \
                 numbers are taken for UV indices, and cheap probes can be wrong by a factor of two or more. Take a meter \
                 reading beside it and see that it is logged. {UV_EYES}"
            ),
            Trouble::UvStepped { date, size } => format!(
                "{place}: the UV at {subject} has changed by {:+.0} % since {}, which is no ageing (noticed {since}). \
                 Forecasts begin anew from there. See whether the lamp or the probe was moved or has slipped, the mesh \
                 was changed or needs cleaning, or another lamp was fitted without being logged; then measure beside the \
                 probe with a hand-held meter. {UV_EYES}",
                100.0 * size,
                day(*date),
            ),
            Trouble::UvFading { lamps, expected, earliest, latest, reading, low } => {
                let which = match lamps.as_slice() {
                    [lamp] => format!("lamp {lamp}"),
                    lamps => format!("one of the lamps {}", lamps.join(" and ")),
                };
                let when = expected.map_or_else(String::new, |expected| format!(" about {}", day(expected)));
                let near = earliest.map_or_else(|| "today".to_owned(), day);
                let far = latest.map_or_else(|| "much later".to_owned(), day);
                format!(
                    "{place}: the UV at {subject} is expected to leave its band{when} (four times in five between {near} and \
                     {far}; said {since}). {which} fades: the UV index is {reading} by the last days, and {low} is the \
                     least. Have a spare ready, see that mesh and lamp are clean, and let a meter reading decide when to \
                     change it. {MAINS}"
                )
            }
            Trouble::SpareDue { due, stock, horizon, places } => {
                let more = due.saturating_sub(places.len());
                let more = if more > 0 { format!(" and {more} more") } else { String::new() };
                format!(
                    "{place}: {due} of {subject} will need replacing within {} and {stock} in stock by the configuration (since \
                     {since}): {}{more}. See what is on the shelf, order what is missing, and change the count when a lamp \
                     is bought or fitted.",
                    spoken(*horizon),
                    places.join(", "),
                )
            }
            Trouble::RetainedCommand { topic } => format!(
                "{place}: a stored command was found on {topic} since {since}. The broker would have replayed it to the \
                 relay of {subject} after every power cut. It was deleted. Find the program or device that publishes \
                 retained commands there, and turn that off."
            ),
            Trouble::ClockDoubtful { doubt, timezone, given_up } => {
                let (what, then) = clock_in_words(*doubt, *timezone, since);
                format!("{place}: {what} Guards work as always. {}{then}", by_hand_no_more(given_up))
            }
            Trouble::BrokerLost => format!(
                "{place}: no connection to the broker since {since}. No reading arrives and no command leaves. Lamps \
                 whose relay has a hold go dark by themselves; the others stay as they are. Check the broker and the \
                 network, and look at the lamps yourself until it is back: if the enclosures grow cold, warm the room or move \
                 the animals."
            ),
            Trouble::StorageFailing { why } => format!(
                "{place}: safety state cannot be stored since {since}: {why}. Guards work as always, but a latch would \
                 be forgotten over a restart. Check the disk."
            ),
            Trouble::ConfigRefused { why } => format!(
                "{place}: the changed configuration was refused at {since}; the one before stays in force. {why}. Run \
                 `lampwarden check` on it."
            ),
            Trouble::SupplyLost { count, total, places } => {
                supply_in_words(place, subject, since, (*count, *total), places)
            }
            Trouble::Overloaded { messages } => format!(
                "{place}: more messages come in than can be handled since {since}; {messages} were passed over. Of each \
                 probe the newest reading counts, those that a guard goes by come first, and OFF goes out before anything \
                 else. Find what floods the broker: a probe that speaks many times a second, or a bridge that repeats \
                 itself; or give the daemon a faster computer."
            ),
            Trouble::NoticeFailing { why } => format!(
                "{place}: messages to people do not arrive since {since}: {why}. They are kept and tried again. Check the \
                 network, the server and its password with `lampwarden contacts test`, and see to it that somebody looks at \
                 the alarms until they arrive again: with `lampwarden alarms`, or over MQTT."
            ),
        }
    }
}

/// What is wrong with the clock and what lamps go by meanwhile; and what to do.
fn clock_in_words(doubt: ClockDoubt, timezone: Tz, since: &str) -> (String, &'static str) {
    let spoken = |at: DateTime<Utc>| at.with_timezone(&timezone).format("%H:%M on %-d %b %Y").to_string();
    match doubt {
        ClockDoubt::Unset => (
            format!("the clock of this computer is not set (since {since}). All lamps follow the night until it is."),
            "Check the network or set the clock.",
        ),
        ClockDoubt::Jumped => (
            format!(
                "the clock of this computer has jumped (noticed {since}). Lamps follow the old time until the new one \
                 has held for 15 min."
            ),
            "Check the time and the time service.",
        ),
        ClockDoubt::Contradicts { says, known, has_been: true } => (
            format!(
                "the clock of this computer cannot be right since {since}: it says {}, and it was {} when the program \
                 last ran. Lamps carry on from then, late by as long as it did not run.",
                spoken(says),
                spoken(known)
            ),
            "Check the network and the time service, or set the clock; a new battery for it may be due. If what it says \
             is right, let it be: after 24 h it is believed.",
        ),
        ClockDoubt::Contradicts { says, known, has_been: false } => (
            format!(
                "the clock of this computer is far ahead since {since}: it says {}, and it was {} when the program last \
                 ran. Lamps carry on from then until the clock has held for 15 min.",
                spoken(says),
                spoken(known)
            ),
            "Check the time and the time service.",
        ),
    }
}

/// What fell silent or dark at once; `subject` is the supply, empty for the site's.
fn supply_in_words(place: &str, subject: &str, since: &str, (count, total): (usize, usize), some: &[String]) -> String {
    let more = count.saturating_sub(some.len());
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let named = some.join(", ");
    let heat = "Where a guard hears no probe its lamp stays off, so animals there may get no heat: if it grows cold, warm the \
                room or move them.";
    let fuse = "Where a fuse or that device has tripped, have the cause found before it is set again.";
    let apart = "Each alarm of its own stands in the list, is not told by itself, and will be if it outlasts this one.";
    if subject.is_empty() {
        return format!(
            "{place}: power or network has failed since {since}. {count} of {total} enclosures fell silent or dark within \
             minutes, which mostly has one cause: {named}{more}. {apart} {heat} Look whether there is power, at fuses and the \
             residual-current device, and at the network those probes and relays hang on. {fuse} {MAINS}"
        );
    }
    format!(
        "{place}: everything on {subject} has failed since {since}. {count} of {total} lamps there are dark or do not obey, \
         and none is seen lit: {named}{more}. {apart} {heat} Look first at its plug, power strip, fuse and residual-current \
         device. {fuse} {MAINS}"
    )
}

/// Lamps that are no more as somebody set them.
fn by_hand_no_more(given_up: &[String]) -> String {
    if given_up.is_empty() {
        return String::new();
    }
    format!(
        "What was set by hand was given up, for nobody can tell how long it should have lasted: {}. ",
        given_up.join(", ")
    )
}

/// What to look at first where this is the likeliest cause of a dark lamp.
fn look_first(cause: Cause) -> &'static str {
    match cause {
        Cause::NoUv => {
            "A lamp can glow and give no UV, so do not go by the eye: measure under it with a hand-held meter, and where \
             that shows none either fit a spare, log the change and measure again."
        }
        Cause::RelayOpen => {
            "Look first at the relay: whether it clicks when it is switched, and whether lamps on its other outputs burn. \
             Have it replaced where its contacts do not close."
        }
        Cause::SupplyDead => {
            "Look first at the supply: plug, power strip, fuse and residual-current device. Where a fuse or that device has \
             tripped, have the cause found before it is set again. See that the animals do not grow cold meanwhile."
        }
        Cause::Well | Cause::LampDark | Cause::Shaded | Cause::ProbeDead => {
            "Look first whether it glows. Where it does not, see whether plug and lamp sit tight, then fit a spare, log the \
             change and take a meter reading. A UV lamp can glow and give no UV: then only a hand-held meter tells."
        }
    }
}

/// A date as a person says it.
fn day(date: NaiveDate) -> String {
    date.format("%-d %b %Y").to_string()
}

/// Whether a forecast has moved so far that it is worth saying again.
fn moved_by_a_week(now: Option<NaiveDate>, before: Option<NaiveDate>) -> bool {
    now.zip(before).is_some_and(|(now, before)| (now - before).num_days().abs() >= 7)
}

/// Whether more has come to it than what somebody was told.
fn twice_as_many(now: usize, before: usize) -> bool {
    now >= before.saturating_mul(2) && now > before
}

/// As [`twice_as_many`], of what comes by thousands.
fn ten_times_as_many(now: u64, before: u64) -> bool {
    now >= before.saturating_mul(10) && now > before
}

fn held_off(lamps: &[Arc<str>]) -> String {
    if lamps.is_empty() {
        return String::new();
    }
    format!("Without it {} stays off. {COLD} ", lamps.join(" and "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Watts;

    fn dark(cause: Cause, second: Option<Cause>, burns: bool) -> Trouble {
        let finding = Finding { cause, log_odds: 2.0, second };
        Trouble::LampDark { finding, signs: "probe uv sees no UV where it saw 4.1".into(), burns }
    }

    fn clock(doubt: ClockDoubt) -> Trouble {
        Trouble::ClockDoubtful { doubt, timezone: chrono_tz::UTC, given_up: vec!["heat of e1".into()] }
    }

    fn samples() -> Vec<Trouble> {
        let (reading, cut) = (Celsius(41.2), Celsius(40.0));
        let rest = Duration::from_secs(300);
        let limit = Latch::Limit { reading: Celsius(46.5), limit: Celsius(45.0) };
        let stale = Duration::from_secs(90);
        let holds_off: Vec<Arc<str>> = vec!["heat".into()];
        vec![
            Trouble::OverTemperature { reading, cut, rest, latch: None },
            Trouble::OverTemperature { reading, cut, rest, latch: Some(limit) },
            Trouble::OverTemperature { reading, cut, rest, latch: Some(Latch::ThreeTrips) },
            Trouble::HeatUnstoppable { evidence: StillHeats::Power(Watts(74.0)), cut_off: None },
            Trouble::HeatUnstoppable {
                evidence: StillHeats::Temperature { from: reading, to: cut },
                cut_off: Some("west".into()),
            },
            Trouble::CutOffOpen { why: "heat of e1 was told off, and it still draws 74 W".into() },
            Trouble::RelayDeaf { wanted: Level::OFF, reported: Some(Level::FULL), cut_off: None },
            Trouble::RelayDeaf { wanted: Level::FULL, reported: None, cut_off: Some("west".into()) },
            Trouble::ProbeSilent { stale, holds_off: holds_off.clone(), never: false, late: false },
            Trouble::ProbeSilent { stale, holds_off: vec![], never: true, late: false },
            Trouble::ProbeDoubtful { why: "it stands still".into(), holds_off, frozen: true, momentary: false },
            Trouble::ProbeDoubtful { why: "it says 85.0".into(), holds_off: vec![], frozen: false, momentary: true },
            dark(Cause::LampDark, None, true),
            dark(Cause::NoUv, Some(Cause::ProbeDead), false),
            dark(Cause::RelayOpen, Some(Cause::LampDark), false),
            dark(Cause::SupplyDead, None, true),
            Trouble::HeatWeak { reading, target: cut, spot: "basking".into() },
            Trouble::LampHeldBack { circuit: "left".into(), limit: Watts(2500.0), warms: true },
            Trouble::SeasonHeldBack { spot: "cool", coolest: Some(reading), limit: cut },
            Trouble::SeasonBrokenOff { spot: "cool", limit: cut, hours: 48 },
            Trouble::UvOverCeiling { reading: Uvi(9.1), ceiling: Uvi(8.0), latched: true },
            Trouble::UvAboveBand { reading: Uvi(7.6), high: Uvi(7.4) },
            Trouble::UvBelowBand { reading: Uvi(2.1), low: Uvi(2.9) },
            Trouble::SpotOverCeiling { reading: Uvi(9.4), ceiling: Uvi(8.0) },
            Trouble::WalkDue { last: DateTime::UNIX_EPOCH },
            Trouble::CalibrationVoid,
            Trouble::CalibrationOdd { uvi: Uvi(42.0), times: 10.2 },
            Trouble::NeverCalibrated,
            Trouble::UvStepped { date: NaiveDate::default(), size: -0.3 },
            Trouble::UvFading {
                lamps: vec!["uvb".into()],
                expected: Some(NaiveDate::default()),
                earliest: None,
                latest: None,
                reading: Uvi(3.1),
                low: Uvi(2.9),
            },
            Trouble::SpareDue {
                due: 3,
                stock: 1,
                horizon: Duration::from_secs(60 * 86_400),
                places: vec!["uvb of e1".into(), "uvb of e2".into()],
            },
            Trouble::RetainedCommand { topic: "garden/e1/heat/set".into() },
            clock(ClockDoubt::Unset),
            clock(ClockDoubt::Jumped),
            clock(ClockDoubt::Contradicts { says: DateTime::UNIX_EPOCH, known: DateTime::UNIX_EPOCH, has_been: false }),
            clock(ClockDoubt::Contradicts { says: DateTime::UNIX_EPOCH, known: DateTime::UNIX_EPOCH, has_been: true }),
            Trouble::BrokerLost,
            Trouble::StorageFailing { why: "no space left".into() },
            Trouble::ConfigRefused { why: "2 errors.".into() },
            Trouble::NoticeFailing { why: "mail to keeper: the mail server does not answer".into() },
            Trouble::SupplyLost { count: 8, total: 12, places: vec!["Quince".into(), "Gable end".into()] },
            Trouble::Overloaded { messages: 1200 },
        ]
    }

    /// What is filed of `trouble`.
    fn on_file(trouble: &Trouble) -> Trouble {
        let text = trouble.text("Gable end", "thing", "14:03 on 5 May");
        Trouble::OnFile { kind: trouble.kind(), priority: trouble.priority(), text, gist: trouble.gist() }
    }

    #[test]
    fn what_was_filed_is_news_or_worse_as_it_was_before() {
        let mut all = samples();
        all.extend([Some(3), Some(20), None].map(|days| Trouble::UvFading {
            lamps: vec!["uvb".into()],
            expected: days.map(|days| NaiveDate::default() + chrono::TimeDelta::days(days)),
            earliest: None,
            latest: None,
            reading: Uvi(3.1),
            low: Uvi(2.9),
        }));
        let places = || vec!["Quince".to_owned()];
        all.extend([120, 11_999, 12_000].map(|messages| Trouble::Overloaded { messages }));
        all.extend([4, 15, 16].map(|count| Trouble::SupplyLost { count, total: 40, places: places() }));
        let covered = "something lies on it".into();
        all.push(Trouble::ProbeDoubtful { why: covered, holds_off: vec![], frozen: false, momentary: false });
        all.push(Trouble::UvOverCeiling { reading: Uvi(9.1), ceiling: Uvi(8.0), latched: false });
        all.push(Trouble::ProbeSilent { stale: Duration::ZERO, holds_off: vec![], never: false, late: true });
        let mut compared = 0;
        for known in &all {
            let filed = on_file(known);
            assert_eq!((filed.kind(), filed.priority(), filed.gist()), (known.kind(), known.priority(), known.gist()));
            for now in all.iter().filter(|now| now.kind() == known.kind()) {
                let of_spots = |trouble: &Trouble| matches!(trouble, Trouble::SpotOverCeiling { .. });
                let cut_off = |trouble: &Trouble| matches!(trouble, Trouble::CutOffOpen { .. });
                if of_spots(now) == of_spots(known) && cut_off(now) == cut_off(known) {
                    assert_eq!(now.is_news_after(&filed), now.is_news_after(known), "{now:?} after {known:?}");
                    assert_eq!(now.is_worse_than(&filed), now.is_worse_than(known), "{now:?} after {known:?}");
                    compared += 1;
                }
            }
        }
        assert!(compared > 60, "{compared}");
    }

    #[test]
    fn every_text_says_where_since_when_and_what_to_do() {
        let acts = ["look", "see", "check", "pull", "find", "raise", "clean", "warm", "run"];
        for trouble in samples() {
            let text = trouble.text("Gable end", "thing", "14:03 on 5 May");
            assert!(text.starts_with("Gable end: "), "{text}");
            assert!(text.contains("14:03 on 5 May"), "{text}");
            let lower = text.to_lowercase();
            assert!(acts.iter().any(|act| lower.contains(act)), "{text}");
            assert!(!text.contains("  ") && !text.ends_with(' '), "{text:?}");
        }
    }

    #[test]
    fn texts_that_touch_heat_and_mains_carry_their_cautions() {
        for trouble in samples() {
            let text = trouble.text("E", "s", "t");
            match trouble {
                Trouble::OverTemperature { .. } | Trouble::HeatUnstoppable { .. } => {
                    assert!(text.contains("veterinarian") && text.contains("licensed electrician"), "{text}");
                }
                Trouble::RelayDeaf { .. }
                | Trouble::LampDark { .. }
                | Trouble::HeatWeak { .. }
                | Trouble::LampHeldBack { .. }
                | Trouble::SupplyLost { .. } => {
                    assert!(text.contains("licensed electrician"), "{text}");
                }
                Trouble::UvOverCeiling { .. }
                | Trouble::SpotOverCeiling { .. }
                | Trouble::UvAboveBand { .. }
                | Trouble::SeasonHeldBack { .. }
                | Trouble::SeasonBrokenOff { .. } => {
                    assert!(text.contains("veterinarian"), "{text}");
                }
                _ => {}
            }
        }
    }

    #[test]
    fn every_cut_says_that_the_animal_may_grow_cold() {
        let cuts = samples().into_iter().filter(|trouble| match trouble {
            Trouble::OverTemperature { .. }
            | Trouble::HeatWeak { .. }
            | Trouble::CutOffOpen { .. }
            | Trouble::BrokerLost
            | Trouble::SupplyLost { .. } => true,
            Trouble::LampHeldBack { warms, .. } => *warms,
            Trouble::ProbeSilent { holds_off, .. } | Trouble::ProbeDoubtful { holds_off, .. } => !holds_off.is_empty(),
            _ => false,
        });
        for trouble in cuts {
            assert!(trouble.text("E", "s", "t").contains("cold"), "{trouble:?}");
        }
    }
}

//! Words and marks that all pages share. A state is told by a word and a shape; its colour only repeats that.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

use crate::control::{AlarmNotice, AlarmState, EnclosureView, LampView, Priority, ProbeView, Quality};
use crate::settings::{Enclosure, Measures, Probe};
use crate::units::Level;

/// How something stands, the better first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Mark {
    /// Nothing to do.
    Well,
    /// Nobody can tell.
    Unknown,
    /// When there is time.
    Note,
    /// Soon.
    Look,
    /// Now.
    Act,
}

impl Mark {
    pub(super) const fn of(priority: Priority) -> Mark {
        match priority {
            Priority::Low | Priority::Medium => Mark::Note,
            Priority::High => Mark::Look,
            Priority::Critical => Mark::Act,
        }
    }

    /// The class of what it marks.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Mark::Well => "well",
            Mark::Unknown => "unknown",
            Mark::Note => "note",
            Mark::Look => "look",
            Mark::Act => "act",
        }
    }

    pub(super) const fn word(self) -> &'static str {
        match self {
            Mark::Well => "All right",
            Mark::Unknown => "Not known",
            Mark::Note => "Take note",
            Mark::Look => "Look soon",
            Mark::Act => "Act now",
        }
    }

    /// A shape for each: ring, dashed ring, bar, wedge, block.
    pub(super) fn shape(self) -> Markup {
        html! {
            svg class={ "mark " (self.class()) } viewBox="0 0 20 20" width="20" height="20" aria-hidden="true" { (self.drawn()) }
        }
    }

    /// The shapes once for a page that shows them a thousand times, to be used by the name of their class.
    pub(super) fn shapes() -> Markup {
        html! {
            svg hidden {
                @for mark in [Mark::Well, Mark::Unknown, Mark::Note, Mark::Look, Mark::Act] {
                    symbol id=(mark.class()) viewBox="0 0 20 20" { (mark.drawn()) }
                }
            }
        }
    }

    fn drawn(self) -> Markup {
        html! {
            @match self {
                Mark::Well => { circle cx="10" cy="10" r="6.5" {} }
                Mark::Unknown => { circle cx="10" cy="10" r="6.5" stroke-dasharray="3 3" {} }
                Mark::Note => { rect x="2" y="7" width="16" height="6" rx="3" {} }
                Mark::Look => { path d="M10 2 18.5 17.5H1.5Z" {} }
                Mark::Act => { rect x="2" y="2" width="16" height="16" {} path class="bang" d="M10 5v6M10 14v1" {} }
            }
        }
    }

    /// Shape and word.
    pub(super) fn told(self) -> Markup {
        html! { span class={ "told " (self.class()) } { (self.shape()) " " (self.word()) } }
    }
}

/// The gravest of alarms that stand.
pub(super) fn gravest<'a>(alarms: impl Iterator<Item = &'a AlarmNotice>) -> Option<&'a AlarmNotice> {
    alarms
        .filter(|notice| notice.state.is_active())
        .max_by_key(|notice| (notice.priority, notice.state == AlarmState::Unacknowledged))
}

/// The first sentence of an alarm, without its end.
pub(super) fn first_sentence(text: &str) -> &str {
    let line = text.lines().next().unwrap_or_default();
    line.split_once(". ").map_or(line, |(first, _)| first).trim_end_matches('.')
}

/// Whether an enclosure is known: a view, a time to go by, and every probe heard at least once. Before that nobody can say
/// that it is all right.
pub(super) fn is_known(view: Option<&EnclosureView>) -> bool {
    let heard = |probe: &ProbeView| probe.quality != Quality::Unheard;
    view.is_some_and(|view| view.at.is_some() && view.probes.iter().all(heard))
}

/// `14:05`, and the date before it where that is not today.
pub(super) fn moment(at: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> String {
    let (local, today) = (at.with_timezone(&zone), now.with_timezone(&zone).date_naive());
    if local.date_naive() == today {
        local.format("%H:%M").to_string()
    } else {
        format!("{} {}", date(local.date_naive(), today), local.format("%H:%M"))
    }
}

/// `18 Apr`, and the year where that is another.
pub(super) fn date(date: NaiveDate, today: NaiveDate) -> String {
    use chrono::Datelike as _;
    let format = if date.year() == today.year() { "%-d %b" } else { "%-d %b %Y" };
    date.format(format).to_string()
}

/// For machines that read the page aloud or file it.
pub(super) fn stamp(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).to_rfc3339_opts(chrono::SecondsFormat::Secs, false)
}

/// A moment as an element.
pub(super) fn time(at: DateTime<Utc>, now: DateTime<Utc>, zone: Tz) -> Markup {
    html! { time datetime=(stamp(at, zone)) { (moment(at, now, zone)) } }
}

/// `3 min`, `2 h`, `5 days`: as closely as a person cares.
pub(super) fn ago(span: TimeDelta) -> String {
    match span.num_seconds() {
        ..60 => "a moment".to_owned(),
        60..5400 => format!("{} min", span.num_minutes()),
        5400..172_800 => format!("{} h", span.num_hours()),
        _ => format!("{} days", span.num_days()),
    }
}

/// `on`, `off` or a share.
pub(super) fn level(level: Level) -> String {
    match level.share() {
        0.0 => "off".to_owned(),
        share if share >= 0.995 => "on".to_owned(),
        share => format!("{:.0} %", 100.0 * share),
    }
}

/// A number of a probe with its unit; a UV probe's as the UV index, where that can be told.
pub(super) fn value(probe: &Probe, view: &ProbeView) -> Option<String> {
    let number = match view.uv {
        Some(uv) => uv.uvi?.0,
        None => view.value?,
    };
    Some(number_of(probe.measures, number))
}

/// A number with its unit.
pub(super) fn number_of(measures: Measures, number: f64) -> String {
    match measures {
        Measures::Temperature => format!("{number:.1} °C"),
        Measures::Uvi => format!("UVI {number:.1}"),
        Measures::Humidity => format!("{number:.0} %"),
        Measures::Power => format!("{number:.0} W"),
        Measures::Illuminance => format!("{number:.0} lx"),
    }
}

/// Why a probe's number does not count; none where it does.
pub(super) const fn doubt(quality: Quality) -> Option<&'static str> {
    match quality {
        Quality::Good => None,
        Quality::Unheard => Some("not heard yet"),
        Quality::Stale => Some("too old"),
        Quality::Doubtful => Some("doubtful"),
    }
}

/// What is on and why, in a line.
pub(super) fn burning(enclosure: &Enclosure, view: &EnclosureView) -> String {
    let lamps = || enclosure.lamps.iter().zip(&view.lamps);
    let on: Vec<String> = lamps()
        .filter(|(_, state)| !state.wanted.is_off())
        .map(|(lamp, state)| format!("{} {} ({})", lamp.name, level(state.wanted), state.reason))
        .collect();
    if !on.is_empty() {
        return on.join(", ");
    }
    let mut why: Vec<&str> = lamps().map(|(_, state)| state.reason.as_str()).collect();
    why.dedup();
    match why[..] {
        [] => "no lamps".to_owned(),
        [one] => format!("all off ({one})"),
        _ => {
            let off: Vec<String> =
                lamps().map(|(lamp, state)| format!("{} off ({})", lamp.name, state.reason)).collect();
            off.join(", ")
        }
    }
}

/// What a person has set, in words; none where nobody has.
pub(super) fn by_hand(name: &str, state: &LampView, now: DateTime<Utc>, zone: Tz) -> Option<String> {
    let hand = state.by_hand?;
    let until = hand.until.map_or("for a while".to_owned(), |until| format!("until {}", moment(until, now, zone)));
    let guard = if hand.level.is_off() || !state.wanted.is_off() { "" } else { ", held off all the same" };
    Some(format!("{name} set {} by hand {until}{guard}", level(hand.level)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_told_as_closely_as_a_person_cares() {
        for (seconds, expected) in
            [(5, "a moment"), (60, "1 min"), (5399, "89 min"), (5400, "1 h"), (172_799, "47 h"), (172_800, "2 days")]
        {
            assert_eq!(ago(TimeDelta::seconds(seconds)), expected);
        }
    }

    #[test]
    fn the_gravest_alarm_is_what_an_enclosure_is_marked_by() {
        assert!(Mark::Well < Mark::Unknown && Mark::Unknown < Mark::Note && Mark::Look < Mark::Act);
        let of = |priority, state| AlarmNotice {
            enclosure: None,
            kind: crate::control::AlarmKind::LampDark,
            priority,
            state,
            since: DateTime::UNIX_EPOCH,
            text: String::new(),
            subjects: Vec::new(),
            latched: false,
            aside: None,
        };
        let alarms = [
            of(Priority::Critical, AlarmState::ReturnedUnacknowledged),
            of(Priority::High, AlarmState::Acknowledged),
            of(Priority::Low, AlarmState::Unacknowledged),
        ];
        assert_eq!(gravest(alarms.iter()).map(|notice| notice.priority), Some(Priority::High));
        assert_eq!(gravest([].iter()), None);
    }

    #[test]
    fn a_date_of_another_year_says_so_and_today_is_left_out() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().expect("a time");
        let now = at("2026-04-18T10:00:00Z");
        let zone = chrono_tz::Europe::Lisbon;
        for (text, expected) in [
            ("2026-04-18T07:05:00Z", "08:05"),
            ("2026-04-17T22:30:00Z", "17 Apr 23:30"),
            ("2025-04-17T22:30:00Z", "17 Apr 2025 23:30"),
        ] {
            assert_eq!(moment(at(text), now, zone), expected);
        }
    }

    #[test]
    fn an_alarms_first_sentence_is_enough_for_a_line() {
        assert_eq!(first_sentence("Heat is off at 40.2 °C. Look at it. Now."), "Heat is off at 40.2 °C");
        assert_eq!(first_sentence("One line."), "One line");
    }
}

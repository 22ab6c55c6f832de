//! What happens in a replay, as text: JSON Lines for programs, plain lines for people.

use std::fmt::Write as _;

use chrono::{DateTime, SecondsFormat, Utc};
use chrono_tz::Tz;
use serde::Serialize;

use crate::control::OutputRef;
use crate::settings::{EnclosureIx, Settings};

use super::{Happening, News};

/// What stands for the site where an enclosure is asked for; no enclosure can be called so.
pub(super) const SITE: &str = "site";

/// A lamp's level, or a contactor's. The keys stay, and so does their order.
#[derive(Serialize)]
struct RelayLine<'a> {
    t: String,
    effect: &'static str,
    enclosure: &'a str,
    lamp: &'a str,
    level: f64,
    reason: &'a str,
}

/// An alarm. The keys stay, and so does their order.
#[derive(Serialize)]
struct AlarmLine<'a> {
    t: String,
    effect: &'static str,
    enclosure: &'a str,
    kind: &'static str,
    state: &'static str,
    priority: &'static str,
    text: &'a str,
    since: String,
    subjects: &'a [String],
}

impl Happening {
    /// One line of JSON, with its end. `settings` are those of the replay.
    pub fn json(&self, settings: &Settings) -> String {
        let t = stamp(self.at);
        let line = match &self.news {
            News::Relay { output, level, reason } => {
                let (enclosure, lamp) = names(settings, *output);
                let level = level.share();
                serde_json::to_string(&RelayLine { t, effect: "relay", enclosure, lamp, level, reason })
            }
            News::Alarm { raised, notice } => serde_json::to_string(&AlarmLine {
                t,
                effect: "alarm",
                enclosure: place(settings, notice.enclosure),
                kind: notice.kind.name(),
                state: state(*raised),
                priority: notice.priority.word(),
                text: &notice.text,
                since: stamp(notice.since),
                subjects: &notice.subjects,
            }),
        };
        // Strings and finite numbers alone: this cannot fail.
        let mut line = line.unwrap_or_default();
        line.push('\n');
        line
    }

    /// One line for people, with its end, in the site's local time; below an alarm that is raised stands its text.
    pub fn plain(&self, settings: &Settings) -> String {
        let mut line = local(self.at, settings.site.timezone);
        // Writing to a string cannot fail.
        let _ = match &self.news {
            News::Relay { output, level, reason } => {
                let (enclosure, lamp) = names(settings, *output);
                writeln!(line, "  {enclosure}/{lamp}  {level}: {reason}")
            }
            News::Alarm { raised, notice } => {
                let (place, state, kind) = (place(settings, notice.enclosure), state(*raised), notice.kind);
                let text =
                    if *raised { format!("\n    {}", notice.text.replace('\n', "\n    ")) } else { String::new() };
                writeln!(line, "  {place}  {state} {kind} ({}){text}", notice.priority.word())
            }
        };
        line
    }
}

const fn state(raised: bool) -> &'static str {
    if raised { "raised" } else { "cleared" }
}

/// RFC 3339 in UTC, with milliseconds only where there are any.
fn stamp(at: DateTime<Utc>) -> String {
    let precision = if at.timestamp_subsec_millis() == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
    at.to_rfc3339_opts(precision, true)
}

/// The site's local time, with its offset, since an hour comes twice in autumn.
pub(super) fn local(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S %:z").to_string()
}

/// The name of an enclosure, or of the site.
pub(super) fn place(settings: &Settings, enclosure: Option<EnclosureIx>) -> &str {
    enclosure.map_or(SITE, |EnclosureIx(ix)| settings.enclosures.get(ix).map_or("", |enclosure| &enclosure.id))
}

/// The enclosure and name of an output.
fn names(settings: &Settings, output: OutputRef) -> (&str, &str) {
    match output {
        OutputRef::Lamp(enclosure, lamp) => {
            let of = settings.enclosures.get(enclosure.0);
            let lamp = of.and_then(|of| of.lamps.get(lamp.0)).map_or("", |lamp| &lamp.name);
            (place(settings, Some(enclosure)), lamp)
        }
        OutputRef::CutOff(cut_off) => (SITE, settings.cut_offs.get(cut_off.0).map_or("", |cut_off| &cut_off.name)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn milliseconds_are_written_only_where_there_are_any() {
        for (at, expected) in [
            ("2026-03-01T08:00:00Z", "2026-03-01T08:00:00Z"),
            ("2026-03-01T08:00:00.250Z", "2026-03-01T08:00:00.250Z"),
            ("2026-03-01T08:00:00.000000001Z", "2026-03-01T08:00:00Z"),
        ] {
            assert_eq!(stamp(at.parse().expect("RFC 3339")), expected);
        }
    }

    #[test]
    fn the_hour_that_comes_twice_is_told_apart() {
        // The IANA database: clocks in Lisbon went back at 01:00 UTC on 25 October 2026.
        let at = |text: &str| local(text.parse().expect("RFC 3339"), Tz::Europe__Lisbon);
        assert_eq!(at("2026-10-25T00:30:00Z"), "2026-10-25 01:30:00 +01:00");
        assert_eq!(at("2026-10-25T01:30:00Z"), "2026-10-25 01:30:00 +00:00");
    }
}

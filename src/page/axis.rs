//! The axis of time that all plots of a page share: round moments of the site's own clock.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use chrono::{DateTime, Datelike as _, Days, NaiveDate, NaiveDateTime, TimeDelta, TimeZone as _, Timelike as _, Utc};
use chrono_tz::Tz;

/// Labels at most, on a wide page and on a telephone.
const WIDE: usize = 13;
const NARROW: usize = 5;

/// Ticks of less than a day are so many minutes apart, those of days so many days, those of months so many months.
const MINUTES: [u32; 9] = [1, 5, 10, 30, 60, 120, 360, 720, 1440];
const DAYS: [u32; 4] = [1, 2, 4, 8];
const MONTHS: [u32; 5] = [1, 3, 6, 12, 24];

/// How far apart ticks are.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    /// Counted from each midnight.
    Minutes(u32),
    /// Counted from the first day.
    Days(u32),
    /// Counted from January.
    Months(u32),
}

/// A place on the axis with what is written there.
#[derive(Clone, Debug, PartialEq)]
struct Tick {
    /// ms since the start.
    at: u64,
    label: String,
    /// A second line, where a day or a year begins.
    below: String,
}

/// What is written at a place of the axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// Where, from 0 at the left to 1 at the right.
    pub share: f64,
    /// The time.
    pub text: String,
    /// The date or year, where one begins; else empty.
    pub below: String,
}

/// The axis of time.
#[derive(Clone, Copy, Debug)]
pub struct Axis {
    start: DateTime<Utc>,
    zone: Tz,
    /// ms.
    span: u64,
}

impl Axis {
    /// An axis of `span` ms.
    pub fn new(start: DateTime<Utc>, zone: Tz, span: u64) -> Axis {
        Axis { start, zone, span: span.max(1) }
    }

    /// Where a moment lies, from 0 at the left to 1 at the right.
    pub fn share(self, at: u64) -> f64 {
        at.min(self.span) as f64 / self.span as f64
    }

    /// The same as a length in CSS.
    pub fn percent(self, at: u64) -> String {
        let text = format!("{:.3}", 100.0 * self.share(at));
        format!("{}%", text.trim_end_matches('0').trim_end_matches('.'))
    }

    /// Moments worth a line, ms: wherever a label may stand.
    pub fn lines(self) -> Vec<u64> {
        let both = [self.ticks(WIDE), self.ticks(NARROW)];
        both.into_iter().flatten().map(|tick| tick.at).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// The axis with its labels, once for a wide page and once for a telephone.
    pub fn write(self, page: &mut String) {
        page.push_str("<div class=\"axis\" aria-hidden=\"true\"><span class=\"zone\">local time</span><div>");
        // What would reach beyond the right edge is written to the left of its tick. The shares are guesses at widths.
        for (class, count, edge, long_edge) in [("wide", WIDE, 0.95, 0.9), ("narrow", NARROW, 0.88, 0.7)] {
            for Tick { at, label, below } in self.ticks(count) {
                let is_late = self.share(at) > if below.is_empty() { edge } else { long_edge };
                let end = if is_late { " end" } else { "" };
                let _ = write!(page, "<span class=\"{class}{end}\" style=\"left:{}\">{label}", self.percent(at));
                if !below.is_empty() {
                    let _ = write!(page, "<b>{below}</b>");
                }
                page.push_str("</span>");
            }
        }
        page.push_str("</div></div>\n");
    }

    /// Labels for a wide page, or for a telephone, for a page that writes them in its own way.
    pub fn labels(self, is_narrow: bool) -> Vec<Label> {
        let ticks = self.ticks(if is_narrow { NARROW } else { WIDE });
        ticks.into_iter().map(|Tick { at, label, below }| Label { share: self.share(at), text: label, below }).collect()
    }

    fn local(self, at: u64) -> NaiveDateTime {
        let since = TimeDelta::milliseconds(i64::try_from(at).unwrap_or(i64::MAX / 2));
        (self.start + since).with_timezone(&self.zone).naive_local()
    }

    /// Where a local time lies; none outside the story and in the hour that a spring night skips.
    fn place(self, local: NaiveDateTime) -> Option<u64> {
        let moment = self.zone.from_local_datetime(&local).earliest()?;
        let since = (moment.to_utc() - self.start).num_milliseconds();
        u64::try_from(since).ok().filter(|at| *at <= self.span)
    }

    /// The smallest step that needs no more than `most` labels.
    fn step(self, most: usize) -> Step {
        let fits = |length: u64| self.span / length < most as u64;
        let minutes = MINUTES.into_iter().filter(|minutes| *minutes < 1440);
        minutes
            .map(|minutes| (Step::Minutes(minutes), u64::from(minutes) * 60_000))
            .chain(DAYS.map(|days| (Step::Days(days), u64::from(days) * 86_400_000)))
            .chain(MONTHS.map(|months| (Step::Months(months), u64::from(months) * 30 * 86_400_000)))
            .find(|(_, length)| fits(*length))
            .map_or(Step::Months(120), |(step, _)| step)
    }

    fn ticks(self, most: usize) -> Vec<Tick> {
        let mut ticks = self.bare_ticks(most);
        // The first tick tells its day, unless the next one or two do: they would stand in each other's way.
        let soon = ticks.iter().skip(1).take(2).any(|tick| !tick.below.is_empty());
        if let Some(first) = ticks.first_mut().filter(|first| soon && !first.label.starts_with("00:00")) {
            first.below.clear();
        }
        ticks
    }

    fn bare_ticks(self, most: usize) -> Vec<Tick> {
        let step = self.step(most);
        let (first, last) = (self.local(0).date(), self.local(self.span).date());
        let dates = std::iter::successors(Some(first), |date| date.checked_add_days(Days::new(1)));
        let mut ticks: Vec<Tick> = Vec::new();
        for (number, date) in (1..).zip(dates.take_while(|date| *date <= last)) {
            match step {
                Step::Minutes(minutes) => {
                    for minute in (0..1440).step_by(minutes as usize) {
                        let time = date.and_hms_opt(minute / 60, minute % 60, 0);
                        let Some(at) = time.and_then(|time| self.place(time)) else { continue };
                        // The day is told where it begins, and at the first tick of all.
                        let below =
                            if minute == 0 || ticks.is_empty() { day_and_date(number, date) } else { String::new() };
                        ticks.push(Tick { at, label: format!("{:02}:{:02}", minute / 60, minute % 60), below });
                    }
                }
                Step::Days(days) if (number - 1) % u64::from(days) == 0 => {
                    let Some(at) = self.midnight(date) else { continue };
                    let below = if ticks.is_empty() { date.year().to_string() } else { String::new() };
                    ticks.push(Tick { at, label: date.format("%-d %b").to_string(), below });
                }
                Step::Months(months) if date.day() == 1 && date.month0() % months.min(12) == 0 => {
                    let Some(at) = self.midnight(date) else { continue };
                    let tells_year = date.month0() == 0 || ticks.is_empty();
                    let below = if tells_year { date.year().to_string() } else { String::new() };
                    ticks.push(Tick { at, label: date.format("%b").to_string(), below });
                }
                _ => {}
            }
        }
        ticks
    }

    /// When a day begins: at midnight, or where a spring night skips that, within the two hours after.
    fn midnight(self, date: NaiveDate) -> Option<u64> {
        (0..=4).find_map(|half_hours| self.place(date.and_hms_opt(half_hours / 2, half_hours % 2 * 30, 0)?))
    }

    /// A moment as short as it can be told: without seconds where there are none, without the day where there is but
    /// one, with the date where there are many.
    pub fn moment(self, at: u64) -> String {
        let local = self.local(at);
        let (first, last) = (self.local(0).date(), self.local(self.span).date());
        let day = (local.date() - first).num_days() + 1;
        let time = local.format(if local.second() == 0 { "%H:%M" } else { "%H:%M:%S" });
        match (last - first).num_days() {
            0 => time.to_string(),
            1..=4 => format!("day {day} {time}"),
            _ => format!("day {day}, {} {time}", local.format("%-d %b")),
        }
    }

    /// Whether single hours cannot be told apart.
    pub fn is_dense(self) -> bool {
        self.span > 12 * 86_400_000
    }
}

fn day_and_date(number: u64, date: NaiveDate) -> String {
    format!("day {number} · {}", date.format("%-d %b"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(start: &str, zone: Tz, hours: u64) -> Axis {
        let local = NaiveDateTime::parse_from_str(start, "%Y-%m-%d %H:%M").expect("it is written so");
        let start = zone.from_local_datetime(&local).earliest().expect("it exists").to_utc();
        Axis::new(start, zone, hours * 3_600_000)
    }

    fn labels(axis: Axis, most: usize) -> Vec<String> {
        axis.ticks(most)
            .into_iter()
            .map(|tick| format!("{} {}", tick.label, tick.below).trim_end().to_owned())
            .collect()
    }

    #[test]
    fn labels_are_round_times_of_the_sites_clock() {
        let zone = chrono_tz::Europe::Lisbon;
        let check = |start: &str, hours: u64, most: usize, expected: &[&str]| {
            assert_eq!(labels(axis(start, zone, hours), most), expected, "{start}, {hours} h");
        };
        check("2026-06-21 06:40", 12, NARROW, &["12:00 day 1 · 21 Jun", "18:00"]);
        check("2026-06-21 22:30", 4, NARROW, &["23:00", "00:00 day 2 · 22 Jun", "01:00", "02:00"]);
        let days = ["00:00 day 1 · 21 Jun", "12:00", "00:00 day 2 · 22 Jun", "12:00", "00:00 day 3 · 23 Jun"];
        check("2026-06-21 00:00", 48, NARROW, &days);
        check("2026-06-21 13:00", 14 * 24, NARROW, &["25 Jun 2026", "29 Jun", "3 Jul"]);
        check("2026-01-01 00:00", 365 * 24, NARROW, &["Jan 2026", "Apr", "Jul", "Oct", "Jan 2027"]);
    }

    #[test]
    fn a_day_of_23_hours_is_as_long_as_it_is() {
        // Lisbon skips from 01:00 to 02:00 on 29 March 2026 (last Sunday of March, EU directive 2000/84/EC).
        let axis = axis("2026-03-28 12:00", chrono_tz::Europe::Lisbon, 24);
        let at: Vec<u64> = axis.ticks(NARROW).iter().map(|tick| tick.at / 3_600_000).collect();
        assert_eq!(at, [0, 6, 12, 17, 23], "12:00, 18:00, 00:00, 06:00 and 12:00");
    }

    #[test]
    fn there_are_labels_and_never_too_many() {
        for hours in [1, 2, 5, 12, 24, 30, 48, 72, 100, 24 * 7, 24 * 14, 24 * 30, 24 * 90, 24 * 365, 24 * 800] {
            for zone in [chrono_tz::Europe::Lisbon, chrono_tz::America::Santiago, chrono_tz::Australia::Lord_Howe] {
                let axis = axis("2026-03-27 05:30", zone, hours);
                for most in [WIDE, NARROW] {
                    let count = axis.ticks(most).len();
                    assert!((1..=most + 1).contains(&count), "{count} of {most}: {hours} h, {zone}");
                }
            }
        }
    }

    #[test]
    fn moments_say_the_day_only_where_there_are_several() {
        let zone = chrono_tz::Europe::Lisbon;
        assert_eq!(axis("2026-06-21 06:00", zone, 12).moment(3_600_000), "07:00");
        assert_eq!(axis("2026-06-21 06:00", zone, 12).moment(1_000), "06:00:01");
        assert_eq!(axis("2026-06-21 06:00", zone, 24).moment(20 * 3_600_000), "day 2 02:00");
        assert_eq!(axis("2026-06-21 06:00", zone, 240).moment(92 * 3_600_000), "day 5, 25 Jun 02:00");
    }
}

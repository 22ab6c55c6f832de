//! Days of hours, switches and alarms, against numbers reckoned by hand.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::gather::{self, Calendar, Hour, Part, Word};
use super::{Range, Span, words};
use crate::control::photoperiod::{DayPlan, Lights};

fn at(text: &str) -> DateTime<Utc> {
    format!("2025-06-{text}:00Z").parse().expect("a time")
}

fn span(from: &str, until: &str) -> Span {
    (at(from), at(until))
}

fn plan_of(day: u32, lights: Lights) -> DayPlan {
    let date = NaiveDate::from_ymd_opt(2025, 6, day).expect("a date");
    DayPlan { date, lights, middle: date.and_hms_opt(12, 0, 0).expect("a time").and_utc(), sunrise: None, sunset: None }
}

/// Light from eight to eight, UTC.
fn calendar() -> Calendar {
    let day = |day: u32| {
        let (on, off) = (at(&format!("{day:02}T08:00")), at(&format!("{day:02}T20:00")));
        plan_of(day, Lights::Span { on, off })
    };
    let (first, last) = (plan_of(2, Lights::AllDay).date, plan_of(3, Lights::AllDay).date);
    Calendar::new(first, last, Tz::UTC, &[day(1), day(2), day(3), day(4)])
}

fn hour(from: &str, mean: f64, minutes: u64) -> Hour {
    Hour { at: at(from), mean, low: mean - 1.0, high: mean + 2.0, minutes }
}

#[test]
fn an_hour_is_light_or_dark_once_the_spot_has_settled() {
    let check = |from: &str, expected: Part| assert_eq!(calendar().part(at(from)), expected, "{from}");
    check("02T07:00", Part::Night);
    check("02T07:30", Part::Between);
    check("02T08:00", Part::Between);
    check("02T09:00", Part::Day);
    check("02T19:00", Part::Day);
    check("02T19:30", Part::Between);
    check("02T20:00", Part::Between);
    check("02T21:00", Part::Night);
    check("03T03:00", Part::Night);
    let all = |lights| {
        Calendar::new(
            plan_of(2, lights).date,
            plan_of(2, lights).date,
            Tz::UTC,
            &[1, 2, 3].map(|day| plan_of(day, lights)),
        )
    };
    assert_eq!(all(Lights::AllDay).part(at("02T00:00")), Part::Day, "one day joins the next");
    assert_eq!(all(Lights::AllNight).part(at("02T12:00")), Part::Night);
}

#[test]
fn days_weigh_each_minute_the_same() {
    let hours = [
        hour("02T02:00", 20.0, 60),
        hour("02T12:00", 30.0, 60),
        hour("02T13:00", 33.0, 30),
        hour("03T08:00", 25.0, 60),
        hour("05T12:00", 99.0, 60),
    ];
    let days = gather::climate(&calendar(), &hours);
    assert_eq!(days.len(), 2);
    // (60 · 30 + 30 · 33) / 90 = 31 and (60 · 20 + 60 · 30 + 30 · 33) / 150 = 26.6 by hand.
    assert_eq!((days[0].day.mean(), days[0].day.low, days[0].day.high), (Some(31.0), 29.0, 35.0));
    assert!((days[0].whole.mean().expect("heard") - 26.6).abs() < 1e-12);
    assert_eq!((days[0].night.mean(), days[0].night.minutes), (Some(20.0), 60));
    assert_eq!(
        (days[1].day, days[1].whole.mean()),
        (Range::default(), Some(25.0)),
        "the first hour of light is no day yet"
    );
}

#[test]
fn the_dose_is_that_of_the_minutes_heard() {
    let lit = [span("02T09:30", "02T19:00")];
    let hours =
        [hour("02T09:00", 2.0, 60), hour("02T12:00", 4.0, 60), hour("02T13:00", 5.0, 30), hour("03T12:00", 3.0, 0)];
    let days = gather::uv(&calendar(), &hours, Some(&lit));
    // UVI 1 for an hour is 90 J/m², 0.9 SED (ISO/CIE 17166:2019): (2 + 4 + 5/2) · 0.9.
    assert!((days[0].dose - 7.65).abs() < 1e-9);
    assert_eq!(
        (days[0].lit.low, days[0].lit.high, days[0].peak),
        (4.0, 5.0, Some(7.0)),
        "the lamp came on within the first hour"
    );
    assert_eq!((days[1].dose, days[1].peak, days[1].minutes), (0.0, None, 0));
    let by_day = gather::uv(&calendar(), &hours, None);
    assert_eq!(by_day[0].lit.low, 2.0, "without a lamp the light hours count");
}

#[test]
fn lamps_burn_from_switch_to_switch_where_somebody_watched() {
    let switches = [
        (at("01T20:00"), 1.0),
        (at("02T06:00"), 0.0),
        (at("02T08:00"), 0.4),
        (at("02T09:00"), 1.0),
        (at("02T20:00"), 0.0),
        (at("03T08:00"), 1.0),
    ];
    let window = span("02T00:00", "04T00:00");
    let (spans, times) = gather::on_spans(&switches, window, &[span("02T10:00", "02T11:30")]);
    let expected = [
        span("02T00:00", "02T06:00"),
        span("02T08:00", "02T10:00"),
        span("02T11:30", "02T20:00"),
        span("03T08:00", "04T00:00"),
    ];
    assert_eq!((spans.as_slice(), times), (expected.as_slice(), 2));
    let midnights = [at("02T00:00"), at("03T00:00"), at("04T00:00")];
    assert_eq!(gather::hours_on(&calendar(), &spans, &midnights), [16.5, 16.0]);
    let lit = gather::first_and_last(&spans, &midnights);
    assert_eq!(lit, [Some(span("02T00:00", "02T20:00")), Some(span("03T08:00", "04T00:00"))]);
    let both = gather::all_of(&[spans, vec![span("02T05:00", "02T09:00"), span("02T19:00", "03T12:00")]]);
    assert_eq!(
        both,
        [
            span("02T05:00", "02T06:00"),
            span("02T08:00", "02T09:00"),
            span("02T19:00", "02T20:00"),
            span("03T08:00", "03T12:00")
        ]
    );
    assert!(gather::all_of(&[]).is_empty());
}

#[test]
fn silence_is_told_in_whole_hours_that_somebody_watched() {
    let hours =
        [hour("02T00:00", 1.0, 60), hour("02T01:00", 1.0, 5), hour("02T04:00", 1.0, 0), hour("02T05:00", 1.0, 60)];
    let silent = gather::silent(&hours, span("02T00:00", "02T09:30"), &[span("02T06:30", "02T08:00")]);
    assert_eq!(silent, [span("02T02:00", "02T05:00"), span("02T08:00", "02T09:00")]);
}

fn word(when: &str, kind: &str, stands: bool, seen: bool) -> Word {
    let (at, kind, priority) = (at(when), kind.to_owned(), "high".to_owned());
    Word { at, kind, priority, stands, seen, since: at, is_sites: false, text: "text".into() }
}

#[test]
fn an_alarm_lasts_from_its_raising_to_its_clearing_with_what_was_done_meanwhile() {
    let words = [
        word("01T08:00", "old", true, false),
        word("01T09:00", "old", false, false),
        word("02T08:00", "lamp-dark", true, false),
        word("02T08:30", "lamp-dark", true, true),
        word("02T10:00", "lamp-dark", false, false),
        word("03T08:00", "walk-due", true, false),
    ];
    let acts = [(at("02T09:00"), "change of uvb".to_owned()), (at("02T11:00"), "reset".to_owned())];
    let spells = gather::spells(&words, &acts, at("02T00:00"));
    assert_eq!(spells.len(), 2, "what was over before is not told: {spells:?}");
    assert_eq!(
        (spells[0].from, spells[0].until, spells[0].seen),
        (at("02T08:00"), Some(at("02T10:00")), Some(at("02T08:30")))
    );
    assert_eq!(spells[0].done, acts[..1]);
    assert_eq!((spells[1].kind.as_str(), spells[1].until), ("walk-due", None));
}

#[test]
fn every_alarm_has_its_words() {
    for kind in crate::control::AlarmKind::ALL {
        assert!(!words::meaning(kind.name()).is_empty(), "{kind}");
    }
}

#[test]
fn numbers_are_told_to_a_tenth_and_never_as_minus_nothing() {
    assert_eq!([Some(-0.04), Some(33.25), None].map(words::tenth), ["0.0", "33.2", "–"]);
    assert_eq!(words::lasting(TimeDelta::seconds(45_570)), "12 h 40 min");
}

//! What follows a lamp day by day, held against lamps that age as published.

use super::*;
use crate::science::decay::BURN_IN;
use crate::science::testing::{Pcg32, near, normal};

fn date(day: u32) -> NaiveDate {
    NaiveDate::default() + chrono::Days::new(u64::from(day))
}

/// Day `day` of a lamp that burns 12 h a day.
fn day(day: u32, level: f64) -> Day {
    let seen = Unshaded { value: level, scatter: 0.01, count: 120 };
    Day::new(date(day), BurnHours(12.0 * f64::from(day)), seen).expect("a day")
}

/// What a lamp of the published rate gives on a day.
fn published(day: u32) -> f64 {
    4.0 * libm::exp(-PUBLISHED.0 * 12.0 * f64::from(day))
}

/// Follows a lamp over `days`; the steps told.
fn follow(decline: &mut Decline, days: std::ops::Range<u32>, level: impl Fn(u32) -> f64) -> Vec<(u32, Step)> {
    let mut generator = Pcg32::new(u64::from(days.start), 12);
    days.filter_map(|at| {
        let noisy = level(at) * (1.0 + 0.005 * normal(&mut generator));
        decline.day(day(at, noisy)).map(|step| (at, step))
    })
    .collect()
}

fn fresh() -> Decline {
    Decline::new(BURN_IN, Prior::PUBLISHED)
}

#[test]
fn the_burn_in_is_a_phase_of_its_own() {
    let mut decline = fresh();
    // 12 h a day: the ninth day is the first beyond 100 h.
    follow(&mut decline, 0..9, |at| 6.0 - 0.1 * f64::from(at));
    assert!(decline.is_burning_in() && decline.days() == 0 && decline.own_rate().is_none());
    assert!(decline.forecast(4.0).is_some(), "what any lamp would do");
    follow(&mut decline, 9..40, published);
    assert!(!decline.is_burning_in() && decline.days() == 31);
    near(decline.course().expect("a fit").rate().0 / PUBLISHED.0, 1.0, 0.3);
}

#[test]
fn mercury_lamps_are_forecast_as_published() {
    // Heikkilä et al. 2009: −66 % after 4850 h as one exponential; 70 % of the start is left at 1603 h (computed
    // elsewhere). A month of 12 h days before, 360 h, the forecast is within five days, 60 h.
    let mut decline = fresh();
    follow(&mut decline, 0..104, published);
    let forecast = decline.forecast(0.7 * 4.0).expect("it fades");
    let expected = forecast.expected.expect("it fades");
    near(expected.0, 1603.0, 60.0);
    assert!(forecast.earliest.is_some_and(|at| at < expected) && forecast.latest.is_some_and(|at| at > expected));
    assert_eq!(decline.forecast(9.0).and_then(|forecast| forecast.expected), decline.last().map(Day::hours), "now");
    assert_eq!(decline.forecast(0.0001).and_then(|forecast| forecast.expected), None, "beyond any reach");
}

#[test]
fn a_step_that_is_no_ageing_is_told_with_its_date_and_size_and_the_fit_begins_anew() {
    for size in [-0.3, -0.12, 0.2] {
        let mut decline = fresh();
        let level = |at: u32| published(at) * if at < 60 { 1.0 } else { 1.0 + size };
        let told = follow(&mut decline, 0..90, level);
        let [(at, step)] = told.as_slice() else { panic!("{size}: {told:?}") };
        assert!((63..68).contains(at), "{size}: told on day {at}");
        near(step.size, size, 0.03);
        assert!((step.date - date(60)).num_days().abs() <= 1, "{size}: {}", step.date);
        // The rate is known from before, and the level is the new one.
        let course = decline.course().expect("a fit");
        near(course.at(BurnHours(1080.0)) / level(90), 1.0, 0.01);
        near(course.rate().0 / PUBLISHED.0, 1.0, 0.5);
    }
}

#[test]
fn an_animal_for_a_day_or_two_and_dust_that_is_wiped_off_are_no_steps() {
    let mut decline = fresh();
    let level = |at: u32| {
        let shade = if matches!(at, 40 | 41 | 55 | 70) { 0.4 } else { 1.0 };
        let dust = 1.0 - 0.02 * f64::from(at % 30) / 30.0;
        published(at) * shade * dust
    };
    assert!(follow(&mut decline, 0..120, level).is_empty());
    near(decline.course().expect("a fit").at(BurnHours(1440.0)) / published(120), 0.99, 0.02);
}

#[test]
fn what_says_nothing_is_no_day() {
    let (date, hours) = (date(0), BurnHours(5.0));
    for (value, count) in [(0.0, 100), (-1.0, 100), (f64::NAN, 100), (f64::INFINITY, 100), (3.0, 2)] {
        assert_eq!(Day::new(date, hours, Unshaded { value, scatter: 0.01, count }), None);
    }
    assert_eq!(Day::new(date, BurnHours(f64::NAN), Unshaded { value: 3.0, scatter: 0.01, count: 100 }), None);
    let (short, long) = (
        Day::new(date, hours, Unshaded { value: 3.0, scatter: 0.05, count: 6 }).expect("a day"),
        Day::new(date, hours, Unshaded { value: 3.0, scatter: 0.05, count: 140 }).expect("a day"),
    );
    assert!(short.weight < 0.5 * long.weight && long.weight > 0.5, "{short:?} {long:?}");
    assert_eq!((fresh().course(), fresh().forecast(1.0), fresh().recent()), (None, None, None));
}

#[test]
fn a_restart_every_day_changes_nothing_that_is_told() {
    let level = |at: u32| published(at) * if at < 60 { 1.0 } else { 0.75 };
    let (mut steady, mut restarted) = (fresh(), fresh());
    let mut told = Vec::new();
    for at in 0..90 {
        let expected = follow(&mut steady, at..at + 1, level);
        let text = serde_json::to_string(&restarted.to_record()).expect("plain data");
        restarted = Decline::restore(BURN_IN, &serde_json::from_str(&text).expect("its own"));
        let found = follow(&mut restarted, at..at + 1, level);
        told.extend(found.iter().map(|(at, _)| *at));
        assert_eq!(expected.len(), found.len(), "day {at}");
    }
    assert_eq!(told.len(), 1);
    let (steady, restarted) = (steady.forecast(2.0).expect("it fades"), restarted.forecast(2.0).expect("it fades"));
    near(steady.expected.expect("it fades").0, restarted.expected.expect("it fades").0, 12.0);
}

#[test]
fn a_spoilt_record_is_taken_for_nothing() {
    let mut decline = fresh();
    follow(&mut decline, 0..30, published);
    let record = decline.to_record();
    for spoil in [
        |record: &mut DeclineRecord| record.prior = (f64::NAN, 0.0),
        |record: &mut DeclineRecord| record.window.iter_mut().for_each(|day| day.level = -1.0),
        |record: &mut DeclineRecord| record.window.iter_mut().for_each(|day| day.hours = f64::NAN),
        |record: &mut DeclineRecord| record.sums = [(f64::NAN, u32::MAX), (1e300, u32::MAX)],
        |record: &mut DeclineRecord| record.drift = f64::INFINITY,
    ] {
        let mut spoilt = record.clone();
        spoil(&mut spoilt);
        let mut again = Decline::restore(BURN_IN, &spoilt);
        follow(&mut again, 30..60, published);
        let _ = (again.forecast(3.0), again.charts());
    }
}

#[test]
fn the_next_lamp_is_taken_for_like_the_last_with_caution() {
    let of = |rate: f64, error: f64| Prior::of_previous((rate, error));
    let prior = of(4e-4, 1e-5);
    assert!((PUBLISHED.0..4e-4).contains(&prior.rate.0) && prior.error.0 > 0.3 * prior.rate.0, "{prior:?}");
    assert!(of(0.0, 1e-6).rate.0 >= PUBLISHED.0 / 4.0, "none lasts for ever");
    for broken in [(f64::NAN, 1.0), (f64::INFINITY, 1.0), (1.0, f64::NAN)] {
        let Prior { rate, error } = of(broken.0, broken.1);
        assert!(rate.0.is_finite() && error.0 > 0.0, "{broken:?}");
    }
}

#[test]
fn a_day_in_the_shade_makes_no_probe_coarse() {
    let mut decline = Decline::new(BURN_IN, Prior::PUBLISHED);
    for (number, level) in (20..40).map(|number| (number, 4.0)).chain([(40, 0.2)]) {
        decline.day(day(number, level).grained(0.1));
    }
    assert!((decline.grain() - 0.1 / 4.0).abs() < 1e-9, "{}", decline.grain());
}

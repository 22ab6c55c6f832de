//! A year of days as a picture: when lights are on, date by date, by the clock of the site.

use chrono::{DateTime, Datelike as _, NaiveDate, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

use super::{area, path, percent};
use crate::control::photoperiod::{DayPlan, Lights};
use crate::page::{TALL, WIDE};

/// Hours of the clock since midnight of `date`.
pub(in crate::web) fn hour(at: DateTime<Utc>, date: NaiveDate, zone: Tz) -> f64 {
    let since = at.with_timezone(&zone).naive_local() - date.and_time(chrono::NaiveTime::MIN);
    since.num_seconds() as f64 / 3600.0
}

/// On and off of a date by the clock; the whole date where it is all day, none where it is all night.
pub(in crate::web) fn lit(plan: &DayPlan, zone: Tz) -> Option<(f64, f64)> {
    match plan.lights {
        Lights::Span { on, off } => Some((hour(on, plan.date, zone), hour(off, plan.date, zone))),
        Lights::AllDay => Some((0.0, 24.0)),
        Lights::AllNight => None,
    }
}

/// How much of the picture's height a cooling season takes at its deepest.
const COLD: f64 = 0.12;

/// A date of the picture.
#[derive(Clone, Copy, Debug)]
pub(in crate::web) struct Dated {
    pub plan: DayPlan,
    /// The day of lamps that give UV, where it is another.
    pub uv: Option<DayPlan>,
    /// How deep in a cooling season it is, 0..=1.
    pub depth: f64,
}

/// The picture of a year, its midnights at top and bottom.
pub(in crate::web) fn drawn(dates: &[Dated], zone: Tz, today: NaiveDate, name: &str) -> Markup {
    let plans: Vec<DayPlan> = dates.iter().map(|date| date.plan).collect();
    let count = plans.len().max(1) as f64;
    let place = |nth: usize| (nth as f64 + 0.5) / count;
    let spans = |of: fn(&Dated) -> Option<DayPlan>| -> Vec<_> {
        let span = |(nth, date): (usize, &Dated)| {
            let (on, off) = lit(&of(date)?, zone)?;
            Some((place(nth), on / 24.0, off / 24.0))
        };
        dates.iter().enumerate().filter_map(span).collect()
    };
    let (lights, uv) = (spans(|date| Some(date.plan)), spans(|date| date.uv));
    let cold: Vec<_> = dates
        .iter()
        .enumerate()
        .filter(|(_, date)| date.depth > 0.0)
        .map(|(nth, date)| (place(nth), 1.0 - COLD * date.depth, 1.0))
        .collect();
    let sun = |pick: fn(&DayPlan) -> Option<DateTime<Utc>>| {
        let dates = plans.iter().enumerate();
        let points = dates.filter_map(|(nth, plan)| Some((place(nth), hour(pick(plan)?, plan.date, zone) / 24.0)));
        path(points, 2.0 / count)
    };
    let (wide, tall) = (WIDE.to_string(), TALL.to_string());
    let months = plans.iter().enumerate().filter(|(_, plan)| plan.date.day() == 1);
    let today_at = plans.iter().position(|plan| plan.date == today).map(place);
    html! {
        figure class="lane year" {
            svg class="plot" role="img" aria-label=(told(&plans, name)) {
                svg width="100%" height="100%" viewBox={ "0 0 " (wide) " " (tall) } preserveAspectRatio="none" {
                    rect class="night" width=(wide) height=(tall) {}
                    path class="light" d=(area(&lights, 1.5 / count)) {}
                    @if !uv.is_empty() {
                        path class="uv" d=(path(uv.iter().map(|(x, on, _)| (*x, *on)), 1.5 / count)) {}
                        path class="uv" d=(path(uv.iter().map(|(x, _, off)| (*x, *off)), 1.5 / count)) {}
                    }
                    @if !cold.is_empty() { path class="cold" d=(area(&cold, 1.5 / count)) {} }
                    @for hours in [6, 12, 18] { path class="grid" d={ "M0 " (hours * 1000 / 24) "H" (wide) } {} }
                    path class="sun" d=(sun(|plan| plan.sunrise)) {}
                    path class="sun" d=(sun(|plan| plan.sunset)) {}
                    @if let Some(at) = today_at { path class="present" d={ "M" (format!("{:.0}", WIDE * at)) " 0V" (tall) } {} }
                }
                @for hours in [6, 12, 18] {
                    text class="value" x="4" y=(percent(f64::from(hours) / 24.0)) dy="-3" { (format!("{hours:02}:00")) }
                }
            }
            svg class="times" height="20" aria-hidden="true" {
                @for (nth, plan) in months {
                    @let class = if plan.date.month0() % 3 == 0 { "" } else { "wide" };
                    line class={ "tick " (class) } x1=(percent(nth as f64 / count)) x2=(percent(nth as f64 / count)) y1="0" y2="6" {}
                    text class=(class) x=(percent(nth as f64 / count)) dx="3" y="16" { (plan.date.format("%b")) }
                }
            }
        }
    }
}

/// A week's days, one bar under the other.
pub(in crate::web) fn week(plans: &[DayPlan], zone: Tz) -> Markup {
    html! {
        div class="week" {
            @for plan in plans {
                @let span = lit(plan, zone);
                div class="week-day" {
                    span class="week-date" { (plan.date.format("%a %-d %b")) }
                    svg class="week-bar" height="22" aria-hidden="true" {
                        rect class="night" width="100%" height="22" rx="3" {}
                        @if let Some((on, off)) = span {
                            @let (left, right) = ((on / 24.0).clamp(0.0, 1.0), (off / 24.0).clamp(0.0, 1.0));
                            rect class="light" x=(percent(left)) width=(percent((right - left).max(0.0))) height="22" {}
                        }
                    }
                    span class="week-times" {
                        @match plan.span() {
                            Some((on, off)) => {
                                (on.with_timezone(&zone).format("%H:%M")) " – " (off.with_timezone(&zone).format("%H:%M"))
                            }
                            None if span.is_some() => { "all day" }
                            None => { "all night" }
                        }
                    }
                }
            }
        }
    }
}

fn told(plans: &[DayPlan], name: &str) -> String {
    let longest = plans.iter().max_by_key(|plan| plan.day_length());
    let shortest = plans.iter().min_by_key(|plan| plan.day_length());
    let words = |plan: &DayPlan| {
        let minutes = plan.day_length().num_minutes();
        format!("{} h {:02} on {}", minutes / 60, minutes % 60, plan.date.format("%-d %b"))
    };
    match (shortest, longest) {
        (Some(shortest), Some(longest)) => {
            format!("The year's days of {name}: the shortest {}, the longest {}.", words(shortest), words(longest))
        }
        _ => format!("{name}: no days."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::photoperiod::plan;
    use crate::settings::{Photoperiod, Place};
    use crate::units::Degrees;
    use chrono::NaiveTime;

    #[test]
    fn a_day_by_the_clock_is_where_it_should_be() {
        let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a time");
        let zone = chrono_tz::Europe::Lisbon;
        let place = Place { latitude: Degrees(38.7), longitude: Degrees(-9.1) };
        let photoperiod = Photoperiod::Clock { on: time(6), off: time(18) };
        let date = NaiveDate::from_ymd_opt(2026, 6, 1).expect("a date");
        let plans: Vec<_> = date.iter_days().take(7).filter_map(|date| plan(&photoperiod, zone, place, date)).collect();
        assert_eq!(lit(&plans[0], zone), Some((6.0, 18.0)));
        let html = week(&plans, zone).into_string();
        assert!(
            html.contains("06:00 – 18:00") && html.contains("x=\"25%\"") && html.contains("width=\"50%\""),
            "{html}"
        );
        let dated = |(nth, plan): (usize, &DayPlan)| Dated { plan: *plan, uv: None, depth: nth as f64 / 6.0 };
        let dates: Vec<Dated> = plans.iter().enumerate().map(dated).collect();
        let year = drawn(&dates, zone, date, "e1").into_string();
        assert!(year.contains("the shortest 12 h 00 on 1 Jun") && !year.contains("style="), "{year}");
        assert!(year.contains("class=\"cold\"") && !year.contains("class=\"uv\""), "{year}");
        let short = plan(&Photoperiod::Clock { on: time(9), off: time(15) }, zone, place, date);
        let dates: Vec<Dated> = dates.into_iter().map(|date| Dated { uv: short, depth: 0.0, ..date }).collect();
        let year = drawn(&dates, zone, date, "e1").into_string();
        assert!(!year.contains("class=\"cold\"") && year.matches("class=\"uv\"").count() == 2, "{year}");
    }
}

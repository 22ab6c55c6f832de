//! The message a day: each enclosure in a line, what was different today, what is due this week. And the one a week, with
//! charts.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::chart::Chart;
use super::message::{Message, Sort};
use super::metrics::Metrics;
use super::words::{CAUTION, Page, plain, spoken};

/// So many enclosures have a line of their own; of more, those where something is the matter. A guess.
const LINES_MAX: usize = 60;

/// What a digest is written from.
#[derive(Clone, Debug, Default)]
pub struct Day {
    /// Every enclosure in a line, and whether something is the matter there.
    pub enclosures: Vec<(String, bool)>,
    /// Alarms that stand, a sentence each.
    pub standing: Vec<String>,
    /// What was different today, a sentence each.
    pub different: Vec<String>,
    /// What is due within a week: by when, where that is known, and what.
    pub due: Vec<(Option<NaiveDate>, String)>,
}

/// The message for one contact and channel.
///
/// `unique` differs from contact to contact.
pub fn compose(
    site: &str,
    day: &Day,
    (contact, channel): (&str, &str),
    zone: Tz,
    now: DateTime<Utc>,
    unique: usize,
) -> Message {
    let date = now.with_timezone(&zone).date_naive();
    let matters = day.enclosures.iter().filter(|(_, matters)| *matters).count();
    let how = match (matters, day.standing.len()) {
        (0, 0) => "all well".to_owned(),
        (_, 1) => "1 alarm stands".to_owned(),
        (_, alarms) => format!("{alarms} alarms stand"),
    };
    let mut page = Page::titled(format!("[digest] {}: {how} ({site})", date.format("%-d %b %Y")));
    if !day.standing.is_empty() {
        page.heading("Alarms that stand");
        page.paragraph(day.standing.join("\n"));
    }
    page.heading("Enclosures");
    let shown: Vec<_> = if day.enclosures.len() <= LINES_MAX {
        day.enclosures.iter().map(|(line, _)| line.as_str()).collect()
    } else {
        let shown = day.enclosures.iter().filter(|(_, matters)| *matters).map(|(line, _)| line.as_str());
        shown.take(LINES_MAX).collect()
    };
    page.paragraph(if shown.is_empty() { "Nothing is the matter anywhere.".to_owned() } else { shown.join("\n") });
    let left = day.enclosures.len() - shown.len();
    if left > 0 {
        page.paragraph(format!("{left} more are not listed."));
    }
    page.heading("What was different today");
    page.paragraph(listed(&day.different));
    page.heading("Due this week");
    let week = date + TimeDelta::days(7);
    let mut due: Vec<_> = day.due.iter().filter(|(by, _)| by.is_none_or(|by| by <= week)).collect();
    due.sort();
    let due = due.into_iter().map(|(by, what)| match by {
        Some(by) => format!("by {}: {what}", by.format("%-d %b")),
        None => what.clone(),
    });
    page.paragraph(listed(&due.collect::<Vec<_>>()));
    page.paragraph(format!("Site {site}, written at {}; times are {}.", spoken(now, zone), zone.name()));
    page.paragraph(CAUTION);
    let notice = format!("{:x}-digest-{unique:x}", now.timestamp_millis());
    plain(page, Sort::Digest).message(&notice, contact, channel, now)
}

/// What the message of the week is written from.
#[derive(Clone, Debug, PartialEq)]
pub struct Week {
    /// Its first and last day.
    pub days: (NaiveDate, NaiveDate),
    /// Charts of its probes, enclosure by enclosure.
    pub charts: Vec<Chart>,
    /// Enclosures that have none, for there are too many.
    pub left: usize,
    /// The figures of the alarms.
    pub metrics: Metrics,
}

/// The message of the week for one contact and channel. `unique` differs from contact to contact.
pub fn compose_week(
    site: &str,
    week: &Week,
    (contact, channel): (&str, &str),
    zone: Tz,
    now: DateTime<Utc>,
    unique: usize,
) -> Message {
    let (first, last) = week.days;
    let alarms = match week.metrics.alarms {
        0 => "no alarms".to_owned(),
        1 => "1 alarm".to_owned(),
        alarms => format!("{alarms} alarms"),
    };
    let (first, last) = (first.format("%-d %b"), last.format("%-d %b %Y"));
    let mut page = Page::titled(format!("[week] {first} to {last}: {alarms} ({site})"));
    page.heading("Alarms");
    let of_day = |date: NaiveDate| week.metrics.days.get(&date).copied().unwrap_or(0) as f64;
    let days = week.days.0.iter_days().take_while(|date| *date <= week.days.1);
    let bars = days.map(|date| (date.format("%a %-d").to_string(), Some((0.0, of_day(date))))).collect();
    page.chart(Chart { title: "Alarms told a day".to_owned(), bars, beside: String::new(), digits: 0 });
    page.paragraph("The figures of ISA-18.2 / IEC 62682, and what they recommend for one operator:");
    page.table(week.metrics.lines().into_iter().map(Vec::from).collect());
    page.heading("Enclosures");
    page.paragraph("Lowest to highest reading of each day.");
    for chart in &week.charts {
        page.chart(chart.clone());
    }
    if week.left > 0 {
        page.paragraph(format!("{} more enclosures are not drawn; `lampwarden report` draws any of them.", week.left));
    }
    page.paragraph(format!(
        "Site {site}, written at {}; days are the site's, times are {}.",
        spoken(now, zone),
        zone.name()
    ));
    page.paragraph(LOOK);
    page.paragraph(CAUTION);
    let notice = format!("{:x}-week-{unique:x}", now.timestamp_millis());
    plain(page, Sort::Weekly).message(&notice, contact, channel, now)
}

/// Under the charts.
const LOOK: &str = "A chart shows what probes said, which is not how the animal does: look at it, and ask a veterinarian where it \
                    eats, moves or basks less than it did. Wiring is for a licensed electrician.";

fn listed(lines: &[String]) -> String {
    if lines.is_empty() { "Nothing.".to_owned() } else { lines.join("\n") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_told_in_its_order() {
        let now = "2026-07-01T18:00:00Z".parse().expect("a time");
        let by = |day| NaiveDate::from_ymd_opt(2026, 7, day);
        let day = Day {
            enclosures: vec![("e1: day, basking 33.1 °C".to_owned(), false), ("e2: night".to_owned(), true)],
            standing: vec!["e2: lamp heat gives no sign of life".to_owned()],
            different: vec!["14:03 e2: lamp-dark".to_owned()],
            due: vec![(by(9), "too late to matter".to_owned()), (by(4), "change uvb of e1".to_owned())],
        };
        let message = compose("garden-room", &day, ("keeper", "mail"), chrono_tz::Europe::Lisbon, now, 0);
        assert_eq!(message.subject, "[digest] 1 Jul 2026: 1 alarm stands (garden-room)");
        let order =
            ["no sign of life", "33.1 °C", "e2: night", "14:03 e2", "by 4 Jul: change uvb", "19:00 on 1 Jul 2026"];
        let places: Vec<_> = order.iter().map(|part| message.text.find(part).expect(part)).collect();
        assert!(places.is_sorted(), "{}", message.text);
        assert!(!message.text.contains("too late"), "{}", message.text);
        assert!(message.text.contains(CAUTION));
    }

    #[test]
    fn a_week_is_drawn_in_text_and_in_html_and_says_what_it_is_no_proof_of() {
        let day = |day| NaiveDate::from_ymd_opt(2026, 7, day).expect("a date");
        let bars = (1..=7).map(|n| (format!("day {n}"), Some((f64::from(n), 30.0)))).collect();
        let chart = Chart { title: "e1: basking".to_owned(), bars, beside: String::new(), digits: 1 };
        let now: DateTime<Utc> = "2026-07-08T07:00:00Z".parse().expect("a time");
        let metrics = crate::notify::metrics::Tally::new(now - TimeDelta::days(7), chrono_tz::UTC).metrics(now);
        let week = Week { days: (day(1), day(7)), charts: vec![chart], left: 3, metrics };
        let message = compose_week("garden-room", &week, ("keeper", "mail"), chrono_tz::UTC, now, 0);
        assert_eq!(message.subject, "[week] 1 Jul to 7 Jul 2026: no alarms (garden-room)");
        for part in [
            "Alarms told a day",
            "e1: basking",
            "7.0 to 30.0",
            "about 80 / 15 / 5 %",
            "3 more",
            CAUTION,
            "veterinarian",
        ] {
            assert!(message.text.contains(part), "{part}: {}", message.text);
        }
        assert!(
            message.html.contains("bgcolor") && !message.html.contains("<script") && !message.html.contains("src=")
        );
    }

    #[test]
    fn of_a_thousand_enclosures_those_are_listed_where_something_is_the_matter() {
        let enclosures = (0..1000).map(|n| (format!("e{n}: night"), n % 100 == 0)).collect();
        let day = Day { enclosures, ..Day::default() };
        let now = DateTime::UNIX_EPOCH;
        let message = compose("garden-room", &day, ("keeper", "mail"), chrono_tz::UTC, now, 0);
        assert!(message.text.contains("e900: night") && !message.text.contains("e901"), "{}", message.text);
        assert!(message.text.contains("990 more are not listed"));
    }
}

//! The message a day: each enclosure in a line, what was different today, what is due this week.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::message::{Message, Sort};
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
    fn of_a_thousand_enclosures_those_are_listed_where_something_is_the_matter() {
        let enclosures = (0..1000).map(|n| (format!("e{n}: night"), n % 100 == 0)).collect();
        let day = Day { enclosures, ..Day::default() };
        let now = DateTime::UNIX_EPOCH;
        let message = compose("garden-room", &day, ("keeper", "mail"), chrono_tz::UTC, now, 0);
        assert!(message.text.contains("e900: night") && !message.text.contains("e901"), "{}", message.text);
        assert!(message.text.contains("990 more are not listed"));
    }
}

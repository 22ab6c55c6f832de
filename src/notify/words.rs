//! Subject, plain text and HTML of a message. What an alarm says comes from `control`; this puts it together.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use chrono::{DateTime, NaiveDateTime, TimeZone as _, Utc};
use chrono_tz::Tz;

use crate::control::Priority;

use super::chart::Chart;
use super::life::{Key, Life, Stage, Standing};
use super::message::{About, Message, Sort};

/// So many alarms are told in full; of the rest the kind and the place. A guess.
const IN_FULL: usize = 10;
/// So many places are named of a kind.
const PLACES_NAMED: usize = 60;
/// A subject is no longer, in characters.
const SUBJECT_CHARS_MAX: usize = 140;
/// As alarms tell a time; `control` writes it in the site's zone.
const TIME: &str = "%H:%M on %-d %b %Y";

/// Under every message.
pub(super) const CAUTION: &str = "A message can be late or get lost, and its absence proves nothing: nobody should rely on \
                                  messages alone for live animals. Have somebody look in.";

/// An address by which alarms are acknowledged.
pub type Link = String;

/// Who reads it, and where.
pub(super) struct Reader<'a> {
    pub(super) zone: Tz,
    pub(super) site_zone: Tz,
    pub(super) site: &'a str,
    /// What they should do, by enclosure.
    pub(super) instructions: &'a [(String, String)],
    pub(super) enclosures: usize,
}

/// A message before it is for a channel.
pub(super) struct Content {
    sort: Sort,
    priority: Priority,
    page: Page,
    link: Option<Link>,
    about: Vec<About>,
}

impl Content {
    pub(super) fn message(&self, notice: &str, contact: &str, channel: &str, made: DateTime<Utc>) -> Message {
        Message {
            id: format!("{notice}-{channel}"),
            notice: notice.to_owned(),
            contact: contact.to_owned(),
            channel: channel.to_owned(),
            sort: self.sort,
            priority: self.priority,
            made,
            subject: self.page.subject.clone(),
            text: self.page.text(),
            html: self.page.html(),
            link: self.link.clone(),
            about: self.about.clone(),
        }
    }
}

/// Something to read: headings and paragraphs, as plain text and as HTML.
#[derive(Clone, Debug, Default)]
pub(super) struct Page {
    pub(super) subject: String,
    parts: Vec<Part>,
}

#[derive(Clone, Debug)]
enum Part {
    Heading(String),
    Paragraph(String),
    Link(&'static str, Link),
    Chart(Chart),
    Table(Vec<Vec<String>>),
}

impl Page {
    pub(super) fn titled(subject: impl Into<String>) -> Page {
        Page { subject: subject.into(), parts: Vec::new() }
    }

    pub(super) fn heading(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Heading(text.into()));
    }

    pub(super) fn paragraph(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Paragraph(text.into()));
    }

    pub(super) fn chart(&mut self, chart: Chart) {
        self.parts.push(Part::Chart(chart));
    }

    pub(super) fn table(&mut self, rows: Vec<Vec<String>>) {
        self.parts.push(Part::Table(rows));
    }

    pub(super) fn text(&self) -> String {
        let mut text = String::new();
        for part in &self.parts {
            let _ = match part {
                Part::Heading(heading) => write!(text, "{heading}\n{}\n\n", "-".repeat(heading.chars().count())),
                Part::Paragraph(paragraph) => write!(text, "{paragraph}\n\n"),
                Part::Link(words, link) => write!(text, "{words}:\n{link}\n\n"),
                Part::Chart(chart) => writeln!(text, "{}", chart.text()),
                Part::Table(rows) => writeln!(text, "{}", rows_in_text(rows)),
            };
        }
        text.trim_end().to_owned() + "\n"
    }

    pub(super) fn html(&self) -> String {
        let subject = escaped(&self.subject);
        let mut html = format!(
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{subject}</title></head>\n\
             <body style=\"font-family: sans-serif; max-width: 40em\">\n"
        );
        for part in &self.parts {
            let _ = match part {
                Part::Heading(heading) => writeln!(html, "<h2>{}</h2>", escaped(heading)),
                Part::Paragraph(text) => writeln!(html, "<p>{}</p>", escaped(text).replace('\n', "<br>\n")),
                Part::Chart(chart) => html.write_str(&chart.html()),
                Part::Table(rows) => html.write_str(&rows_in_html(rows)),
                Part::Link(words, link) => {
                    writeln!(html, "<p><a href=\"{}\">{}</a></p>", escaped(link), escaped(words))
                }
            };
        }
        html + "</body></html>\n"
    }
}

/// Columns one below the other.
fn rows_in_text(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max();
    let widths: Vec<_> = (0..columns).map(|column| width(column).unwrap_or(0)).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}"));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned() + "\n"
    };
    rows.iter().map(line).collect()
}

fn rows_in_html(rows: &[Vec<String>]) -> String {
    let cell = |cell: &String| format!("<td style=\"padding-right: 1em\">{}</td>", escaped(cell));
    let row = |row: &Vec<String>| format!("<tr>{}</tr>\n", row.iter().map(cell).collect::<String>());
    format!("<table>\n{}</table>\n", rows.iter().map(row).collect::<String>())
}

/// Text as it stands in HTML.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// One message about these alarms.
pub(super) fn compose(
    reader: &Reader<'_>,
    told: &[(Key, Stage, Life)],
    now: DateTime<Utc>,
    link: Option<&str>,
) -> Content {
    let mut told: Vec<_> = told.iter().collect();
    told.sort_by(|(a, a_stage, a_life), (b, b_stage, b_life)| {
        let is_over = |stage: &Stage| *stage == Stage::Over;
        is_over(a_stage).cmp(&is_over(b_stage)).then(b_life.priority.cmp(&a_life.priority)).then_with(|| a.cmp(b))
    });
    let sort = if told.iter().all(|(_, stage, _)| *stage == Stage::Over) {
        Sort::Over
    } else if told.iter().all(|(_, stage, _)| *stage == Stage::Again) {
        Sort::Reminder
    } else {
        Sort::Alarm
    };
    let priority = told.iter().filter(|(_, stage, _)| sort == Sort::Over || *stage != Stage::Over);
    let priority = priority.map(|(_, _, life)| life.priority).max().unwrap_or(Priority::Low);
    let mut page = Page::titled(subject(reader, sort, priority, &told));
    for (key, stage, life) in told.iter().take(IN_FULL) {
        page.heading(heading(*stage, life));
        page.paragraph(in_zone(&life.text, reader.site_zone, reader.zone));
        if let Some(why) = stage_in_words(*stage, life, reader.zone) {
            page.paragraph(why);
        }
        let instructions = reader.instructions.iter().find(|(id, _)| Some(id) == key.enclosure.as_ref());
        if let Some((id, what)) = instructions.filter(|_| *stage != Stage::Over) {
            page.paragraph(format!("What to do at {id}, in the keeper's words: {what}"));
        }
    }
    if told.len() > IN_FULL {
        page.heading(format!("And {} more", told.len() - IN_FULL));
        for line in counted(&told[IN_FULL..], reader.enclosures) {
            page.paragraph(line);
        }
    }
    if let Some(link) = link {
        page.parts.push(Part::Link("Say that you have seen this, and see to it", link.to_owned()));
    }
    let zone = reader.zone.name();
    page.paragraph(format!("Site {}, written at {}; times are {zone}.", reader.site, spoken(now, reader.zone)));
    page.paragraph(CAUTION);
    let about =
        |(key, stage, life): &&(Key, Stage, Life)| About { alarm: key.to_string(), raise: life.raise, stage: *stage };
    Content { sort, priority, page, link: link.map(str::to_owned), about: told.iter().map(about).collect() }
}

fn heading(stage: Stage, life: &Life) -> String {
    match stage {
        Stage::Over => "Returned to normal".to_owned(),
        _ => {
            let word = life.priority.word();
            let mut chars = word.chars();
            chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect::<String>()) + " alarm"
        }
    }
}

/// Why it is told now, where that needs saying.
fn stage_in_words(stage: Stage, life: &Life, zone: Tz) -> Option<String> {
    let over = life.over_at.filter(|_| life.standing == Standing::Over).map(|at| spoken(at, zone));
    match (stage, over) {
        (Stage::Over, Some(at)) => Some(format!("It returned to normal at {at}. See that all is well there.")),
        (Stage::Over, None) => Some("It has returned to normal. See that all is well there.".to_owned()),
        (_, Some(at)) => Some(format!("It returned to normal at {at}, before this was sent. Look there all the same.")),
        (Stage::First, None) => None,
        (Stage::Then, None) => Some("Nobody has acknowledged it yet, so you are told too.".to_owned()),
        (Stage::Again, None) => Some("Nobody has acknowledged it yet.".to_owned()),
        (Stage::Changed, None) => Some("You know of it; this is what has changed.".to_owned()),
    }
}

fn subject(reader: &Reader<'_>, sort: Sort, priority: Priority, told: &[&(Key, Stage, Life)]) -> String {
    let word = match sort {
        Sort::Over => "over".to_owned(),
        Sort::Reminder => format!("{}, again", priority.word()),
        _ => priority.word().to_owned(),
    };
    let what = told.first().map_or(String::new(), |(_, _, life)| first_sentence(&life.text));
    let what = in_zone(&what, reader.site_zone, reader.zone);
    let count = if told.len() > 1 { format!("{} alarms: ", told.len()) } else { String::new() };
    clipped(&format!("[{word}] {count}{what} ({})", reader.site))
}

/// The rest by kind, with where; a line each.
fn counted(told: &[&(Key, Stage, Life)], enclosures: usize) -> Vec<String> {
    let mut kinds: BTreeMap<(bool, &str), Vec<&str>> = BTreeMap::new();
    for (key, stage, _) in told {
        let place = key.enclosure.as_deref().unwrap_or("the site");
        kinds.entry((*stage == Stage::Over, key.kind.name())).or_default().push(place);
    }
    let line = |((over, kind), places): ((bool, &str), Vec<&str>)| {
        let more = places.len().saturating_sub(PLACES_NAMED);
        let named = places[..places.len() - more].join(", ");
        let more = if more > 0 { format!(" and {more} more of {enclosures}") } else { String::new() };
        let over = if over { ", returned to normal" } else { "" };
        format!("{kind}{over}: {named}{more}")
    };
    kinds.into_iter().map(line).collect()
}

/// What and where: the first sentence of an alarm's text, in one line.
pub fn first_sentence(text: &str) -> String {
    let line = text.lines().next().unwrap_or("");
    let end = line.find(". ").unwrap_or(line.len());
    line[..end].trim_end_matches('.').to_owned()
}

fn clipped(text: &str) -> String {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().count() <= SUBJECT_CHARS_MAX {
        return text;
    }
    text.chars().take(SUBJECT_CHARS_MAX - 1).collect::<String>() + "…"
}

/// A time as its reader knows it.
pub(super) fn spoken(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format(TIME).to_string()
}

/// An alarm's text with its times, which are the site's, as the reader's own clock shows them.
pub(super) fn in_zone(text: &str, site: Tz, reader: Tz) -> String {
    if site == reader {
        return text.to_owned();
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(" on ") {
        match time_around(rest, at).and_then(|(from, to)| Some((from, to, converted(&rest[from..to], site, reader)?))) {
            Some((from, to, told)) => {
                out.push_str(&rest[..from]);
                out.push_str(&told);
                rest = &rest[to..];
            }
            None => {
                let after = at + " on ".len();
                out.push_str(&rest[..after]);
                rest = &rest[after..];
            }
        }
    }
    out + rest
}

/// Where the time stands that has its " on " at `at`: `14:03 on 5 May 2026`.
fn time_around(text: &str, at: usize) -> Option<(usize, usize)> {
    let from = at.checked_sub("14:03".len()).filter(|&from| text.is_char_boundary(from))?;
    let date = &text[at + " on ".len()..];
    let year = date.split(' ').nth(2)?;
    let digits = year.bytes().take_while(u8::is_ascii_digit).count();
    let before: usize = date.split(' ').take(2).map(|part| part.len() + 1).sum();
    Some((from, at + " on ".len() + before + digits))
}

fn converted(text: &str, site: Tz, reader: Tz) -> Option<String> {
    let local = NaiveDateTime::parse_from_str(text, "%H:%M on %d %b %Y").ok()?;
    let at = site.from_local_datetime(&local).earliest()?;
    Some(spoken(at.with_timezone(&Utc), reader))
}

/// A message that says that it is a test.
pub fn test_message(site: &str, contact: &str, channel: &str, zone: Tz, now: DateTime<Utc>, unique: u64) -> Message {
    let mut page = Page::titled(format!("[test] Lampwarden can reach you ({site})"));
    page.paragraph(format!(
        "This is a test, sent to {contact} by {channel} at {}. Nothing is wrong, and there is nothing to do. Alarms of \
         site {site} will come this way.",
        spoken(now, zone)
    ));
    page.paragraph(CAUTION);
    let content = Content { sort: Sort::Test, priority: Priority::Low, page, link: None, about: Vec::new() };
    content.message(&format!("{:x}-test-{unique:x}", now.timestamp_millis()), contact, channel, now)
}

/// A message of a page that is about no alarm.
pub(super) fn plain(page: Page, sort: Sort) -> Content {
    Content { sort, priority: Priority::Low, page, link: None, about: Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{America::New_York, Asia::Kolkata, Europe::Lisbon};

    #[test]
    fn times_are_told_by_the_readers_clock() {
        let check = |text: &str, reader, expected: &str| assert_eq!(in_zone(text, Lisbon, reader), expected);
        // Lisbon is at UTC+1 in July, New York at UTC−4, Kolkata at UTC+5:30.
        let text = "Gable: too hot since 14:03 on 5 Jul 2026. It is on by every account since 02:00 on 5 Jul 2026, too";
        check(
            text,
            New_York,
            "Gable: too hot since 09:03 on 5 Jul 2026. It is on by every account since 21:00 on 4 Jul 2026, too",
        );
        check(
            text,
            Kolkata,
            "Gable: too hot since 18:33 on 5 Jul 2026. It is on by every account since 06:30 on 5 Jul 2026, too",
        );
        check(text, Lisbon, text);
        for none in ["", " on ", "it is on by 5 accounts", "ä on ü", "25:99 on 5 Jul 2026", "x on y z"] {
            check(none, New_York, none);
        }
    }

    #[test]
    fn a_subject_is_one_line_and_not_too_long() {
        assert_eq!(first_sentence("Gable: too hot. A probe read 41 °C."), "Gable: too hot");
        assert_eq!(first_sentence("One line only.\nSecond"), "One line only");
        assert_eq!(clipped(&"ä".repeat(200)).chars().count(), SUBJECT_CHARS_MAX);
        assert_eq!(clipped("a\r\nBcc: x"), "a  Bcc: x");
    }

    #[test]
    fn what_is_written_cannot_become_markup() {
        let mut page = Page::titled("<b>".to_owned());
        page.paragraph("a < b & \"c\"\nd");
        assert!(page.html().contains("<p>a &lt; b &amp; &quot;c&quot;<br>\nd</p>"), "{}", page.html());
        assert!(page.html().contains("<title>&lt;b&gt;</title>"));
    }
}

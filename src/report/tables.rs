//! Tables: what was so week by week, day by day, and one by one.

use std::fmt::Write as _;

use chrono::{DateTime, TimeDelta, Utc};

use crate::page::escaped;

use super::facts::{Climate, ClimateDay, Facts, Range, Span, Uv, UvDay};
use super::words;

/// Rows of one by one at most, the last ones; the rest is counted.
const ROWS: usize = 60;
/// Dates that are told together.
const WEEK: usize = 7;

/// Opens a table with its caption and its columns; a column that begins with `#` holds numbers.
fn open(page: &mut String, class: &str, caption: &str, columns: &[&str]) {
    let _ = write!(
        page,
        "<div class=\"wide-table\" role=\"region\" aria-label=\"{0}\" tabindex=\"0\"><table \
         class=\"{class}\"><caption>{0}</caption>\
         <thead><tr>",
        escaped(caption)
    );
    for column in columns {
        let (class, name) = column.strip_prefix('#').map_or(("", *column), |name| (" class=\"n\"", name));
        let _ = write!(page, "<th scope=\"col\"{class}>{}</th>", escaped(name));
    }
    page.push_str("</tr></thead><tbody>\n");
}

fn close(page: &mut String) {
    page.push_str("</tbody></table></div>\n");
}

fn row(page: &mut String, head: &str, numbers: &[String]) {
    let _ = write!(page, "<tr><th scope=\"row\">{}</th>", escaped(head));
    numbers.iter().for_each(|number| _ = write!(page, "<td class=\"n\">{}</td>", escaped(number)));
    page.push_str("</tr>\n");
}

/// The weeks of a page: their name and which dates are in them. The last one is whole.
fn weeks(facts: &Facts) -> Vec<(String, std::ops::Range<usize>)> {
    let count = facts.plans.len();
    let short = count % WEEK;
    let starts = std::iter::once(0).filter(|_| short > 0).chain((short..count).step_by(WEEK));
    let mut weeks = Vec::new();
    for from in starts {
        let until = if from < short { short } else { (from + WEEK).min(count) };
        let name =
            |place: usize| facts.plans.get(place).map_or(String::new(), |plan| plan.date.format("%-d %b").to_string());
        let name = if until - from == 1 { name(from) } else { format!("{} – {}", name(from), name(until - 1)) };
        weeks.push((name, from..until));
    }
    weeks
}

pub(super) fn photoperiod(page: &mut String, facts: &Facts) {
    open(page, "weeks", "Day length, week by week", &["week", "#lights on", "#lights off", "#day length", "#dark"]);
    for (name, dates) in weeks(facts) {
        let plans = &facts.plans[dates];
        let Some(middle) = plans.get(plans.len() / 2) else { continue };
        let (on, off) = middle.span().unzip();
        let clock = |at: Option<DateTime<Utc>>| at.map_or("–".to_owned(), |at| words::clock(at, facts.zone));
        let total = plans.iter().fold(TimeDelta::zero(), |sum, plan| sum + plan.day_length());
        let mean = total / i32::try_from(plans.len()).unwrap_or(1).max(1);
        let dark = TimeDelta::hours(24) - mean;
        row(page, &name, &[clock(on), clock(off), words::lasting(mean), words::lasting(dark)]);
    }
    close(page);
    page.push_str(
        "<p class=\"soft\">Lights on and off are those of the middle of each week; the length is its mean.</p>\n",
    );
}

fn joined<'a>(ranges: impl Iterator<Item = &'a Range>) -> Range {
    let mut all = Range::default();
    ranges.for_each(|range| all.join(range));
    all
}

fn three(range: &Range) -> [String; 3] {
    let seen = range.minutes > 0;
    let bound = |value: f64| words::tenth(seen.then_some(value));
    [words::tenth(range.mean()), bound(range.low), bound(range.high)]
}

/// Of how much of a span there were readings.
fn heard(minutes: u64, dates: usize) -> String {
    format!("{:.0} %", (100.0 * minutes as f64 / (dates as f64 * 1440.0)).min(100.0))
}

pub(super) fn climate(page: &mut String, facts: &Facts, climate: &Climate) {
    let caption = format!("{}, {}, week by week", climate.name, climate.unit);
    let columns = ["week", "#by day: mean", "#lowest", "#highest", "#by night: mean", "#lowest", "#highest", "#heard"];
    open(page, "weeks", &caption, &columns);
    let mut line = |name: &str, days: &[ClimateDay]| {
        let day = joined(days.iter().map(|day| &day.day));
        let night = joined(days.iter().map(|day| &day.night));
        let minutes = days.iter().map(|day| day.whole.minutes).sum();
        let heard = [heard(minutes, days.len())];
        let cells: Vec<String> = three(&day).into_iter().chain(three(&night)).chain(heard).collect();
        row(page, name, &cells);
    };
    weeks(facts).into_iter().for_each(|(name, dates)| line(&name, &climate.days[dates]));
    line("all days", &climate.days);
    close(page);
}

pub(super) fn uv(page: &mut String, facts: &Facts, uv: &Uv) {
    let caption = format!("{}, week by week", uv.name);
    let columns = [
        "week",
        "#UVI, lamps on: mean",
        "#lowest hour",
        "#highest hour",
        "#peak",
        "#SED a day: mean",
        "#least",
        "#most",
        "#heard",
    ];
    open(page, "weeks", &caption, &columns);
    let mut line = |name: &str, days: &[UvDay]| {
        let lit = joined(days.iter().map(|day| &day.lit));
        let peak = days.iter().filter_map(|day| day.peak).reduce(f64::max);
        let heard_days: Vec<f64> = days.iter().filter(|day| day.minutes > 0).map(|day| day.dose).collect();
        let mean = (!heard_days.is_empty()).then(|| heard_days.iter().sum::<f64>() / heard_days.len() as f64);
        let bounds = [heard_days.iter().copied().reduce(f64::min), heard_days.iter().copied().reduce(f64::max)];
        let mut cells = three(&lit).to_vec();
        cells.extend([peak, mean, bounds[0], bounds[1]].map(words::tenth));
        cells.push(heard(days.iter().map(|day| day.minutes).sum(), days.len()));
        row(page, name, &cells);
    };
    weeks(facts).into_iter().for_each(|(name, dates)| line(&name, &uv.days[dates]));
    line("all days", &uv.days);
    close(page);
}

pub(super) fn lamps(page: &mut String, facts: &Facts) {
    page.push_str("<h2>Lamps</h2>\n");
    if facts.lamps.is_empty() {
        page.push_str("<p>No lamp is switched by this program.</p>\n");
        return;
    }
    let columns = ["lamp", "kind", "#hours a day", "#hours in these days", "#came on", "#hours in all", "fitted"];
    open(page, "", "Lamps, and how long they burnt", &columns);
    for lamp in &facts.lamps {
        let total: f64 = lamp.hours.iter().sum();
        let watts = lamp.watts.map_or(String::new(), |watts| format!(", {watts:.0} W"));
        let burnt = lamp.burnt.map_or("–".to_owned(), |hours| format!("{hours:.0}"));
        let fitted = lamp.fitted.map_or("not logged".to_owned(), |at| words::moment(at, facts.zone));
        let _ = writeln!(
            page,
            "<tr><th scope=\"row\">{}</th><td>{}{watts}</td><td class=\"n\">{:.1}</td><td class=\"n\">{total:.1}</td>\
             <td class=\"n\">{} times</td><td class=\"n\">{burnt}</td><td>{fitted}</td></tr>",
            escaped(&lamp.name),
            lamp.fitting,
            total / lamp.hours.len().max(1) as f64,
            lamp.times
        );
    }
    close(page);
    page.push_str(
        "<p class=\"soft\">Hours are those in which the lamp was told to burn, dimmed or not. Hours in all are \
         counted from when the \
         lamp was fitted, or from when this program first knew it.</p>\n",
    );
    let changes = facts.lamps.iter().flat_map(|lamp| lamp.changes.iter().map(move |at| (*at, &lamp.name)));
    let mut changes: Vec<_> = changes.collect();
    changes.sort();
    if changes.is_empty() {
        page.push_str("<p>No lamp change was logged in these days.</p>\n");
    }
    for (at, name) in changes {
        let _ = writeln!(
            page,
            "<p>{}: another lamp was fitted as <strong>{}</strong>.</p>",
            words::moment(at, facts.zone),
            escaped(name)
        );
    }
}

pub(super) fn walks(page: &mut String, facts: &Facts) {
    page.push_str("<h2>Rounds with the hand-held UV meter</h2>\n");
    if facts.walks.is_empty() {
        page.push_str("<p>No meter reading was logged in these days.</p>\n");
        return;
    }
    open(page, "", "Meter readings", &["when", "spot", "#UVI", "against the band"]);
    let left_out = facts.walks.len().saturating_sub(ROWS);
    for walk in facts.walks.iter().skip(left_out) {
        let verdict = match facts.band.filter(|_| walk.is_basking && walk.alone.is_none()) {
            None => "–",
            Some(band) if walk.uvi > band.ceiling.0 => "above the ceiling",
            Some(band) if walk.uvi > band.high.0 => "above",
            Some(band) if walk.uvi < band.low.0 => "below",
            Some(_) => "within",
        };
        let alone = walk.alone.as_ref().map_or(String::new(), |lamp| format!(" (only {lamp} lit)"));
        let guess = if walk.guess { ", a guess" } else { "" };
        let _ = writeln!(
            page,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{:.1}</td><td>{verdict}{guess}</td></tr>",
            words::moment(walk.at, facts.zone),
            escaped(&format!("{}{alone}", walk.spot)),
            walk.uvi
        );
    }
    close(page);
    more(page, left_out, "earlier readings");
    for remark in facts.remarks.iter().rev().take(ROWS).rev() {
        let (at, subject) = (words::moment(remark.at, facts.zone), escaped(&remark.subject));
        let _ =
            writeln!(page, "<p class=\"soft\">{at}, {subject}: {}.</p>", escaped(remark.text.trim_end_matches('.')));
    }
}

fn more(page: &mut String, left_out: usize, what: &str) {
    if left_out > 0 {
        let _ = writeln!(page, "<p class=\"soft\">{left_out} {what} are not shown.</p>");
    }
}

pub(super) fn alarms(page: &mut String, facts: &Facts) {
    page.push_str("<h2>Alarms</h2>\n");
    if facts.alarms.is_empty() {
        page.push_str("<p>No alarm was raised in these days.</p>\n");
        return;
    }
    open(page, "", "Alarms, and what was done", &["raised", "what", "priority", "#lasted", "seen, and done meanwhile"]);
    let left_out = facts.alarms.len().saturating_sub(ROWS);
    for spell in facts.alarms.iter().skip(left_out) {
        let lasted = spell.until.map_or("still stands".to_owned(), |until| words::about(until - spell.from));
        let mut done: Vec<String> = Vec::new();
        done.extend(spell.seen.map(|at| format!("seen {}", words::moment(at, facts.zone))));
        done.extend(spell.done.iter().map(|(at, act)| format!("{act} {}", words::moment(*at, facts.zone))));
        let done = if done.is_empty() { "–".to_owned() } else { done.join("; ") };
        let meaning = words::meaning(&spell.kind);
        let site = if spell.is_sites { " (whole site)" } else { "" };
        let _ = writeln!(
            page,
            "<tr><th scope=\"row\">{}</th><td class=\"text\"><strong>{}</strong>{site}: {meaning}.<br><span \
             class=\"soft\">{}</span></td>\
             <td>{}</td><td class=\"n\">{lasted}</td><td>{}</td></tr>",
            words::moment(spell.from, facts.zone),
            escaped(&spell.kind),
            escaped(&spell.text),
            escaped(&spell.priority),
            escaped(&done)
        );
    }
    close(page);
    more(page, left_out, "earlier alarms");
}

pub(super) fn gaps(page: &mut String, facts: &Facts) {
    page.push_str("<h2>Gaps</h2>\n");
    let silent = |name: &str, spans: &[Span]| -> Vec<(Span, String)> {
        spans.iter().map(|span| (*span, format!("the probe {name} gave no good reading"))).collect()
    };
    let mut gaps: Vec<(Span, String)> =
        facts.unwatched.iter().map(|span| (*span, "the program did not run".to_owned())).collect();
    facts.climate.iter().for_each(|climate| gaps.extend(silent(&climate.name, &climate.silent)));
    facts.uv.iter().for_each(|uv| gaps.extend(silent(&uv.name, &uv.silent)));
    gaps.sort();
    if gaps.is_empty() {
        page.push_str("<p>The program ran throughout, and every probe was heard in every hour.</p>\n");
        return;
    }
    let unwatched = facts.unwatched.iter().fold(TimeDelta::zero(), |sum, (from, until)| sum + (*until - *from));
    let _ = writeln!(
        page,
        "<p>In all the program did not run for {}. Nothing is known of that time; lamps with a hold go off by \
         themselves then.</p>",
        if unwatched.is_zero() { "no time at all".to_owned() } else { words::about(unwatched) }
    );
    open(page, "", "Gaps", &["from", "to", "#lasted", "what"]);
    let left_out = gaps.len().saturating_sub(ROWS);
    for ((from, until), what) in gaps.iter().skip(left_out) {
        let _ = writeln!(
            page,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td><td>{}</td></tr>",
            words::moment(*from, facts.zone),
            words::moment(*until, facts.zone),
            words::about(*until - *from),
            escaped(what)
        );
    }
    close(page);
    more(page, left_out, "earlier gaps");
    page.push_str("<p class=\"soft\">A probe's gaps are told in whole hours.</p>\n");
}

/// A column of the last table.
struct Column {
    name: String,
    /// How many numbers stand side by side in it.
    numbers: usize,
    cells: Vec<String>,
}

/// Numbers side by side that fit on a sheet of A4, beside the date. Measured.
const NUMBERS_WIDE: usize = 17;

pub(super) fn day_by_day(page: &mut String, facts: &Facts) {
    page.push_str("<h2>Day by day</h2>\n");
    let mut parts: Vec<Vec<Column>> = vec![Vec::new()];
    for column in columns(facts) {
        let wide = |part: &[Column]| part.iter().map(|column| column.numbers).sum::<usize>();
        match parts.last_mut() {
            Some(part) if part.is_empty() || wide(part) + column.numbers <= NUMBERS_WIDE => part.push(column),
            _ => parts.push(vec![column]),
        }
    }
    for (nth, part) in parts.iter().enumerate() {
        let more = if nth > 0 { ", continued" } else { "" };
        let caption = format!("Every date: lowest · mean · highest of the whole day; UVI with the lamps on{more}");
        let names: Vec<String> = part.iter().map(|column| format!("#{}", column.name)).collect();
        let names: Vec<&str> = std::iter::once("date").chain(names.iter().map(String::as_str)).collect();
        open(page, "days", &caption, &names);
        for (place, plan) in facts.plans.iter().enumerate() {
            let cells: Vec<String> = part.iter().filter_map(|column| column.cells.get(place).cloned()).collect();
            row(page, &plan.date.format("%-d %b %Y").to_string(), &cells);
        }
        close(page);
    }
}

/// What is told of every date, column by column.
fn columns(facts: &Facts) -> Vec<Column> {
    let clock = |at: Option<DateTime<Utc>>| at.map_or("–".to_owned(), |at| words::clock(at, facts.zone));
    let column = |name: String, numbers, cells| Column { name, numbers, cells };
    let plans = || facts.plans.iter();
    let edges: (Vec<_>, Vec<_>) = plans().map(|plan| plan.span().unzip()).unzip();
    let lengths = plans().map(|plan| words::lasting(plan.day_length()).replace(" min", "")).collect();
    let mut all = vec![
        column("on".to_owned(), 1, edges.0.into_iter().map(clock).collect()),
        column("off".to_owned(), 1, edges.1.into_iter().map(clock).collect()),
        column("length".to_owned(), 1, lengths),
    ];
    for lamp in &facts.lamps {
        all.push(column(
            format!("{}, h", lamp.name),
            1,
            lamp.hours.iter().map(|hours| words::tenth(Some(*hours))).collect(),
        ));
    }
    for climate in &facts.climate {
        let cells = climate.days.iter().map(|day| {
            let [mean, low, high] = three(&day.whole);
            if day.whole.minutes == 0 { mean } else { format!("{low} · {mean} · {high}") }
        });
        all.push(column(format!("{}, {}", climate.name, climate.unit), 3, cells.collect()));
    }
    for uv in &facts.uv {
        let doses = uv.days.iter().map(|day| words::tenth((day.minutes > 0).then_some(day.dose)));
        all.push(column(
            format!("{}, UVI", uv.name),
            1,
            uv.days.iter().map(|day| words::tenth(day.lit.mean())).collect(),
        ));
        all.push(column(format!("{}, SED", uv.name), 1, doses.collect()));
    }
    all
}

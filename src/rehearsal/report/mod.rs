//! One rehearsal as a page: what did not hold and why, and everything that happened over one axis of time.
//! Self-contained: no script, no font, no picture from anywhere else. Readable on paper, on a telephone and aloud.

mod index;
mod lanes;

pub use index::{Entry, index};

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::coverage::{Coverage, FAULTS, owes};
use super::run::{Outcome, Violation};
use super::scenario::Scenario;
use super::shrink::Shrunk;
use super::trace::{Curves, Span, Trace};
use crate::config::form::span_text;
use crate::page::{Axis, PLOT_STYLE, escaped};
use crate::settings::{Enclosure, EnclosureIx};

use lanes::{Lane, Limit, Sheet};

const STYLE: &str = include_str!("style.css");

/// Moments marked through all lanes at most; all are listed.
const MARKS: usize = 9;
/// Lines of the log at most, the last ones.
const LOG: usize = 400;
/// With more enclosures than this only those are unfolded that something happened to.
const UNFOLDED: usize = 4;

/// The page of a rehearsal; `shrunk`: what its failure comes down to.
pub fn page(scenario: &Scenario, outcome: &Outcome, trace: &Trace, shrunk: Option<&Shrunk>) -> String {
    let mut page = String::new();
    head(&mut page, &scenario.title);
    let _ = writeln!(page, "<p class=\"kicker\">Rehearsal of {}</p>", escaped(&scenario.name));
    let _ = writeln!(page, "<h1>{}</h1>\n<p>{}</p>", escaped(&scenario.title), escaped(&scenario.story));
    verdict(&mut page, scenario, outcome);
    violations(&mut page, scenario, outcome);
    if let Some(shrunk) = shrunk {
        comes_down_to(&mut page, scenario, shrunk);
    }
    expectations(&mut page, scenario, outcome);
    chart(&mut page, scenario, outcome, trace);
    page.push_str("<h2>What was reached</h2>\n");
    coverage(&mut page, &outcome.coverage);
    log(&mut page, scenario, outcome);
    page.push_str("</main></body></html>\n");
    page
}

fn head(page: &mut String, title: &str) {
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n\
         <style>\n{PLOT_STYLE}{STYLE}</style>\n</head>\n<body><main>\n",
        escaped(title)
    );
}

fn verdict(page: &mut String, scenario: &Scenario, outcome: &Outcome) {
    let _ = match outcome.violations.len() {
        0 => writeln!(page, "<p class=\"verdict held\">✓ Everything held.</p>"),
        1 => writeln!(page, "<p class=\"verdict failed\">✗ One thing did not hold.</p>"),
        count => writeln!(page, "<p class=\"verdict failed\">✗ {count} things did not hold.</p>"),
    };
    let zone = scenario.site.settings.site.timezone;
    let start = scenario.start.with_timezone(&zone).format("%A, %-d %B %Y, %H:%M");
    let span = span_text(std::time::Duration::from_millis(outcome.span));
    let _ = writeln!(
        page,
        "<dl><dt>Begins</dt><dd>{start}, {zone}</dd><dt>Lasts</dt><dd>{span}</dd><dt>Seed</dt><dd>{}</dd>\
         <dt>Again</dt><dd><code>{}</code></dd><dt>Log</dt><dd>hash <code>{:016x}</code>, {} messages came to the core</dd></dl>",
        scenario.seed,
        escaped(&command(scenario)),
        outcome.hash,
        outcome.messages
    );
}

/// The command that repeats a rehearsal.
pub fn command(scenario: &Scenario) -> String {
    format!("lampwarden rehearse {} --seeds {}..{}", scenario.name, scenario.seed, scenario.seed + 1)
}

fn violations(page: &mut String, scenario: &Scenario, outcome: &Outcome) {
    if outcome.is_good() {
        return;
    }
    page.push_str("<h2>What did not hold</h2>\n<ol>\n");
    for (ix, violation) in outcome.violations.iter().enumerate() {
        let Violation { rule, at, text, .. } = violation;
        let _ = write!(
            page,
            "<li><strong class=\"failed\">{}</strong> <span class=\"soft\">{}</span> {}",
            escaped(rule),
            scenario.spoken(*at),
            escaped(text)
        );
        let open = if ix == 0 { " open" } else { "" };
        let _ = writeln!(page, "<details{open}><summary>What led to it</summary>");
        why(page, violation);
        page.push_str("</details></li>\n");
    }
    page.push_str("</ol>\n");
}

fn why(page: &mut String, violation: &Violation) {
    for (title, lines) in [("Last readings", &violation.readings), ("Chain of reasons", &violation.chain)] {
        if !lines.is_empty() {
            let _ = writeln!(page, "<p>{title}</p><ol class=\"plain chain\">");
            lines.iter().for_each(|line| _ = writeln!(page, "<li>{}</li>", escaped(line)));
            page.push_str("</ol>\n");
        }
    }
}

fn comes_down_to(page: &mut String, scenario: &Scenario, shrunk: &Shrunk) {
    let Shrunk { scenario: small, violation, runs } = shrunk;
    let (before, after) = (scenario.mishaps.len(), small.mishaps.len());
    let _ = writeln!(
        page,
        "<h2>It comes down to this</h2>\n<p>Of {before} faults {after} are left after {runs} rehearsals:</p>\n\
         <ol class=\"plain chain\">"
    );
    small.mishaps_in_words().iter().for_each(|line| _ = writeln!(page, "<li>{}</li>", escaped(line)));
    let _ = writeln!(
        page,
        "</ol>\n<p><strong class=\"failed\">{}</strong> <span class=\"soft\">{}</span> {}</p>",
        escaped(&violation.rule),
        small.spoken(violation.at),
        escaped(&violation.text)
    );
    why(page, violation);
    let file = escaped(&small.to_toml());
    let _ = writeln!(page, "<details><summary>As a file to rehearse</summary><pre>{file}</pre></details>");
}

fn expectations(page: &mut String, scenario: &Scenario, outcome: &Outcome) {
    if scenario.expectations.is_empty() {
        return;
    }
    page.push_str("<h2>What the story expects</h2>\n<ul class=\"plain\">\n");
    for (number, expectation) in (1..).zip(&scenario.expectations) {
        let rule = format!("expectation {number}");
        let is_broken = outcome.violations.iter().any(|violation| violation.rule == rule);
        let (class, word) = if is_broken { ("failed", "✗ did not hold") } else { ("held", "✓ held") };
        let words = escaped(&scenario.expectation_in_words(expectation));
        let _ = writeln!(page, "<li><strong class=\"{class}\">{word}</strong> {words}</li>");
    }
    page.push_str("</ul>\n");
}

fn chart(page: &mut String, scenario: &Scenario, outcome: &Outcome, trace: &Trace) {
    let settings = &scenario.site.settings;
    let axis = Axis::new(scenario.start, settings.site.timezone, outcome.span);
    let mut marks: Vec<u64> = outcome.violations.iter().map(|violation| violation.at).collect();
    marks.dedup();
    marks.truncate(MARKS);
    let sheet = Sheet { axis, marks };
    page.push_str(
        "<h2>What happened</h2>\n<p class=\"soft\">All lanes share one axis of time, in local time. A broad pale line is \
         what is true, a thin one what was read. A lamp is filled while it truly burns; the line is what it was told.</p>\n\
         <div class=\"chart\">\n",
    );
    axis.write(page);
    if !outcome.is_good() {
        page.push_str("<h3 class=\"lane-title\">Did not hold</h3><ul class=\"rows\">\n");
        for violation in outcome.violations.iter().take(MARKS) {
            sheet.moment(page, "violation", violation.at, &violation.rule, &violation.text);
        }
        page.push_str("</ul>\n");
    }
    if !trace.faults.is_empty() {
        page.push_str("<h3 class=\"lane-title\">Faults</h3>");
        sheet.spans(page, "fault", &trace.faults, |span| span.name.clone());
    }
    keeper(page, scenario, &sheet);
    if !trace.alarms.is_empty() {
        page.push_str("<h3 class=\"lane-title\">Alarms</h3>");
        let id = |e: EnclosureIx| settings.enclosures.get(e.0).map_or("", |enclosure| &enclosure.id);
        sheet
            .spans(page, "alarm", &trace.alarms, |span| format!("{} {}", span.enclosure.map_or("site", id), span.name));
    }
    let mut concerned: BTreeSet<usize> = BTreeSet::new();
    concerned.extend(
        trace.faults.iter().chain(&trace.alarms).filter_map(|Span { enclosure, .. }| Some(enclosure.as_ref()?.0)),
    );
    let folds = settings.enclosures.len() > UNFOLDED;
    for (ix, (enclosure, curves)) in settings.enclosures.iter().zip(&trace.enclosures).enumerate() {
        let title = escaped(&enclosure.title);
        if folds {
            let open = if concerned.contains(&ix) { " open" } else { "" };
            let _ = writeln!(page, "<details{open}><summary>{title}</summary>");
        } else {
            let _ = writeln!(page, "<h3 class=\"lane-title\">{title}</h3>");
        }
        lanes_of(page, &sheet, enclosure, curves, trace.is_long);
        if folds {
            page.push_str("</details>\n");
        }
    }
    page.push_str("</div>\n");
}

/// What the keeper did, and when all was repaired.
fn keeper(page: &mut String, scenario: &Scenario, sheet: &Sheet) {
    if scenario.acts.is_empty() && scenario.healed.is_none() {
        return;
    }
    page.push_str("<h3 class=\"lane-title\">The keeper</h3><ul class=\"rows\">\n");
    let ms = |at: std::time::Duration| u64::try_from(at.as_millis()).unwrap_or(u64::MAX);
    for (at, act) in &scenario.acts {
        sheet.moment(page, "act", ms(*at), &scenario.act_in_words(act), "");
    }
    if let Some(healed) = scenario.healed {
        sheet.moment(page, "act", ms(healed), "repairs everything", "and resets what must be reset");
    }
    page.push_str("</ul>\n");
}

fn lanes_of(page: &mut String, sheet: &Sheet, enclosure: &Enclosure, curves: &Curves, is_long: bool) {
    let mut limits: Vec<Limit> = Vec::new();
    for guard in enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref()) {
        let name = format!("cut at {}", guard.cut);
        if limits.iter().all(|limit| limit.name != name) {
            limits.push(Limit { value: guard.cut.0, name, is_band: false });
        }
    }
    let title = "Temperatures, °C";
    sheet.curves(page, &Lane { title, unit: "°C", curves: &curves.temperatures, limits });
    let mut limits = Vec::new();
    if let Some(band) = &enclosure.care.uv {
        limits.push(Limit { value: band.high.0, name: format!("band to {}", band.high.0), is_band: true });
        limits.push(Limit { value: band.low.0, name: format!("band from {}", band.low.0), is_band: true });
    }
    sheet.curves(page, &Lane { title: "UV index", unit: "UVI", curves: &curves.uvi, limits });
    for (lamp, curve) in enclosure.lamps.iter().zip(&curves.lamps) {
        let power = lamp.power.map_or(String::new(), |power| format!(", {power}"));
        let share = if is_long { ", share of each day" } else { "" };
        sheet.lamp(page, &format!("{}: {}{power}{share}", lamp.name, lamp.fitting.traits().title), curve, is_long);
    }
}

/// What was reached, with counts; and what was not.
fn coverage(page: &mut String, coverage: &Coverage) {
    page.push_str("<div class=\"tables\">\n");
    for (title, what, rows) in coverage.rows() {
        let reached = rows.iter().filter(|(_, count)| *count > 0).count();
        let _ = writeln!(
            page,
            "<table><caption>{title}: {reached} of {} reached</caption><thead><tr><th scope=\"col\">{what}</th>\
             <th scope=\"col\">times</th>{}</tr></thead><tbody>",
            rows.len(),
            if title == FAULTS { "<th scope=\"col\">what each owes</th>" } else { "" }
        );
        for (name, count) in rows.iter().filter(|(_, count)| *count > 0) {
            let owes = owes(name)
                .filter(|_| title == FAULTS)
                .map_or(String::new(), |owes| format!("<td class=\"owes\">{}</td>", escaped(&owes)));
            let _ = writeln!(page, "<tr><th scope=\"row\">{name}</th><td class=\"n\">{count}</td>{owes}</tr>");
        }
        page.push_str("</tbody></table>\n");
    }
    page.push_str("</div>\n");
    let missing = coverage.missing();
    if !missing.is_empty() {
        let _ = writeln!(
            page,
            "<details><summary>{} not reached</summary><p>{}</p></details>",
            missing.len(),
            escaped(&missing.join(", "))
        );
    }
}

fn log(page: &mut String, scenario: &Scenario, outcome: &Outcome) {
    let left_out = outcome.log.len().saturating_sub(LOG);
    let title = if left_out > 0 { format!("The last {LOG} lines of the log") } else { "The log".to_owned() };
    let _ = writeln!(page, "<h2>Log</h2>\n<details><summary>{title}</summary><pre>");
    for (at, line) in outcome.log.iter().skip(left_out) {
        let _ = writeln!(page, "{} {}", scenario.spoken(*at), escaped(line));
    }
    page.push_str("</pre></details>\n");
}

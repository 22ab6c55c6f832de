//! The page over several rehearsals: what held, what did not, and what all of them together have reached.

use std::fmt::Write as _;

use super::{coverage, head};
use crate::page::escaped;
use crate::rehearsal::coverage::Coverage;
use crate::rehearsal::run::Outcome;
use crate::rehearsal::scenario::Scenario;

/// A row of the index.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Name of the rehearsal's own page, beside the index.
    pub page: String,
    /// What it is about.
    pub title: String,
    /// The file it came from.
    pub file: String,
    /// Its seed.
    pub seed: u64,
    /// What first did not hold, and when.
    pub first: Option<String>,
}

impl Entry {
    /// The row of a rehearsal whose page is called `page`.
    pub fn new(page: &str, scenario: &Scenario, outcome: &Outcome) -> Entry {
        let first = outcome.violations.first();
        Entry {
            page: page.to_owned(),
            title: scenario.title.clone(),
            file: scenario.name.clone(),
            seed: scenario.seed,
            first: first.map(|first| format!("{} {}: {}", scenario.spoken(first.at), first.rule, first.text)),
        }
    }
}

/// The index, what did not hold first.
pub fn index(entries: &[Entry], reached: &Coverage) -> String {
    let mut page = String::new();
    head(&mut page, "Rehearsals");
    let (failed, held): (Vec<&Entry>, Vec<&Entry>) = entries.iter().partition(|entry| entry.first.is_some());
    page.push_str("<h1>Rehearsals</h1>\n");
    let _ = match failed.len() {
        0 => writeln!(page, "<p class=\"verdict held\">✓ All {} held.</p>", entries.len()),
        count => writeln!(page, "<p class=\"verdict failed\">✗ {count} of {} did not hold.</p>", entries.len()),
    };
    let _ = writeln!(
        page,
        "<p>A story that holds says that the program does its part in it; it says nothing about a real enclosure. An \
         independent thermal cut-out and a residual-current device belong on every heating circuit, wired by licensed \
         people to the local code, and what an animal needs is a matter for its veterinarian.</p>"
    );
    for (title, class, word, entries) in [("Did not hold", "failed", "✗", failed), ("Held", "held", "✓", held)] {
        if entries.is_empty() {
            continue;
        }
        let _ = writeln!(page, "<h2>{title}</h2>\n<ul class=\"plain\">");
        for entry in entries {
            let _ = write!(
                page,
                "<li><strong class=\"{class}\">{word}</strong> <a href=\"{}\">{}</a> <span class=\"soft\">{}, seed {}</span>",
                escaped(&entry.page),
                escaped(&entry.title),
                escaped(&entry.file),
                entry.seed
            );
            if let Some(first) = &entry.first {
                let _ = write!(page, "<br>{}", escaped(first));
            }
            page.push_str("</li>\n");
        }
        page.push_str("</ul>\n");
    }
    page.push_str("<h2>What was reached by all together</h2>\n");
    coverage(&mut page, reached);
    page.push_str("</main></body></html>\n");
    page
}

//! How rehearsals are told: a bar while they run, a line where all held, enough to act on where not.

use std::fmt::Write as _;
use std::io::{self, IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::Done;
use crate::rehearsal::{self, Shrunk, Violation};

/// How often the bar is drawn at most.
pub(super) const PROGRESS_EVERY: Duration = Duration::from_millis(100);
/// Violations told at most; there are more in the page and in JSON.
const TOLD: usize = 5;

/// A bar on a terminal, and nothing anywhere else.
pub(super) struct Progress {
    shown: bool,
    count: usize,
    drawn: Option<Instant>,
}

impl Progress {
    /// A bar for `count` rehearsals.
    pub(super) fn new(count: usize) -> Progress {
        Progress { shown: io::stderr().is_terminal(), count, drawn: None }
    }

    /// Draws it, unless it was drawn a moment ago.
    pub(super) fn draw(&mut self, finished: usize) {
        const WIDTH: usize = 40;
        if !self.shown || self.drawn.is_some_and(|drawn| drawn.elapsed() < PROGRESS_EVERY) {
            return;
        }
        self.drawn = Some(Instant::now());
        let filled = WIDTH * finished / self.count.max(1);
        let mut err = io::stderr().lock();
        let _ = write!(err, "\r[{}{}] {finished}/{}", "#".repeat(filled), "-".repeat(WIDTH - filled), self.count);
        let _ = err.flush();
    }

    /// Takes it away, so that a line can be written.
    pub(super) fn clear(&mut self) {
        if self.drawn.take().is_some() {
            eprint!("\r\x1b[K");
        }
    }
}

/// Enclosure-years of a rehearsal.
pub(super) fn enclosure_years(done: &Done) -> f64 {
    let years = done.outcome.span as f64 / 1000.0 / 86_400.0 / 365.25;
    years * done.scenario.site.settings.enclosures.len() as f64
}

/// One line where all held; enough to act on where not.
pub(super) fn in_words(done: &Done) -> String {
    let Done { scenario, outcome, shrunk, took, .. } = done;
    let head = format!("{}  ({}, seed {})", scenario.title, scenario.name, scenario.seed);
    let Some(first) = outcome.violations.first() else {
        return format!("ok    {head}  {:.2} s\n", took.as_secs_f64());
    };
    let mut text = format!("FAIL  {head}\n");
    if shrunk.is_some() {
        let _ = writeln!(text, "      {}", scenario.story);
    }
    violation(&mut text, first, &scenario.spoken(first.at));
    let others = &outcome.violations[1..];
    if !others.is_empty() {
        let _ = writeln!(text, "      after that, {} more:", others.len());
        for other in others.iter().take(TOLD) {
            let _ = writeln!(text, "        {} {}: {}", scenario.spoken(other.at), other.rule, other.text);
        }
        if others.len() > TOLD {
            text.push_str("        …\n");
        }
    }
    let _ = writeln!(text, "      again: {}", rehearsal::command(scenario));
    if let Some((shrunk, file)) = shrunk {
        let Shrunk { scenario: small, violation: left, runs } = shrunk;
        let faults = (scenario.mishaps.len(), small.mishaps.len());
        let _ = writeln!(text, "      shrunk from {} faults to {} in {runs} rehearsals:", faults.0, faults.1);
        for mishap in small.mishaps_in_words() {
            let _ = writeln!(text, "        {mishap}");
        }
        violation(&mut text, left, &small.spoken(left.at));
        match file {
            Some(file) => _ = writeln!(text, "      again, shrunk: lampwarden rehearse {}", file.display()),
            None => _ = writeln!(text, "      save what follows as a file and rehearse it:\n\n{}", small.to_toml()),
        }
    }
    text
}

/// A violation with the last readings and the chain of reasons.
fn violation(text: &mut String, violation: &Violation, at: &str) {
    let _ = writeln!(text, "      {at} {}: {}", violation.rule, violation.text);
    for (title, lines) in [("last readings", &violation.readings), ("chain of reasons", &violation.chain)] {
        if !lines.is_empty() {
            let _ = writeln!(text, "      {title}:");
            lines.iter().for_each(|line| _ = writeln!(text, "        {line}"));
        }
    }
}

/// A rehearsal as a document.
pub(super) fn as_json(done: &Done) -> Value {
    let Done { scenario, outcome, shrunk, took, .. } = done;
    let violations = outcome.violations.iter().map(|violation| {
        json!({
            "rule": violation.rule,
            "at": scenario.spoken(violation.at),
            "at_s": violation.at as f64 / 1000.0,
            "text": violation.text,
            "readings": violation.readings,
            "chain": violation.chain,
        })
    });
    let shrunk = shrunk.as_ref().map(|(shrunk, file)| {
        json!({
            "file": file.as_ref().map(|file| file.display().to_string()),
            "scenario": shrunk.scenario.to_toml(),
            "faults": shrunk.scenario.mishaps.len(),
            "rehearsals": shrunk.runs,
        })
    });
    let reached = &outcome.coverage;
    json!({
        "file": scenario.name,
        "title": scenario.title,
        "seed": scenario.seed,
        "held": outcome.is_good(),
        "violations": violations.collect::<Vec<_>>(),
        "again": rehearsal::command(scenario),
        "shrunk": shrunk,
        "reached": { "faults": reached.faults, "guards": reached.guards, "alarms": reached.alarms },
        "hash": format!("{:016x}", outcome.hash),
        "messages": outcome.messages,
        "took_s": took.as_secs_f64(),
    })
}

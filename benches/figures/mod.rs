//! What a benchmark found, as a table for a person and as JSON for a machine.

#![allow(clippy::disallowed_methods, reason = "a benchmark writes files")]

use std::fs;
use std::path::Path;

use serde_json::{Value, json};

/// One thing measured.
pub struct Figure {
    /// What.
    pub name: String,
    /// The unit of both values.
    pub unit: &'static str,
    /// Ours.
    pub ours: f64,
    /// What a bare program needs for the same, measured in the same run; none where there is nothing to compare.
    pub bare: Option<f64>,
    /// What is wanted; none where nothing was stated.
    pub goal: Option<Goal>,
}

/// What is wanted of a figure.
#[derive(Clone, Copy)]
pub enum Goal {
    /// At most so many times the bare program's.
    Times(f64),
    /// At least this share of the bare program's.
    Share(f64),
    /// At most this, in the figure's unit.
    Most(f64),
}

impl Goal {
    fn is_met(self, figure: &Figure) -> bool {
        let ratio = figure.bare.map_or(f64::NAN, |bare| figure.ours / bare);
        match self {
            Goal::Times(most) => ratio <= most,
            Goal::Share(least) => ratio >= least,
            Goal::Most(most) => figure.ours <= most,
        }
    }

    fn words(self, unit: &str) -> String {
        match self {
            Goal::Times(most) => format!("<= {most} times"),
            Goal::Share(least) => format!(">= {least} times"),
            Goal::Most(most) => format!("<= {most} {unit}"),
        }
    }
}

/// Prints the figures, and writes them to `target/figures/<bench>.json`: an object for each with `name`, `unit`, `ours`,
/// `bare` and `ratio` (null where there is none), `goal` in words and `met`.
pub fn tell(bench: &str, figures: &[Figure]) {
    let width = figures.iter().map(|figure| figure.name.chars().count()).max().unwrap_or(0);
    println!("\n| {:<width$} |       ours |       bare | ratio | goal", "measured");
    let mut written = Vec::new();
    for figure in figures {
        let ratio = figure.bare.map(|bare| figure.ours / bare);
        let number = |value: Option<f64>, digits| value.map_or("-".to_owned(), |value| format!("{value:.digits$}"));
        let goal = figure.goal.map(|goal| (goal.words(figure.unit), goal.is_met(figure)));
        let verdict = goal
            .as_ref()
            .map_or(String::new(), |(words, met)| format!("{words}{}", if *met { ", met" } else { ", MISSED" }));
        println!(
            "| {:<width$} | {:>10} | {:>10} | {:>5} | {verdict}",
            figure.name,
            format!("{:.1} {}", figure.ours, figure.unit),
            number(figure.bare, 1),
            number(ratio, 2),
        );
        let (goal, met) = goal.map_or((Value::Null, Value::Null), |(words, met)| (words.into(), met.into()));
        written.push(json!({
            "name": figure.name, "unit": figure.unit, "ours": figure.ours, "bare": figure.bare, "ratio": ratio,
            "goal": goal, "met": met,
        }));
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/figures");
    let file = folder.join(format!("{bench}.json"));
    let text = Value::from(written).to_string();
    if let Err(why) = fs::create_dir_all(&folder).and_then(|()| fs::write(&file, text)) {
        eprintln!("{}: {why}", file.display());
    }
}

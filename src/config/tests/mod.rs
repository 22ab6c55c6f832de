//! Tests of the whole room.

mod mistakes;
mod seasons;
mod shipped;
mod telling;
mod whole;

use super::*;

/// A configuration with nothing wrong in it.
const BASE: &str = include_str!("base.toml");

/// The configuration skeleton of the design, whose names stay.
const SKELETON: &str = include_str!("skeleton.toml");

const EXAMPLES: [(&str, &str); 3] = [
    ("one-enclosure.toml", include_str!("../../../config/one-enclosure.toml")),
    ("living-room.toml", include_str!("../../../config/living-room.toml")),
    ("breeder-racks.toml", include_str!("../../../config/breeder-racks.toml")),
];

fn source(name: &str, text: &str) -> Source {
    Source { name: name.to_owned(), text: text.to_owned() }
}

fn parse_one(text: &str) -> Checked {
    parse(&[source("it.toml", text)])
}

/// The findings on one text as `severity line:column wrong | right`.
fn lines(text: &str) -> Vec<String> {
    let line = |finding: &Finding| {
        let Finding { severity, line, column, wrong, right, .. } = finding;
        format!("{severity:?} {line}:{column} {wrong} | {right}")
    };
    parse_one(text).findings.iter().map(line).collect()
}

/// [`BASE`] with one thing in it changed.
fn changed(from: &str, to: &str) -> String {
    assert_eq!(BASE.matches(from).count(), 1, "`{from}` must stand once in the base");
    BASE.replace(from, to)
}

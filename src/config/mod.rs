//! Room: TOML text to [`Settings`], with every finding at once.
//!
//! ```text
//! sources ─▶ shape (toml, keys) ─▶ fields ─▶ build ─▶ Settings
//!              │ syntax, unknown keys,  │ care sheets filled up,
//!              │ kinds, ranges          ▼ cross checks
//!              └──────────────────▶ findings ─▶ render
//! ```
//!
//! Reading the files is the caller's part: this room opens none. A configuration with an error gives no settings, so
//! that nothing can start on a doubtful one; a warning stops nothing.

mod build;
mod care_sheets;
mod fields;
mod finding;
mod keys;
mod locate;
mod render;
mod rules;
mod schema;
mod shape;

#[cfg(test)]
mod tests;

pub use care_sheets::{CARE_SHEETS, CareSheet};
pub use finding::{Also, Finding, Severity, Source, headline, line_and_column, nearest};
pub use locate::Locator;
pub use render::{render, summary};
pub use schema::schema;

use crate::settings::Settings;
use finding::Sink;
use keys::ROOT;

/// What reads a table of keys, for other files a keeper writes: the same findings for the same slips.
pub(crate) mod form {
    pub(crate) use super::fields::{Fields, Put, Value};
    pub(crate) use super::finding::{At, Draft, Sink};
    pub(crate) use super::keys::{
        Bounds, Key, Kind, NONE, Plain, Rule, Section, default, optional, required, span_text, table, within,
    };
    pub(crate) use super::shape::read;
}

/// What became of a configuration.
#[derive(Debug)]
pub struct Checked {
    /// The settings; none where there is an error.
    pub settings: Option<Settings>,
    /// Every finding, in the order of the files.
    pub findings: Vec<Finding>,
}

impl Checked {
    /// Whether nothing may start.
    pub fn is_refused(&self) -> bool {
        self.settings.is_none()
    }
}

/// Reads one configuration out of all its files.
pub fn parse(sources: &[Source]) -> Checked {
    let mut sink = Sink::new(sources);
    let mut root = None;
    for (index, source) in sources.iter().enumerate() {
        let fields = shape::read(&ROOT, index, &source.text, &mut sink);
        match &mut root {
            None => root = Some(fields),
            Some(root) => root.join_file(fields, &mut sink),
        }
    }
    let settings = root.as_mut().and_then(|root| {
        care_sheets::fill_up(root);
        build::settings(root, &mut sink)
    });
    let mut findings = sink.finish();
    if root.is_none() {
        findings.push(Finding::about_file(
            "",
            "there is no configuration",
            "name a file, or a folder with *.toml files",
        ));
    }
    let refused = findings.iter().any(|finding| finding.severity == Severity::Error);
    Checked { settings: settings.filter(|_| !refused), findings }
}

//! What is wrong with a configuration, and what would be right.

use std::collections::BTreeSet;

use serde::Serialize;

/// One file of a configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// What a person calls it: its path.
    pub name: String,
    /// Its text.
    pub text: String,
}

/// Whether the configuration can be used in spite of a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Nothing starts.
    Error,
    /// It starts, and a person should look.
    Warning,
}

/// One thing that is wrong, where, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Whether anything starts.
    pub severity: Severity,
    /// Name of the file.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Byte offsets in the file: start and end.
    pub span: (usize, usize),
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
    /// The nearest known name, where a name was not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nearest: Option<String>,
    /// Other places that belong to it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<Also>,
    /// Whether the text at this place must not be shown: it holds a password.
    #[serde(skip)]
    pub secret: bool,
}

/// Another place that belongs to a finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Also {
    /// Name of the file.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Byte offsets in the file: start and end.
    pub span: (usize, usize),
    /// What it has to do with the finding.
    pub label: String,
}

impl Finding {
    /// A finding about a file as a whole, such as one that cannot be read.
    pub fn about_file(file: &str, wrong: impl Into<String>, right: impl Into<String>) -> Finding {
        Finding {
            severity: Severity::Error,
            file: file.to_owned(),
            line: 1,
            column: 1,
            span: (0, 0),
            wrong: wrong.into(),
            right: right.into(),
            nearest: None,
            also: Vec::new(),
            secret: false,
        }
    }
}

/// The first error in one line, and how many more there are; of a configuration without errors the first warning.
pub fn headline(findings: &[Finding]) -> String {
    let Some(first) = findings.iter().min_by_key(|finding| finding.severity) else {
        return "no findings".to_owned();
    };
    let place = format!("{}:{}:{}", first.file, first.line, first.column);
    match findings.len() - 1 {
        0 => format!("{place}: {}", first.wrong),
        more => format!("{place}: {} (and {more} more)", first.wrong),
    }
}

/// A byte range of one source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct At {
    /// Index of the source.
    pub source: usize,
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

/// A finding whose place is still a byte range.
pub(crate) struct Draft {
    severity: Severity,
    at: At,
    wrong: String,
    right: String,
    nearest: Option<String>,
    also: Option<(At, String)>,
    absence: bool,
    once: Option<&'static str>,
    secret: bool,
}

impl Draft {
    /// Something that stops everything.
    pub fn error(at: At, wrong: impl Into<String>, right: impl Into<String>) -> Draft {
        let (wrong, right) = (wrong.into(), right.into());
        let severity = Severity::Error;
        Draft { severity, at, wrong, right, nearest: None, also: None, absence: false, once: None, secret: false }
    }

    /// Something a person should look at.
    pub fn warning(at: At, wrong: impl Into<String>, right: impl Into<String>) -> Draft {
        Draft { severity: Severity::Warning, ..Draft::error(at, wrong, right) }
    }

    /// Names the known name that is nearest to an unknown one.
    pub fn nearest(mut self, name: Option<&str>) -> Draft {
        self.nearest = name.map(str::to_owned);
        self
    }

    /// Names another place.
    pub fn also(mut self, at: At, label: impl Into<String>) -> Draft {
        self.also = Some((at, label.into()));
        self
    }

    /// Marks a finding that rests on something not being there; it is dropped where syntax errors may have hidden it.
    pub fn absence(mut self) -> Draft {
        self.absence = true;
        self
    }

    /// Keeps what stands at the place out of every report.
    pub fn secret(mut self) -> Draft {
        self.secret = true;
        self
    }

    /// Lets a place have only one finding of this kind, where the text differs from bay to bay.
    pub fn once(mut self, kind: &'static str) -> Draft {
        self.once = Some(kind);
        self
    }
}

/// Byte offsets at which the lines of a text start.
struct Lines(Vec<usize>);

impl Lines {
    fn of(text: &str) -> Lines {
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        Lines(std::iter::once(0).chain(ends.map(|(at, _)| at + 1)).collect())
    }

    /// Index of the line that holds byte `offset`.
    fn index(&self, offset: usize) -> usize {
        self.0.partition_point(|start| *start <= offset).saturating_sub(1)
    }
}

/// Line and column, both from 1, of byte `offset` in `text`; the column counts characters, a byte-order mark not.
pub fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    place(text, &Lines::of(text), offset)
}

fn place(text: &str, lines: &Lines, offset: usize) -> (usize, usize) {
    let line = lines.index(offset);
    let start = lines.0.get(line).copied().unwrap_or(0);
    let before = text.get(start..offset.min(text.len())).unwrap_or("");
    (line + 1, before.chars().filter(|c| *c != '\u{feff}').count() + 1)
}

/// Collects findings, each once.
pub(crate) struct Sink<'a> {
    sources: &'a [Source],
    lines: Vec<Lines>,
    /// Lines (source, line index) with a syntax error: whatever else is found there is a consequence of it.
    broken_lines: BTreeSet<(usize, usize)>,
    /// Findings with their places; several bays of a rack come upon the same mistake in the one description of them.
    found: BTreeSet<(At, String)>,
    drafts: Vec<Draft>,
}

impl<'a> Sink<'a> {
    /// An empty collection over `sources`.
    pub fn new(sources: &'a [Source]) -> Sink<'a> {
        let lines = sources.iter().map(|source| Lines::of(&source.text)).collect();
        Sink { sources, lines, broken_lines: BTreeSet::new(), found: BTreeSet::new(), drafts: Vec::new() }
    }

    /// Adds a syntax error: one for a line, since the parser's recovery repeats itself.
    pub fn syntax(&mut self, draft: Draft) {
        let line = self.line_index(draft.at);
        if self.broken_lines.insert((draft.at.source, line)) {
            self.drafts.push(draft);
        }
    }

    /// Whether a place shares a line with a syntax error, so that nothing can be said about it.
    pub fn is_broken(&self, at: At) -> bool {
        let last = At { start: at.end.saturating_sub(1).max(at.start), ..at };
        let lines = (at.source, self.line_index(at))..=(at.source, self.line_index(last));
        !self.broken_lines.is_empty() && self.broken_lines.range(lines).next().is_some()
    }

    /// Adds a finding, unless it is known or may be the consequence of a syntax error.
    pub fn push(&mut self, draft: Draft) {
        let hidden = (draft.absence && !self.broken_lines.is_empty()) || self.is_broken(draft.at);
        let kind = draft.once.map_or_else(|| draft.wrong.clone(), str::to_owned);
        if !hidden && self.found.insert((draft.at, kind)) {
            self.drafts.push(draft);
        }
    }

    /// Adds an error.
    pub fn error(&mut self, at: At, wrong: impl Into<String>, right: impl Into<String>) {
        self.push(Draft::error(at, wrong, right));
    }

    /// Adds a warning.
    pub fn warning(&mut self, at: At, wrong: impl Into<String>, right: impl Into<String>) {
        self.push(Draft::warning(at, wrong, right));
    }

    /// The text at a place.
    pub fn excerpt(&self, at: At) -> &'a str {
        self.sources.get(at.source).and_then(|source| source.text.get(at.start..at.end)).unwrap_or("")
    }

    /// Every finding in the order of the files.
    pub fn finish(self) -> Vec<Finding> {
        let mut drafts: Vec<&Draft> = self.drafts.iter().collect();
        drafts.sort_by_key(|draft| draft.at);
        drafts.into_iter().map(|draft| self.located(draft)).collect()
    }

    fn line_index(&self, at: At) -> usize {
        self.lines.get(at.source).map_or(0, |lines| lines.index(at.start))
    }

    fn spot(&self, at: At) -> (String, usize, usize) {
        match (self.sources.get(at.source), self.lines.get(at.source)) {
            (Some(source), Some(lines)) => {
                let (line, column) = place(&source.text, lines, at.start);
                (source.name.clone(), line, column)
            }
            _ => (String::new(), 1, 1),
        }
    }

    fn located(&self, draft: &Draft) -> Finding {
        let (file, line, column) = self.spot(draft.at);
        let also = draft.also.iter().map(|(at, label)| {
            let (file, line, column) = self.spot(*at);
            Also { file, line, column, span: (at.start, at.end), label: label.clone() }
        });
        Finding {
            severity: draft.severity,
            file,
            line,
            column,
            span: (draft.at.start, draft.at.end),
            wrong: draft.wrong.clone(),
            right: draft.right.clone(),
            nearest: draft.nearest.clone(),
            also: also.collect(),
            secret: draft.secret,
        }
    }
}

/// The candidate nearest to `word`, if it is near enough to be meant.
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // A text that long is no slip of the pen, and comparing takes time by its length.
    const COMPARED_BYTES_MAX: usize = 256;
    if word.len() > COMPARED_BYTES_MAX {
        return None;
    }
    let lower = word.to_lowercase();
    let allowed = 1 + lower.chars().count() / 3;
    let far = |candidate: &&str| strsim::damerau_levenshtein(&lower, &candidate.to_lowercase());
    let best =
        candidates.into_iter().map(|candidate| (far(&candidate), candidate)).min_by_key(|(distance, _)| *distance);
    best.filter(|(distance, _)| *distance <= allowed).map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters_and_lines_start_at_one() {
        let text = "\u{feff}a\nprüf = 1\r\n";
        for (needle, expected) in [("a", (1, 1)), ("prüf", (2, 1)), ("= 1", (2, 6))] {
            let offset = text.find(needle).expect("the needle is in the text above");
            assert_eq!(line_and_column(text, offset), expected, "{needle}");
        }
        assert_eq!(line_and_column(text, text.len() + 9), (3, 1));
        assert_eq!(line_and_column("", 0), (1, 1));
    }

    #[test]
    fn a_near_name_is_offered_and_a_far_one_is_not() {
        let known = ["every", "stale", "topic", "hysteresis"];
        let check = |word, expected| assert_eq!(nearest(word, known), expected, "{word}");
        check("evry", Some("every"));
        check("Topic", Some("topic"));
        check("histeresis", Some("hysteresis"));
        check("brightness", None);
        check("", None);
        check(&"every".repeat(100), None);
    }
}

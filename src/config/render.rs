//! Findings as a person reads them: excerpt, carets, what is wrong, what would be right.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use annotate_snippets::{Annotation, AnnotationKind, Group, Level, Origin, Renderer, Snippet, normalize_untrusted_str};

use super::{Also, Finding, Severity, Source};

/// Longest excerpt of one line, in bytes; what lies beyond is left out.
const EXCERPT_BYTES_MAX: usize = 4096;

/// So many findings that say the same are shown with their excerpts, and the others are named by their lines: a mistake in a
/// large site is made a thousand times.
const ALIKE_SHOWN: usize = 3;

/// Findings with their excerpts, what says the same folded, then a summary line. `colour` adds terminal escapes.
pub fn render(findings: &[Finding], sources: &[Source], colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut text = String::new();
    let mut alike: BTreeMap<(&str, &str), Vec<&Finding>> = BTreeMap::new();
    for finding in findings {
        let like = alike.entry((&finding.wrong, &finding.right)).or_default();
        like.push(finding);
        if like.len() <= ALIKE_SHOWN {
            text.push_str(&one(&renderer, finding, sources));
            text.push_str("\n\n");
        }
    }
    for ((wrong, _), like) in alike.iter().filter(|(_, like)| like.len() > ALIKE_SHOWN) {
        text.push_str(&more(wrong, &like[ALIKE_SHOWN..]));
    }
    text.push_str(&summary(findings));
    text.push('\n');
    text
}

/// How many errors and warnings there are, such as `2 errors, 1 warning`.
pub fn summary(findings: &[Finding]) -> String {
    let count = |severity| findings.iter().filter(|finding| finding.severity == severity).count();
    let (errors, warnings) = (count(Severity::Error), count(Severity::Warning));
    let plural = |number: usize, word: &str| format!("{number} {word}{}", if number == 1 { "" } else { "s" });
    if errors + warnings == 0 {
        "no errors, no warnings".to_owned()
    } else {
        format!("{}, {}", plural(errors, "error"), plural(warnings, "warning"))
    }
}

/// Where else it is so.
fn more(wrong: &str, like: &[&Finding]) -> String {
    let mut text = format!("{} more: {}\n ", like.len(), normalize_untrusted_str(wrong));
    let mut file = "";
    for finding in like {
        // Writing to a string cannot fail.
        let _ = match finding.file == file {
            true => write!(text, ", {}", finding.line),
            false => write!(text, " {}:{}", finding.file, finding.line),
        };
        file = &finding.file;
    }
    text.push_str("\n\n");
    text
}

fn one(renderer: &Renderer, finding: &Finding, sources: &[Source]) -> String {
    let level = match finding.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let mut group = Group::with_title(level.primary_title(normalize_untrusted_str(&finding.wrong)));
    let own = if finding.secret { None } else { excerpt(sources, &finding.file, finding.span) };
    group = match own {
        Some(own) => group.element(
            Snippet::source(own.text)
                .path(finding.file.as_str())
                .line_start(finding.line)
                .annotation(AnnotationKind::Primary.span(own.mark)),
        ),
        // Without its text there is a place to show only where reading came that far.
        None if finding.span.0 > 0 => {
            group.element(Origin::path(finding.file.as_str()).line(finding.line).char_column(finding.column))
        }
        None => group.element(Origin::path(finding.file.as_str())),
    };
    for also in &finding.also {
        if let Some(there) = excerpt(sources, &also.file, also.span) {
            group = group.element(beside(also, there));
        }
    }
    renderer.render(&[group.element(Level::HELP.message(normalize_untrusted_str(&finding.right)))])
}

fn beside<'a>(also: &'a Also, there: Excerpt<'a>) -> Snippet<'a, Annotation<'a>> {
    let mark = AnnotationKind::Context.span(there.mark).label(normalize_untrusted_str(&also.label));
    Snippet::source(there.text).path(also.file.as_str()).line_start(also.line).annotation(mark)
}

/// The line a span starts on, with the part of it that is meant.
struct Excerpt<'a> {
    text: &'a str,
    mark: std::ops::Range<usize>,
}

/// The excerpt of `span` in the source named `file`; none where there is no such text.
fn excerpt<'a>(sources: &'a [Source], file: &str, span: (usize, usize)) -> Option<Excerpt<'a>> {
    let text = &sources.iter().find(|source| source.name == file)?.text;
    let before = text.get(..span.0)?;
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    let line = text[start..].split('\n').next().unwrap_or("").trim_end_matches('\r');
    let line = &line[..line.floor_char_boundary(EXCERPT_BYTES_MAX)];
    let from = (span.0 - start).min(line.len());
    let to = span.1.saturating_sub(start).clamp(from, line.len());
    Some(Excerpt { text: line, mark: line.floor_char_boundary(from)..line.ceil_char_boundary(to) })
}

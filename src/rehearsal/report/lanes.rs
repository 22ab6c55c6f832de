//! Lanes over the axis of time: curves, levels of lamps, and what was so for a while.
//!
//! Curves are drawn in a box that stretches to the page; all writing stands beside them as text of the page, so that it
//! keeps its size on a telephone and on paper.

use std::fmt::Write as _;

use crate::control::Priority;
use crate::page::{Axis, Scale, TALL, WIDE, escaped};
use crate::rehearsal::trace::{Curve, Points, Span};

/// Colours and strokes to tell curves apart; see `style.css`.
const SERIES: usize = 6;

/// A line at a value that matters, with its name.
pub(super) struct Limit {
    /// Where.
    pub value: f64,
    /// What it is.
    pub name: String,
    /// Whether it bounds what is wanted and not what is safe.
    pub is_band: bool,
}

/// Everything that a lane of curves shows.
pub(super) struct Lane<'a> {
    /// What and in which unit.
    pub title: &'a str,
    /// Unit for numbers in words.
    pub unit: &'a str,
    /// The curves.
    pub curves: &'a [Curve],
    /// Lines that are always in sight.
    pub limits: Vec<Limit>,
}

/// What all lanes of a page share.
pub(super) struct Sheet {
    /// The axis of time.
    pub axis: Axis,
    /// Lines through every lane: moments at which something did not hold, ms.
    pub marks: Vec<u64>,
}

impl Sheet {
    /// A lane of curves; nothing where none of them has a value.
    pub(super) fn curves(&self, page: &mut String, lane: &Lane<'_>) {
        let points = lane.curves.iter().flat_map(|curve| curve.truth.iter().chain(&curve.known));
        let mut shown = points.filter_map(|(_, value)| *value).peekable();
        if shown.peek().is_none() {
            return;
        }
        let limits = lane.limits.iter().map(|limit| limit.value);
        let Some(scale) = Scale::of(shown.chain(limits), 1.0) else { return };
        let _ = write!(page, "<figure class=\"lane\"><figcaption><strong>{}</strong> ", escaped(lane.title));
        for (number, curve) in lane.curves.iter().enumerate() {
            let series = number % SERIES;
            let _ = write!(
                page,
                "<span class=\"key\"><svg viewBox=\"0 0 34 12\" aria-hidden=\"true\"><path class=\"true s{series}\" \
                 d=\"M2 6H32\"/><path class=\"read s{series}\" d=\"M2 6H32\"/></svg>{}</span>",
                escaped(&curve.name)
            );
        }
        page.push_str("</figcaption><div class=\"sheet\"><div class=\"y\" aria-hidden=\"true\">");
        for value in scale.lines() {
            let (top, digits) = (100.0 * scale.share(value), scale.digits());
            let _ = write!(page, "<span style=\"top:{top:.1}%\">{value:.digits$}</span>");
        }
        let dense = if self.axis.is_dense() { " dense" } else { "" };
        let _ = write!(page, "</div><div class=\"paper{dense}\" style=\"--tall:11rem\">");
        self.picture(page, &in_words(lane));
        self.bands(page, &scale, &lane.limits);
        self.grid(page);
        for value in scale.lines() {
            rule(page, "grid", TALL * scale.share(value));
        }
        lane.limits
            .iter()
            .filter(|limit| !limit.is_band)
            .for_each(|limit| rule(page, "limit", TALL * scale.share(limit.value)));
        let y = |value: f64| TALL * scale.share(value);
        for class in ["true", "read"] {
            for (number, curve) in lane.curves.iter().enumerate() {
                let points = if class == "true" { &curve.truth } else { &curve.known };
                let _ = write!(page, "<path class=\"{class} s{}\" d=\"", number % SERIES);
                self.path(page, points, y, false);
                page.push_str("\"/>");
            }
        }
        page.push_str("</svg>");
        for limit in &lane.limits {
            let class = if limit.is_band { "at in" } else { "at" };
            let top = 100.0 * scale.share(limit.value);
            let _ = write!(page, "<span class=\"{class}\" style=\"top:{top:.1}%\">{}</span>", escaped(&limit.name));
        }
        self.marks(page);
        page.push_str("</div></div></figure>\n");
    }

    /// A low lane for a lamp: filled where it truly burns, a line for what it was told.
    pub(super) fn lamp(&self, page: &mut String, title: &str, curve: &Curve, is_long: bool) {
        let y = |level: f64| TALL * (1.0 - level);
        let _ = write!(page, "<figure class=\"lane\"><figcaption><strong>{}</strong></figcaption>", escaped(title));
        let (top, foot) = if is_long { ("100 %", "0 %") } else { ("on", "off") };
        let dense = if self.axis.is_dense() { " dense" } else { "" };
        let _ = write!(
            page,
            "<div class=\"sheet\"><div class=\"y\" aria-hidden=\"true\"><span style=\"top:0\">{top}</span>\
             <span style=\"top:100%\">{foot}</span></div><div class=\"paper{dense}\" style=\"--tall:2.4rem\">",
        );
        self.picture(page, &format!("{title}: {}", lamp_in_words(curve, self.axis)));
        self.grid(page);
        page.push_str("<path class=\"burns\" d=\"");
        self.area(page, &curve.truth, y);
        page.push_str("\"/><path class=\"told\" d=\"");
        self.path(page, &curve.known, y, true);
        page.push_str("\"/></svg>");
        self.marks(page);
        page.push_str("</div></div></figure>\n");
    }

    /// Opens a picture with what it shows in words.
    fn picture(&self, page: &mut String, words: &str) {
        let words = escaped(words);
        let _ = write!(
            page,
            "<svg viewBox=\"0 0 {WIDE} {TALL}\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{words}\">"
        );
    }

    fn x(&self, at: u64) -> i64 {
        (WIDE * self.axis.share(at)).round() as i64
    }

    fn grid(&self, page: &mut String) {
        for at in self.axis.lines() {
            let x = self.x(at);
            let _ = write!(page, "<line class=\"grid\" x1=\"{x}\" x2=\"{x}\" y1=\"0\" y2=\"{TALL}\"/>");
        }
    }

    /// What lies between two limits of a band.
    fn bands(&self, page: &mut String, scale: &Scale, limits: &[Limit]) {
        let mut band = limits.iter().filter(|limit| limit.is_band).map(|limit| TALL * scale.share(limit.value));
        if let (Some(one), Some(other)) = (band.next(), band.next()) {
            let (top, height) = (one.min(other), (one - other).abs());
            let _ =
                write!(page, "<rect class=\"band\" x=\"0\" y=\"{top:.0}\" width=\"{WIDE}\" height=\"{height:.0}\"/>");
        }
    }

    fn marks(&self, page: &mut String) {
        for at in &self.marks {
            let _ = write!(page, "<i class=\"mark\" style=\"left:{}\"></i>", self.axis.percent(*at));
        }
    }

    /// The path of a curve, in whole units, each point from the one before: short. `steps`: a value stays until the next.
    fn path(&self, page: &mut String, points: &Points, y: impl Fn(f64) -> f64, steps: bool) {
        let mut pen: Option<(i64, i64)> = None;
        for (at, value) in points {
            let x = self.x(*at);
            let Some(value) = value else {
                if let (true, Some((from, _))) = (steps, pen) {
                    let _ = write!(page, "h{}", x - from);
                }
                pen = None;
                continue;
            };
            let here = (x, y(*value).round() as i64);
            let _ = match pen {
                None => write!(page, "M{} {}h0", here.0, here.1),
                Some(from) if from == here => Ok(()),
                Some(from) if steps => write!(page, "h{}v{}", here.0 - from.0, here.1 - from.1),
                Some(from) => write!(page, "l{} {}", here.0 - from.0, here.1 - from.1),
            };
            pen = Some(here);
        }
        if let (true, Some((from, _))) = (steps, pen) {
            let _ = write!(page, "h{}", WIDE as i64 - from);
        }
    }

    /// The path around what lies under steps.
    fn area(&self, page: &mut String, points: &Points, y: impl Fn(f64) -> f64) {
        let ends = points.iter().skip(1).map(|(at, _)| self.x(*at)).chain([WIDE as i64]);
        let mut drawn = 0;
        for ((at, value), end) in points.iter().zip(ends) {
            let (from, top) = (self.x(*at).max(drawn), y(value.unwrap_or(0.0)).round() as i64);
            // A lamp that burns for a moment must be seen.
            let end = end.max(from + 4);
            if top < TALL as i64 {
                let _ = write!(page, "M{from} {TALL}V{top}H{end}V{TALL}z");
                drawn = end;
            }
        }
    }
}

fn rule(page: &mut String, class: &str, y: f64) {
    let _ = write!(page, "<line class=\"{class}\" x1=\"0\" x2=\"{WIDE}\" y1=\"{y:.0}\" y2=\"{y:.0}\"/>");
}

/// A lane for those who do not see it.
fn in_words(lane: &Lane<'_>) -> String {
    let reach = |points: &Points| {
        let values = || points.iter().filter_map(|(_, value)| *value);
        let (least, most) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
        (least <= most).then(|| format!("{least:.1} to {most:.1} {}", lane.unit).trim_end().to_owned())
    };
    let mut text = format!("{}.", lane.title);
    for curve in lane.curves {
        let or_nothing = |reach: Option<String>| reach.unwrap_or_else(|| "nothing".to_owned());
        let (truth, read) = (or_nothing(reach(&curve.truth)), or_nothing(reach(&curve.known)));
        let _ = write!(text, " {}: truly {truth}, read {read}.", curve.name);
    }
    for limit in &lane.limits {
        let _ = write!(text, " {}.", limit.name);
    }
    text
}

fn lamp_in_words(curve: &Curve, axis: Axis) -> String {
    let ends = curve.truth.iter().skip(1).map(|(at, _)| axis.share(*at)).chain([1.0]);
    let levels = curve.truth.iter().zip(ends).map(|((at, level), end)| level.unwrap_or(0.0) * (end - axis.share(*at)));
    let share: f64 = levels.sum();
    match curve.truth.iter().find(|(_, level)| level.is_some_and(|level| level > 0.0)) {
        Some((first, _)) => {
            format!("burns about {:.0} % of the time, first at {}", 100.0 * share, axis.moment(*first))
        }
        None => "never burns".to_owned(),
    }
}

/// Bars of one kind in a row that hold the same name.
struct Row<'a> {
    label: String,
    spans: Vec<&'a Span>,
}

impl Sheet {
    /// Rows of bars, one for each name: first in words, then as a bar. `whose` names an enclosure.
    pub(super) fn spans(&self, page: &mut String, class: &str, spans: &[Span], whose: impl Fn(&Span) -> String) {
        let mut rows: Vec<Row<'_>> = Vec::new();
        for span in spans {
            let label = whose(span);
            match rows.iter_mut().find(|row| row.label == label) {
                Some(row) => row.spans.push(span),
                None => rows.push(Row { label, spans: vec![span] }),
            }
        }
        page.push_str("<ul class=\"rows\">\n");
        for row in &rows {
            self.row(page, class, row);
        }
        page.push_str("</ul>\n");
    }

    fn row(&self, page: &mut String, class: &str, row: &Row<'_>) {
        let Some(first) = row.spans.first() else { return };
        let _ = write!(page, "<li><p><strong>{}</strong> ", escaped(&row.label));
        if let Some(priority) = first.priority {
            let _ = write!(page, "({}) ", priority.word());
        }
        match row.spans.len() {
            1 => {}
            count => _ = write!(page, "{count} times, first "),
        }
        let _ = write!(page, "<span class=\"soft\">{}</span>", self.first_and_last(first));
        // An alarm tells at length what to do; the first sentence says what it is about.
        match first.text.split_once(". ") {
            Some((about, more)) => {
                let (about, more) = (escaped(about), escaped(more));
                let _ = write!(page, "</p><details><summary>{about}.</summary><p>{more}</p></details>");
            }
            None => _ = write!(page, " {}</p>", escaped(&first.text)),
        }
        page.push_str("<span class=\"track\" aria-hidden=\"true\">");
        let thickness = first.priority.map_or("", Priority::word);
        // Bars that would touch on any screen are one.
        let mut merged: Vec<(f64, f64)> = Vec::new();
        for span in &row.spans {
            let (from, until) = (self.axis.share(span.from), span.until.map_or(1.0, |until| self.axis.share(until)));
            match merged.last_mut() {
                Some((_, end)) if from <= *end + 0.0005 => *end = end.max(until),
                _ => merged.push((from, until)),
            }
        }
        for (from, until) in merged {
            let (left, width) = (100.0 * from, 100.0 * (until - from));
            let _ = write!(page, "<i class=\"{class} {thickness}\" style=\"left:{left:.2}%;width:{width:.2}%\"></i>");
        }
        self.marks(page);
        page.push_str("</span></li>\n");
    }

    /// A row for something that happens at one moment.
    pub(super) fn moment(&self, page: &mut String, class: &str, at: u64, label: &str, text: &str) {
        let _ = writeln!(
            page,
            "<li><p><strong>{}</strong> <span class=\"soft\">{}</span> {}</p><span class=\"track\" aria-hidden=\"true\">\
             <i class=\"{class}\" style=\"left:{}\"></i></span></li>",
            escaped(label),
            self.axis.moment(at),
            escaped(text),
            self.axis.percent(at)
        );
    }

    fn first_and_last(&self, span: &Span) -> String {
        let from = self.axis.moment(span.from);
        match span.until {
            Some(until) if until == span.from => from,
            Some(until) => format!("{from} to {}", self.axis.moment(until)),
            None => format!("{from} to the end"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_have_round_lines_and_hold_every_value() {
        let check = |values: &[f64], expected: &[f64]| {
            let scale = Scale::of(values.iter().copied(), 1.0).expect("there are values");
            let lines: Vec<f64> = scale.lines().collect();
            let is_near = |(line, expected): (&f64, &f64)| (line - expected).abs() < 1e-9;
            assert!(lines.len() == expected.len() && lines.iter().zip(expected).all(is_near), "{values:?}: {lines:?}");
        };
        check(&[20.9, 32.7, 38.0], &[20.0, 25.0, 30.0, 35.0, 40.0]);
        check(&[0.0, 5.3], &[0.0, 2.0, 4.0, 6.0]);
        check(&[21.0, 21.0], &[21.0, 21.2, 21.4, 21.6, 21.8, 22.0]);
        check(&[-127.0, 85.0], &[-150.0, -100.0, -50.0, 0.0, 50.0, 100.0]);
        assert!(Scale::of([f64::NAN].into_iter(), 1.0).is_none());
        assert!(Scale::of(std::iter::empty(), 1.0).is_none());
    }
}

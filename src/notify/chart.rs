//! Charts that every mail reader shows: bars made of table cells in HTML and of block characters in plain text. No image, so
//! none is held back, and nothing is fetched; each bar has its numbers beside it, so that it can be read aloud.

use std::fmt::Write as _;

use super::words::escaped;

/// How wide a bar may be, in characters and in pixels of HTML.
const WIDE: usize = 24;
const PIXELS: usize = 240;
/// A colour that can be told from white and from black.
const INK: &str = "#3b6ea5";

/// Bars from a low to a high value, one below the other.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What it shows, with its unit.
    pub title: String,
    /// Each bar's name, with its low and high value; none where nothing is known.
    pub bars: Vec<(String, Option<(f64, f64)>)>,
    /// What the values should lie between, in words; empty where nothing is said.
    pub beside: String,
    /// Digits behind the decimal point.
    pub digits: usize,
}

impl Chart {
    /// Where the scale begins and ends: around all values, and never empty.
    fn scale(&self) -> (f64, f64) {
        let known = || self.bars.iter().filter_map(|(_, bar)| *bar).filter(|(low, high)| (high - low).is_finite());
        let low = known().map(|(low, _)| low).fold(f64::INFINITY, f64::min);
        let high = known().map(|(_, high)| high).fold(f64::NEG_INFINITY, f64::max);
        if low < high { (low, high) } else { (low.min(0.0), high.max(low + 1.0)) }
    }

    /// A bar's first and last place of so many.
    fn places(&self, (low, high): (f64, f64), of: usize) -> (usize, usize) {
        let (from, to) = self.scale();
        let place = |value: f64| (((value - from) / (to - from)).clamp(0.0, 1.0) * (of - 1) as f64).round() as usize;
        (place(low), place(high).max(place(low)))
    }

    fn numbers(&self, bar: Option<(f64, f64)>) -> String {
        let digits = self.digits;
        match bar {
            None => "nothing".to_owned(),
            Some((low, high)) if low == high => format!("{high:.digits$}"),
            Some((low, high)) => format!("{low:.digits$} to {high:.digits$}"),
        }
    }

    fn heading(&self) -> String {
        if self.beside.is_empty() { self.title.clone() } else { format!("{} ({})", self.title, self.beside) }
    }

    /// As plain text, ending with a new line.
    pub(super) fn text(&self) -> String {
        let names = self.bars.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
        let mut text = self.heading() + "\n";
        for (name, bar) in &self.bars {
            let drawn: String = match bar.map(|bar| self.places(bar, WIDE)) {
                None => "\u{b7}".repeat(WIDE),
                Some((first, last)) => {
                    (0..WIDE).map(|at| if (first..=last).contains(&at) { '\u{2588}' } else { '\u{b7}' }).collect()
                }
            };
            let _ = writeln!(text, "  {name:<names$}  {drawn}  {}", self.numbers(*bar));
        }
        text
    }

    /// As a table.
    pub(super) fn html(&self) -> String {
        let mut html = format!("<p><b>{}</b></p>\n<table>\n", escaped(&self.heading()));
        for (name, bar) in &self.bars {
            let cells = bar.map(|bar| self.places(bar, PIXELS)).map_or_else(String::new, |(first, last)| {
                let cell = |width: usize, more: &str| {
                    let height = "height=\"12\" style=\"padding: 0\"";
                    if width == 0 { String::new() } else { format!("<td width=\"{width}\" {height}{more}></td>") }
                };
                let ink = format!(" bgcolor=\"{INK}\"");
                cell(first, "") + &cell(last + 1 - first, &ink) + &cell(PIXELS - 1 - last, "")
            });
            let _ = writeln!(
                html,
                "<tr><td>{}</td><td><table role=\"presentation\" width=\"{PIXELS}\" cellspacing=\"0\" \
                 cellpadding=\"0\"><tr>{cells}</tr></table></td><td>{}</td></tr>",
                escaped(name),
                escaped(&self.numbers(*bar)),
            );
        }
        html + "</table>\n"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(bars: &[(&str, Option<(f64, f64)>)]) -> Chart {
        Chart {
            title: "Gable end: basking, \u{b0}C".to_owned(),
            bars: bars.iter().map(|(name, bar)| ((*name).to_owned(), *bar)).collect(),
            beside: "target 20 to 32".to_owned(),
            digits: 1,
        }
    }

    #[test]
    fn a_bar_lies_where_its_values_do_and_has_them_beside_it() {
        let chart = chart(&[("Mon 1", Some((20.0, 30.0))), ("Tue 2", Some((25.0, 25.0))), ("Wed 13", None)]);
        let text = chart.text();
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines[0], "Gable end: basking, \u{b0}C (target 20 to 32)");
        assert_eq!(lines[1], format!("  Mon 1   {}  20.0 to 30.0", "\u{2588}".repeat(24)));
        let half = format!("  Tue 2   {}\u{2588}{}  25.0", "\u{b7}".repeat(12), "\u{b7}".repeat(11));
        assert_eq!(lines[2], half);
        assert_eq!(lines[3], format!("  Wed 13  {}  nothing", "\u{b7}".repeat(24)));
        let html = chart.html();
        assert!(html.contains("20.0 to 30.0") && html.contains("bgcolor") && !html.contains("<script"), "{html}");
        assert!(!html.contains("http") && !html.contains("<img"), "nothing is fetched: {html}");
    }

    #[test]
    fn widths_add_up_whatever_is_drawn() {
        let cases: [&[(f64, f64)]; 5] =
            [&[(0.0, 0.0)], &[(-5.0, -5.0), (1.0, 2.0)], &[(3.0, 7.0)], &[(0.0, 1e9)], &[(f64::NAN, 2.0), (1.0, 2.0)]];
        for bars in cases {
            let bars: Vec<_> = bars.iter().map(|bar| ("a", Some(*bar))).collect();
            let chart = chart(&bars);
            for row in chart.html().split("<table role").skip(1) {
                let widths = row
                    .split("<td width=\"")
                    .skip(1)
                    .map(|cell| cell.split('"').next().and_then(|width| width.parse::<usize>().ok()).expect("a width"));
                assert_eq!(widths.sum::<usize>(), PIXELS, "{bars:?}: {row}");
            }
        }
    }
}

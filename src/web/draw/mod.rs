//! Pictures, drawn on the server as SVG: they need no script, and print.
//!
//! Curves stretch to the page in a box of their own; writing stands outside it, so that it keeps its size on a telephone.
//! Nothing has a style of its own, since the pages allow none that stands in them.

pub(super) mod chart;
pub(super) mod gradient;
pub(super) mod year;

use std::fmt::Write as _;

use crate::page::{TALL, WIDE};

/// A share of the width or height as SVG reads it.
pub(super) fn percent(share: f64) -> String {
    let text = format!("{:.2}", 100.0 * share);
    format!("{}%", text.trim_end_matches('0').trim_end_matches('.'))
}

/// Points, as shares from the left and from the top, as a path; it breaks where the next is further than `apart`.
pub(super) fn path(points: impl Iterator<Item = (f64, f64)>, apart: f64) -> String {
    let mut path = String::new();
    let mut last: Option<(f64, i64, i64)> = None;
    for (x, y) in points {
        let (across, down) = ((WIDE * x).round() as i64, (TALL * y.clamp(-1.0, 2.0)).round() as i64);
        match last {
            Some((before, at, _)) if x - before > apart || across < at => {
                let _ = write!(path, "M{across} {down}");
            }
            Some((_, at, level)) if across == at && down == level => continue,
            Some((_, at, level)) => {
                let _ = write!(path, "l{} {}", across - at, down - level);
            }
            None => {
                let _ = write!(path, "M{across} {down}");
            }
        }
        last = Some((x, across, down));
    }
    path
}

/// The area between two courses over the same places.
pub(super) fn area(points: &[(f64, f64, f64)], apart: f64) -> String {
    let mut area = String::new();
    let mut from = 0;
    for end in 1..=points.len() {
        let breaks = end == points.len() || points[end].0 - points[end - 1].0 > apart;
        if !breaks {
            continue;
        }
        let part = &points[from..end];
        let there = path(part.iter().map(|(x, upper, _)| (*x, *upper)), f64::INFINITY);
        let back: String = part.iter().rev().fold(String::new(), |mut text, (x, _, lower)| {
            let _ = write!(text, "L{} {}", (WIDE * x).round(), (TALL * lower.clamp(-1.0, 2.0)).round());
            text
        });
        let _ = write!(area, "{there}{back}Z");
        from = end;
    }
    area
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_breaks_where_nothing_was_heard() {
        let points = [(0.0, 0.5), (0.1, 0.5), (0.1, 0.5), (0.9, 0.25)];
        assert_eq!(path(points.into_iter(), 0.2), "M0 500l1000 0M9000 250");
        assert_eq!(path(points.into_iter(), 1.0), "M0 500l1000 0l8000 -250");
        assert_eq!(path(std::iter::empty(), 1.0), "");
    }

    #[test]
    fn an_area_is_shut_piece_by_piece() {
        let points = [(0.0, 0.1, 0.2), (0.1, 0.1, 0.2), (0.9, 0.0, 1.0)];
        assert_eq!(area(&points, 0.2), "M0 100l1000 0L1000 200L0 200ZM9000 0L9000 1000Z");
        assert_eq!(area(&[], 0.2), "");
    }

    #[test]
    fn shares_are_short() {
        assert_eq!(
            (percent(0.5).as_str(), percent(1.0 / 3.0).as_str(), percent(0.0).as_str()),
            ("50%", "33.33%", "0%")
        );
    }
}

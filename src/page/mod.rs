//! What pages that need nothing but themselves share: the axis of time, the axis of values, and how they look.
//!
//! Curves are drawn in a box that stretches to the page; all writing stands beside them as text of the page, so that it
//! keeps its size on a telephone and on paper.

mod axis;
mod scale;

pub use axis::{Axis, Label};
pub use scale::Scale;

/// How a plot looks; a page gives the colours `--paper`, `--sheet`, `--ink`, `--soft` and `--rule`.
pub const PLOT_STYLE: &str = include_str!("plot.css");

/// The box that curves are drawn in, whole units: finer than any screen.
pub const WIDE: f64 = 10_000.0;
/// Its height.
pub const TALL: f64 = 1_000.0;

/// Text for a page.
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

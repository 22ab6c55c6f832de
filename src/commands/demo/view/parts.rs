//! The pieces a screen is made of: day bars, lamps, gauges and histories, each as one line of text.
//!
//! Every state is told by a word and a shape; colour comes on top and may be missing.

use chrono::{DateTime, FixedOffset, NaiveDateTime, TimeDelta};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Span;

use super::model::{BandDoc, DayDoc, HISTORY_MINUTES, History, InterlockDoc, LampDoc, ProbeDoc, parsed};

/// What a piece of text stands for; the theme gives it its colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ink {
    /// Ordinary text.
    Plain,
    /// Names of things.
    Title,
    /// What matters less.
    Faint,
    /// Daylight, and lamps that are on.
    Sun,
    /// Night.
    Night,
    /// Warmth.
    Warm,
    /// UV.
    Uv,
    /// In order.
    Good,
    /// Wants a look.
    Notice,
    /// Wants somebody now.
    Alarm,
}

/// Whether there is colour (`NO_COLOR`, no-color.org: none where that variable is set and not empty).
#[derive(Clone, Copy, Debug)]
pub(super) struct Theme {
    /// Whether to use it.
    pub colour: bool,
}

impl Theme {
    /// The style of an ink, from the 256 colours every terminal of today has.
    pub fn style(self, ink: Ink) -> Style {
        let (index, modifier) = match ink {
            Ink::Plain => return Style::new(),
            Ink::Title => (230, Modifier::BOLD),
            Ink::Faint => (245, Modifier::empty()),
            Ink::Sun => (221, Modifier::empty()),
            Ink::Night => (67, Modifier::empty()),
            Ink::Warm => (209, Modifier::empty()),
            Ink::Uv => (141, Modifier::empty()),
            Ink::Good => (114, Modifier::empty()),
            Ink::Notice => (215, Modifier::BOLD),
            Ink::Alarm => (203, Modifier::BOLD),
        };
        let style = Style::new().add_modifier(modifier);
        if self.colour { style.fg(Color::Indexed(index)) } else { style }
    }

    /// Text in an ink.
    pub fn span(self, ink: Ink, text: impl Into<String>) -> Span<'static> {
        Span::styled(text.into(), self.style(ink))
    }
}

/// `text` in at most `width` columns, with an ellipsis where something is left out. Every character we draw is one
/// column wide.
pub(super) fn fit(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let mut fitted: String = text.chars().take(width.saturating_sub(1)).collect();
    if width > 0 {
        fitted.push('…');
    }
    fitted
}

/// `text` in exactly `width` columns.
pub(super) fn padded(text: &str, width: usize) -> String {
    format!("{:<width$}", fit(text, width))
}

/// The hours and minutes of a time as documents write it; `–` where there is none.
pub(super) fn hours(time: Option<&str>) -> String {
    time.and_then(parsed).map_or("–".to_owned(), |time| time.format("%H:%M").to_string())
}

/// The day from midnight to midnight: `━` while lights are on, `·` while they are off, and the sun's place now, `●` by
/// day and `○` by night.
pub(super) fn day_bar(theme: Theme, day: &DayDoc, now: DateTime<FixedOffset>, width: usize) -> Vec<Span<'static>> {
    let now = now.naive_local();
    let midnight = now.date().and_time(chrono::NaiveTime::MIN);
    let cells = width.max(1) as i64;
    let span = day.lights_on.as_deref().and_then(parsed).zip(day.lights_off.as_deref().and_then(parsed));
    let lit = |at: NaiveDateTime| match span {
        // A day that ends after midnight also began yesterday.
        Some((on, off)) => [0, 1].into_iter().any(|days| {
            let shift = TimeDelta::days(days);
            let reckoned = at + shift;
            on.naive_local() <= reckoned && reckoned < off.naive_local()
        }),
        None => day.phase == "day",
    };
    let here = (now - midnight).num_seconds() * cells / 86_400;
    (0..cells)
        .map(|cell| {
            let at = midnight + TimeDelta::seconds((2 * cell + 1) * 43_200 / cells);
            match (cell == here, lit(at)) {
                (true, _) if day.phase == "day" => theme.span(Ink::Title, "●"),
                (true, _) => theme.span(Ink::Title, "○"),
                (false, true) => theme.span(Ink::Sun, "━"),
                (false, false) => theme.span(Ink::Night, "·"),
            }
        })
        .collect()
}

/// Shape, word and ink of a lamp.
pub(super) fn lamp_state(lamp: &LampDoc, interlock: Option<&InterlockDoc>) -> (&'static str, String, Ink) {
    let held = interlock.is_some_and(|interlock| matches!(interlock.state.as_str(), "tripped" | "latched"));
    let differs = |reported: f64| (reported > 0.0) != (lamp.wanted > 0.0) || (reported - lamp.wanted).abs() > 0.02;
    if lamp.reported.is_some_and(differs) {
        let word = if lamp.wanted > 0.0 { "on?" } else { "off?" };
        return ("◌", word.to_owned(), Ink::Notice);
    }
    if held {
        return ("✕", "held".to_owned(), Ink::Alarm);
    }
    match lamp.wanted {
        wanted if wanted <= 0.0 => ("□", "off".to_owned(), Ink::Faint),
        wanted if wanted >= 0.995 => ("■", "on".to_owned(), Ink::Sun),
        wanted => ("◧", percent(wanted), Ink::Sun),
    }
}

/// A level above zero in percent, never less than one.
pub(super) fn percent(level: f64) -> String {
    format!("{:.0} %", (level * 100.0).max(1.0))
}

/// A lamp with its reason, in `width` columns.
pub(super) fn lamp_line(
    theme: Theme,
    name: &str,
    lamp: &LampDoc,
    interlock: Option<&InterlockDoc>,
    width: usize,
) -> Vec<Span<'static>> {
    let (shape, word, ink) = lamp_state(lamp, interlock);
    let reason = fit(&lamp.reason, width.saturating_sub(16));
    vec![
        theme.span(ink, format!("{shape} ")),
        theme.span(Ink::Plain, padded(name, 8)),
        theme.span(ink, format!(" {word:<4} ")),
        theme.span(Ink::Faint, reason),
    ]
}

/// A probe's value with its unit, or the word for why there is none.
pub(super) fn value_text(probe: &ProbeDoc) -> String {
    match probe.value {
        Some(value) if probe.quality == "good" => match probe.measures.as_str() {
            "uvi" => format!("UVI {value:.1}"),
            "temperature" => format!("{value:.1} {}", probe.unit),
            _ => format!("{value:.0} {}", probe.unit),
        },
        _ if probe.quality.is_empty() => "unheard".to_owned(),
        _ => probe.quality.clone(),
    }
}

/// The marks of a temperature gauge, °C.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Marks {
    /// What the thermostat holds.
    pub target: Option<f64>,
    /// Where the guard cuts and where it latches.
    pub guard: Option<(f64, f64)>,
}

/// A temperature on its scale: `●` where it is (`▲` at or above the cut), `┼` its target, `╳` its cut, `┤` its limit.
pub(super) fn heat_gauge(theme: Theme, value: Option<f64>, marks: Marks, width: usize) -> Vec<Span<'static>> {
    let top = marks.guard.map_or(45.0, |(_, limit)| limit);
    // A scale that shows a cool night as well as the limit.
    let bottom = 10.0;
    let cell = |t: f64| place(t, bottom, top, width);
    let mut cells = vec![(Ink::Faint, '─'); width];
    let mut put = |at: usize, ink: Ink, shape: char| {
        if let Some(cell) = cells.get_mut(at) {
            *cell = (ink, shape);
        }
    };
    if let Some((cut, _)) = marks.guard {
        put(width.saturating_sub(1), Ink::Faint, '┤');
        put(cell(cut), Ink::Alarm, '╳');
    }
    if let Some(target) = marks.target {
        put(cell(target), Ink::Plain, '┼');
    }
    if let Some(value) = value {
        let over = marks.guard.is_some_and(|(cut, _)| value >= cut);
        put(cell(value), if over { Ink::Alarm } else { Ink::Warm }, if over { '▲' } else { '●' });
    }
    spans(theme, &cells)
}

/// A UVI on its scale: `═` the band, `┃` the ceiling, and where it is: `●` in the band, `▼` below it, `▲` above it.
pub(super) fn uv_gauge(theme: Theme, value: Option<f64>, band: BandDoc, width: usize) -> Vec<Span<'static>> {
    let top = (band.ceiling * 1.15).max(0.1);
    let cell = |uvi: f64| place(uvi, 0.0, top, width);
    let (low, high, ceiling) = (cell(band.low), cell(band.high), cell(band.ceiling));
    let mut cells: Vec<(Ink, char)> =
        (0..width).map(|i| if (low..=high).contains(&i) { (Ink::Uv, '═') } else { (Ink::Faint, '·') }).collect();
    if let Some(cell) = cells.get_mut(ceiling) {
        *cell = (Ink::Alarm, '┃');
    }
    if let Some((value, cell)) = value.and_then(|value| Some((value, cells.get_mut(cell(value))?))) {
        *cell = match value {
            v if v < band.low => (Ink::Notice, '▼'),
            v if v > band.high => (Ink::Alarm, '▲'),
            _ => (Ink::Good, '●'),
        };
    }
    spans(theme, &cells)
}

/// The word for a UVI against its band.
pub(super) fn band_word(value: f64, band: BandDoc) -> &'static str {
    match value {
        v if v > band.ceiling => "above the ceiling",
        v if v > band.high => "above its band",
        v if v < band.low => "below its band",
        _ => "in its band",
    }
}

/// The cell in which `value` falls on a scale of `width` cells from `bottom` to `top`, held at its ends.
fn place(value: f64, bottom: f64, top: f64, width: usize) -> usize {
    let share = (value - bottom) / (top - bottom);
    // A NaN becomes zero.
    ((share * width as f64).max(0.0) as usize).min(width.saturating_sub(1))
}

/// Cells as spans, neighbours of one ink together.
fn spans(theme: Theme, cells: &[(Ink, char)]) -> Vec<Span<'static>> {
    cells
        .chunk_by(|a, b| a.0 == b.0)
        .map(|run| theme.span(run[0].0, run.iter().map(|c| c.1).collect::<String>()))
        .collect()
}

/// Heights of a bar.
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// A history as bars.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bars {
    /// Lines of text, the top one first.
    pub lines: Vec<String>,
    /// Value of the lowest bar there could be.
    pub least: f64,
    /// Greatest value.
    pub greatest: f64,
}

/// The last `width` steps of a history up to `now` as bars of `rows` lines; a blank where nothing good was heard. They
/// stand on `ground`, or on the least value. None while there is nothing to show.
pub(super) fn history_bars(
    history: &History,
    now: DateTime<FixedOffset>,
    (width, rows): (usize, usize),
    ground: Option<f64>,
) -> Option<Bars> {
    let last = now.timestamp() / 60 / HISTORY_MINUTES;
    let first = last - width as i64 + 1;
    let shown: Vec<(i64, f64)> = history.iter().copied().filter(|(step, _)| (first..=last).contains(step)).collect();
    let least = shown.iter().map(|(_, value)| *value).reduce(f64::min)?;
    let greatest = shown.iter().map(|(_, value)| *value).reduce(f64::max)?;
    let least = ground.unwrap_or(least);
    // Less than two units of spread is noise and is drawn flat.
    let spread = (greatest - least).max(2.0);
    let eighths = rows * 8;
    let height = |value: f64| 1 + ((value - least) / spread * (eighths - 1) as f64).max(0.0) as usize;
    let cell = |step: i64, row: usize| {
        let value = shown.iter().find(|(other, _)| *other == step).map(|(_, value)| *value);
        let below = (rows - 1 - row) * 8;
        match value.map(|value| height(value).saturating_sub(below)) {
            None | Some(0) => ' ',
            Some(part) => BARS[part.min(8) - 1],
        }
    };
    let lines = (0..rows).map(|row| (first..=last).map(|step| cell(step, row)).collect()).collect();
    Some(Bars { lines, least, greatest })
}

#[cfg(test)]
mod tests {
    use super::*;

    const THEME: Theme = Theme { colour: false };

    fn text(spans: &[Span]) -> String {
        spans.iter().map(|span| span.content.as_ref()).collect()
    }

    fn at(time: &str) -> DateTime<FixedOffset> {
        parsed(time).expect("a time")
    }

    #[test]
    fn the_day_bar_shows_the_lights_and_the_time() {
        let day = |phase: &str, on: &str, off: &str| DayDoc {
            phase: phase.to_owned(),
            lights_on: Some(format!("2026-04-18T{on}:00+01:00")),
            lights_off: Some(off.to_owned()),
        };
        let usual = day("day", "06:00", "2026-04-18T18:00:00+01:00");
        for (now, expected) in [("09:30", "······━━━●━━━━━━━━······"), ("00:10", "●·····━━━━━━━━━━━━······")]
        {
            let now = at(&format!("2026-04-18T{now}:00+01:00"));
            assert_eq!(text(&day_bar(THEME, &usual, now, 24)), expected);
        }
        let late = day("night", "16:00", "2026-04-19T02:00:00+01:00");
        let bar = text(&day_bar(THEME, &late, at("2026-04-18T12:00:00+01:00"), 24));
        assert_eq!(bar, "━━··········○···━━━━━━━━");
    }

    #[test]
    fn lamps_are_told_by_shape_and_word() {
        let lamp = |wanted, reported| LampDoc { wanted, reported, ..LampDoc::default() };
        let tripped = InterlockDoc { state: "tripped".to_owned(), ..InterlockDoc::default() };
        for (lamp, interlock, shape, word) in [
            (lamp(1.0, Some(1.0)), None, "■", "on"),
            (lamp(0.0, Some(0.0)), None, "□", "off"),
            (lamp(0.4, Some(0.4)), None, "◧", "40 %"),
            (lamp(1.0, None), None, "■", "on"),
            (lamp(1.0, Some(0.0)), None, "◌", "on?"),
            (lamp(0.0, Some(1.0)), Some(&tripped), "◌", "off?"),
            (lamp(0.0, Some(0.0)), Some(&tripped), "✕", "held"),
        ] {
            let state = lamp_state(&lamp, interlock);
            assert_eq!((state.0, state.1.as_str()), (shape, word));
        }
    }

    #[test]
    fn gauges_mark_where_things_stand() {
        let marks = Marks { target: Some(30.0), guard: Some((40.0, 50.0)) };
        for (value, expected) in [
            (Some(20.0), "──────────●─────────┼─────────╳────────┤"),
            (Some(45.0), "────────────────────┼─────────╳────▲───┤"),
            (Some(f64::NAN), "●───────────────────┼─────────╳────────┤"),
            (None, "────────────────────┼─────────╳────────┤"),
        ] {
            assert_eq!(text(&heat_gauge(THEME, value, marks, 40)), expected, "{value:?}");
        }
        let band = BandDoc { zone: Some(3), low: 3.0, high: 7.0, ceiling: 8.0 };
        for (value, shape) in [(1.0, '▼'), (5.0, '●'), (7.8, '▲'), (99.0, '▲')] {
            let gauge = text(&uv_gauge(THEME, Some(value), band, 23));
            assert!(gauge.contains(shape) && gauge.chars().count() == 23, "{gauge}");
        }
        // The scale ends at 1.15 · 8 = 9.2, so a cell is 0.4: 3.0 falls into cell 7, 7.0 into 17, 8.0 into 20.
        assert_eq!(text(&uv_gauge(THEME, None, band, 23)), "·······═══════════··┃··");
        assert!(heat_gauge(THEME, Some(1.0), marks, 0).is_empty());
    }

    #[test]
    fn a_history_shows_its_shape_and_its_gaps() {
        let now = at("2026-04-18T10:00:00+00:00");
        let step = now.timestamp() / 300;
        let history: History = [(step - 4, 20.0), (step - 3, 24.0), (step - 1, 28.0), (step, 36.0)].into();
        let lines = |rows, ground| history_bars(&history, now, (6, rows), ground).map(|bars| bars.lines);
        let some = |lines: &[&str]| Some(lines.iter().map(|line| line.to_string()).collect::<Vec<_>>());
        assert_eq!(lines(1, None), some(&[" ▁▂ ▄█"]));
        assert_eq!(lines(2, None), some(&["     █", " ▁▄ ██"]));
        assert_eq!(lines(1, Some(0.0)), some(&[" ▄▅ ▆█"]));
        assert_eq!(history_bars(&History::new(), now, (6, 2), None), None);
    }

    #[test]
    fn text_fits() {
        for (text, width, expected) in [("abc", 3, "abc"), ("abcd", 3, "ab…"), ("°C°C", 2, "°…"), ("x", 0, "")] {
            assert_eq!(fit(text, width), expected);
        }
    }
}

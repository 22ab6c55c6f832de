//! The whole screen: a grid of cards where there is room, a list with one enclosure looked at closely where there is
//! not, and one enclosure alone on request.

use std::collections::VecDeque;

use chrono::{DateTime, FixedOffset};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, BorderType, Paragraph, Wrap};

use super::model::{AlarmDoc, Kept, Model, StateDoc};
use super::news::Told;
use super::parts::{
    Ink, Marks, Theme, band_word, day_bar, fit, heat_gauge, history_bars, hours, lamp_line, lamp_state, padded,
    uv_gauge, value_text,
};

/// What the view itself knows: time, place of the cursor, what has been told.
#[derive(Clone, Debug)]
pub(super) struct Ui {
    /// Simulated time at the site.
    pub now: DateTime<FixedOffset>,
    /// Simulated seconds in a real one.
    pub speed: f64,
    /// Which enclosure is chosen.
    pub chosen: usize,
    /// Whether it fills the screen.
    pub close: bool,
    /// What has happened lately, the newest last.
    pub told: VecDeque<Told>,
    /// Colours.
    pub theme: Theme,
    /// Where the web page is.
    pub page: String,
}

/// Least size for the grid.
const GRID: (u16, u16) = (108, 30);
/// Least size at which anything is drawn.
const LEAST: (u16, u16) = (40, 10);

/// Draws everything.
pub(super) fn draw(frame: &mut Frame, model: &Model, ui: &Ui) {
    let area = frame.area();
    if area.width < LEAST.0 || area.height < LEAST.1 {
        frame.render_widget(Paragraph::new("This window is too small. q quits."), area);
        return;
    }
    let [head, body, foot] =
        Layout::vertical([Constraint::Length(1), Constraint::Min(0), Constraint::Length(1)]).areas(area);
    frame.render_widget(Paragraph::new(header(model, ui)), head);
    frame.render_widget(Paragraph::new(footer(ui)), foot);
    if ui.close {
        closely(frame, body, model, ui);
    } else if area.width >= GRID.0 && area.height >= GRID.1 {
        grid(frame, body, model, ui);
    } else {
        list(frame, body, model, ui);
    }
}

/// Whose site, what time, how it stands.
fn header(model: &Model, ui: &Ui) -> Line<'static> {
    let theme = ui.theme;
    let status = match model.status.as_deref() {
        Some("online") => theme.span(Ink::Good, "● online"),
        Some(other) => theme.span(Ink::Alarm, format!("○ {other}")),
        None => theme.span(Ink::Notice, "○ waiting"),
    };
    let alarms = match model.alarms.len() {
        0 => theme.span(Ink::Good, "no alarm"),
        1 => theme.span(Ink::Alarm, "▲ 1 alarm"),
        n => theme.span(Ink::Alarm, format!("▲ {n} alarms")),
    };
    let clock = ui.now.format("%a %-d %b %H:%M").to_string();
    let bar = || theme.span(Ink::Faint, " │ ");
    Line::from(vec![
        theme.span(Ink::Title, " Lampwarden"),
        theme.span(Ink::Faint, " demo"),
        bar(),
        theme.span(Ink::Sun, clock),
        bar(),
        theme.span(Ink::Plain, format!("{}× real time", ui.speed)),
        bar(),
        status,
        bar(),
        alarms,
    ])
}

/// Keys, and that nothing here is real.
fn footer(ui: &Ui) -> Line<'static> {
    let keys = if ui.close {
        " q quit  Esc back  ↑↓←→ next"
    } else {
        " q quit  ↑↓←→ choose  Enter look closer"
    };
    let page = format!("  · page {}  · simulated: nothing here is real", ui.page);
    Line::from(vec![ui.theme.span(Ink::Plain, keys), ui.theme.span(Ink::Faint, page)])
}

/// All enclosures as cards, and what has happened below.
fn grid(frame: &mut Frame, area: Rect, model: &Model, ui: &Ui) {
    let columns = if area.width >= 180 { 6 } else { 3 }.min(model.enclosures.len().max(1));
    let rows = model.enclosures.len().div_ceil(columns).max(1);
    let below = (area.height / 5).clamp(5, 12);
    let [cards, events] = Layout::vertical([Constraint::Min(0), Constraint::Length(below)]).areas(area);
    let rows = Layout::vertical(vec![Constraint::Fill(1); rows]).split(cards);
    for (r, row) in rows.iter().enumerate() {
        let places = Layout::horizontal(vec![Constraint::Fill(1); columns]).split(*row);
        for (c, place) in places.iter().enumerate() {
            if let Some((id, kept)) = model.enclosures.get(r * columns + c) {
                card(frame, *place, model, id, kept, r * columns + c == ui.chosen, ui);
            }
        }
    }
    happenings(frame, events, model, ui);
}

/// A frame with a title; the chosen one has a double line and a pointer.
fn framed(title: String, chosen: bool, theme: Theme) -> Block<'static> {
    let (border, ink) = if chosen { (BorderType::Double, Ink::Title) } else { (BorderType::Rounded, Ink::Faint) };
    let title = if chosen { format!(" ▸ {title} ") } else { format!(" {title} ") };
    Block::bordered().border_type(border).border_style(theme.style(ink)).title(theme.span(Ink::Title, title))
}

/// One enclosure as a card.
fn card(frame: &mut Frame, area: Rect, model: &Model, id: &str, kept: &Kept, chosen: bool, ui: &Ui) {
    let width = area.width.saturating_sub(4) as usize;
    let title = fit(model.title(id), width.saturating_sub(4));
    let block = framed(title, chosen, ui.theme);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let Some(doc) = &kept.doc else {
        frame.render_widget(Paragraph::new(ui.theme.span(Ink::Faint, " waiting for its first word …")), inner);
        return;
    };
    let mut lines = vec![day_line(doc, ui, width)];
    lines.extend(alarm_words(model, id, ui, width));
    lines.extend(lamp_lines(doc, ui, width));
    lines.extend(gauge_lines(doc, ui, width));
    let room = (inner.height as usize).saturating_sub(lines.len());
    lines.extend(histories(kept, doc, ui, width, room));
    frame.render_widget(Paragraph::new(indented(lines)), inner);
}

/// Every line one column in.
fn indented(lines: Vec<Line<'static>>) -> Vec<Line<'static>> {
    let indent = |mut line: Line<'static>| {
        line.spans.insert(0, Span::raw(" "));
        line
    };
    lines.into_iter().map(indent).collect()
}

/// The day of an enclosure: word, bar, lights on and off.
fn day_line(doc: &StateDoc, ui: &Ui, width: usize) -> Line<'static> {
    let times = format!(" {}–{}", hours(doc.day.lights_on.as_deref()), hours(doc.day.lights_off.as_deref()));
    let ink = if doc.day.phase == "day" { Ink::Sun } else { Ink::Night };
    let mut spans = vec![ui.theme.span(ink, padded(&doc.day.phase, 6))];
    spans.extend(day_bar(ui.theme, &doc.day, ui.now, width.saturating_sub(6 + times.chars().count())));
    spans.push(ui.theme.span(Ink::Faint, times));
    Line::from(spans)
}

/// The kinds of an enclosure's alarms in one line; nothing where there are none.
fn alarm_words(model: &Model, id: &str, ui: &Ui, width: usize) -> Option<Line<'static>> {
    let kinds: Vec<&str> =
        model.standing().into_iter().filter(|alarm| alarm.enclosure == id).map(|alarm| alarm.kind.as_str()).collect();
    (!kinds.is_empty()).then(|| Line::from(ui.theme.span(Ink::Alarm, fit(&format!("▲ {}", kinds.join(", ")), width))))
}

/// Each lamp with its reason.
fn lamp_lines(doc: &StateDoc, ui: &Ui, width: usize) -> Vec<Line<'static>> {
    let line =
        |(name, lamp): &(String, _)| Line::from(lamp_line(ui.theme, name, lamp, doc.interlocks.get(name), width));
    doc.lamps.0.iter().map(line).collect()
}

/// Target and guard of the lamps that warm a probe. Where a lamp of the day and one of the night share it, the first
/// that has a target counts.
fn marks(doc: &StateDoc, probe: &str) -> Marks {
    let mut marks = Marks::default();
    for (name, lamp) in doc.lamps.0.iter().filter(|(_, lamp)| lamp.warms.as_deref() == Some(probe)) {
        marks.target = marks.target.or(lamp.target);
        marks.guard = marks.guard.or(doc.interlocks.get(name).map(|guard| (guard.cut, guard.limit)));
    }
    marks
}

/// Each probe with its value, on its scale where it has one.
fn gauge_lines(doc: &StateDoc, ui: &Ui, width: usize) -> Vec<Line<'static>> {
    let gauge = width.saturating_sub(20);
    let line = |(name, probe): &(String, super::model::ProbeDoc)| {
        let good = probe.value.filter(|_| probe.quality == "good");
        let ink = match probe.quality.as_str() {
            "good" if probe.measures == "uvi" => Ink::Uv,
            "good" if probe.measures == "temperature" => Ink::Warm,
            "good" => Ink::Plain,
            _ => Ink::Notice,
        };
        let mut spans = vec![
            ui.theme.span(Ink::Plain, padded(name, 10)),
            ui.theme.span(ink, format!(" {:<8} ", fit(&value_text(probe), 8))),
        ];
        match (probe.measures.as_str(), doc.band) {
            ("temperature", _) => spans.extend(heat_gauge(ui.theme, good, marks(doc, name), gauge)),
            ("uvi", Some(band)) => spans.extend(uv_gauge(ui.theme, good, band, gauge)),
            _ => {}
        }
        Line::from(spans)
    };
    doc.probes.0.iter().map(line).collect()
}

/// Most lines for one history.
const HISTORY_LINES_MAX: usize = 5;

/// Temperatures and UVI of late as bars, in at most `room` lines, as high as fits.
fn histories(kept: &Kept, doc: &StateDoc, ui: &Ui, width: usize, room: usize) -> Vec<Line<'static>> {
    let shown: Vec<(&String, Ink)> = doc
        .probes
        .0
        .iter()
        .filter(|(name, _)| kept.history.contains_key(name))
        .filter_map(|(name, probe)| match probe.measures.as_str() {
            "temperature" => Some((name, Ink::Warm)),
            "uvi" => Some((name, Ink::Uv)),
            _ => None,
        })
        .collect();
    let rows = (room / shown.len().max(1)).clamp(1, HISTORY_LINES_MAX);
    let mut lines = Vec::new();
    for (name, ink) in shown {
        let Some(history) = kept.history.get(name) else { continue };
        // UV is seen against none at all, a temperature against its own range.
        let ground = (ink == Ink::Uv).then_some(0.0);
        let Some(bars) = history_bars(history, ui.now, (width.saturating_sub(11), rows), ground) else { continue };
        for (row, text) in bars.lines.into_iter().enumerate() {
            let label = match row {
                _ if row + 1 == rows => padded(name, 11),
                0 if rows > 1 => format!("{:>9.1}  ", bars.greatest),
                _ if row + 2 == rows => format!("{:>9.1}  ", bars.least),
                _ => padded("", 11),
            };
            lines.push(Line::from(vec![ui.theme.span(Ink::Faint, label), ui.theme.span(ink, text)]));
        }
    }
    lines.truncate(room);
    lines
}

/// Standing alarms first, then what has happened lately.
fn happenings(frame: &mut Frame, area: Rect, model: &Model, ui: &Ui) {
    let block = framed("alarms and what has happened".to_owned(), false, ui.theme);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let width = inner.width.saturating_sub(2) as usize;
    frame.render_widget(Paragraph::new(indented(happening_lines(model, ui, width, inner.height as usize))), inner);
}

/// At most `height` lines: alarms, then the newest events. One line is kept for events where there are any.
fn happening_lines(model: &Model, ui: &Ui, width: usize, height: usize) -> Vec<Line<'static>> {
    let standing = model.standing();
    let events: Vec<&Told> = ui.told.iter().rev().filter(|told| !told.alarm).collect();
    let kept = usize::from(!events.is_empty());
    let mut lines: Vec<Line> = standing.iter().map(|alarm| alarm_line(model, alarm, ui, width)).collect();
    lines.truncate(height.saturating_sub(kept));
    for told in events.into_iter().take(height.saturating_sub(lines.len())) {
        let text = fit(&told.text, width.saturating_sub(6));
        lines.push(Line::from(vec![
            ui.theme.span(Ink::Faint, format!("{} ", told.time)),
            ui.theme.span(Ink::Plain, text),
        ]));
    }
    if lines.is_empty() {
        lines.push(Line::from(ui.theme.span(Ink::Faint, "nothing yet")));
    }
    lines
}

/// Shape, priority and text of an alarm in one line.
fn alarm_line(model: &Model, alarm: &AlarmDoc, ui: &Ui, width: usize) -> Line<'static> {
    let (shape, ink) = match alarm.rank() {
        0 => ("▲▲", Ink::Alarm),
        1 => ("▲ ", Ink::Alarm),
        2 => ("◆ ", Ink::Notice),
        _ => ("· ", Ink::Faint),
    };
    let head = format!("{shape} {} {}  ", alarm.priority, alarm.kind);
    let text = fit(&alarm.placed(model.title(&alarm.enclosure)), width.saturating_sub(head.chars().count()));
    Line::from(vec![ui.theme.span(ink, fit(&head, width)), ui.theme.span(Ink::Plain, text)])
}

/// All enclosures in two lines each, the chosen one closely, and alarms below.
fn list(frame: &mut Frame, area: Rect, model: &Model, ui: &Ui) {
    let width = area.width as usize;
    let count = model.enclosures.len();
    // Below: alarms, and one line for what has happened.
    let below = (model.alarms.len() + 1).clamp(2, if area.height < 30 { 3 } else { 8 }) as u16;
    // Two lines for each enclosure where the chosen one still gets its lamps and gauges; else one.
    let tall = 2 * count as u16 + 7 + below <= area.height;
    let rows = if tall { 2 * count } else { count } as u16;
    let areas = [Constraint::Length(rows), Constraint::Min(0), Constraint::Length(below)];
    let [top, middle, bottom] = Layout::vertical(areas).areas(area);
    let mut lines = Vec::new();
    for (index, (id, kept)) in model.enclosures.iter().enumerate() {
        lines.extend(row(model, id, kept, index == ui.chosen, ui, width).into_iter().take(if tall { 2 } else { 1 }));
    }
    // Keeps the chosen one in sight where not all fit.
    let line = ui.chosen as u16 * if tall { 2 } else { 1 };
    let skipped = (line + if tall { 2 } else { 1 }).saturating_sub(top.height);
    frame.render_widget(Paragraph::new(lines).scroll((skipped, 0)), top);
    if let Some((id, kept)) = model.enclosures.get(ui.chosen) {
        let block = Block::new().borders(ratatui::widgets::Borders::TOP).border_style(ui.theme.style(Ink::Faint));
        let block = block.title(ui.theme.span(Ink::Title, format!(" ▸ {} ", model.title(id))));
        let inner = block.inner(middle);
        frame.render_widget(block, middle);
        let mut lines = Vec::new();
        if let Some(doc) = &kept.doc {
            lines.extend(lamp_lines(doc, ui, width - 2));
            lines.extend(gauge_lines(doc, ui, width - 2));
            let room = (inner.height as usize).saturating_sub(lines.len());
            lines.extend(histories(kept, doc, ui, width - 2, room));
        }
        frame.render_widget(Paragraph::new(indented(lines)), inner);
    }
    frame
        .render_widget(Paragraph::new(indented(happening_lines(model, ui, width - 2, bottom.height as usize))), bottom);
}

/// An enclosure in two lines: its day and basking spot, and its lamps.
fn row(model: &Model, id: &str, kept: &Kept, chosen: bool, ui: &Ui, width: usize) -> Vec<Line<'static>> {
    let theme = ui.theme;
    let pointer = if chosen { "▸ " } else { "  " };
    let title =
        theme.span(if chosen { Ink::Title } else { Ink::Plain }, format!("{pointer}{} ", padded(model.title(id), 20)));
    let Some(doc) = &kept.doc else {
        return vec![Line::from(vec![title, theme.span(Ink::Faint, "waiting …")]), Line::default()];
    };
    let mut first = vec![title];
    first.push(theme.span(Ink::Faint, padded(&doc.day.phase, 6)));
    first.extend(day_bar(theme, &doc.day, ui.now, 24));
    for probe in doc.headline() {
        let ink = match (probe.quality.as_str(), probe.measures.as_str()) {
            ("good", "uvi") => Ink::Uv,
            ("good", _) => Ink::Warm,
            _ => Ink::Notice,
        };
        first.push(theme.span(ink, format!(" {:<8}", fit(&value_text(probe), 8))));
    }
    let alarms = model.alarms.keys().filter(|(enclosure, _)| enclosure == id).count();
    if alarms > 0 {
        first.push(theme.span(Ink::Alarm, format!(" ▲{alarms}")));
    }
    let mut second = vec![theme.span(Ink::Plain, "    ")];
    let mut left = width.saturating_sub(4);
    for (name, lamp) in &doc.lamps.0 {
        let (shape, word, ink) = lamp_state(lamp, doc.interlocks.get(name));
        let text = format!("{shape} {name} {word}   ");
        left = left.saturating_sub(text.chars().count());
        if left > 0 {
            second.push(theme.span(ink, text));
        }
    }
    vec![Line::from(first), Line::from(second)]
}

/// One enclosure alone: everything about it, with its alarms in full.
fn closely(frame: &mut Frame, area: Rect, model: &Model, ui: &Ui) {
    let Some((id, kept)) = model.enclosures.get(ui.chosen) else { return };
    let block = framed(model.title(id).to_owned(), true, ui.theme);
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let width = inner.width.saturating_sub(2) as usize;
    let mut lines = Vec::new();
    if let Some(doc) = &kept.doc {
        lines.push(Line::from(ui.theme.span(Ink::Faint, format!("{id} · care sheet {}", doc.care))));
        lines.push(day_line(doc, ui, width));
        lines.push(Line::default());
        lines.extend(lamp_lines(doc, ui, width));
        lines.push(Line::default());
        lines.extend(gauge_lines(doc, ui, width));
        lines.extend(band_line(doc, ui));
        lines.extend(guard_lines(doc, ui));
        lines.push(Line::default());
        // What is left, less a few lines for alarms in full.
        let room = (inner.height as usize).saturating_sub(lines.len() + 5);
        lines.extend(histories(kept, doc, ui, width, room));
        lines.push(Line::default());
    } else {
        lines.push(Line::from(ui.theme.span(Ink::Faint, "waiting for its first word …")));
    }
    for alarm in model.standing().into_iter().filter(|alarm| alarm.enclosure == *id) {
        let head =
            format!("▲ {} {}, {}, since {}: ", alarm.priority, alarm.kind, alarm.state, hours(Some(&alarm.since)));
        lines.push(Line::from(vec![ui.theme.span(Ink::Alarm, head), ui.theme.span(Ink::Plain, alarm.text.clone())]));
    }
    frame.render_widget(Paragraph::new(indented(lines)).wrap(Wrap { trim: false }), inner);
}

/// The UV band in words, and where the basking spot stands against it.
fn band_line(doc: &StateDoc, ui: &Ui) -> Option<Line<'static>> {
    let band = doc.band?;
    let zone = band.zone.map_or(String::new(), |zone| format!(", Ferguson zone {zone}"));
    let value =
        doc.probes.0.iter().find(|(_, p)| p.measures == "uvi" && p.quality == "good").and_then(|(_, p)| p.value);
    let stands = value.map_or(String::new(), |value| format!(": {}", band_word(value, band)));
    let text = format!("band     UVI {:.1} to {:.1}, ceiling {:.1}{zone}{stands}", band.low, band.high, band.ceiling);
    Some(Line::from(ui.theme.span(Ink::Uv, text)))
}

/// Each guard in words.
fn guard_lines(doc: &StateDoc, ui: &Ui) -> Vec<Line<'static>> {
    let line = |(name, guard): &(String, super::model::InterlockDoc)| {
        let why = guard.why.as_ref().map_or(String::new(), |why| format!(": {why}"));
        let text = format!(
            "guard    {name} {}, cuts at {:.1} °C, latches at {:.1} °C{why}",
            guard.state, guard.cut, guard.limit
        );
        let ink = if guard.state == "clear" { Ink::Good } else { Ink::Alarm };
        Line::from(ui.theme.span(ink, text))
    };
    doc.interlocks.0.iter().map(line).collect()
}

#[cfg(test)]
mod tests;

//! The view: one more MQTT client, which draws what the daemon publishes for everybody.

mod model;
mod news;
mod parts;
mod screen;

use std::io::{IsTerminal, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use anyhow::Context;
use chrono::{DateTime, FixedOffset, Offset};
use chrono_tz::Tz;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use super::link::Incoming;
use crate::daemon::Clock;
use model::Model;
use news::{Teller, Told};
use parts::Theme;
use screen::Ui;

/// Time between two drawings.
const FRAME: Duration = Duration::from_millis(100);
/// Events kept for the screen.
const TOLD_MAX: usize = 200;

/// What the view needs to know.
pub(super) struct Viewer<'a> {
    /// The site's name.
    pub site: &'a str,
    /// The site's zone.
    pub timezone: Tz,
    /// Ids of the enclosures, in order.
    pub enclosures: Vec<&'a str>,
    /// The demo's clock.
    pub clock: Clock,
    /// Simulated seconds in a real one.
    pub speed: f64,
    /// When to end, in real time.
    pub until: Option<Instant>,
    /// Set by a signal.
    pub stop: Arc<AtomicBool>,
    /// Lines even on a terminal.
    pub plain: bool,
    /// Where the web page is.
    pub page: &'a str,
}

impl Viewer<'_> {
    /// Shows what comes through `incoming` until a key, a signal or the end of the time.
    ///
    /// # Errors
    ///
    /// Where the terminal fails. A reader of plain lines that has gone is no error.
    pub fn show(&self, incoming: &Receiver<Incoming>) -> anyhow::Result<()> {
        let model = Model::new(self.site, self.enclosures.iter().copied());
        if !self.plain && std::io::stdout().is_terminal() && std::io::stdin().is_terminal() {
            let mut terminal = ratatui::try_init().context("the terminal cannot be taken over")?;
            let shown = self.on_terminal(&mut terminal, model, incoming);
            ratatui::restore();
            shown
        } else {
            self.as_lines(&mut std::io::stdout().lock(), model, incoming)
        }
    }

    /// Whether it is time to end.
    fn is_over(&self) -> bool {
        self.stop.load(Ordering::Relaxed) || self.until.is_some_and(|until| Instant::now() >= until)
    }

    /// Simulated time at the site.
    fn now(&self) -> DateTime<FixedOffset> {
        let local = self.clock.now().wall.with_timezone(&self.timezone);
        local.with_timezone(&local.offset().fix())
    }

    /// Plain lines: one for each change, and a summary each simulated hour.
    fn as_lines(&self, out: &mut impl Write, mut model: Model, incoming: &Receiver<Incoming>) -> anyhow::Result<()> {
        let mut teller = Teller::default();
        if writeln!(out, "the page: {}", self.page).and_then(|()| out.flush()).is_err() {
            return Ok(());
        }
        while !self.is_over() {
            let mut lines = Vec::new();
            match incoming.recv_timeout(FRAME) {
                Ok(message) => {
                    let now = self.now();
                    let news = model.take(&message.topic, &message.payload);
                    lines.extend(news.iter().filter_map(|news| teller.tell(&model, news, now)));
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(FRAME),
            }
            lines.extend(teller.hourly(&model, self.now()));
            for Told { time, text, .. } in lines {
                if writeln!(out, "{time}  {text}").and_then(|()| out.flush()).is_err() {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// The screen.
    fn on_terminal(
        &self,
        terminal: &mut ratatui::DefaultTerminal,
        mut model: Model,
        incoming: &Receiver<Incoming>,
    ) -> anyhow::Result<()> {
        let mut teller = Teller::default();
        let colour = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
        let theme = Theme { colour };
        let (now, speed) = (self.now(), self.speed);
        let mut ui =
            Ui { now, speed, chosen: 0, close: false, told: Default::default(), theme, page: self.page.to_owned() };
        while !self.is_over() {
            ui.now = self.now();
            while let Ok(message) = incoming.try_recv() {
                let news = model.take(&message.topic, &message.payload);
                ui.told.extend(news.iter().filter_map(|news| teller.tell(&model, news, ui.now)));
            }
            while ui.told.len() > TOLD_MAX {
                ui.told.pop_front();
            }
            terminal.draw(|frame| screen::draw(frame, &model, &ui)).context("the terminal cannot be drawn on")?;
            let next = Instant::now() + FRAME;
            while event::poll(next.saturating_duration_since(Instant::now())).context("the terminal gives no keys")? {
                if let Event::Key(key) = event::read().context("the terminal gives no keys")?
                    && pressed(&mut ui, key, model.enclosures.len())
                {
                    return Ok(());
                }
            }
        }
        Ok(())
    }
}

/// Takes in a key; whether it ends the view. `count` enclosures can be chosen.
fn pressed(ui: &mut Ui, key: KeyEvent, count: usize) -> bool {
    if key.kind == KeyEventKind::Release {
        return false;
    }
    let last = count.saturating_sub(1);
    match key.code {
        KeyCode::Char('q') => return true,
        KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return true,
        KeyCode::Down | KeyCode::Right | KeyCode::Tab => ui.chosen = if ui.chosen >= last { 0 } else { ui.chosen + 1 },
        KeyCode::Up | KeyCode::Left | KeyCode::BackTab => ui.chosen = if ui.chosen == 0 { last } else { ui.chosen - 1 },
        KeyCode::Enter => ui.close = !ui.close,
        KeyCode::Esc => ui.close = false,
        _ => {}
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    fn viewer(stop: bool) -> Viewer<'static> {
        let start = DateTime::from_timestamp(1_776_490_200, 0).expect("a time");
        Viewer {
            site: "pump-house",
            timezone: chrono_tz::Europe::Dublin,
            enclosures: vec!["dragon", "skink"],
            clock: Clock::scaled(start, 60.0),
            speed: 60.0,
            until: Some(Instant::now() + Duration::from_millis(150)),
            stop: Arc::new(AtomicBool::new(stop)),
            plain: true,
            page: "http://127.0.0.1:8417/",
        }
    }

    #[test]
    fn plain_lines_tell_each_change_and_end_in_time() {
        let (sender, receiver) = mpsc::channel();
        let say = |topic: &str, payload: &str| {
            let topic = format!("lampwarden/pump-house/{topic}");
            sender.send(Incoming { topic, payload: payload.as_bytes().to_vec() }).expect("it is read");
        };
        say("status", "online");
        say("dragon/state", model::sample::BASKER);
        say("alarms/dragon/probe-silent", model::sample::SILENT);
        say("alarms/dragon/probe-silent", "");
        let mut out = Vec::new();
        viewer(false).as_lines(&mut out, Model::new("pump-house", []), &receiver).expect("it ends");
        let out = String::from_utf8(out).expect("text");
        let texts: Vec<&str> = out.lines().map(|line| line.split_once("  ").expect("time and text").1).collect();
        assert_eq!(texts.len(), 6, "{out}");
        assert_eq!(texts[0], "daemon online");
        assert_eq!(texts[1], "Bearded dragon: heat on (basking at 36.1 °C, target 40.0 °C)");
        assert!(texts[4].starts_with("ALARM high probe-silent | Bearded dragon: probe cool has"));
        assert_eq!(texts[5], "cleared probe-silent | Bearded dragon");
        // 1776490200 is 2026-04-18T05:30:00Z, 06:30 in Dublin's summer time.
        assert!(out.lines().all(|line| line.starts_with("06:3")), "{out}");
    }

    #[test]
    fn a_signal_ends_it_and_a_reader_that_has_gone_is_no_error() {
        let (sender, receiver) = mpsc::channel();
        let mut out = Vec::new();
        viewer(true).as_lines(&mut out, Model::new("pump-house", []), &receiver).expect("it ends");
        assert!(out.is_empty());
        struct Gone;
        impl Write for Gone {
            fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
                Err(std::io::ErrorKind::BrokenPipe.into())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let status = "lampwarden/pump-house/status".to_owned();
        sender.send(Incoming { topic: status, payload: b"online".to_vec() }).expect("it is read");
        assert!(viewer(false).as_lines(&mut Gone, Model::new("pump-house", []), &receiver).is_ok());
    }

    #[test]
    fn keys_do_what_the_footer_says() {
        let viewer = viewer(false);
        let theme = Theme { colour: false };
        let mut ui = Ui {
            now: viewer.now(),
            speed: 60.0,
            chosen: 0,
            close: false,
            told: Default::default(),
            theme,
            page: String::new(),
        };
        let mut press = |code| {
            let over = pressed(&mut ui, KeyEvent::new(code, KeyModifiers::NONE), 3);
            (over, ui.chosen, ui.close)
        };
        assert_eq!(press(KeyCode::Up), (false, 2, false));
        assert_eq!(press(KeyCode::Down), (false, 0, false));
        assert_eq!(press(KeyCode::Right), (false, 1, false));
        assert_eq!(press(KeyCode::Enter), (false, 1, true));
        assert_eq!(press(KeyCode::Esc), (false, 1, false));
        assert!(press(KeyCode::Char('q')).0);
    }
}

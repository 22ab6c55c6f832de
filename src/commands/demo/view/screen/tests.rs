//! Screens drawn into memory: the words that must be seen, at the sizes people have.

use super::super::model::{parsed, sample};
use super::*;
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn ui() -> Ui {
    Ui {
        now: parsed("2026-04-18T09:30:00+01:00").expect("a time"),
        speed: 60.0,
        chosen: 0,
        close: false,
        told: [Told { time: "09:29".to_owned(), alarm: false, text: "Bearded dragon: uvb on (day)".to_owned() }].into(),
        theme: Theme { colour: true },
        page: "http://127.0.0.1:8417/".to_owned(),
    }
}

fn drawn(model: &Model, ui: &Ui, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("it draws into memory");
    terminal.draw(|frame| draw(frame, model, ui)).expect("it draws into memory");
    let buffer = terminal.backend().buffer();
    let lines: Vec<String> =
        buffer.content().chunks(width as usize).map(|row| row.iter().map(|cell| cell.symbol()).collect()).collect();
    lines.join("\n")
}

fn sees(screen: &str, words: &[&str]) {
    for word in words {
        assert!(screen.contains(word), "“{word}” is not on the screen:\n{screen}");
    }
}

const EVERYWHERE: &[&str] = &[
    "Lampwarden",
    "Sat 18 Apr 09:30",
    "60× real time",
    "● online",
    "1 alarm",
    "Bearded dragon",
    "skink",
    "waiting",
    "■ heat",
    "on",
    "◌ uvb",
    "on?",
    "◧ sky",
    "40 %",
    "basking at 36.1 °C, target 40.0 °C",
    "36.1 °C",
    "UVI 4.1",
    "stale",
    "╳",
    "═",
    "●",
    "day",
    "▲",
    "probe-silent",
    "q quit",
    "nothing here is real",
];

#[test]
fn a_small_terminal_shows_all_that_matters() {
    sees(&drawn(&sample::model(), &ui(), 80, 24), EVERYWHERE);
}

#[test]
fn a_large_terminal_shows_cards() {
    let model = sample::model();
    let screen = drawn(&model, &ui(), 120, 40);
    let reasons_are_cut = |word: &&str| !word.starts_with("basking at 36.1");
    sees(&screen, &EVERYWHERE.iter().copied().filter(reasons_are_cut).collect::<Vec<_>>());
    sees(&screen, &["▸ Bearded dragon", "06:45–19:15", "09:29 Bearded dragon: uvb on (day)", "basking at 36.1"]);
}

#[test]
fn looking_closely_shows_alarms_guards_and_band_in_full() {
    let screen = drawn(&sample::model(), &Ui { close: true, ..ui() }, 100, 30);
    sees(
        &screen,
        &[
            "care sheet desert-basker",
            "guard    heat clear, cuts at 46.0 °C, latches at 50.0 °C",
            "band     UVI 2.9 to 7.4, ceiling 8.0, Ferguson zone 3: in its band",
            "▲ high probe-silent, unacknowledged, since 09:12",
            "Look at its cable",
            "Esc back",
        ],
    );
}

#[test]
fn a_tripped_guard_is_seen_by_word_and_shape() {
    let mut model = sample::model();
    model.take("lampwarden/pump-house/dragon/state", sample::NIGHT.as_bytes());
    for (width, height) in [(80, 24), (120, 40)] {
        sees(&drawn(&model, &ui(), width, height), &["✕ heat", "held", "guard: tripped", "▲", "night"]);
    }
}

#[test]
fn colour_is_not_needed() {
    let plain = Ui { theme: Theme { colour: false }, ..ui() };
    assert_eq!(drawn(&sample::model(), &plain, 80, 24), drawn(&sample::model(), &ui(), 80, 24));
}

#[test]
fn any_size_and_any_choice_can_be_drawn() {
    let mut model = sample::model();
    (0..30).for_each(|n| drop(model.take(&format!("lampwarden/pump-house/e{n}/state"), b"{}")));
    for (width, height) in [(1, 1), (39, 24), (40, 10), (80, 10), (108, 30), (250, 70)] {
        for chosen in [0, 7, 31, 99] {
            for close in [false, true] {
                drawn(&model, &Ui { chosen, close, ..ui() }, width, height);
            }
        }
    }
    sees(&drawn(&model, &Ui { chosen: 31, ..ui() }, 80, 24), &["▸ e29"]);
    sees(&drawn(&model, &ui(), 30, 5), &["too small"]);
}

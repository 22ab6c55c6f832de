//! A year of a care sheet from outside: targets, day lengths, hours of UV, and a cooling season with what holds it back.

mod room;

use chrono::{DateTime, NaiveDate, Utc};
use lampwarden::control::AlarmKind;
use lampwarden::control::almanac::year;
use lampwarden::control::photoperiod::Phase;
use lampwarden::settings::EnclosureIx;
use lampwarden::units::Level;

use room::Room;

/// A day of 12 h in March and September, targets of 30 °C in January and 38 °C in July, a cooling season from 1 November:
/// 20 days down, 40 days of stay, 20 days up.
const SITE: &str = r#"
[site]
name = "attic"
timezone = "Europe/London"
latitude = 51.5
longitude = 0.0
accept_commands = true

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 32.0, night = 22.0, cut = 42.0 }
cool = { day = 24.0, night = 20.0 }
photoperiod = { follow = "year", noon = "12:00" }

[care.basker.year]
latitude = 40.0
point = [
  { on = "01-01", day_length = "10h", basking = 30.0, night_drop = 10.0, uv_hours = "4h" },
  { on = "03-21", day_length = "12h" },
  { on = "07-01", day_length = "14h", basking = 38.0, uv_hours = "8h" },
  { on = "09-21", day_length = "12h" },
]

[care.basker.cooling]
start = "11-01"
down = "20d"
stay = "40d"
up = "20d"
day_length = "8h"
uv_hours = "0s"
basking = { day = 14.0, night = 10.0 }
# CONDITIONS

[[enclosure]]
id = "e1"
care = "basker"
# SHIFT

[enclosure.probes.basking]
measures = "temperature"
topic = "e1/basking"
every = "1h"

[enclosure.probes.cool]
measures = "temperature"
topic = "e1/cool"
every = "1h"
spot = "cool"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "1h"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = { set = "e1/heat/set", state = "e1/heat", hold = "4h" }

[enclosure.lamps.light]
fitting = "led"
relay = { set = "e1/light/set", state = "e1/light" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }
"#;

fn with(conditions: &str, shift: &str) -> String {
    SITE.replace("# CONDITIONS", conditions).replace("# SHIFT", shift)
}

fn start(toml: &str, wall: &str, cool: &str) -> Room {
    let mut room = Room::new(toml, wall);
    speak(&mut room, cool);
    room
}

fn speak(room: &mut Room, cool: &str) {
    room.keeps_saying("e1/basking", "25.0", 1800);
    room.keeps_saying("e1/cool", cool, 1800);
    room.keeps_saying("e1/uv", "0.0", 1800);
}

fn target(room: &Room) -> f64 {
    let view = room.controller.view(EnclosureIx(0)).expect("it is there");
    view.lamps[0].target.expect("a thermostat").0
}

fn phase(room: &Room) -> (Phase, f64) {
    let season = room.controller.view(EnclosureIx(0)).expect("it is there").season.expect("it has one");
    (season.phase, season.depth)
}

fn day(room: &Room) -> (String, String) {
    let day = room.controller.view(EnclosureIx(0)).expect("it is there").day;
    let local = |at: Option<DateTime<Utc>>| at.expect("it has a day").format("%H:%M").to_string();
    (local(day.lights_on), local(day.lights_off))
}

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

#[test]
fn targets_day_lengths_and_hours_of_uv_go_by_the_year() {
    // On the days of the points their values hold, by hand. London is on UTC in January and an hour ahead in July.
    let mut room = start(&with("", ""), "2027-01-01T00:30:00Z", "20.0");
    assert!((target(&room) - 20.0).abs() < 1e-9, "30 °C less 10 K by night");
    room.wait_until("2027-01-01T11:00:00Z");
    assert!((target(&room) - 30.0).abs() < 1e-9);
    assert_eq!(day(&room), ("07:00".to_owned(), "17:00".to_owned()));
    assert_eq!(room.level("e1/uvb"), Level::FULL, "from 10:00 to 14:00");
    room.wait_until("2027-01-01T14:30:00Z");
    assert_eq!((room.level("e1/uvb"), room.level("e1/light")), (Level::OFF, Level::FULL));

    let mut room = start(&with("", ""), "2027-07-01T00:30:00Z", "20.0");
    room.wait_until("2027-07-01T11:00:00Z");
    assert!((target(&room) - 38.0).abs() < 1e-9);
    assert_eq!(day(&room), ("04:00".to_owned(), "18:00".to_owned()), "five to seven on the clock of the site");
    assert_eq!(room.level("e1/uvb"), Level::FULL);
    room.wait_until("2027-07-01T15:30:00Z");
    assert_eq!(room.level("e1/uvb"), Level::OFF, "eight hours about noon end at 16:00 there");
}

#[test]
fn a_cooling_season_goes_down_stays_and_comes_up() {
    let mut room = start(&with("", ""), "2026-10-30T12:00:00Z", "9.0");
    room.wait_until("2026-10-31T12:00:00Z");
    let usual = target(&room);
    assert!(usual > 30.0 && usual < 33.0, "{usual}");
    assert_eq!(phase(&room), (Phase::Before, 0.0));
    // Half-way down: the middle between what the date had without it and the stay.
    room.wait_until("2026-11-11T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Down, 0.5));
    let enclosure = &room.controller.settings().enclosures[0];
    let lamp = &enclosure.lamps[0];
    let without = lamp.year.as_ref().expect("it has a year").target(
        lamp.heat.expect("a thermostat").target,
        date("2026-11-11"),
        0.0,
    );
    assert!((target(&room) - (without.day.0 + 14.0) / 2.0).abs() < 1e-9);
    room.wait_until("2026-12-01T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Stay, 1.0));
    assert!((target(&room) - 14.0).abs() < 1e-9);
    assert_eq!(day(&room), ("08:00".to_owned(), "16:00".to_owned()));
    assert_eq!(
        (room.level("e1/uvb"), room.level("e1/light"), room.level("e1/heat")),
        (Level::OFF, Level::FULL, Level::OFF)
    );
    // 1 November and 60 days are 31 December; ten more are half the way up.
    room.wait_until("2027-01-10T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Up, 0.5));
    room.wait_until("2027-01-21T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Over, 0.0));
    assert!(room.alarm(AlarmKind::SeasonAmiss).is_none());
}

#[test]
fn a_guard_is_the_same_in_the_cold() {
    let mut room = start(&with("", ""), "2026-10-31T12:00:00Z", "9.0");
    room.wait_until("2026-12-01T12:00:00Z");
    room.keeps_saying("e1/basking", "8.0", 1800);
    room.wait(5);
    assert_eq!(room.level("e1/heat"), Level::FULL, "colder than the stay: {}", room.reason("e1/heat"));
    let before = room.commands.len();
    room.say("e1/basking", "8.5");
    room.say("e1/basking", "42.0");
    assert_eq!(room.told("e1/heat", before).first(), Some(&Level::OFF));
}

#[test]
fn a_restart_in_the_midst_of_it_changes_nothing() {
    let toml = with("", "");
    let mut room = start(&toml, "2026-10-31T12:00:00Z", "9.0");
    room.wait_until("2026-11-08T12:00:00Z");
    let before = (target(&room), phase(&room), day(&room));
    let mut again = Room::again(&toml, "2026-11-08T12:00:30Z", &room.remembered, &room.filed, Some(room.now.wall));
    again.event(lampwarden::control::Event::LinkUp);
    speak(&mut again, "9.0");
    again.wait(5);
    assert_eq!((target(&again), phase(&again), day(&again)), before);
    // Without what was filed it would not begin, eight days late: nobody is made cold at once.
    let mut anew = start(&toml, "2026-11-20T12:00:00Z", "9.0");
    anew.wait(5);
    assert_eq!(phase(&anew), (Phase::Over, 0.0));
}

#[test]
fn a_person_holds_it_back_and_breaks_it_off_by_message() {
    let mut room = start(&with("", ""), "2026-10-31T12:00:00Z", "9.0");
    room.wait_until("2026-11-11T12:00:00Z");
    room.say("lampwarden/attic/do/e1/season", r#"{"do": "hold"}"#);
    room.wait_until("2026-11-16T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Down, 0.5));
    room.say("lampwarden/attic/do/e1/season", r#"{"do": "go-on"}"#);
    room.wait_until("2026-11-26T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Stay, 1.0));
    room.say("lampwarden/attic/do/e1/season", r#"{"do": "break-off"}"#);
    assert_eq!(phase(&room), (Phase::Up, 1.0));
    room.wait_until("2026-12-16T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Over, 0.0));
    // What is no word for it changes nothing.
    room.say("lampwarden/attic/do/e1/season", r#"{"do": "freeze"}"#);
    assert_eq!(phase(&room), (Phase::Over, 0.0));
}

#[test]
fn a_warm_room_holds_it_back_and_says_so() {
    let mut room = start(&with("start_below = 18.0", ""), "2026-10-29T12:00:00Z", "21.0");
    room.wait_until("2026-11-05T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Before, 0.0));
    let alarm = room.alarm(AlarmKind::SeasonAmiss).expect("it is told");
    assert!(alarm.text.contains("18.0 °C") && alarm.text.contains("veterinarian"), "{}", alarm.text);
    room.keeps_saying("e1/cool", "17.0", 1800);
    room.wait_until("2026-11-07T12:00:00Z");
    assert_eq!(phase(&room).0, Phase::Down);
    assert!(room.alarm(AlarmKind::SeasonAmiss).is_none());
}

#[test]
fn a_warm_room_breaks_the_stay_off_and_says_so() {
    let mut room = start(&with("break_above = 16.0\nbreak_after = \"48h\"", ""), "2026-10-31T12:00:00Z", "9.0");
    room.wait_until("2026-12-01T12:00:00Z");
    assert_eq!(phase(&room).0, Phase::Stay);
    room.keeps_saying("e1/cool", "19.0", 1800);
    room.wait_until("2026-12-03T10:00:00Z");
    assert_eq!(phase(&room).0, Phase::Stay, "not yet 48 hours");
    room.wait_until("2026-12-03T13:00:00Z");
    assert_eq!(phase(&room), (Phase::Up, 1.0));
    assert!(room.alarm(AlarmKind::SeasonAmiss).expect("it is told").text.contains("48 h"));
    room.wait_until("2026-12-24T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Over, 0.0));
    assert!(room.alarm(AlarmKind::SeasonAmiss).is_none());
}

#[test]
fn a_clock_that_is_doubted_begins_nothing() {
    let mut room = start(&with("", ""), "2026-10-20T12:00:00Z", "9.0");
    room.wait(3600);
    // Half a month forward at once is doubted at first.
    room.set_clock_by(20 * 86_400);
    room.wait(60);
    assert_eq!(phase(&room).1, 0.0);
}

#[test]
fn an_enclosure_may_run_its_year_later_than_another() {
    let usual = room::settings(&with("", ""));
    let late = room::settings(&with("", "season_shift = \"60d\""));
    let days = |settings: &lampwarden::settings::Settings, from: &str| -> Vec<_> {
        year(&settings.site, &settings.enclosures[0], None, date(from), 200).collect()
    };
    // No leap day lies between them.
    for (a, b) in days(&usual, "2026-04-01").into_iter().zip(days(&late, "2026-05-31")) {
        assert!((a.day_hours - b.day_hours).abs() < 1e-6, "{} and {}", a.date, b.date);
        assert_eq!((a.uv_hours.map(f64::round), a.cooling), (b.uv_hours.map(f64::round), b.cooling), "{}", a.date);
        assert!((a.targets[0].1.day.0 - b.targets[0].1.day.0).abs() < 1e-9);
    }
    let mut room = start(&with("", "season_shift = \"60d\""), "2026-12-30T12:00:00Z", "9.0");
    room.wait_until("2027-01-10T12:00:00Z");
    assert_eq!(phase(&room), (Phase::Down, 0.5), "1 November and 60 days are 31 December");
}

#[test]
fn the_almanac_of_a_year_stays_within_what_is_published() {
    // MSD Veterinary Manual table v3230615: subtropical and tropical 10 h in winter, 14 h in summer; temperate 8 h and 16 h.
    // Typed from the table. The points above are of a subtropical species; its stay is a temperate winter.
    let settings = room::settings(&with("", ""));
    let all: Vec<_> = year(&settings.site, &settings.enclosures[0], None, date("2026-05-01"), 365).collect();
    assert_eq!(all.len(), 365);
    for day in &all {
        let least = if day.cooling > Some(0.0) { 8.0 } else { 10.0 };
        assert!(day.day_hours >= least - 1e-3 && day.day_hours <= 14.0 + 1e-3, "{day:?}");
    }
    let coldest = all.iter().filter(|day| day.cooling == Some(1.0)).count();
    assert_eq!(coldest, 41, "from the last day of the way down to the first of the way up");
}

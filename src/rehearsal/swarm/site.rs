//! Draws sites: configurations as a keeper might write them, with hardware as it might be had.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveDate, TimeZone as _, Utc};
use chrono_tz::Tz;

use super::Draw;
use crate::rehearsal::scenario::Room;
use crate::simulator::Climate;
use crate::units::{Celsius, Kelvin};

/// Zones with their places: both hemispheres, daylight saving of an hour, of half an hour, and none.
const PLACES: [(&str, f64, f64); 6] = [
    ("Europe/Lisbon", 38.72, -9.14),
    ("America/Denver", 39.74, -104.99),
    ("Australia/Lord_Howe", -31.55, 159.08),
    ("Asia/Kolkata", 22.57, 88.36),
    ("America/Santiago", -33.45, -70.67),
    ("Europe/Helsinki", 60.17, 24.94),
];

/// Species, none of them real: spot, targets by day and night, cut and limit.
const CARES: [(&str, f64, f64, f64, f64); 4] = [
    ("ridge-dragon", 38.0, 20.0, 44.0, 48.0),
    ("woodland-basker", 31.0, 20.0, 37.0, 41.0),
    ("rock-skink", 34.0, 22.0, 40.0, 45.0),
    ("leaf-gecko", 29.0, 24.0, 34.0, 38.0),
];

/// A whole configuration.
pub(super) fn draw(draw: &mut Draw) -> String {
    let (zone, latitude, longitude) = draw.one(&PLACES);
    let mut text = format!(
        "[site]\nname = \"drawn\"\ntimezone = \"{zone}\"\nlatitude = {latitude:?}\nlongitude = {longitude:?}\n\
         accept_commands = true\n\n[broker]\nurl = \"mqtt://127.0.0.1\"\n"
    );
    let (care, day, night, cut, limit) = draw.one(&CARES);
    let _ = write!(
        text,
        "\n[care.{care}]\nuv_zone = {}\nbasking = {{ day = {day:?}, night = {night:?}, cut = {cut:?}, limit = {limit:?} }}\n\
         photoperiod = {}\n",
        draw.one(&[2, 3]),
        photoperiod(draw)
    );
    let cut_off = draw.chance(0.5);
    if cut_off {
        text.push_str("\n[cut_off.mains]\nrelay = { set = \"d/mains/set\", state = \"d/mains\" }\n");
    }
    for number in 1..=draw.one(&[1, 1, 1, 2, 3]) {
        enclosure(draw, &mut text, number, care, cut_off);
    }
    text
}

fn photoperiod(draw: &mut Draw) -> String {
    match draw.below(4) {
        0 => "{ follow = \"clock\", on = \"07:00\", off = \"19:30\" }".to_owned(),
        1 => "{ follow = \"site\", shortest = \"8h\", longest = \"15h\" }".to_owned(),
        2 => "{ follow = \"latitude\", latitude = -18.9, season = \"local\", noon = \"13:00\" }".to_owned(),
        _ => {
            let months = r#"["10h", "10h30m", "11h30m", "12h30m", "13h30m", "14h", "14h", "13h30m", "12h30m", "11h30m", "10h30m", "10h"]"#;
            format!("{{ follow = \"table\", noon = \"13:00\", months = {months} }}")
        }
    }
}

/// One enclosure: probes, a heater of some kind, perhaps UV.
fn enclosure(draw: &mut Draw, text: &mut String, number: usize, care: &str, cut_off: bool) {
    let id = format!("e{number}");
    let every = draw.one(&["10s", "30s", "30s", "1m"]);
    let _ = write!(text, "\n[[enclosure]]\nid = \"{id}\"\ncare = \"{care}\"\n");
    probe(text, &id, "basking", "temperature", every, "basking", form(draw, true));
    let twin = draw.chance(0.25);
    if twin {
        probe(text, &id, "twin", "temperature", every, "basking", "");
    }
    if draw.chance(0.4) {
        probe(text, &id, "cool", "temperature", "1m", "cool", form(draw, false));
    }
    let power = draw.chance(0.5);
    if power {
        probe(text, &id, "power", "power", "30s", "basking", "");
    }
    probe(text, &id, "uv", "uvi", draw.one(&["30s", "1m"]), "basking", "");
    let guards = if twin { "guards = [\"twin\"]\n" } else { "" };
    let more = format!(
        "{guards}{}{}",
        if power { "power = \"power\"\n" } else { "" },
        if cut_off { "cut_off = \"mains\"\n" } else { "" }
    );
    heater(draw, text, &id, &more);
    if draw.chance(0.7) {
        lamp(text, &id, "uvb", "fluorescent-uvb", 24, "lights = \"uv\"\nafter_dawn = \"30m\"\nbefore_dusk = \"30m\"\n");
        let _ = writeln!(text, "{}", relay(draw, &id, "uvb", false));
    }
}

/// How a temperature is said: plain, in JSON, with a time stamp, in °F.
fn form(draw: &mut Draw, guards: bool) -> &'static str {
    match draw.below(if guards { 6 } else { 3 }) {
        0 => "pointer = \"/t\"\n",
        1 => "pointer = \"/t\"\nunit = \"°F\"\n",
        2 => "pointer = \"/t\"\nstamp = \"/at\"\n",
        _ => "",
    }
}

fn probe(text: &mut String, id: &str, name: &str, measures: &str, every: &str, spot: &str, form: &str) {
    let _ = write!(
        text,
        "[enclosure.probes.{name}]\nmeasures = \"{measures}\"\ntopic = \"d/{id}/{name}\"\nevery = \"{every}\"\n\
         spot = \"{spot}\"\n{form}"
    );
}

fn lamp(text: &mut String, id: &str, name: &str, fitting: &str, watts: u32, more: &str) {
    let _ = id;
    let _ = write!(text, "[enclosure.lamps.{name}]\nfitting = \"{fitting}\"\nwatts = {watts}\n{more}");
}

/// The relay of a lamp: with or without a report, with or without a hold.
fn relay(draw: &mut Draw, id: &str, name: &str, hold: bool) -> String {
    let state = if draw.chance(0.85) { format!(", state = \"d/{id}/{name}\"") } else { String::new() };
    let hold = if hold && draw.chance(0.8) {
        draw.one(&[", hold = \"2m\"", ", hold = \"5m\"", ", hold = \"10m\""])
    } else {
        ""
    };
    format!("relay = {{ set = \"d/{id}/{name}/set\"{state}{hold} }}")
}

fn heater(draw: &mut Draw, text: &mut String, id: &str, more: &str) {
    let warms = format!("warms = \"basking\"\n{more}");
    match draw.below(5) {
        0 => {
            lamp(text, id, "heat", "halogen", 75, &format!("{warms}when = \"day\"\n"));
            let _ = writeln!(text, "{}", relay(draw, id, "heat", true));
        }
        1 => {
            lamp(
                text,
                id,
                "heat",
                "halogen",
                100,
                &format!("{warms}when = \"day\"\ncontrol = \"dim\"\nramp = \"20m\"\n"),
            );
            let _ = writeln!(
                text,
                "dimmer = {{ set = \"d/{id}/heat/set\", state = \"d/{id}/heat\", level = \"{{percent}}\", off = \"0\", hold = \"5m\" }}"
            );
        }
        2 => {
            lamp(text, id, "heat", "ceramic-emitter", 100, &format!("{warms}control = \"pulse\"\nperiod = \"5m\"\n"));
            let _ = writeln!(text, "{}", relay(draw, id, "heat", true));
        }
        3 => {
            lamp(text, id, "heat", "heat-mat", 24, &format!("{warms}hysteresis = 0.5\n"));
            let _ = writeln!(text, "{}", relay(draw, id, "heat", true));
        }
        _ => {
            lamp(text, id, "heat", "radiant-panel", 80, &format!("{warms}hysteresis = 1.0\n"));
            let _ = writeln!(text, "{}", relay(draw, id, "heat", true));
            lamp(text, id, "sky", "led", 30, "ramp = \"30m\"\n");
            let _ = writeln!(
                text,
                "dimmer = {{ set = \"d/{id}/sky/set\", state = \"d/{id}/sky\", level = \"{{level}}\", off = \"0\" }}"
            );
        }
    }
}

/// Any day of 2026 or 2028 at 13:00, so that a story of whole days ends by day.
pub(super) fn start(draw: &mut Draw, zone: Tz) -> Option<DateTime<Utc>> {
    let year = draw.one(&[2026, 2028]);
    let date = NaiveDate::from_yo_opt(year, 1 + draw.below(365) as u32)?;
    zone.from_local_datetime(&date.and_hms_opt(13, 0, 0)?).earliest().map(|local| local.to_utc())
}

pub(super) fn room(draw: &mut Draw) -> Room {
    let climate = Climate {
        weather: Kelvin(draw.steps(0.0, 1.0, 0.1)),
        mean: Celsius(draw.steps(17.0, 24.0, 0.5)),
        season: Kelvin(draw.steps(0.0, 3.0, 0.5)),
        day: Kelvin(draw.steps(0.0, 2.5, 0.5)),
        wander: Kelvin(draw.steps(0.0, 1.0, 0.1)),
    };
    Room { climate, size: draw.chance(0.5).then(|| draw.steps(0.7, 1.1, 0.05)) }
}

//! Rehearsals of calm rooms spare the whole way, and what comes of them is the same: rooms of every kind of lamp, output and
//! probe.

use lampwarden::config::{self, Source};
use lampwarden::rehearsal::scenario::{self, Scenario};
use lampwarden::rehearsal::{Options, counted};

const SITE: &str = r#"
[site]
name = "loft"
timezone = "Europe/Lisbon"
latitude = 38.7
longitude = -9.1

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 33.0, night = 21.0, cut = 42.0 }
photoperiod = { follow = "clock", on = "07:00", off = "19:00" }

[[enclosure]]
id = "e"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e/basking"
every = "10s"

[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"
"#;

/// A relay with its state and a hold.
const HELD: &str = r#"relay = { set = "e/heat/set", state = "e/heat", hold = "5m" }"#;

const UV: &str = r#"
[enclosure.probes.uv]
measures = "uvi"
topic = "e/uv"
every = "60s"

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e/uvb/set", state = "e/uvb" }
"#;

/// Of so many moments of the whole way one may be left. Most of those are of the first day, when every document is written
/// out.
const SPARED: u64 = 15;

/// Rooms: what is added to the site.
const ROOMS: [(&str, &str); 9] = [
    ("a relay that is held", HELD),
    ("a relay by day", concat!(r#"relay = { set = "e/heat/set", state = "e/heat", hold = "5m" }"#, "\nwhen = \"day\"")),
    ("a relay without a state", r#"relay = { set = "e/heat/set", hold = "2m" }"#),
    (
        "words with a hold in them",
        r#"relay = { set = "e/heat/set", state = "e/heat", on = "on for {hold}", off = "off", reports_on = "lit", reports_off = "dark", hold = "3m" }"#,
    ),
    ("a dimmer", r#"dimmer = { set = "e/heat/set", state = "e/heat" }"#),
    ("pulses", concat!(r#"relay = { set = "e/heat/set", state = "e/heat" }"#, "\ncontrol = \"pulse\"")),
    ("UV", "UV"),
    (
        "a meter and a light",
        concat!(
            r#"relay = { set = "e/heat/set", state = "e/heat", hold = "5m" }"#,
            r#"
power = "draw"

[enclosure.probes.draw]
measures = "power"
topic = "e/draw"
every = "30s"

[enclosure.probes.lux]
measures = "illuminance"
topic = "e/lux"
every = "60s"

[enclosure.lamps.light]
fitting = "led"
watts = 10
relay = { set = "e/light/set", state = "e/light" }
"#
        ),
    ),
    (
        "twins",
        concat!(
            r#"relay = { set = "e/heat/set", state = "e/heat", hold = "5m" }"#,
            r#"
guards = ["twin"]

[enclosure.probes.twin]
measures = "temperature"
topic = "e/twin"
every = "30s"
"#
        ),
    ),
];

/// A calm day and a half of a room.
fn story(added: &str) -> Scenario {
    let added = if added == "UV" { format!("{HELD}\n{UV}") } else { added.to_owned() };
    // What glows must not be pulsed.
    let site = if added.contains("pulse") { SITE.replace("halogen", "ceramic-emitter") } else { SITE.to_owned() };
    let text = format!(
        "title = \"calm\"\nstory = \"calm\"\nstart = \"2026-03-01 05:00\"\nspan = \"36h\"\nsite = '''{site}{added}'''\n"
    );
    let source = Source { name: "calm.toml".to_owned(), text };
    let checked = scenario::read(&source, &mut |_| Err("it stands in the story".to_owned()));
    checked.scenario.unwrap_or_else(|| panic!("{}", config::render(&checked.findings, &checked.sources, false)))
}

#[test]
fn calm_rooms_spare_the_whole_way_and_all_is_the_same() {
    for (name, added) in ROOMS {
        let story = story(added);
        let (short, whole) = (Options::default(), Options { whole_way: true, ..Options::default() });
        let ((outcome, went), (expected, all)) = (counted(&story, &short), counted(&story, &whole));
        assert_eq!(outcome.log, expected.log, "{name}");
        assert_eq!(outcome, expected, "{name}");
        assert!(went * SPARED <= all, "{name}: {went} moments of {all}");
    }
}
